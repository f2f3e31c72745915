"""Answers that no site or camera gives are doubted beside the numbers."""

from __future__ import annotations

import numpy as np

import blursplit as bs
from blursplit.rig import Rig
from blursplit.simulate.scene import Scene
from blursplit.simulate.sequence import simulate


def test_air_that_is_stiller_than_any_is_doubted() -> None:
    """No air at all: stars as narrow as the telescope, as hot pixels moved with images are too."""
    stars = [{"x_px": x, "y_px": y, "flux_e_per_s": 2e6} for x, y in ((20, 22), (44, 24), (30, 46))]
    scene = {
        "telescope": {"aperture_m": 0.2},
        "camera": {"width_px": 64, "height_px": 64, "exposure_s": 0.01, "frame_interval_s": 0.04},
        "air": {"layers": []},
        "stars": {"star": stars},
        "mode": [{"frequency_hz": 5.3, "rms_arcsec": 0.5, "angle_deg": 60}],
        "sequence": {"frames": 300},
    }
    frames, _ = simulate(Scene.model_validate(scene), 3)
    known = ("telescope.aperture_m=0.2", "camera.pixel_scale_arcsec=0.65", "camera.exposure_s=0.01")
    night = bs.measure(frames, Rig.read(None, known), times=0.04 * np.arange(300))
    said = {warning.code: warning for warning in night.result.warnings}
    assert said["air-too-still"].facts["seeing_arcsec"] < 0.075
