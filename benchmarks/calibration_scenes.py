"""Scenes of the calibration study: drawn at random over what telescopes meet.

Two makers of truth, in turn: this project's phase screens, and an independent library's
(`independent_screens.py`). All go through pixels and files. Nothing in a draw was chosen by what
the measurement makes of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from blursplit.constants import ARCSEC_PER_RADIAN, FWHM_PER_SIGMA

SEED = 4_100_000
LONGEST_S = 40.0
# Of the independent screens, which are drawn once for each; 41 m is a third of a screen.
OUTER_SCALES_M = (11.0, 16.0, 23.0, 33.0, 40.0)
NEAR_OUTER_SCALES_M = (0.25, 0.4, 0.57, 1.0, 1.8, 3.0, 5.0)
REGIMES = {"fast": 0.7, "slow": 0.22, "long": 0.08}


@dataclass(frozen=True)
class Draw:
    """One random scene; a part that is absent is zero or None."""

    number: int
    maker: str
    regime: str
    r0_m: float
    outer_scale_m: float
    ground_share: float
    winds: tuple[float, float, float]
    directions: tuple[float, float, float, float]
    near: tuple[float, float, float] | None  # strength over the free air's, outer scale, wind
    modes: tuple[tuple[float, float, float, float], ...]  # Hz, damping, rms, angle
    shake: tuple[float, float, float] | None  # rms, corner, angle
    drift: tuple[float, float]  # arcsec/min, angle
    worm: tuple[float, float, float] | None  # period s, amplitude, angle
    worm_declared: bool
    optics: str  # "blur", "defocus" or "astigmatism"
    optics_size: float  # arcsec (FWHM) or nm (rms)
    optics_known: bool
    aperture_m: float
    stars: int
    flux_e_per_s: float
    pixel_arcsec: float
    frames: int
    exposure_s: float
    interval_s: float
    stamp_jitter_s: float

    @property
    def layers(self) -> list[tuple[float, float, float, float]]:
        """Height, weight, wind and direction of the layers of free air."""
        ground = max(self.ground_share, 1e-3)
        weights = (ground, 0.5 * (1.0 - ground), 0.5 * (1.0 - ground))
        heights = (12.0, 1800.0, 7500.0)
        return list(zip(heights, weights, self.winds, self.directions[:3], strict=True))


def draw_scene(number: int) -> Draw:
    """Return scene `number` of the study; odd ones are made by the independent library."""
    rng = np.random.default_rng(SEED + number)

    def between(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    def log_between(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    maker = "own" if number % 2 == 0 else "independent"
    regime = str(rng.choice(list(REGIMES), p=list(REGIMES.values())))
    aperture = between(0.1, 0.4)
    exposure = {
        "fast": lambda: log_between(0.002, 0.02),
        "slow": lambda: log_between(0.05, 1.0),
        "long": lambda: log_between(5.0, 20.0),
    }[regime]()
    interval = max(1.0 / log_between(20.0, 60.0), exposure * 1.03)
    interval = interval if regime == "fast" else exposure * between(1.01, 1.3)
    longest, fewest, most = {
        "fast": (LONGEST_S, 400, 1000),
        "slow": (1.3 * LONGEST_S, 50, 240),
        "long": (600.0, 30, 60),
    }[regime]
    frames = int(np.clip(longest / interval, fewest, most))
    duration = frames * interval
    modes = []
    if rng.random() < 0.45:
        for _ in range(int(rng.integers(1, 3))):
            hz = log_between(1.5, float(np.clip(0.6 / exposure, 8.0, 60.0)))
            modes.append((hz, log_between(0.004, 0.03), log_between(0.05, 1.5), between(0, 180)))
    optics = str(rng.choice(["blur", "defocus", "astigmatism"], p=[0.6, 0.25, 0.15]))
    optics = optics if maker == "own" else "blur"
    near = (log_between(0.05, 1.5), float(rng.choice(NEAR_OUTER_SCALES_M)), log_between(0.2, 3.0))
    shake = (log_between(0.05, 0.6), log_between(0.3, 3.0), between(0, 180))
    worm = (duration / log_between(0.5, 5.0), log_between(0.2, 5.0), between(0, 180))
    return Draw(
        number=number,
        maker=maker,
        regime=regime,
        r0_m=log_between(0.04, 0.2),
        outer_scale_m=float(rng.choice(OUTER_SCALES_M)),
        ground_share=between(0.0, 0.95),
        winds=(between(2, 8), between(6, 16), between(10, 28)),
        directions=tuple(float(d) for d in rng.uniform(0, 360, 4)),  # type: ignore[arg-type]
        near=near if rng.random() < 0.4 else None,
        modes=tuple(modes),
        shake=shake if rng.random() < 0.2 else None,
        drift=(log_between(0.5, 12.0), between(0, 180)) if rng.random() < 0.5 else (0.0, 0.0),
        worm=worm if rng.random() < 0.25 else None,
        worm_declared=bool(rng.random() < 0.5),
        optics=optics,
        optics_size=between(0.2, 0.8) if optics == "blur" else log_between(20.0, 120.0),
        optics_known=optics == "blur" and bool(rng.random() < 0.5),
        aperture_m=aperture,
        stars=int(rng.choice([1, 2, 3, 4, 5, 6, 8, 12] if regime == "fast" else [1, 2, 3, 4, 6])),
        flux_e_per_s=log_between(0.03, 1.0) * (2e4 if regime == "fast" else 2e5) / exposure,
        pixel_arcsec=between(0.4, 0.8),
        frames=frames,
        exposure_s=exposure,
        interval_s=interval,
        stamp_jitter_s=0.004 if regime == "fast" and rng.random() < 0.1 else 0.0,
    )


def make(draw: Draw, folder: Path, cache: Path) -> tuple[Any, list[str], dict[str, Any]]:
    """Return what is measured (a path or tracks), the setup's keys and the truth."""
    known = [
        f"telescope.aperture_m={draw.aperture_m}",
        f"camera.pixel_scale_arcsec={draw.pixel_arcsec}",
        f"camera.exposure_s={draw.exposure_s}",
        f"camera.frame_interval_s={draw.interval_s}",
        "camera.gain_e_per_adu=1.0",
        "camera.read_noise_e=2.5",
        f"camera.time_stamps={'software' if draw.stamp_jitter_s else 'hardware'}",
        # The scenes are monochromatic, so there is no dispersion to allow for.
        "air.wavelength_nm=550.0",
        "air.band_nm=[549.9, 550.1]",
    ]
    if draw.optics_known:
        stated = draw.optics_size * (1 + np.random.default_rng(draw.number).normal(0.0, 0.05))
        known.append(f"telescope.instrument_fwhm_arcsec={stated}")
    if draw.worm is not None and draw.worm_declared:
        known.append(f"mount.worm_period_s=[{draw.worm[0]}]")
    what, truth = _own(draw, folder) if draw.maker == "own" else _independent(draw, folder, cache)
    return what, known, truth


def _own(draw: Draw, folder: Path) -> tuple[Any, dict[str, Any]]:
    from blursplit.simulate import Scene, write_sequence
    from blursplit.simulate.motion import Shared

    key = {"blur": "instrument_fwhm_arcsec", "defocus": "defocus_nm"}
    layer = ("height_m", "weight", "wind_m_s", "direction_deg")
    tables: dict[str, Any] = {
        "telescope": {
            "aperture_m": draw.aperture_m,
            key.get(draw.optics, "astigmatism_nm"): draw.optics_size,
        },
        "camera": {
            "pixel_scale_arcsec": draw.pixel_arcsec,
            "width_px": 280,
            "height_px": 210,
            "exposure_s": draw.exposure_s,
            "frame_interval_s": draw.interval_s,
            "stamp_jitter_s": draw.stamp_jitter_s,
        },
        "air": {
            "r0_500nm_zenith_m": draw.r0_m,
            "outer_scale_m": draw.outer_scale_m,
            "layers": [dict(zip(layer, row, strict=True)) for row in draw.layers],
        },
        "drift": [{"arcsec_per_min": draw.drift[0], "angle_deg": draw.drift[1]}],
        "mode": [
            {"frequency_hz": f, "damping_ratio": z, "rms_arcsec": r, "angle_deg": a}
            for f, z, r, a in draw.modes
        ],
        "stars": {
            "count": draw.stars,
            "seed": draw.number,
            "flux_e_per_s": draw.flux_e_per_s,
            "margin_px": 24,
        },
        "sequence": {"frames": draw.frames, "seed": draw.number},
    }
    if draw.near is not None:
        strength, outer, wind = draw.near
        tables["near_air"] = {
            "strength": strength,
            "outer_scale_m": outer,
            "wind_m_s": wind,
            "direction_deg": draw.directions[3],
        }
    if draw.worm is not None:
        period, amplitude, angle = draw.worm
        tables["periodic"] = [
            {"period_s": period, "amplitude_arcsec": amplitude, "angle_deg": angle}
        ]
    if draw.shake is not None:
        rms, corner, angle = draw.shake
        tables["wind_shake"] = {"rms_arcsec": rms, "corner_hz": corner, "angle_deg": angle}
    scene = Scene.from_tables(tables, f"scene {draw.number}")
    truth = write_sequence(scene, folder / "made")
    near_r0 = truth["near_air"]["r0_m"]
    steps = int(np.clip(40 * draw.exposure_s, 5, 100))
    inside = (np.arange(steps) + 0.5) / steps * draw.exposure_s
    moments = np.arange(draw.frames)[:, None] * draw.interval_s + inside
    shared = Shared.draw(scene, np.random.default_rng(draw.number).spawn(5)[0])
    structure, tracking = (
        shared.at(moments, shared.of(owner)) for owner in ("structure", "tracking")
    )
    r0 = truth["atmosphere"]["r0_500nm_zenith_realised_m"] * 1.1**1.2
    return folder / "made" / "sequence.fits", {
        **by_definition(draw, moments, structure, tracking, r0, near_r0),
        "seeing": truth["atmosphere"]["seeing_500nm_zenith_realised_arcsec"],
        "structure": truth["structure"]["rms_major_arcsec"],
        "tracking": truth["tracking"]["rms_major_arcsec"],
        **{
            name: truth["fwhm"].get(f"{name}_arcsec")
            for name in (
                "recorded",
                "without_structure",
                "without_tracking",
                "without_both",
                "without_near_air",
                "without_optics",
            )
        },
    }


def _independent(draw: Draw, folder: Path, cache: Path) -> tuple[Any, dict[str, Any]]:
    from independent_screens import Layer, Plan, independent_sequence
    from independent_shake import Oscillator

    layers = [Layer(*row) for row in draw.layers]
    r0, near_r0 = draw.r0_m, None
    if draw.near is not None:
        strength, outer, wind = draw.near
        layers.append(Layer(0.0, strength, wind, draw.directions[3], outer))
        near_r0 = r0 * strength ** (-3 / 5) * 1.1**1.2
        r0 *= (1.0 + strength) ** (-3 / 5)
    plan = Plan(
        seed=draw.number,
        frames=draw.frames,
        exposure_s=draw.exposure_s,
        interval_s=draw.interval_s,
        aperture_m=draw.aperture_m,
        r0_500nm_m=r0,
        outer_scale_m=draw.outer_scale_m,
        layers=tuple(layers),
        oscillators=tuple(Oscillator(*mode) for mode in draw.modes),
        shake=draw.shake,
        drift_arcsec_per_min=draw.drift[0],
        drift_angle_deg=draw.drift[1],
        worm=draw.worm,
        stars=draw.stars,
        flux_e_per_s=draw.flux_e_per_s,
        width_px=280,
        height_px=210,
        pixel_arcsec=draw.pixel_arcsec,
        blur_fwhm_arcsec=draw.optics_size,
        # two moments for each time that ten metres a second take across the aperture
        steps=int(np.clip(20.0 * draw.exposure_s / draw.aperture_m, 3, 40)),
        cache=str(cache),
    )
    truth = independent_sequence(plan, folder, widths=True)
    moments, structure, tracking = truth["paths"]
    return folder / "sequence.fits", {
        "seeing": 0.9759 * 500e-9 / draw.r0_m * 206264.8,
        "structure": truth["structure"]["rms_major_arcsec"],
        "tracking": truth["tracking"]["rms_major_arcsec"],
        **truth["fwhm"],
        **by_definition(draw, moments, structure, tracking, draw.r0_m * 1.1**1.2, near_r0),
    }


def by_definition(
    draw: Draw,
    moments_s: np.ndarray,
    structure: np.ndarray,
    tracking: np.ndarray,
    r0_m: float,
    near_r0_m: float | None,
) -> dict[str, Any]:
    """Return savings (fractions) and shares of the true history, read by the one file for all.

    Parameters
    ----------
    moments_s : ndarray, shape (frames, steps)
        Within the exposures; the paths have shape (frames, steps, 2).
    r0_m, near_r0_m : float
        At the wavelength.
    """
    from blursplit import definitions

    frame = np.repeat(np.arange(len(moments_s)), moments_s.shape[1])
    radius = 0.5 * draw.aperture_m
    # one-axis rms of the rays of a wavefront of this rms: Noll (1976) modes 4 and 5
    rays = {"defocus": 12.0**0.5, "astigmatism": 6.0**0.5}
    if draw.optics == "blur":
        sigma = draw.optics_size / FWHM_PER_SIGMA
    else:
        sigma = rays[draw.optics] * draw.optics_size * 1e-9 / radius * ARCSEC_PER_RADIAN
    run = definitions.History(
        definitions.Conditions(draw.aperture_m, 0.0, 550e-9, draw.pixel_arcsec),
        moments_s.ravel(),
        frame if draw.regime == "long" else 0 * frame,
        {"structure": structure.reshape(-1, 2), "tracking": tracking.reshape(-1, 2)},
        strength=r0_m ** (-5 / 3),
        outer_scale_m=draw.outer_scale_m,
        near_strength=0.0 if near_r0_m is None else near_r0_m ** (-5 / 3),
        near_outer_scale_m=1.0 if draw.near is None else draw.near[1],
        optics_arcsec2=sigma**2 * np.eye(2),
        defocus_share=float(draw.optics == "defocus"),
    )
    seen = run.in_windows(draw.exposure_s if draw.regime == "long" else 60.0)
    return {
        "saving": {cure: pair[0] for cure, pair in seen.savings().items()},
        "share": seen.shares(),
        "modelled": seen.width(),
    }
