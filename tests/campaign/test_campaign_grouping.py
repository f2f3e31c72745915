"""From a tree of files to sequences."""

from __future__ import annotations

import shutil

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blursplit.campaign.grouping import _FileFacts, _look_at, _night, _sequences, walk
from blursplit.errors import InputError


def sizes(found) -> list[int]:
    """Return the number of files of each sequence."""
    return sorted(len(g.files) for g in found.groups)


def test_targets_filters_and_exposures_part(tmp_path, frames) -> None:
    frames(tmp_path / "a", "M 39", 4, FILTER="R")
    frames(tmp_path / "a", "M 39", 3, FILTER="V", seed=1)
    frames(tmp_path / "a", "M 39", 2, FILTER="V", seed=2, EXPTIME=5.0)
    frames(tmp_path / "b", "NGC 457", 5, FILTER="R")
    assert sizes(walk(tmp_path)) == [2, 3, 4, 5]


def test_one_sequence_may_lie_in_two_folders(tmp_path, frames) -> None:
    frames(tmp_path / "evening", "M 39", 3, start="2026-03-01T23:58:30")
    frames(tmp_path / "morning", "M 39", 3, start="2026-03-02T00:00:00", seed=1)
    found = walk(tmp_path)
    assert sizes(found) == [6]
    times = [f.time_s for f in found.groups[0].files]
    assert times == sorted(times)


def test_a_gap_parts_and_the_option_sets_it(tmp_path, frames) -> None:
    frames(tmp_path, "M 39", 3, start="2026-03-01T20:00:00")
    frames(tmp_path, "M 39", 3, start="2026-03-01T21:00:00", seed=1)
    assert sizes(walk(tmp_path)) == [3, 3]
    assert sizes(walk(tmp_path, gap_s=7200.0)) == [6]


def test_copies_count_once(tmp_path, frames) -> None:
    frames(tmp_path / "a", "M 39", 3)
    shutil.copytree(tmp_path / "a", tmp_path / "copy")
    found = walk(tmp_path)
    assert sizes(found) == [3]
    assert found.skipped["copy of another file"] == 3


def test_calibration_frames_and_results_are_left_out(tmp_path, frames) -> None:
    frames(tmp_path, "M 39", 3, IMAGETYP="Light Frame")
    frames(tmp_path, "flat", 2, IMAGETYP="Flat Field")
    frames(tmp_path / "run-blursplit", "M 39", 2, seed=3)
    (tmp_path / "run-blursplit" / "result.json").write_text("{}")
    found = walk(tmp_path)
    assert sizes(found) == [3]
    assert found.skipped == {"calibration frame (flat field)": 2}


def test_broken_files_are_named_and_the_rest_goes_on(tmp_path, frames) -> None:
    frames(tmp_path, "M 39", 3)
    (tmp_path / "empty.fits").touch()
    (tmp_path / "text.fits").write_text("hello" * 1000)
    found = walk(tmp_path)
    assert sizes(found) == [3]
    assert {r[0].rsplit("/", 1)[1] for r in found.refused} == {"empty.fits", "text.fits"}
    assert all(reason for _, reason in found.refused)


def test_cube_is_a_sequence_of_its_own(tmp_path) -> None:
    import numpy as np
    from astropy.io import fits

    for name in ("one", "two"):
        hdu = fits.PrimaryHDU(np.zeros((9, 12, 14), dtype=np.int16))
        hdu.header["OBJECT"] = "M 39"
        hdu.header["NOTE"] = name
        hdu.writeto(tmp_path / f"{name}.fits")
    found = walk(tmp_path)
    assert [g.frames for g in found.groups] == [9, 9]


def test_files_without_a_time_stay_with_their_folder_in_natural_order(tmp_path, frames) -> None:
    from astropy.io import fits

    for place in ("a", "b"):
        for path in frames(tmp_path / place, place, 12):
            with fits.open(path, mode="update") as hdus:
                del hdus[0].header["DATE-OBS"]
                hdus[0].header["OBJECT"] = "same"
    found = walk(tmp_path)
    assert sizes(found) == [12, 12]
    assert [p.rsplit("-", 1)[1] for p in found.groups[0].paths[-3:]] == [
        "9.fits",
        "10.fits",
        "11.fits",
    ]


def test_moved_and_renamed_sequence_keeps_its_key_but_a_changed_pixel_does_not(tmp_path, frames):
    paths = frames(tmp_path / "a", "M 39", 3)
    before = walk(tmp_path).groups[0].key
    (tmp_path / "a").rename(tmp_path / "new name")
    assert walk(tmp_path).groups[0].key == before
    path = tmp_path / "new name" / paths[0].name
    data = bytearray(path.read_bytes())
    data[2880 + 5] ^= 1
    path.write_bytes(data)
    assert walk(tmp_path).groups[0].key != before


def test_conditions_are_read_with_their_units(tmp_path, frames) -> None:
    from astropy.io import fits

    path = frames(tmp_path, "M 39", 1, AIRMASS=1.2, TELAZ=250.0, PIERSIDE="WEST", AMBTEMP=7.5)[0]
    with fits.open(path, mode="update") as hdus:
        hdus[0].header["WINDSPD"] = (36.0, "wind speed [km/h]")
    facts = dict(_look_at(path).facts)
    assert facts["airmass"] == 1.2
    assert facts["azimuth_deg"] == 250.0
    assert facts["pier_side"] == "west"
    assert facts["temperature_c"] == 7.5
    assert facts["wind_m_s"] == pytest.approx(10.0)


def test_night_runs_from_local_noon_to_noon() -> None:
    from datetime import UTC, datetime

    late = datetime(2026, 3, 2, 3, 0, tzinfo=UTC).timestamp()
    assert _night(late, 0.0) == "2026-03-01"
    # 03:00 UTC is 13:00 at 150 degrees east: the next night.
    assert _night(late, 150.0) == "2026-03-02"
    assert _night(None, 0.0) is None


def test_missing_folder_is_refused(tmp_path) -> None:
    with pytest.raises(InputError, match="not a folder"):
        walk(tmp_path / "none")


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from("ab"), st.floats(0, 1e5) | st.none()), min_size=1, max_size=25
    )
)
def test_every_file_lands_in_exactly_one_sequence(items) -> None:
    files = [
        _FileFacts(f"/x/{i}.fits", str(i), (kind,), 1, time) for i, (kind, time) in enumerate(items)
    ]
    groups = list(_sequences(files, None))
    placed = [f.path for g in groups for f in g.files]
    assert sorted(placed) == sorted(f.path for f in files)
    assert all(len({f.group for f in g.files}) == 1 for g in groups)
