"""Scenes for `air_fit.py`: what the fit is given, made of an independent library's screens.

The air comes from aotools (Fourier screens) through `independent_screens.py`, every layer with an
outer scale of its own; images from a matrix Fourier transform, noise from photons, centroids and
registration from this script alone. Only the shapes that `AirFit` takes are the package's.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from blursplit.budget.fit import FitSetup
from blursplit.budget.line_terms import LineTerm
from blursplit.facts import Optics
from blursplit.image.otf import OpticsData
from blursplit.motion.common import GridData, GridSegment
from blursplit.stars.pixels import measure_sky
from independent_screens import ARCSEC, FINE_STEP_M, Plan, screen_of
from independent_screens import Optics as Pupil
from independent_shake import Oscillator, oscillate

BLOCKS = 8
WINDOW_IN_STAR_SIGMAS = 1.5
DAMPING, MODE_HZ = 0.015, 6.3
KEPT: dict[tuple, np.ndarray] = {}


@dataclass(frozen=True)
class Air:
    """A layer with its own strength (r0 at the observing wavelength) and outer scale."""

    height_m: float
    r0_m: float
    outer_scale_m: float
    wind_m_s: float
    direction_deg: float


@dataclass(frozen=True)
class Night:
    """What happens on one record."""

    seed: int
    near: Air | None = None
    outside: tuple[Air, ...] = ()
    mode_arcsec: float = 0.0
    open_arcsec: tuple[float, float] = (0.0, 0.0)
    open_corner_hz: float = 0.7
    open_angle_deg: float = 40.0
    stars: int = 5
    frames: int = 1500
    interval_s: float = 0.04
    exposure_s: float = 0.01
    aperture_m: float = 0.25
    wavelength_m: float = 550e-9
    pixel_arcsec: float = 0.65
    optics_arcsec: float = 0.0
    flux_e_per_s: float = 3e6
    spread_arcsec: float = 150.0
    steps: int = 2


def far_air(r0_m: float, outer_scale_m: float = 25.0, seed: int = 0) -> tuple[Air, ...]:
    """Return three layers of free air whose r0 at 550 nm is given, winds drawn by seed."""
    rng = np.random.default_rng([seed, 5])
    layers = []
    for height, weight, wind in ((20.0, 0.4, 5.0), (2000.0, 0.35, 9.0), (8000.0, 0.25, 16.0)):
        speed, angle = wind * rng.uniform(0.7, 1.4), rng.uniform(0, 180)
        layers.append(Air(height, r0_m * weight**-0.6, outer_scale_m, speed, angle))
    return tuple(layers)


@dataclass(frozen=True)
class Given:
    """What the fit is given, and the truth."""

    grid: GridData
    lines: list[LineTerm]
    star: OpticsData | None
    setup: FitSetup
    j_near: float
    j_outside: float
    open_arcsec2: np.ndarray
    series: dict = field(default_factory=dict)


def _phase(
    night: Night, air: Air, index: int, pupil: Pupil, view: np.ndarray, t: np.ndarray
) -> np.ndarray:
    from scipy.ndimage import map_coordinates

    rng = np.random.default_rng([night.seed, index, 11])
    plan = Plan(seed=1, outer_scale_m=air.outer_scale_m, points=2048, step_m=0.06, cache=None)
    start, flip = rng.uniform(0, 122.88, 2), rng.choice([-1.0, 1.0], 2)
    pick = int(rng.integers(0, 3))
    angle = np.deg2rad(air.direction_deg)
    wind = air.wind_m_s * np.array([np.cos(angle), np.sin(angle)])
    beam = air.height_m * view - t[:, None] * wind
    out = np.zeros((t.size, pupil.x_m.size), dtype=np.float32)
    for step in (plan.step_m, FINE_STEP_M):
        key = (air.outer_scale_m, pick, step)
        if key not in KEPT:
            KEPT[key] = screen_of(plan, pick, step)
        place = np.stack(
            [
                start[1] + flip[1] * (beam[:, 1:] + pupil.y_m),
                start[0] + flip[0] * (beam[:, :1] + pupil.x_m),
            ]
        )
        out += map_coordinates(
            KEPT[key],
            place / step,
            order=3 if step > FINE_STEP_M else 1,
            mode="grid-wrap",
            prefilter=False,
            output=np.float32,
        )
    return np.float32(air.r0_m ** (-5 / 6)) * out


def _motion(night: Night, rng: np.random.Generator) -> tuple[float, np.ndarray]:
    from scipy.signal import lfilter

    rate = 400.0
    n = int((night.frames * night.interval_s + 1) * rate)
    motion = np.zeros((n, 2))
    if night.mode_arcsec > 0:
        mode = Oscillator(MODE_HZ, DAMPING, night.mode_arcsec, 25.0)
        motion += oscillate(mode, rate, n, rng)
    if max(night.open_arcsec) > 0:
        a = np.exp(-2 * np.pi * night.open_corner_hz / rate)
        force = rng.standard_normal((n + 4000, 2)) * np.sqrt(1 - a**2)
        both = lfilter([1.0], [1.0, -a], force, axis=0)[4000:] * night.open_arcsec
        angle = np.deg2rad(night.open_angle_deg)
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        motion += both @ turn
    return rate, motion


def _centroids(images: np.ndarray, sigma_px: float) -> np.ndarray:
    """Windowed centroids about the middle, iterated, shape (n, 2) [px]."""
    size = images.shape[1]
    axis = np.arange(size) - (size - 1) / 2
    centre = np.zeros((len(images), 2))
    for _ in range(12):
        wx = np.exp(-0.5 * ((axis - centre[:, :1]) / sigma_px) ** 2)
        wy = np.exp(-0.5 * ((axis - centre[:, 1:]) / sigma_px) ** 2)
        weighted = images * wy[:, :, None] * wx[:, None, :]
        total = weighted.sum(axis=(1, 2))
        mean = np.stack([weighted.sum(axis=1) @ axis, weighted.sum(axis=2) @ axis], 1)
        step = 2 * (mean / total[:, None] - centre)
        centre += np.clip(step, -2, 2)
    return centre


def make(night: Night) -> Given:  # noqa: PLR0915 - one record from air to data
    """Return what the fit of one night is given."""
    rng = np.random.default_rng([night.seed, 77])
    layers = (*(() if night.near is None else (night.near,)), *night.outside)
    j_near = 0.0 if night.near is None else night.near.r0_m ** (-5 / 3)
    j_outside = sum(a.r0_m ** (-5 / 3) for a in night.outside)
    r0 = (j_near + j_outside) ** -0.6
    fwhm = np.hypot(0.98 * night.wavelength_m / r0 / ARCSEC, 2.355 * night.optics_arcsec)
    plan = Plan(
        aperture_m=night.aperture_m,
        wavelength_m=night.wavelength_m,
        pixel_arcsec=night.pixel_arcsec,
        blur_fwhm_arcsec=2.3548 * night.optics_arcsec,
        pupil_points=24,
    )
    pupil = Pupil(plan, float(fwhm))
    angle = 2 * np.pi * (np.arange(night.stars) / night.stars + 0.13)
    radius = 0.5 * night.spread_arcsec * rng.uniform(0.6, 1.0, night.stars)
    view = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)
    start = np.arange(night.frames) * night.interval_s
    moments = start[:, None] + (np.arange(night.steps) + 0.5) / night.steps * night.exposure_s
    rate, motion = _motion(night, rng)
    at = np.arange(len(motion)) / rate
    moved = np.stack([np.interp(moments, at, motion[:, k]) for k in (0, 1)], axis=-1)
    offset = moved - np.rint(moved.mean(axis=1) / night.pixel_arcsec)[:, None] * night.pixel_arcsec
    whole = np.rint(moved.mean(axis=1) / night.pixel_arcsec) * night.pixel_arcsec
    flux = night.flux_e_per_s * night.exposure_s
    sigma_px, stars, blocks, sigma2 = 0.0, [], None, []
    for number in range(night.stars):
        images = []
        for first in range(0, night.frames, 100):
            part = slice(first, min(first + 100, night.frames))
            t = moments[part].ravel()
            phase = sum(
                _phase(night, a, i, pupil, view[number] * ARCSEC, t) for i, a in enumerate(layers)
            )
            images.append(pupil.images(phase, offset[part].reshape(-1, 2), night.steps))
        light = np.concatenate(images) * flux
        electrons = rng.poisson(np.maximum(light, 0) + 5.0) - 5.0
        electrons = electrons + 2.5 * rng.standard_normal(light.shape)
        electrons -= measure_sky(electrons.astype(np.float32))[0][:, None, None]
        if not sigma_px:
            mean = light[:200]
            half = (mean > 0.5 * mean.max(axis=(1, 2), keepdims=True)).sum(axis=(1, 2))
            sigma_px = float(np.median(2 * np.sqrt(half / np.pi))) / 2.3548
        window = WINDOW_IN_STAR_SIGMAS * sigma_px
        clean, place = _centroids(light, window), _centroids(electrons, window)
        sigma2.append(np.mean((clean - place) ** 2) * night.pixel_arcsec**2)
        stars.append(place * night.pixel_arcsec + whole)
        if number < 2:
            size = light.shape[1]
            f = np.fft.fftfreq(size)
            transform = np.fft.fft2(electrons)
            shift = np.exp(
                2j
                * np.pi
                * (f[None, :, None] * place[:, 1, None, None] + f * place[:, 0, None, None])
            )
            registered = np.fft.ifft2(transform * shift).real
            parts = np.stack([b.mean(axis=0) for b in np.array_split(registered, BLOCKS)])
            blocks = parts if blocks is None else np.concatenate([blocks, parts])
    image = blocks.mean(axis=0)
    grid = _grid(night, np.stack(stars, axis=1), view, np.array(sigma2))
    optics = Optics(night.aperture_m, 0.0, night.wavelength_m, (10.0, 50.0), (2.0, 30.0))
    star = OpticsData.of(
        image,
        blocks,
        optics,
        scale_arcsec=night.pixel_arcsec,
        dispersion_arcsec2=0.0,
    )
    setup = FitSetup(
        optics=optics,
        recorded_fwhm_arcsec=float(
            np.hypot(_width(image) * night.pixel_arcsec, 2.355 * np.std(stars[0]))
        ),
        known_instrument_arcsec=None,
        registration_noise_arcsec2=float(np.mean(sigma2[:2])),
        window_over_diffraction=float(np.hypot(window, 12.0**-0.5))
        * night.pixel_arcsec
        * ARCSEC
        * night.aperture_m
        / night.wavelength_m,
    )
    lines = [_line(night)] if night.mode_arcsec > 0 else []
    open_ = np.diag(np.square(night.open_arcsec))
    return Given(grid, lines, star, setup, j_near, j_outside, open_)


def _width(image: np.ndarray) -> float:
    return float(2 * np.sqrt((image > 0.5 * image.max()).sum() / np.pi))


def _grid(night: Night, place: np.ndarray, view: np.ndarray, sigma2: np.ndarray) -> GridData:
    place = place - place.mean(axis=0)
    n = night.frames
    segment = GridSegment(
        0.0,
        place.mean(axis=1),
        np.concatenate([place[:, :, 0], place[:, :, 1]], axis=1),
        np.ones(n, dtype=bool),
        np.arange(n),
    )
    white = 2 * night.interval_s
    return GridData(
        segments=(segment,),
        star=np.arange(night.stars),
        star_x_arcsec=view[:, 0],
        star_y_arcsec=view[:, 1],
        noise_psd_arcsec2_hz=white * sigma2,
        shared_noise_psd_arcsec2_hz=white * float(sigma2.mean()) / night.stars,
        cadence_s=night.interval_s,
        exposure_s=night.exposure_s,
    )


def _line(night: Night) -> LineTerm:
    unit = np.array([np.cos(np.deg2rad(25.0)), np.sin(np.deg2rad(25.0))])
    kept = np.sinc(MODE_HZ * night.exposure_s) ** 2
    fit = SimpleNamespace(
        frequency_hz=MODE_HZ,
        damping_ratio=DAMPING,
        covariance=kept * night.mode_arcsec**2 * np.outer(unit, unit),
    )
    return LineTerm(fit, "structure", np.array([MODE_HZ]), np.ones(1), np.ones(1))


def shortened(given: Given, frames: int) -> Given:
    """Return the same night with a shorter record of motion (the star image stays)."""
    segment = given.grid.segments[0]
    cut = {
        k: getattr(segment, k)[:frames] for k in ("shared_arcsec", "stars_arcsec", "real", "frame")
    }
    return replace(given, grid=replace(given.grid, segments=(replace(segment, **cut),)))


def fewer_stars(given: Given, stars: int) -> Given:
    """Return the same night seen through its first stars."""
    grid = given.grid
    n = len(grid.star)
    segment = grid.segments[0]
    place = segment.stars_arcsec[:, [*range(stars), *range(n, n + stars)]]
    shared = np.stack([place[:, :stars].mean(axis=1), place[:, stars:].mean(axis=1)], axis=1)
    kept = replace(
        grid,
        segments=(replace(segment, stars_arcsec=place, shared_arcsec=shared),),
        **{
            name: getattr(grid, name)[:stars]
            for name in ("star", "star_x_arcsec", "star_y_arcsec", "noise_psd_arcsec2_hz")
        },
    )
    return replace(given, grid=kept)
