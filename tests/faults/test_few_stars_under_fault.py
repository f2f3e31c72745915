"""Few stars on a night when much goes wrong: all followed, none in another's place, no turns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from blursplit.frames import open_sequence
from blursplit.instrument import read_setup
from blursplit.simulate import Scene, write_sequence
from blursplit.stars import follow_stars

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

PIXEL_ARCSEC = 0.65
DITHER_S, DITHER_PX = 14.0, {"x": 7.0, "y": -9.0}
SCENE: dict[str, Any] = {
    "telescope": {"aperture_m": 0.25, "obstruction": 0.3, "instrument_fwhm_arcsec": 0.4},
    "camera": {
        "pixel_scale_arcsec": PIXEL_ARCSEC,
        "width_px": 260,
        "height_px": 200,
        "exposure_s": 0.008,
        "frame_interval_s": 0.03,
        "gain_e_per_adu": 0.8,
        "hot_pixels": 10,
    },
    "air": {"seeing_arcsec": 1.4, "airmass": 1.1},
    "drift": [{"arcsec_per_min": 8.0, "angle_deg": 20.0}],
    "mode": [{"frequency_hz": 5.3, "damping_ratio": 0.015, "rms_arcsec": 0.55, "angle_deg": 60.0}],
    "sequence": {"frames": 900},
    "faults": {
        "dropped_share": 0.03,
        "clouded_share": 0.04,
        "cosmic_rays_per_frame": 4.0,
        "trail_frames": [250, 251, 252],
        "dither": [
            {"time_s": DITHER_S, "dx_px": DITHER_PX["x"], "dy_px": DITHER_PX["y"]},
        ],
    },
}
# Between stars' centroids and the tilts they were given lie 0.11 px in the median (higher
# aberrations, noise under cloud); the nearest other star is 20 px away.
WRONG_PX = 2.0


def true_places(folder: Path, truth: dict[str, Any], axis: str) -> NDArray[np.float64]:
    """Return where each star was in each frame, shape (n_frames, n_stars)."""
    told = np.genfromtxt(folder / "truth.csv", delimiter=",", names=True)
    stars = np.array([star[f"{axis}_px"] for star in truth["stars"]])
    shared = told[f"drift_{axis}_arcsec"] + told[f"mode_1_{axis}_arcsec"]
    air = np.stack([told[f"air_{i}_{axis}_arcsec"] for i in range(stars.size)], axis=1)
    dither = DITHER_PX[axis] * (told["middle_s"] >= DITHER_S)
    return np.asarray(stars + (shared[:, None] + air) / PIXEL_ARCSEC + dither[:, None])


@pytest.mark.slow
@pytest.mark.parametrize("count", [2, 3, 6])
def test_few_stars_are_followed_and_no_turn_is_made_up(tmp_path: Path, count: int) -> None:
    """Drops, clouds, rays, a trail and a dither: one new segment, at the dither."""
    stars = {"count": count, "seed": 3, "flux_e_per_s": 3e6, "margin_px": 35}
    scene = Scene.model_validate({**SCENE, "stars": stars})
    folder = tmp_path / "night"
    truth = write_sequence(scene, folder, seed=101)
    setup, origins = read_setup(folder / "setup.toml")
    sequence = open_sequence([folder / "sequence.fits"], setup, dict(origins), None)
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
    x, y = (true_places(folder, truth, axis)[tracks.frame] for axis in "xy")
    far = np.hypot(tracks.x_px[:, :, None] - x[:, None], tracks.y_px[:, :, None] - y[:, None])
    star = np.nanmedian(far, axis=0).argmin(axis=1)
    assert sorted(star.tolist()) == list(range(count))
    off = np.where(tracks.good, far[:, np.arange(count), star], np.nan)
    assert np.nanmax(off) < WRONG_PX
