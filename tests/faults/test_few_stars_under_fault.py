"""Few stars on a night when much goes wrong: all followed, none in another's place, no turns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from blursplit.frames import open_frames
from blursplit.simulate import Scene, write_sequence
from blursplit.stars import follow_stars

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

# Between stars' centroids and the tilts they were given lie 0.11 px in the median (higher
# aberrations, noise under cloud); the nearest other star is 20 px away.
WRONG_PX = 2.0


def true_places(
    folder: Path, truth: dict[str, Any], tables: dict[str, Any], axis: str
) -> NDArray[np.float64]:
    """Return where each star was in each frame, shape (n_frames, n_stars)."""
    told = np.genfromtxt(folder / "truth.csv", delimiter=",", names=True)
    stars = np.array([star[f"{axis}_px"] for star in truth["stars"]])
    shared = told[f"drift_{axis}_arcsec"] + told[f"mode_1_{axis}_arcsec"]
    air = np.stack([told[f"air_{i}_{axis}_arcsec"] for i in range(stars.size)], axis=1)
    (jump,) = tables["faults"]["dither"]
    dither = jump[f"d{axis}_px"] * (told["middle_s"] >= jump["time_s"])
    moved_px = (shared[:, None] + air) / tables["camera"]["pixel_scale_arcsec"]
    return np.asarray(stars + moved_px + dither[:, None])


@pytest.mark.slow
@pytest.mark.parametrize("count", [2, 3, 6])
def test_few_stars_are_followed_and_no_turn_is_made_up(
    tmp_path: Path, bad_night: dict[str, Any], count: int
) -> None:
    """Drops, clouds, rays, a trail and a dither: one new segment, at the dither."""
    scene = Scene.model_validate({**bad_night, "stars": {**bad_night["stars"], "count": count}})
    folder = tmp_path / "night"
    truth = write_sequence(scene, folder, seed=101)
    sequence = open_frames(folder / "sequence.fits", folder / "setup.toml")
    try:
        tracks = follow_stars(sequence)
    finally:
        sequence.source.close()
    assert tracks.n_stars == count
    codes = {code for code, _ in tracks.notes}
    assert "field-turned" not in codes
    assert "dither" in codes
    assert tracks.segment[-1] == 1
    assert tracks.n_frames > 0.98 * sequence.n_frames
    x, y = (true_places(folder, truth, bad_night, axis)[tracks.frame] for axis in "xy")
    far = np.hypot(tracks.x_px[:, :, None] - x[:, None], tracks.y_px[:, :, None] - y[:, None])
    star = np.nanmedian(far, axis=0).argmin(axis=1)
    assert sorted(star.tolist()) == list(range(count))
    off = np.where(tracks.good, far[:, np.arange(count), star], np.nan)
    assert np.nanmax(off) < WRONG_PX
