"""Answers that no site gives are none; those of centred frames are doubted."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

import blursplit as bs
from blursplit.rig import Rig
from blursplit.simulate.scene import Scene

SCENE: dict[str, Any] = {
    "telescope": {"aperture_m": 0.2},
    "camera": {"width_px": 64, "height_px": 64, "exposure_s": 0.01, "frame_interval_s": 0.04},
    "stars": {
        "star": [
            {"x_px": x, "y_px": y, "flux_e_per_s": 2e6} for x, y in ((20, 22), (44, 24), (30, 46))
        ]
    },
    "sequence": {"frames": 300},
}
KNOWN = ("telescope.aperture_m=0.2", "camera.pixel_scale_arcsec=0.65", "camera.exposure_s=0.01")


def result_of(*modes: dict[str, float], **tables: Any) -> Any:
    """Return the result of the scene with these modes and tables changed."""
    scene = {
        **SCENE,
        "mode": modes,
        **{name: SCENE.get(name, {}) | table for name, table in tables.items()},
    }
    frames = bs.simulate(Scene.model_validate(scene), seed=3).frames
    return bs.measure(frames, Rig.read(None, KNOWN), times=0.04 * np.arange(len(frames))).result


@pytest.mark.slow
def test_air_that_is_stiller_than_any_voids_the_verdict() -> None:
    """No air at all: stars as narrow as the telescope, as hot pixels moved with images are too."""
    shake = {"frequency_hz": 5.3, "rms_arcsec": 0.5, "angle_deg": 60}
    result = result_of(shake, air={"layers": []})
    said = {check.code: check for check in result.checks}
    assert said["air-too-still"].facts["seeing_arcsec"] < 0.075
    assert set(result.verdict.matters.values()) == {"not asked"}
    assert result.verdict.headline.startswith("No verdict")


@pytest.mark.slow
@pytest.mark.parametrize("hot_pixels", [0, 60])
def test_that_nothing_shakes_is_doubted_where_frames_may_have_been_centred(hot_pixels: int) -> None:
    """Hot pixels that lie still show that the window did."""
    result = result_of(
        air={"seeing_arcsec": 1.5}, camera={"hot_pixels": hot_pixels}, sequence={"frames": 600}
    )
    assert result.verdict.matters["mechanics"] == "no"
    codes = {warning.code for warning in result.warnings}
    assert ("centring-not-excluded" in codes) == (hot_pixels == 0)
