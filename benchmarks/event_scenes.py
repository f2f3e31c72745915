"""Shared motion of a few stars under air alone, frame by frame, from two kinds of screens.

`simulated_air` reads the tilt off the screens of `blursplit.simulate`, `independent_air` off
those of an independent library (see `independent_screens.py`). Neither draws pixels, so that
hundreds of series are quick; the noise of the centroids is added as white noise.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.simulate.air import Atmosphere, Pace
from blursplit.simulate.camera import Pupil, StarField, _annular_pupil
from blursplit.simulate.motion import Shared
from blursplit.simulate.scene import Scene
from blursplit.simulate.sequence import _frames_per_stretch, _layer_geometries

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

ARCSEC = np.pi / 180 / 3600
RATE_HZ = 40.0
LENGTH_S = 25.0
EXPOSURE_S = 0.01
STEPS = 3
STARS = 4
NOISE_ARCSEC = 0.02
"""Of one star's position in one frame."""


def _layers(rng: np.random.Generator) -> list[tuple[float, float, float, float]]:
    """Return height [m], weight, wind [m/s] and direction [deg] of three layers."""
    weight = rng.dirichlet([3.0, 2.0, 2.0])
    height = (rng.uniform(5, 30), rng.uniform(500, 2500), rng.uniform(5000, 9000))
    wind = (rng.uniform(1, 8), rng.uniform(4, 15), rng.uniform(8, 30))
    return [
        (h, float(w), v, float(rng.uniform(0, 360)))
        for h, w, v in zip(height, weight, wind, strict=True)
    ]


def _with_noise(tilt: FloatArray, rng: np.random.Generator) -> FloatArray:
    shared = tilt.mean(axis=1)
    return shared + NOISE_ARCSEC / np.sqrt(tilt.shape[1]) * rng.normal(size=shared.shape)


def simulated_air(index: int) -> FloatArray:
    """Return shared motion under our own screens [arcsec], shape (1000, 2); tube in every second.

    Parameters
    ----------
    index : int
        Which night: seeing, layers, aperture and outer scale are drawn from it.
    """
    rng = np.random.default_rng([11, index])
    tube = {}
    if index % 2:
        tube = {"rms_arcsec": rng.uniform(0.1, 0.5), "timescale_s": rng.uniform(0.5, 5.0)}
    frames = round(LENGTH_S * RATE_HZ)
    names = "height_m", "weight", "wind_m_s", "direction_deg"
    scene = Scene.model_validate(
        {
            "telescope": {"aperture_m": float(rng.choice([0.12, 0.25, 0.4]))},
            "camera": {"exposure_s": EXPOSURE_S, "frame_interval_s": 1 / RATE_HZ},
            "air": {
                "r0_500nm_zenith_m": rng.uniform(0.05, 0.13),
                "outer_scale_m": float(rng.choice([10.0, 25.0, 60.0])),
                "layers": [dict(zip(names, layer, strict=True)) for layer in _layers(rng)],
            },
            "tube": tube,
            "stars": {"count": STARS, "seed": index},
            "sequence": {"frames": frames, "seed": index},
        }
    )
    aperture, wavelength_m = scene.telescope.aperture_m, scene.air.wavelength_nm * 1e-9
    pitch = aperture / 16
    row, column, share = _annular_pupil(16, 0.0)
    x_m, y_m = (column - column.mean()) * pitch, (row - row.mean()) * pitch
    layers = _layer_geometries(scene, StarField.place(scene))
    pace = Pace(1 / RATE_HZ, EXPOSURE_S, EXPOSURE_S / STEPS)
    air = Atmosphere(layers, aperture, pitch, x_m, y_m, scene.duration_s, rng)
    weight = share / share.sum()
    basis = Pupil(x_m, y_m, share).tilt_basis()
    project = (basis * weight).T[:, 1:]
    slope = 1 / np.sqrt([np.sum(weight * x_m**2), np.sum(weight * y_m**2)])
    to_arcsec = slope * wavelength_m / (2 * np.pi) / ARCSEC
    start = np.arange(frames) / RATE_HZ
    moments = start[:, None] + (np.arange(STEPS) + 0.5) / STEPS * EXPOSURE_S
    tilt = np.zeros((frames, STARS, 2))
    stretch = _frames_per_stretch(layers, aperture, pitch, pace)
    for first in range(0, frames, stretch):
        part = slice(first, min(first + stretch, frames))
        air.begin_stretch(start[part], pace)
        for star in range(STARS):
            time = moments[part].ravel()
            phase = air.phase(star, time, air.smooth_nodes(star, time))
            tilt[part, star] = (phase @ project * to_arcsec).reshape(-1, STEPS, 2).mean(axis=1)
    shared = Shared.draw(scene, rng)
    moved = shared.at(moments, shared.total()).mean(axis=1)
    return _with_noise(tilt, rng) + moved


def independent_air(index: int, cache: Path) -> FloatArray:
    """Return shared motion under the independent library's screens [arcsec], shape (1000, 2).

    Parameters
    ----------
    index : int
        Which night: seeing, layers and aperture are drawn from it.
    cache : Path
        Folder for the screens, which all nights share at other places and mirrored.
    """
    from independent_screens import Layer, Optics, Plan, _paths, _phase, star_table

    rng = np.random.default_rng([12, index])
    plan = Plan(
        seed=index,
        frames=round(LENGTH_S * RATE_HZ),
        exposure_s=EXPOSURE_S,
        interval_s=1 / RATE_HZ,
        aperture_m=float(rng.choice([0.12, 0.25, 0.4])),
        r0_500nm_m=rng.uniform(0.05, 0.13),
        layers=tuple(Layer(*layer) for layer in _layers(rng)),
        stars=STARS,
        pupil_points=12,
        cache=str(cache),
    )
    paths = _paths(plan, rng)
    optics = Optics(plan, 1.0)
    inside = (np.arange(STEPS) + 0.5) / STEPS * plan.exposure_s
    moments = np.arange(plan.frames)[:, None] * plan.interval_s + inside
    plane = np.linalg.pinv(np.stack([optics.x_m, optics.y_m, np.ones_like(optics.x_m)], axis=1))
    to_arcsec = plan.wavelength_m / (2 * np.pi) / ARCSEC
    tilt = np.zeros((plan.frames, STARS, 2))
    for number, star in enumerate(star_table(plan, rng)):
        phase = _phase(plan, optics, paths, star, moments.ravel())
        slope = phase @ plane[:2].T * to_arcsec
        tilt[:, number] = slope.reshape(-1, STEPS, 2).mean(axis=1)
    return _with_noise(tilt, rng)


def kept(kind: str, index: int, cache: Path) -> FloatArray:
    """Return a series of air alone, from the folder where it was drawn before."""
    path = cache / f"{kind}-{index}.npy"
    if not path.is_file():
        cache.mkdir(parents=True, exist_ok=True)
        make = {
            "simulated": simulated_air,
            "independent": lambda k: independent_air(k, cache / "screens"),
        }
        np.save(path, make[kind](index))
    return np.asarray(np.load(path))


def _moments() -> FloatArray:
    start = np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
    return start[:, None] + (np.arange(STEPS) + 0.5) / STEPS * EXPOSURE_S


def _ring(start_s: float, frequency_hz: float, damping: float, size: float) -> FloatArray:
    """Return a ring-down averaged over each exposure, shape (1000,)."""
    since = np.clip(_moments() - start_s, 0.0, None)
    omega = 2 * np.pi * frequency_hz
    swing = np.sin(omega * np.sqrt(1 - damping**2) * since)
    return np.asarray((size * np.exp(-damping * omega * since) * swing).mean(axis=1))


def _along(series: FloatArray, rng: np.random.Generator) -> FloatArray:
    angle = rng.uniform(0.0, np.pi)
    return np.outer(series, [np.cos(angle), np.sin(angle)])


def shutter_shock(size: float, rng: np.random.Generator) -> tuple[FloatArray, float]:
    """Return one ring-down of 8 to 16 Hz, damping ratio 0.02 to 0.1, and when it began."""
    start = rng.uniform(3.0, 20.0)
    series = _ring(start, rng.uniform(8, 16), rng.uniform(0.02, 0.1), size)
    return _along(series, rng), start


def footsteps(size: float, rng: np.random.Generator) -> tuple[FloatArray, float]:
    """Return eight ring-downs of 6 to 13 Hz about 0.55 s apart, and when they began."""
    start, frequency, damping = rng.uniform(3, 15), rng.uniform(6, 13), rng.uniform(0.03, 0.08)
    moments = start + np.cumsum(np.concatenate([[0.0], rng.normal(0.55, 0.04, 7)]))
    parts = [_ring(at, frequency, damping, size * rng.uniform(0.7, 1.0)) for at in moments]
    return _along(np.sum(parts, axis=0), rng), start


def gust(size: float, rng: np.random.Generator) -> tuple[FloatArray, float]:
    """Return 3 to 6 s of a mode of 2 to 5 Hz that swells and falls, and when it began.

    The size is twice the rms that it has at its height.
    """
    from motion_scenes import damped_mode

    start, length = rng.uniform(3.0, 15.0), rng.uniform(3.0, 6.0)
    rate, n = 400.0, round((LENGTH_S + 1.0) * 400)
    frequency = rng.uniform(2.0, 5.0)
    time = np.arange(n) / rate
    swell = np.sin(np.pi * np.clip((time - start) / length, 0.0, 1.0)) ** 2
    axes = [
        share * damped_mode(n, rate, frequency, 0.1, rng, oversampling=1) for share in (1.0, 0.5)
    ]
    series = [np.interp(_moments(), time, 0.5 * size * swell * axis).mean(axis=1) for axis in axes]
    return np.stack(series, axis=1), start
