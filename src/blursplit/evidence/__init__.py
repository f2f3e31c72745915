"""Special cases that know more than the stars alone, one file each."""
