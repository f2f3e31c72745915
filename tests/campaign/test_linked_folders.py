"""Folders behind symbolic links are walked like any other, a circle of links once."""

from blursplit.campaign.grouping import _fits_files


def test_links_to_folders_are_followed_once(tmp_path):
    """A link to another disk is entered; one back to the top adds nothing."""
    night, disk = tmp_path / "night", tmp_path / "disk"
    night.mkdir()
    disk.mkdir()
    (disk / "a.fits").touch()
    (night / "link").symlink_to(disk, target_is_directory=True)
    (night / "again").symlink_to(disk, target_is_directory=True)
    (disk / "back").symlink_to(night, target_is_directory=True)
    assert [path.name for path in _fits_files(night)] == ["a.fits"]
