"""Tables of positions: every way to write one gives the same tracks, and what is amiss is told."""

from __future__ import annotations

import contextlib
import re

import astropy.units as u
import numpy as np
import pytest
from astropy.table import MaskedColumn, QTable, Table
from astropy.time import Time
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from blursplit.errors import BlursplitError, InputError, TooFewFramesError, TooFewStarsError
from blursplit.rig import Rig
from blursplit.stars.positions import positions_to_tracks

N, STARS = 60, 3
TIME = 0.02 * np.arange(N)


def place(axis: int) -> np.ndarray:
    """Return known positions [arcsec], shape (N, STARS)."""
    rng = np.random.default_rng(axis)
    return 40.0 * np.arange(STARS) + rng.normal(0.0, 0.3, (N, STARS))


X, Y = place(0), place(1)


def table(**changes: object) -> QTable:
    """Return the table, a column for each name; None takes one away."""
    out = QTable()
    columns = {
        "time": np.repeat(TIME, STARS) * u.s,
        "star": np.tile(np.arange(STARS), N),
        "x": X.ravel() * u.arcsec,
        "y": Y.ravel() * u.arcsec,
        **changes,
    }
    for name, value in columns.items():
        if value is not None:
            out[name] = value
    return out


def check(tracks, scale=1.0):
    assert_allclose(tracks.x_px * scale, X, atol=1e-6)
    assert_allclose(tracks.y_px * scale, Y, atol=1e-6)
    assert_allclose(tracks.time_s, TIME, atol=1e-6)
    assert tracks.good.all()
    assert (tracks.timing, round(tracks.cadence_s, 6)) == ("regular", 0.02)


def test_angles_become_pixels_of_one_arcsecond_or_of_the_rig():
    tracks, said = positions_to_tracks(table())
    check(tracks)
    assert said["pixel_scale_arcsec"].value == 1.0
    tracks, said = positions_to_tracks(table(), Rig(pixel_scale=0.5 * u.arcsec))
    check(tracks, 0.5)
    assert not said


def test_pixels_stay_pixels():
    pixels = {"x": X.ravel() * u.pixel, "y": Y.ravel() * u.pixel}
    tracks, said = positions_to_tracks(table(**pixels))
    check(tracks)
    assert not said


@pytest.mark.parametrize(
    ("times", "start"),
    [
        (np.repeat(TIME, STARS), None),
        (np.repeat(TIME, STARS) * 1e3 * u.ms, None),
        (Time("2026-03-01T20:00:00") + np.repeat(TIME, STARS) * u.s, "2026-03-01T20:00:00"),
        ((Time("2026-03-01T20:00:00") + np.repeat(TIME, STARS) * u.s).isot, "2026-03-01T20:00:00"),
    ],
    ids=["seconds", "milliseconds", "Time", "text"],
)
def test_times_of_every_kind_are_read(times, start):
    tracks, _ = positions_to_tracks(table(time=times))
    check(tracks)
    assert (tracks.start_utc or "")[:19] == (start or "")


def test_the_order_of_rows_and_the_names_of_stars_do_not_matter():
    rows = np.random.default_rng(9).permutation(N * STARS)
    names = np.array(["alpha", "beta", "gamma"])[np.tile(np.arange(STARS), N)]
    check(positions_to_tracks(table(star=names)[rows])[0])


COMMENTS = "# positions of three stars\n# time: s\n# x: arcsec\n# y: arcsec\n"
FILES = {
    "units in brackets": ("", "time [s],star,x [arcsec],y [arcsec]"),
    "units in names": ("", "time_s,star,x_arcsec,y_arcsec"),
    "units in comments": (COMMENTS, "time,star,x,y"),
    "other columns": ("", "note,time_s,star,x_arcsec,y_arcsec"),
}


@pytest.mark.parametrize("kind", FILES)
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_a_file_reads_as_the_table_does(tmp_path, kind, delimiter):
    comments, head = FILES[kind]
    lead = "cloud," if head.startswith("note") else ""
    rows = [
        f"{lead}{TIME[i]:.3f},{s},{X[i, s]:.9f},{Y[i, s]:.9f}"
        for i in range(N)
        for s in range(STARS)
    ]
    text = comments + "\n".join([head, *rows]).replace(",", delimiter) + "\n"
    path = tmp_path / "positions.csv"
    path.write_text(text)
    check(positions_to_tracks(str(path))[0])


def test_an_enhanced_csv_file_keeps_units_and_times(tmp_path):
    path = tmp_path / "positions.ecsv"
    start = Time("2026-03-01T20:00:00")
    table(time=start + np.repeat(TIME, STARS) * u.s).write(path)
    tracks, _ = positions_to_tracks(path)
    check(tracks)
    assert tracks.start_utc[:19] == start.isot[:19]


def test_a_guide_log_is_one_star(tmp_path):
    path = tmp_path / "guide.csv"
    lines = [f"{TIME[i]:.3f},{X[i, 0]:.6f},{Y[i, 0]:.6f}" for i in range(N)]
    path.write_text("\n".join(["time_s,dx_arcsec,dy_arcsec", *lines]))
    tracks, _ = positions_to_tracks(path)
    assert tracks.n_stars == 1
    assert_allclose(tracks.x_px[:, 0], X[:, 0], atol=1e-5)


def test_lost_positions_are_not_good_and_never_guessed():
    masked = MaskedColumn(X.ravel(), mask=np.arange(N * STARS) == 4, unit="arcsec")
    plain = Table(table())
    plain["x"] = masked
    tracks, _ = positions_to_tracks(plain[np.arange(N * STARS) != 100])
    assert np.argwhere(~tracks.good).tolist() == [[1, 1], [33, 1]]
    assert np.isnan(tracks.x_px[1, 1])


def test_a_star_seen_in_few_frames_is_left_out_and_told():
    few = (np.tile(np.arange(STARS), N) == 2) & (np.repeat(np.arange(N), STARS) > 5)
    tracks, _ = positions_to_tracks(table()[~few])
    assert tracks.n_stars == 2
    assert "stars-left-out" in dict(tracks.notes)


def test_a_gap_and_a_dither_part_the_record():
    shift = np.where(np.arange(N) < 40, 0.0, 30.0)[:, None]
    late = np.where(np.arange(N) < 20, TIME, TIME + 100.0)
    tracks, _ = positions_to_tracks(
        table(time=np.repeat(late, STARS) * u.s, x=(X + shift).ravel() * u.arcsec)
    )
    assert np.flatnonzero(np.diff(tracks.segment)).tolist() == [19, 39]


@pytest.mark.parametrize("seed", [1, 2])
def test_noise_that_is_not_given_is_that_of_a_white_series(seed):
    """White noise alone: the level of its top tenth is the noise.

    24 periodogram values on each axis scatter by 20 % in power; the smaller of two axes is
    0.56 sigma lower in the mean, and sigma is half of that: -6 % with 8 % scatter a star.
    """
    rng = np.random.default_rng(seed)
    n, stars = 480, 12
    rows = QTable()
    rows["time"] = np.repeat(0.02 * np.arange(n), stars) * u.s
    rows["star"] = np.tile(np.arange(stars), n)
    for axis in "xy":
        rows[axis] = rng.normal(0.0, 0.2, n * stars) * u.arcsec
    tracks, _ = positions_to_tracks(rows)
    assert_allclose(np.mean(tracks.sigma_px[0]), 0.2 * 0.94, rtol=4 * 0.08 / np.sqrt(stars))
    assert "noise-from-spectrum" in dict(tracks.notes)


def test_noise_width_and_flux_are_taken_where_they_are_given():
    extra = {
        "sigma": np.full(N * STARS, 20.0) * u.mas,
        "width": np.full(N * STARS, 0.8) * u.arcsec,
        "flux": np.full(N * STARS, 1e4),
    }
    tracks, _ = positions_to_tracks(table(**extra), Rig(pixel_scale_arcsec=0.5))
    assert_allclose(tracks.sigma_px, 0.04)
    assert_allclose(tracks.width_px, 1.6)
    assert_allclose(tracks.flux_adu, 1e4)
    assert "noise-from-spectrum" not in dict(tracks.notes)


def test_an_exposure_that_nobody_gave_is_told():
    assert "exposure-unknown" in dict(positions_to_tracks(table())[0].notes)
    tracks, _ = positions_to_tracks(table(), Rig(exposure=10 * u.ms))
    assert (tracks.exposure_s, "exposure-unknown" in dict(tracks.notes)) == (0.01, False)


BAD = {
    "no x": ({"x": None}, InputError, "has no column 'x'"),
    "no unit": ({"x": X.ravel()}, InputError, "column 'x' has no unit"),
    "mixed units": ({"x": X.ravel() * u.pixel}, InputError, "x and y are in pix and arcsec"),
    "wrong unit": ({"x": X.ravel() * u.s, "y": Y.ravel() * u.s}, InputError, "x and y are in s"),
    "wrong width": (
        {"x": X.ravel() * u.pixel, "y": Y.ravel() * u.pixel, "width": X.ravel() * u.arcsec},
        InputError,
        "column 'width' is in arcsec, the positions are in pixels",
    ),
    "no time": ({"time": ["tonight"] * (N * STARS)}, InputError, "column 'time' holds what is no"),
    "time in metres": ({"time": np.repeat(TIME, STARS) * u.m}, InputError, "are in m"),
    "lost time": ({"time": np.full(N * STARS, np.nan)}, InputError, "180 of them are missing"),
    "no star": ({"star": None}, InputError, "name the stars in a column 'star'"),
    "twice": ({"star": np.tile([0, 1, 1], N)}, InputError, "row 3 gives star 1 a second time"),
    "both": ({"dx": X.ravel() * u.arcsec}, InputError, "columns 'x' and 'dx' both mean x"),
}


@pytest.mark.parametrize("kind", BAD)
def test_what_is_amiss_is_told_in_one_line_that_names_the_column(kind):
    changes, error, told = BAD[kind]
    with pytest.raises(error, match=re.escape(told)) as caught:
        positions_to_tracks(table(**changes))
    assert "\n" not in str(caught.value)


def test_too_little_is_told():
    with pytest.raises(TooFewFramesError, match="only 5 usable frames"):
        positions_to_tracks(table()[: 5 * STARS])
    with pytest.raises(InputError, match="has no rows"):
        positions_to_tracks(table()[:0])
    with pytest.raises(TooFewStarsError, match="no star has 10 positions"):
        positions_to_tracks(table(x=np.full(N * STARS, np.nan) * u.arcsec))
    with pytest.raises(TypeError, match="not int"):
        positions_to_tracks(3)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "it has no columns at all"),
        (b"\xff\xfe\x00", "is no table of positions"),
        (b"0.27 -0.38\n0.25 -0.31\n", "has no header line"),
        (b"time,star,x,y\n1,2\n", "column 'x' has no unit"),
        (b"# %ECSV 1.0\n# ---\n# datatype: [\n", "is no table of positions"),
        (b"time_s,x [furlong per],y_px\n1,2,3\n", "unit 'furlong per' is unknown"),
        (b"time_s,x_px,y_px\n1,two,3\n", "column 'x' holds something else than numbers"),
        (None, "cannot be read"),
    ],
)
def test_a_file_that_is_no_table_is_told(tmp_path, content, told):
    path = tmp_path / "positions.csv"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        positions_to_tracks(path)
    assert told in str(caught.value)
    assert "positions.csv" in str(caught.value)
    assert "\n" not in str(caught.value)


TEXT = st.text(max_size=80).map(lambda text: text.encode("utf-8", "replace"))


@settings(max_examples=60, deadline=None)
@given(content=st.binary(max_size=80) | TEXT)
def test_a_file_of_any_content_is_read_or_refused_in_our_own_words(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("any") / "positions.csv"
    path.write_bytes(b"time_s,x_px,y_px\n" + content)
    with contextlib.suppress(BlursplitError):
        positions_to_tracks(path)
