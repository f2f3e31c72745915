"""Scenes of the calibration study: drawn at random over what telescopes meet.

Two makers of truth: this project's simulator and sequences from an independent library's phase
screens (`independent_screens.py`), in turn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pathlib import Path

FRAMES_PER_S = (20.0, 25.0, 40.0)
MAX_FRAMES = 600
LONGEST_S = 32.0
# Of the independent screens, which are drawn once for each; 41 m is a third of a screen.
OUTER_SCALES_M = (11.0, 16.0, 23.0, 33.0, 40.0)


@dataclass(frozen=True)
class Draw:
    """One random scene.

    Parameters
    ----------
    number : int
    maker : "own" or "independent"
    r0_m, aperture_m, ground_share, outer_scale_m, blur_fwhm_arcsec : float
    stars, frames : int
    exposure_s, interval_s : float
    modes : list of (frequency_hz, damping, rms_arcsec, angle_deg)
    drift_arcsec_per_min, drift_angle_deg, tube_rms_arcsec, tube_timescale_s : float
    instrument_known : bool
    pixel_arcsec : float
    """

    number: int
    maker: str
    r0_m: float
    aperture_m: float
    ground_share: float
    outer_scale_m: float
    blur_fwhm_arcsec: float
    stars: int
    frames: int
    exposure_s: float
    interval_s: float
    modes: tuple[tuple[float, float, float, float], ...]
    drift_arcsec_per_min: float
    drift_angle_deg: float
    tube_rms_arcsec: float
    tube_timescale_s: float
    instrument_known: bool
    pixel_arcsec: float
    winds: tuple[float, float, float]
    directions: tuple[float, float, float]

    @property
    def layers(self) -> list[tuple[float, float, float, float]]:
        """Height, weight, wind, direction of each layer."""
        ground = max(self.ground_share, 1e-3)
        high = 1.0 - ground
        heights = (12.0, 1800.0, 7500.0)
        weights = (ground, 0.5 * high, 0.5 * high)
        return [
            row
            for row in zip(heights, weights, self.winds, self.directions, strict=True)
            if row[1] > 0
        ]


def draw_scene(number: int) -> Draw:
    """Return scene `number` of the study; odd ones are made by the independent library."""
    rng = np.random.default_rng(770_000 + number)
    maker = "own" if number % 2 == 0 else "independent"
    aperture = float(rng.uniform(0.1, 0.4))
    r0 = float(np.exp(rng.uniform(np.log(0.04), np.log(0.20))))
    long_exposure = rng.random() < 0.15
    exposure = float(np.exp(rng.uniform(np.log(0.005), np.log(0.02))))
    interval = 1.0 / float(rng.choice(FRAMES_PER_S))
    if long_exposure:
        exposure = float(np.exp(rng.uniform(np.log(0.1), np.log(1.0))))
        interval = exposure * 1.05
    frames = int(min(MAX_FRAMES, max(LONGEST_S / interval, 160)))
    modes: list[tuple[float, float, float, float]] = []
    if rng.random() < 0.5:
        modes = [
            (
                float(
                    np.exp(rng.uniform(np.log(3.0), np.log(np.clip(0.45 / exposure, 3.5, 40.0))))
                ),
                float(np.exp(rng.uniform(np.log(0.005), np.log(0.03)))),
                float(np.exp(rng.uniform(np.log(0.1), np.log(2.0)))),
                float(rng.uniform(0, 180)),
            )
            for _ in range(int(rng.integers(1, 3)))
        ]
    has_tube = maker == "own" and rng.random() < 0.25
    return Draw(
        number=number,
        maker=maker,
        r0_m=r0,
        aperture_m=aperture,
        ground_share=float(rng.uniform(0.0, 0.95)),
        outer_scale_m=float(np.exp(rng.uniform(np.log(10.0), np.log(48.0)))),
        blur_fwhm_arcsec=float(rng.uniform(0.2, 0.8)),
        stars=int(rng.choice([2, 3, 4, 5, 6, 8])),
        frames=frames,
        exposure_s=exposure,
        interval_s=max(interval, exposure * 1.01),
        modes=tuple(modes),
        drift_arcsec_per_min=float(rng.uniform(1.0, 12.0)) if rng.random() < 0.4 else 0.0,
        drift_angle_deg=float(rng.uniform(0, 180)),
        tube_rms_arcsec=float(rng.uniform(0.1, 0.5)) if has_tube else 0.0,
        tube_timescale_s=float(rng.uniform(0.7, 4.0)),
        instrument_known=bool(rng.random() < 0.5),
        pixel_arcsec=float(rng.uniform(0.45, 0.75)),
        winds=(
            float(rng.uniform(2, 8)),
            float(rng.uniform(6, 16)),
            float(rng.uniform(10, 28)),
        ),
        directions=tuple(float(d) for d in rng.uniform(0, 360, 3)),  # type: ignore[arg-type]
    )


def make(draw: Draw, folder: Path, cache: Path) -> dict:
    """Write the sequence and return its truth in the study's own terms."""
    if draw.maker == "own":
        return _make_own(draw, folder)
    return _make_independent(draw, folder, cache)


def _make_own(draw: Draw, folder: Path) -> dict:
    from blursplit.simulate import scene_from_tables, write_sequence

    scene = scene_from_tables(
        {
            "telescope": {
                "aperture_m": draw.aperture_m,
                "instrument_fwhm_arcsec": draw.blur_fwhm_arcsec,
            },
            "camera": {
                "pixel_scale_arcsec": draw.pixel_arcsec,
                "width_px": 280,
                "height_px": 210,
                "exposure_s": draw.exposure_s,
                "frame_interval_s": draw.interval_s,
            },
            "air": {
                "r0_500nm_zenith_m": draw.r0_m,
                "outer_scale_m": draw.outer_scale_m,
                "layers": [
                    dict(zip(("height_m", "weight", "wind_m_s", "direction_deg"), row, strict=True))
                    for row in draw.layers
                ],
            },
            "tube": {"rms_arcsec": draw.tube_rms_arcsec, "timescale_s": draw.tube_timescale_s},
            "drift": [
                {"arcsec_per_min": draw.drift_arcsec_per_min, "angle_deg": draw.drift_angle_deg}
            ],
            "mode": [
                {"frequency_hz": f, "damping_ratio": z, "rms_arcsec": r, "angle_deg": a}
                for f, z, r, a in draw.modes
            ],
            "stars": {
                "count": draw.stars,
                "seed": draw.number,
                "flux_e_per_s": _flux(draw),
                "margin_px": 24,
            },
            "sequence": {"frames": draw.frames, "seed": draw.number},
        },
        f"scene {draw.number}",
    )
    truth = write_sequence(scene, folder)
    air = truth["atmosphere"]
    return {
        "seeing": air["seeing_500nm_zenith_realised_arcsec"],
        "structure": truth["structure"]["rms_major_arcsec"],
        "drift": draw.drift_arcsec_per_min,
        "tracking": truth["tracking"]["rms_major_arcsec"],
        "tube": truth["near_air"]["rms_major_arcsec"],
        "recorded": truth["fwhm"]["recorded_arcsec"],
        "without_structure": truth["fwhm"]["without_structure_arcsec"],
        "without_tracking": truth["fwhm"]["without_tracking_arcsec"],
    }


def _make_independent(draw: Draw, folder: Path, cache: Path) -> dict:
    from independent_screens import Layer, Oscillator, Plan, independent_sequence

    plan = Plan(
        seed=draw.number,
        frames=draw.frames,
        exposure_s=draw.exposure_s,
        interval_s=draw.interval_s,
        aperture_m=draw.aperture_m,
        r0_500nm_m=draw.r0_m,
        outer_scale_m=min(OUTER_SCALES_M, key=lambda m: abs(np.log(m / draw.outer_scale_m))),
        layers=tuple(Layer(*row) for row in draw.layers),
        oscillators=tuple(Oscillator(*mode) for mode in draw.modes),
        drift_arcsec_per_min=draw.drift_arcsec_per_min,
        drift_angle_deg=draw.drift_angle_deg,
        stars=draw.stars,
        flux_e_per_s=_flux(draw),
        width_px=280,
        height_px=210,
        pixel_arcsec=draw.pixel_arcsec,
        blur_fwhm_arcsec=draw.blur_fwhm_arcsec,
        cache=str(cache),
    )
    truth = independent_sequence(plan, folder)
    return {
        "seeing": truth["atmosphere"]["seeing_500nm_zenith_arcsec"],
        "structure": truth["structure"]["rms_major_arcsec"],
        "drift": draw.drift_arcsec_per_min,
        "tracking": truth["tracking"]["rms_major_arcsec"],
        "tube": 0.0,
        "recorded": None,
        "without_structure": None,
        "without_tracking": None,
    }


def _flux(draw: Draw) -> float:
    """Electrons per second of the brightest star: a star bright enough for its exposure."""
    return (
        2e4 / min(draw.exposure_s, 0.02) * (0.25 / draw.aperture_m if draw.aperture_m > 0.25 else 1)
    )
