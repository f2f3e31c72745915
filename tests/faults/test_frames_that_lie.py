r"""Frames that lie, one row a fault: what was done to them, and the check that tells it.

| fault | expected | before these checks |
| --- | --- | --- |
| window re-centred by whole pixels | frames-recentred, void | a bad pier passed, no warning |
| each frame twice, every third again | frames-repeated, void | no warning |
| running mean, recursive filter | frames-mixed, void | structure half of the true one |
| 3 x 3 median, unsharp mask | pixels-filtered, void | seeing 1.13 for 1.99 |
| gamma 0.5, soft compression | pixels-nonlinear, void | seeing 2.78 for 1.99 |
| a step in the middle | pointing-stepped, doubt | "check polar alignment" |
| pixel scale off by two | scale-disputed, doubt | seeing 0.88 or 3.47 for 1.99 |

What no check looks for: the stars, or most of them, stay where they are, and no check calls it
something else.

| fault | expected | comes out (200 frames, five stars) |
| --- | --- | --- |
| a comet crosses | nothing said | four stars within 0.012 px, the one it passes 0.11 px |
| glow of an amplifier | nothing said | five stars within 0.018 px |
| double star | nothing said | five stars within 0.018 px |
| dead column through a star | nothing said | that star 0.07 px or not used, the others 0.01 px |
| interlaced rows, a frame apart | nothing said | all stars 0.09 to 0.10 px: a mean of two |
| lost frames sent again | frames-repeated | frames-repeated |
| 12 bits in the upper of 16 | nothing said | places as before |

| rolling shutter, row time not stated, no mode | nothing said | places 0.09 to 0.29 px from those \
of one moment; with camera.row_time_us each row has its time; a mode tells it \
(evidence/test_undeclared_rows.py) |
| two stars, the field turns | nothing said of 1 degree, lost frames counted of 8 | 0.02 px |
| focus moves during the run | widths-changed, doubt | places 0.02 px; widths 1.8 to 4.0 px |
| bytes behind the last frame | nothing said | the same tracks |
| file cut short while it is read | frames-unreadable, or refused before the sky is blamed | \
the frames before the cut |
| stamps in whole seconds | times-coarse: start known to half a second | interval of 3 s of \
frames 4 % off, and 10 % said |

False alarms and detections on phase screens are counted in benchmarks/frame_checks.py.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.ndimage import gaussian_filter, median_filter

from blursplit.errors import InputError
from blursplit.frames import open_frames
from blursplit.report.words import text_of
from blursplit.result import Remark
from blursplit.rig import Rig
from blursplit.sources import Source
from blursplit.stars import follow_stars
from blursplit.stars.raw_checks import are_these_raw

N = 200


def _recentred(frames: Any, field: Any) -> Any:
    dx = np.rint(field.x_px[:, 2] - field.x_px[0, 2]).astype(int)
    dy = np.rint(field.y_px[:, 2] - field.y_px[0, 2]).astype(int)
    return np.stack(
        [np.roll(f, (-b, -a), axis=(0, 1)) for f, a, b in zip(frames, dx, dy, strict=True)]
    )


def _recursive(frames: Any, _: Any) -> Any:
    out = frames.copy()
    for i in range(1, N):
        out[i] = 0.69 * out[i - 1] + 0.31 * frames[i]
    return out


def _stretched(frames: Any, curve: Any) -> Any:
    level = np.clip(frames - frames.min(), 0, None)
    return 60000.0 * curve(level / level.max())


FAULTS: dict[str, tuple[str, str, Any]] = {
    "re-centred": ("frames-recentred", "void", _recentred),
    "twice": ("frames-repeated", "void", lambda f, _: np.repeat(f[: N // 2], 2, axis=0)),
    "third": ("frames-repeated", "void", lambda f, _: f[np.arange(N) - (np.arange(N) % 3 == 2)]),
    "running mean": ("frames-mixed", "void", lambda f, _: 0.5 * (f[1:] + f[:-1])),
    "recursive": ("frames-mixed", "void", _recursive),
    "median": ("pixels-filtered", "void", lambda f, _: median_filter(f, (1, 3, 3))),
    "unsharp": (
        "pixels-filtered",
        "void",
        lambda f, _: f + 0.5 * (f - gaussian_filter(f, (0, 1.0, 1.0))),
    ),
    "gamma": ("pixels-nonlinear", "void", lambda f, _: _stretched(f, np.sqrt)),
    "compressed": (
        "pixels-nonlinear",
        "void",
        lambda f, _: _stretched(f, lambda v: np.log1p(20 * v) / np.log(21)),
    ),
    "step": (
        "pointing-stepped",
        "doubt",
        lambda f, _: np.concatenate([f[: N // 2], np.roll(f[N // 2 :], 3, axis=2)]),
    ),
}


@pytest.fixture(name="wandering", scope="module")
def _wandering() -> Any:
    """Return a motion of half a pixel or so that is forgotten within ten frames."""
    rng = np.random.default_rng(12)
    shared = np.zeros((N, 2))
    for i in range(1, N):
        shared[i] = 0.9 * shared[i - 1] + rng.normal(0, 0.26, 2)
    return rng, shared


@pytest.fixture(name="lie", scope="module")
def _lie(wandering: Any, tmp_path_factory: Any, expose: Any) -> Any:
    rng, shared = wandering
    x = np.array([22.0, 74.0, 50.0, 24.0, 76.0]) + shared[:, :1] + rng.normal(0, 0.05, (N, 5))
    y = np.array([24.0, 22.0, 52.0, 74.0, 76.0]) + shared[:, 1:] + rng.normal(0, 0.05, (N, 5))
    field = expose(x, y, np.array([30e3, 26e3, 60e3, 20e3, 24e3]), rng)
    folder = tmp_path_factory.mktemp("lies")
    raw = field.frames

    def write(name: str, spoil: Any, cards: Any = ()) -> Path:
        field.frames, field.cards = spoil(raw, field), dict(cards)
        path = field.cube(folder / f"{name}.fits")
        field.frames = raw
        return Path(path)

    write.places = field.x_px, field.y_px  # type: ignore[attr-defined]
    return write


def test_raw_frames_raise_nothing(lie: Any) -> None:
    """The same field as it was recorded."""
    source = Source.read(lie("raw", lambda f, _: f))
    assert are_these_raw(source.tracks, None, source.rig) == ()


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_told_by_its_check(lie: Any, fault: str) -> None:
    """Its code and severity are among what is found."""
    code, severity, spoil = FAULTS[fault]
    source = Source.read(lie(fault.replace(" ", ""), spoil))
    found = {c.code: c.severity for c in are_these_raw(source.tracks, None, source.rig)}
    assert found.get(code) == severity


def test_binning_counted_twice_names_both_scales(lie: Any) -> None:
    """The header's scale says 1.03 arcsec, the setup 2.06: no seeing is silently halved."""
    cards = {"PIXSCALE": 1.0313, "XPIXSZ": 5.0, "FOCALLEN": 1000.0}
    path = lie("scale", lambda f, _: f, cards)
    source = Source.read(path, Rig.read(None, ["camera.pixel_scale_arcsec=2.0626"]))
    found = {c.code: c for c in are_these_raw(source.tracks, None, source.rig)}
    assert set(found) == {"scale-disputed"}
    assert found["scale-disputed"].facts["high_from"] == "the setup"


def _own(frames: Any, offset: Any) -> Any:
    """Return frames with light added, photon noise of it included."""
    return frames + np.random.default_rng(8).poisson(offset)


def _spot(shape: Any, x: float, y: float, sigma: float, total: float) -> Any:
    rows, columns = np.indices(shape)
    away = (columns - x) ** 2 + (rows - y) ** 2
    return total / (2 * np.pi * sigma**2) * np.exp(-0.5 * away / sigma**2)


def _comet(frames: Any, _: Any) -> Any:
    """Add a diffuse ball, as bright as the stars, that crosses a third of the field."""
    shape = frames.shape[1:]
    moves = [_spot(shape, 30 + 30 * i / N, 40 + 8 * i / N, 4.0, 3e4) for i in range(N)]
    return _own(frames, np.stack(moves))


def _glow(frames: Any, _: Any) -> Any:
    rows, columns = np.indices(frames.shape[1:])
    return _own(frames, np.broadcast_to(800 * np.exp(-(rows + columns) / 25), frames.shape))


def _companion(frames: Any, field: Any) -> Any:
    """Give the first star a companion of a third of its light, 4 px beside it."""
    shape = frames.shape[1:]
    at = zip(field.x_px[:, 0], field.y_px[:, 0], strict=True)
    return _own(frames, np.stack([_spot(shape, x + 4.0, y, 1.8, 1e4) for x, y in at]))


def _dead_column(frames: Any, _: Any) -> Any:
    out = frames.copy()
    out[:, :, 24] = 200.0
    return out


def _interlaced(frames: Any, _: Any) -> Any:
    """Make every second row younger: of the next frame."""
    out = frames[:-1].copy()
    out[:, 1::2] = frames[1:, 1::2]
    return out


def _refilled(frames: Any, _: Any) -> Any:
    """Lose each tenth frame: the camera sends the one before again."""
    return frames[np.arange(N) - (np.arange(N) % 10 == 9)]


# what was done; the checks that may speak; how far places lie from the truth at most [px, rms]
UNSEEN: dict[str, tuple[set[str], float, Any]] = {
    "comet": (set(), 0.15, _comet),
    "amplifier glow": (set(), 0.1, _glow),
    "double star": (set(), 0.1, _companion),
    "dead column": (set(), 0.15, _dead_column),
    "interlaced": (set(), 0.5, _interlaced),
    "lost frames sent again": ({"frames-repeated"}, 0.3, _refilled),
    "12 bits in the upper of 16": (set(), 0.1, lambda f, _: 16.0 * np.rint(f)),
}


@pytest.mark.parametrize("fault", UNSEEN)
def test_what_no_check_looks_for_is_not_called_something_else(lie: Any, fault: str) -> None:
    """Nothing false is said, and most stars stay where they are."""
    expected, most_px, spoil = UNSEEN[fault]
    source = Source.read(lie(fault.replace(" ", ""), spoil))
    tracks = source.tracks
    found = {c.code for c in are_these_raw(tracks, None, source.rig)}
    x_px, y_px = lie.places
    away = np.hypot(
        tracks.x_px[:, :, None] - x_px[tracks.frame][:, None],
        tracks.y_px[:, :, None] - y_px[tracks.frame][:, None],
    )
    away = away - np.nanmean(away, axis=0)
    assert found == expected
    assert np.median(np.nanstd(away, axis=0).min(axis=1)) < most_px


@pytest.fixture(name="field")
def _field(wandering: Any, expose: Any) -> Any:
    """Return a function that exposes stars along the shared motion; `turn_deg` turns them."""
    rng, shared = wandering
    x, y = np.array([22.0, 74.0, 50.0, 24.0, 76.0]), np.array([24.0, 74.0, 52.0, 70.0, 22.0])

    def make(stars: int = 5, *, turn_deg: float = 0.0, rows: float = 0.0, **light: Any) -> Any:
        angle = np.deg2rad(np.linspace(0.0, turn_deg, N))[:, None]
        x0, y0 = x[:stars] - 50.0, y[:stars] - 50.0
        # a row is read later by its share of the frame: there the next frame's motion is near
        late = rows * y[:stars] / 100.0
        path = (
            shared[:, None] + late[:, None] * np.diff(shared, axis=0, append=shared[-1:])[:, None]
        )
        at_x = 50.0 + x0 * np.cos(angle) - y0 * np.sin(angle) + path[..., 0]
        at_y = 50.0 + x0 * np.sin(angle) + y0 * np.cos(angle) + path[..., 1]
        flux = np.array([60e3, 52e3, 120e3, 40e3, 48e3])[:stars]
        return expose(at_x, at_y, flux, rng, **light)

    return make


def _off_px(tracks: Any, x: Any, y: Any) -> Any:
    """Return how far each star's places scatter about the true ones [px, rms]."""
    off = [
        values[:, :, None] - true[tracks.frame][:, None]
        for values, true in ((tracks.x_px, x), (tracks.y_px, y))
    ]
    star = np.nanmedian(np.hypot(*off), axis=0).argmin(axis=1)
    own = np.arange(tracks.n_stars)
    return np.hypot(*(np.nanstd(one[:, own, star], axis=0) for one in off))


def _said(source: Any) -> set[str]:
    return {c.code for c in are_these_raw(source.tracks, None, source.rig)}


def test_an_undeclared_rolling_shutter_passes_without_modes_and_a_declared_one_is_timed(
    field: Any, tmp_path: Path
) -> None:
    """Without lines air that blows along the rows looks alike. Stated, rows have times."""
    rolled = field(rows=1.0)
    path = rolled.cube(tmp_path / "rolled.fits")
    source = Source.read(path)
    assert _said(source) == set()
    # frame to frame the shared motion changes by 0.26 px on each axis; a row's share of that
    assert_allclose(_off_px(source.tracks, rolled.x_px, rolled.y_px), 0.02, atol=0.02)
    stated = Source.read(path, Rig.read(None, ["camera.row_time_us=490"])).tracks
    assert_allclose(stated.row_time_s[0], 490e-6 * stated.y_px[0], rtol=0.02)


@pytest.mark.parametrize(("turn_deg", "share"), [(1.0, 1.0), (8.0, 0.5)])
def test_two_stars_of_a_field_that_turns_are_right_where_they_are_followed(
    field: Any, tmp_path: Path, turn_deg: float, share: float
) -> None:
    """A turn of 8 degrees loses the pair at times: those frames are counted, none is wrong."""
    turned = field(2, turn_deg=turn_deg)
    source = Source.read(turned.cube(tmp_path / "turned.fits"))
    tracks = source.tracks
    assert _said(source) == set()
    assert tracks.n_stars == 2
    assert tracks.n_frames >= share * N
    assert ("frames-lost" in {code for code, _ in tracks.notes}) == (tracks.n_frames < N)
    assert _off_px(tracks, turned.x_px, turned.y_px).max() < 0.05


def test_focus_that_moves_during_the_run_is_told(field: Any, tmp_path: Path) -> None:
    """Twice through focus: the places are right, but one width speaks for two."""
    sigma = np.full(N, 1.8)
    sigma[60:140] += 2.2 * np.abs(np.sin(np.linspace(0.0, 2.0 * np.pi, 80)))
    moved = field(sigma=sigma)
    source = Source.read(moved.cube(tmp_path / "focus.fits"))
    (check,) = are_these_raw(source.tracks, None, source.rig)
    assert (check.code, check.severity) == ("widths-changed", "doubt")
    # the mean of 1.8 + 2.2 |sin| over 24 frames about a top is 3.7 px
    assert_allclose(check.facts["times"], 3.7 / 1.8, rtol=0.06)
    assert _off_px(source.tracks, moved.x_px, moved.y_px).max() < 0.1


@pytest.mark.parametrize("more", [b"abc", bytes(2880), b" " * 2880, bytes(range(256)) * 99])
def test_bytes_behind_the_last_frame_change_nothing(
    make_field: Any, tmp_path: Path, more: bytes
) -> None:
    """Padding, half a block or another program's notes."""
    path = make_field().cube(tmp_path / "field.fits")
    before = Source.read(path).tracks
    path.write_bytes(path.read_bytes() + more)
    assert_array_equal(Source.read(path).tracks.x_px, before.x_px)


def test_a_file_cut_short_while_it_is_read_keeps_what_was_read(field: Any, tmp_path: Path) -> None:
    """The frames behind the cut are counted as what they are; no sky is blamed."""
    whole = field()
    path = whole.cube(tmp_path / "cut.fits")
    size = path.stat().st_size
    sequence = open_frames(path)
    os.truncate(path, int(0.6 * size))
    tracks = follow_stars(sequence)
    sequence.source.close()
    assert 0 < tracks.n_frames <= 0.6 * N
    said = dict(tracks.notes)
    assert "the file was shortened while it was read" in said["frames-unreadable"]["why"]
    assert "frames-lost" not in said
    assert _off_px(tracks, whole.x_px, whole.y_px).max() < 0.05


def test_a_file_cut_within_its_first_frames_is_refused_as_such(field: Any, tmp_path: Path) -> None:
    """No word of focus or exposure."""
    path = field().cube(tmp_path / "cut.fits")
    sequence = open_frames(path)
    os.truncate(path, int(0.03 * path.stat().st_size))
    with pytest.raises(InputError, match=r"cut: cannot be read .*shortened.*; copy it again"):
        follow_stars(sequence)
    sequence.source.close()


@pytest.mark.parametrize(
    ("stated", "said"),
    [
        ((), "the start is known to 0.5 s, the interval to 9"),
        (("camera.frame_interval_s=0.05",), "the start is known to 0.5 s"),
    ],
)
def test_stamps_in_whole_seconds_leave_half_a_second_of_doubt(
    make_field: Any, tmp_path: Path, iso: Any, stated: Any, said: str
) -> None:
    """Cut or rounded, nothing says which; twenty frames share a stamp."""
    field = make_field(60)
    field.cards["DATE-OBS"] = [iso(i * 0.05 + 0.37)[:19] for i in range(60)]
    tracks = Source.read(field.files(tmp_path / "night"), Rig.read(None, stated)).tracks
    text = text_of(Remark(code="times-coarse", facts=dict(tracks.notes)["times-coarse"]))
    assert said in text
    assert ("interval" in text) == (not stated)


def test_fine_stamps_leave_none(make_field: Any, tmp_path: Path) -> None:
    """Milliseconds are finer than any frame here."""
    tracks = Source.read(make_field().files(tmp_path / "night")).tracks
    assert "times-coarse" not in dict(tracks.notes)
