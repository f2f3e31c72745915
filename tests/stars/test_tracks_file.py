"""Tracks come back from disk as saved; damage is told in one line."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from blursplit.errors import InputError, OutputError
from blursplit.series import _noise_of
from blursplit.stars import Stamps, StarTracks

if TYPE_CHECKING:
    from pathlib import Path


def make_tracks(
    rng: np.random.Generator, n: int, k: int, n_stamps: int, **facts: Any
) -> StarTracks:
    """Fill tracks with anything, NaN where not good."""
    good = rng.random((n, k)) < 0.8
    names = ("row_time_s", "x_px", "y_px", "sigma_px", "flux_adu", "width_px", "e1", "e2")
    arrays = {
        name: np.where(good, rng.normal(0, 1e3, (n, k)), np.nan) for name in (*names, "peak_adu")
    }
    stamps = None
    if n_stamps:
        stamps = Stamps(
            star=np.arange(n_stamps),
            pixels_adu=rng.normal(0, 9, (n, n_stamps, 5, 5)).astype(np.float32),
            x0_px=rng.integers(-9, 900, (n, n_stamps)),
            y0_px=rng.integers(-9, 900, (n, n_stamps)),
            sky_adu=rng.normal(0, 9, (n, n_stamps)),
        )
    return StarTracks(
        time_s=np.sort(rng.random(n)) * 1e4,
        segment=np.arange(n) // 3,
        good=good,
        stamps=stamps,
        **arrays,
        **facts,
    )


SEVEN_DIGITS = {"row_time_s", "sigma_px", "flux_adu", "width_px", "e1", "e2", "peak_adu"}
PACKED = {"pixels_adu", "finder_adu"}


def assert_same(one: Any, two: Any) -> None:
    """Compare records field by field: to the bit, or as finely as they are stored.

    Half a unit of the last of 24 bits is 6e-8; packed pixels lie within one step (a third of
    their noise), the dither included.
    """
    for item in fields(one):
        a, b = getattr(one, item.name), getattr(two, item.name)
        if isinstance(a, np.ndarray):
            assert a.dtype == b.dtype, item.name
            if item.name in SEVEN_DIGITS:
                np.testing.assert_allclose(b, a, rtol=6e-8, err_msg=item.name)
            elif item.name in PACKED:
                step = _noise_of(a) / 3.0
                np.testing.assert_allclose(b, a, rtol=0, atol=step + 1e-6, err_msg=item.name)
            else:
                np.testing.assert_array_equal(a, b, err_msg=item.name)
        elif isinstance(a, Stamps):
            assert_same(a, b)
        else:
            assert a == b, item.name


text = st.text(max_size=40)
seconds = st.none() | st.floats(1e-6, 1e6)


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    seed=st.integers(0, 9999),
    n=st.integers(1, 7),
    k=st.integers(1, 4),
    n_stamps=st.integers(0, 1),
    exposure_s=seconds,
    cadence_s=seconds,
    start_utc=st.none() | text,
    timing=st.sampled_from(["regular", "jittered", "irregular"]),
    notes=st.lists(
        st.tuples(text, st.dictionaries(text, text | st.floats(-1e9, 1e9), max_size=3)), max_size=3
    ).map(tuple),
    dropped=st.dictionaries(text, st.integers(0, 10**6), max_size=3),
    finder=st.booleans(),
    numbered=st.booleans(),
)
def test_tracks_come_back(
    tmp_path: Path,
    seed: int,
    n: int,
    k: int,
    n_stamps: int,
    finder: bool,
    numbered: bool,
    **facts: Any,
) -> None:
    """Whatever the arrays, texts and missing parts: load(save(x)) == x."""
    rng = np.random.default_rng(seed)
    if finder:
        facts["finder_adu"] = rng.normal(0, 1, (4, 6)).astype(np.float32)
    if numbered:
        facts["frame"] = rng.integers(0, 10**9, n)
    tracks = make_tracks(rng, n, k, n_stamps, **facts)
    tracks.save(tmp_path / "run")
    assert_same(tracks, StarTracks.load(tmp_path / "run"))


def saved(folder: Path) -> StarTracks:
    """Save some tracks with stamps."""
    tracks = make_tracks(np.random.default_rng(1), 40, 5, 2, exposure_s=0.01)
    tracks.save(folder)
    return tracks


def test_tracks_are_a_table_that_explains_itself(tmp_path: Path) -> None:
    """A row for each frame and star, with units and UCDs; nothing temporary is left."""
    from astropy.io import fits
    from astropy.table import QTable

    tracks = saved(tmp_path)
    assert {p.name for p in tmp_path.iterdir()} == {"tracks.fits", "stamps.fits"}
    rows = QTable.read(tmp_path / "tracks.fits", hdu="TRACKS")
    assert len(rows) == tracks.x_px.size
    one = rows[rows["star"] == 3]
    np.testing.assert_array_equal(one["x"].value, tracks.x_px[:, 3])
    np.testing.assert_array_equal(one["time"].to_value("s"), tracks.time_s)
    assert (str(one["x"].unit), str(one["flux"].unit)) == ("pix", "adu")
    with fits.open(tmp_path / "tracks.fits") as hdus:
        header = hdus["TRACKS"].header
        count = header["TFIELDS"]
        assert all(f"TCOMM{n}" in header and f"TUCD{n}" in header for n in range(1, count + 1))
        assert header["TUCD6"] == "pos.cartesian.x;instr.det"


def test_cut_outs_of_whole_numbers_come_back_exactly_and_small(tmp_path: Path) -> None:
    """Counts of a camera with a noise of 3 take less than a byte a pixel."""
    rng = np.random.default_rng(4)
    tracks = make_tracks(rng, 300, 2, 2, exposure_s=0.01)
    pixels = rng.normal(300, 3, (300, 2, 21, 21)).round().astype(np.float32)
    tracks = replace(tracks, stamps=replace(tracks.stamps, pixels_adu=pixels))
    tracks.save(tmp_path)
    np.testing.assert_array_equal(StarTracks.load(tmp_path).stamps.pixels_adu, pixels)
    assert (tmp_path / "stamps.fits").stat().st_size < pixels.size


@pytest.mark.parametrize("seed", [1, 2])
def test_packing_adds_no_bias_and_less_than_one_percent_of_variance(
    tmp_path: Path, seed: int
) -> None:
    """Steps of a third of the noise add 1/(9 * 12) = 0.93 % to its variance; 2e5 pixels."""
    rng = np.random.default_rng(seed)
    tracks = make_tracks(rng, 230, 2, 2, exposure_s=0.01)
    pixels = rng.normal(300.0, 3.0, (230, 2, 21, 21)).astype(np.float32)
    pixels[5, 1, 3, 3] = np.nan
    replace(tracks, stamps=replace(tracks.stamps, pixels_adu=pixels)).save(tmp_path)
    change = StarTracks.load(tmp_path).stamps.pixels_adu - pixels
    assert np.argwhere(np.isnan(change)).tolist() == [[5, 1, 3, 3]]
    added = float(np.nanvar(change)) / 9.0
    np.testing.assert_allclose(added, 1 / 108, rtol=0.05)  # the noise itself is known to 0.3 %
    assert abs(float(np.nanmean(change))) < 4 * 3.0 * np.sqrt(added / pixels.size)


def test_tracks_without_stamps_leave_no_old_stamps_behind(tmp_path: Path) -> None:
    """Stamps of an earlier run do not survive; deleted stamps are simply absent."""
    tracks = saved(tmp_path)
    tracks.without_stamps().save(tmp_path)
    assert StarTracks.load(tmp_path).stamps is None
    saved(tmp_path)
    (tmp_path / "stamps.fits").unlink()
    assert StarTracks.load(tmp_path).stamps is None


@pytest.mark.parametrize("name", ["tracks.fits", "stamps.fits"])
def test_damage_is_an_input_error(tmp_path: Path, name: str) -> None:
    """Cut, flipped, emptied and foreign files are refused with the file named."""
    saved(tmp_path)
    whole = (tmp_path / name).read_bytes()
    rng = np.random.default_rng(2)
    flipped = []
    for at in rng.integers(2880, len(whole), 24):
        if not whole[at - at % 80 : at - at % 80 + 80].strip():
            continue  # blanks after a header's end carry nothing
        one = bytearray(whole)
        one[at] ^= 0x10
        flipped.append(bytes(one))
    for content in (whole[: len(whole) // 2], whole[:100], b"", b"no FITS at all", *flipped):
        (tmp_path / name).write_bytes(content)
        with pytest.raises(InputError, match=r"tracks\.fits: is damaged"):
            StarTracks.load(tmp_path)


def test_a_header_that_promises_too_much_is_refused(tmp_path: Path) -> None:
    """Terabytes in a header are refused before memory is asked for."""
    saved(tmp_path)
    path = tmp_path / "tracks.fits"
    content = path.read_bytes()
    at = content.rindex(b"NAXIS2  =", 0, content.index(b"'TRACKS"))
    card = b"NAXIS2  =        4000000000000".ljust(80)
    path.write_bytes(content[:at] + card + content[at + 80 :])
    with pytest.raises(InputError, match="damaged"):
        StarTracks.load(tmp_path)


def test_stamps_of_another_run_are_refused(tmp_path: Path) -> None:
    """A stamps.fits that does not belong to the tracks is not taken for theirs."""
    saved(tmp_path / "a")
    make_tracks(np.random.default_rng(3), 7, 5, 2, exposure_s=None).save(tmp_path / "b")
    (tmp_path / "a/stamps.fits").write_bytes((tmp_path / "b/stamps.fits").read_bytes())
    with pytest.raises(InputError, match="does not belong"):
        StarTracks.load(tmp_path / "a")


def test_a_folder_without_tracks_is_named(tmp_path: Path) -> None:
    """The message says which folder and what to give instead."""
    with pytest.raises(InputError, match=r"holds no tracks\.fits; give the folder"):
        StarTracks.load(tmp_path)


def test_a_folder_that_cannot_be_written_is_an_output_error(tmp_path: Path) -> None:
    """A file where the folder should be."""
    (tmp_path / "taken").write_text("x")
    with pytest.raises(OutputError, match="cannot be written"):
        saved(tmp_path / "taken")
