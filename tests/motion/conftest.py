"""Tracks made without pixels, so that every motion in them is known."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from blursplit.stars.tracks import StarTracks

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray


def make_tracks(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    *,
    sigma: Any = 0.02,
    good: NDArray[np.bool_] | None = None,
    segment: NDArray[np.int64] | None = None,
    time_s: NDArray[np.float64] | None = None,
) -> StarTracks:
    """Return tracks of given places [frame, star]; what is not good is NaN."""
    n = len(x)
    good = np.ones(x.shape, dtype=bool) if good is None else good
    flat = np.ones_like(x)
    return StarTracks(
        time_s=0.02 * np.arange(n) if time_s is None else time_s,
        segment=np.zeros(n, dtype=np.int64) if segment is None else segment,
        row_time_s=0 * flat,
        x_px=np.where(good, x, np.nan),
        y_px=np.where(good, y, np.nan),
        sigma_px=np.where(good, sigma * flat, np.nan),
        flux_adu=flat,
        width_px=flat,
        e1=0 * flat,
        e2=0 * flat,
        peak_adu=flat,
        good=good,
        exposure_s=0.01,
        cadence_s=0.02,
        frame=np.arange(n),
    )


def make_field(
    rng: np.random.Generator, n: int = 200, k: int = 6, *, own: float = 0.05, shared: float = 0.5
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return places x, y [frame, star] and the shared shift [frame, axis] in them."""
    home = rng.uniform(0, 300, (2, k))
    shift = rng.normal(0, shared, (n, 2))
    x = home[0] + shift[:, :1] + rng.normal(0, own, (n, k))
    y = home[1] + shift[:, 1:] + rng.normal(0, own, (n, k))
    return x, y, shift


@pytest.fixture(name="make_tracks")
def _make_tracks() -> Callable[..., StarTracks]:
    return make_tracks


@pytest.fixture(name="motion_field")
def _motion_field() -> Callable[..., Any]:
    return make_field
