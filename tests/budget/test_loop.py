"""Frames of the best star for the page: one fixed window, in which the star moves as it did."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from blursplit.budget.diagnostics import _frames_of_best_star


def tracks_of(x_px: np.ndarray, size: int = 21) -> SimpleNamespace:
    """Return tracks of two stars, the second brighter, whose windows follow by whole pixels."""
    n = len(x_px)
    x0 = np.round(x_px).astype(int) - size // 2
    y, x = np.mgrid[:size, :size]
    pixels = np.zeros((n, 2, size, size), dtype=np.float32)
    for k in range(n):
        spot = np.exp(-0.5 * ((x - (x_px[k] - x0[k])) ** 2 + (y - size // 2) ** 2) / 2.0**2)
        pixels[k] = 200 + np.stack([0.1 * spot, spot]) * 1000
    stamps = SimpleNamespace(
        star=np.array([0, 1]),
        pixels_adu=pixels,
        x0_px=np.stack([x0, x0], axis=1),
        y0_px=np.zeros((n, 2), dtype=int),
        sky_adu=np.full((n, 2), 200.0),
    )
    flux = np.tile([10.0, 100.0], (n, 1))
    good = np.ones((n, 2), dtype=bool)
    return SimpleNamespace(stamps=stamps, good=good, flux_adu=flux, seen={"flux_adu": flux}.get)


def test_the_star_moves_in_the_window_as_it_did_in_the_frames() -> None:
    x_px = 100 + 3.0 * np.sin(np.arange(20))
    loop = _frames_of_best_star(tracks_of(x_px))
    assert loop is not None
    assert loop.shape == (20, 21, 21)
    assert loop.max() == 1.0
    columns = np.arange(21)
    # centroid of a noiseless star that is cut at 3.5 of its sigmas at worst: 0.02 px
    found = (loop.sum(axis=1) @ columns) / loop.sum(axis=(1, 2))
    np.testing.assert_allclose(found - found.mean(), x_px - x_px.mean(), atol=0.06)


def test_frames_in_which_the_star_was_lost_are_left_out() -> None:
    tracks = tracks_of(np.full(10, 50.0))
    tracks.good[3:6] = False
    loop = _frames_of_best_star(tracks)
    assert loop is not None
    assert len(loop) == 7


def test_without_cutouts_there_is_no_loop() -> None:
    tracks = tracks_of(np.full(4, 50.0))
    tracks.stamps = None
    assert _frames_of_best_star(tracks) is None
