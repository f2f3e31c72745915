"""Split the width of a star into atmosphere, tracking, structure and instrument."""
