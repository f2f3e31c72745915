"""Transfer functions of telescope, pixel, air and motion, and the width of their product.

A transfer function is taken at the pupil baseline b = lambda f [m] where it belongs to the
pupil (telescope, air), at the angular frequency f [cycles/arcsec] where it belongs to the sky
(pixel, motion). Gains multiply; `HalfMaximum.mean_of` turns the product into a width. The
registered star's transfer function is data of the joint fit.

A detector at dz from focus sees the ray of pupil radius r at the angle r dz/f^2: a uniform
annulus of outer radius D dz/(2 f^2), whose variance on one axis is that radius squared times
(1 + obstruction^2)/4. In general the loss of contrast at short baselines is 2 pi^2 f^2 times the
variance of the wavefront's slope over the pupil (the ray aberrations). At finite baselines only
the part of the pupil that overlaps with its shifted copy counts, and large defocus is not
Gaussian; `defocus_otf` is exact (for a filled pupil: Hopkins 1955 (m)).

The sampling of a width is in units of a rough one, so that one fixed set of matrices turns any
transfer function into the core of its image (a discrete Fourier transform onto a fine grid).
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blursplit import constants as const
from blursplit.compiled import kernels
from blursplit.facts import Optics
from blursplit.stars.pixels import measure_sky
from blursplit.turbulence.conversions import STRUCTURE_CONSTANT
from blursplit.turbulence.tilt import rows_between
from blursplit.types import FloatArray

# Where the transfer function of the registered star is read: in apertures, and around.
BASELINE_SHARES = np.linspace(
    const.LOWEST_TRANSFER_BASELINE, const.HIGHEST_TRANSFER_BASELINE, const.TRANSFER_BASELINES
)
DIRECTIONS_RAD = np.pi * (np.arange(const.TRANSFER_ANGLES) + 0.5) / const.TRANSFER_ANGLES


@dataclass(frozen=True)
class HalfMaximum:
    """Widths of the part of the image above half its maximum, in the unit of the sampling.

    `mean` is the diameter of the circle of equal area; `major` and `minor` are the axes of the
    ellipse of equal second moments, `angle_deg` the direction of the larger, [0, 180).
    """

    mean: float
    major: float
    minor: float
    angle_deg: float

    @classmethod
    def of_core(cls, image: FloatArray, step: float) -> HalfMaximum:
        """Return the half-maximum widths of a finely sampled image without sky.

        `image` (n, n): at least ten points across the width. `step`: distance of the points, in the
        unit of the widths.
        """
        inside = _inside_half_maximum(image)
        area = float(inside.sum())
        y, x = np.indices(image.shape, dtype=np.float64)
        moments = np.cov(x.ravel(), y.ravel(), aweights=inside.ravel(), ddof=0)
        values, vectors = np.linalg.eigh(moments)
        minor, major = 4.0 * np.sqrt(np.clip(values, 0.0, None)) * step
        angle = float(np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1])) % 180.0)
        return cls(2.0 * float(np.sqrt(area / np.pi)) * step, float(major), float(minor), angle)

    @classmethod
    def of_transform(cls, transform: NDArray[np.complex128], step: float) -> HalfMaximum:
        """Return the half-maximum widths of the image of a transform.

        `transform` (n, n // 2 + 1): of an image of n points a side, centred on its first point, n
        even. `step`: step of that image; it is resampled eight times finer.
        """
        from scipy.fft import irfft2

        n = transform.shape[0]
        big = n * const.WIDTH_UPSAMPLING
        padded = np.zeros((big, big // 2 + 1), dtype=complex)
        half = n // 2
        padded[:half, :half] = transform[:half, :half]
        padded[-half + 1 :, :half] = transform[-half + 1 :, :half]
        image = np.fft.fftshift(irfft2(padded, s=(big, big)))
        return cls.of_core(image, step / const.WIDTH_UPSAMPLING)

    @staticmethod
    def mean_of(otf: NDArray[Any]) -> float:
        """Return `mean` of the image of a transfer function, in the unit of a rough width.

        `otf` (2 n + 1, fineness n + 1): at `_scaled_frequencies`; otf(-f) is the conjugate of
        otf(f).
        """
        fineness = (otf.shape[1] - 1) // const.FWHM_N_FREQUENCY
        to_y, to_x = _matrices(fineness)
        step = 2.0 * const.FWHM_HALF_FIELD / (const.FWHM_N_POINTS - 1) / np.sqrt(fineness)
        inside = _inside_half_maximum((to_y @ otf @ to_x).real)
        return 2.0 * float(np.sqrt(inside.sum() / np.pi)) * float(step)


@functools.cache
def _scaled_frequencies(fineness: int = 1) -> tuple[FloatArray, FloatArray]:
    """Return fx (non-negative half) and fy of the sampling, shape (2 n + 1, fineness n + 1).

    `fineness`: how many times higher the frequencies along x go: for a long trail with sharp ends.
    """
    fx = np.linspace(0.0, fineness * const.FWHM_HIGHEST, fineness * const.FWHM_N_FREQUENCY + 1)
    fy = np.linspace(-const.FWHM_HIGHEST, const.FWHM_HIGHEST, 2 * const.FWHM_N_FREQUENCY + 1)
    grid_x, grid_y = np.meshgrid(fx, fy)
    return grid_x, grid_y


@functools.cache
def _matrices(fineness: int) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    fx, fy = _scaled_frequencies(fineness)
    y = np.linspace(-const.FWHM_HALF_FIELD, const.FWHM_HALF_FIELD, const.FWHM_N_POINTS)
    x = np.linspace(
        -const.FWHM_HALF_FIELD, const.FWHM_HALF_FIELD, fineness * (const.FWHM_N_POINTS - 1) + 1
    )
    to_x = np.exp(2j * np.pi * np.outer(fx[0], x))
    to_x[1:] *= 2.0  # the other half of the plane holds the complex conjugate
    return np.exp(2j * np.pi * np.outer(y, fy[:, 0])), to_x


def _inside_half_maximum(image: FloatArray) -> FloatArray:
    """Return the part of each point's cell that lies inside the contour of half the maximum."""
    out = np.empty(image.shape)
    kernels("air").inside_half_maximum(np.ascontiguousarray(image), out)
    return out


# --- transfer functions ---------------------------------------------------------------------------
@dataclass(frozen=True)
class DefocusShape:
    """How a defocus loses contrast, against the Gaussian that stands for it in the fit."""

    loss: FloatArray  # (n,): loss over that of the Gaussian, at the fit's baselines
    # `sigma_arcsec`, `variance_arcsec2`: (n_table,): rms of the rays, and the variance of the
    # Gaussian that stands for it.
    sigma_arcsec: FloatArray
    variance_arcsec2: FloatArray

    def rays_arcsec(self, sigma_arcsec: FloatArray) -> FloatArray:
        """Return the rms of the rays behind Gaussians of these rms widths."""
        out = np.interp(sigma_arcsec**2, self.variance_arcsec2, self.sigma_arcsec)
        return np.asarray(out, dtype=float)


@dataclass(frozen=True)
class OpticsData:
    """ln of the registered star's OTF, with telescope, pixel and dispersion divided out."""

    baseline_m: FloatArray  # (n,): pupil baselines, 0.05 to 0.3 apertures
    frequency_rad2: FloatArray  # (n,): square of the sky frequency [cycles/rad]^2
    log_otf: FloatArray  # (n,)
    # (n, n): sampling error, a free level (sky and wings cut off by the stamp) and the pixel's
    # part.
    covariance: FloatArray
    instrument: FloatArray  # (n,): ln of what was divided out
    # `cut_log_j` (n_j,): ln r0^(-5/3) [m^(-5/3)]; `cut_gain` (n_j, n): what the cut-out's edge and
    # the sky measured at it add to ln OTF under air of that strength: wings are missing.
    cut_log_j: FloatArray
    cut_gain: FloatArray
    # Shape of the loss of contrast by the optics where a defocus was measured. None: the optics are
    # taken as a Gaussian.
    defocus: DefocusShape | None = None

    def cut_at(self, j: FloatArray) -> FloatArray:
        """Return the gain by the cut-out under air of these strengths, shape (n, n_baselines)."""
        at = np.interp(np.log(j), self.cut_log_j, np.arange(len(self.cut_log_j)))
        return rows_between(self.cut_gain, at)

    @classmethod
    def of(
        cls,
        image: FloatArray,
        blocks: FloatArray,
        optics: Optics,
        *,
        scale_arcsec: float,
        dispersion_arcsec2: float,
    ) -> OpticsData | None:
        """Measure the azimuthal mean of the registered star's transfer function.

        `image` (size, size): mean of the frames, each shifted on its own centroid; the sky at its
        border removed. `blocks` (n_blocks, size, size): the same from disjoint stretches of time.
        `scale_arcsec`: pixel size. `dispersion_arcsec2`: mean one-axis variance of the atmospheric
        dispersion.

        Returns: none where the pixels are too large, or the star too fat, for three baselines.
        """
        share = BASELINE_SHARES
        baseline = share * optics.aperture_m
        cycles_arcsec = baseline / optics.wavelength_m / const.ARCSEC_PER_RADIAN
        cycles_px = cycles_arcsec * scale_arcsec
        measured = _azimuthal_mean(image, cycles_px)
        use = (cycles_px < const.MOST_TRANSFER_CYCLES_PX) & np.isfinite(measured)
        use &= measured > const.LEAST_TRANSFER
        use &= np.cumprod(use).astype(bool)  # nothing beyond the first baseline that fails
        if int(use.sum()) < const.TRANSFER_FEWEST:
            return None
        by_block = np.stack([np.log(_azimuthal_mean(b, cycles_px[use])) for b in blocks])
        pixel = _pixel_otf(cycles_px[use])
        instrument = np.log(telescope_otf(share[use], optics.obstruction) * pixel)
        instrument -= 2.0 * np.pi**2 * cycles_arcsec[use] ** 2 * dispersion_arcsec2
        n = int(use.sum())
        scatter = np.cov(by_block.T) / len(blocks) if len(blocks) > 1 else np.zeros((n, n))
        log_otf = np.log(measured[use]) - instrument
        sizes = {"size": image.shape[0], "cycles_px": cycles_px[-1] / share[-1]}
        log_j, gain = _cut_gains(log_otf, share[use], optics, **sizes)
        level = np.interp(_strength(log_otf, share[use], optics), log_j, gain.mean(axis=1))
        level_sigma = const.CUT_GAIN_SIGMA * level + const.LEAST_WING_SIGMA
        slope = const.TRANSFER_SLOPE_SIGMA * (share[use] / const.HIGHEST_TRANSFER_BASELINE) ** 2
        covariance = scatter + level_sigma**2 + np.outer(slope, slope)
        covariance += const.TRANSFER_POINT_SIGMA**2 * np.eye(n)
        return cls(
            baseline_m=baseline[use],
            frequency_rad2=(cycles_arcsec[use] * const.ARCSEC_PER_RADIAN) ** 2,
            log_otf=log_otf,
            covariance=covariance,
            instrument=instrument,
            cut_log_j=log_j,
            cut_gain=gain,
        )


def _strength(log_otf: FloatArray, share: FloatArray, optics: Optics) -> float:
    """Return ln r0^(-5/3) of air alone that would give a registered star's transfer function."""
    short = 1.0 - share ** (1.0 / 3.0)  # Fried 1966: what registering leaves of the exponent
    per_j = 0.5 * STRUCTURE_CONSTANT * (share * optics.aperture_m) ** (5.0 / 3.0) * short
    return float(np.log(max(-float(log_otf @ per_j) / float(per_j @ per_j), 1.0)))


def _cut_gains(
    log_otf: FloatArray, share: FloatArray, optics: Optics, *, size: int, cycles_px: float
) -> tuple[FloatArray, FloatArray]:
    """Return ln strengths of the air and what the cut-out adds to ln OTF under each.

    `log_otf`, `share` (n,): measured, instrument divided out, and baselines in apertures. `size`:
    of the cut-out [px]. `cycles_px`: sky frequency of a baseline of one aperture.

    The star is drawn under air of each strength, times whatever Gaussian (of optics, motion, the
    tilt that registering removes) makes it as wide as the measured one; it is cut out, the sky at
    its border taken off, and transformed back.
    """
    from scipy.special import j0

    u = np.linspace(0.0, 1.0, const.CUT_FREQUENCIES)
    f = u * cycles_px
    pixel = _pixel_otf(f)
    radius = _radii(size, 1)
    # stars lie anywhere on their pixels: frame by frame what pixels fold averages out
    fine = _radii(size, const.CUT_FINENESS)
    grid = np.arange(0.0, radius.max() + 2.0 * const.CUT_STEP_PX + 1.0, const.CUT_STEP_PX)
    to_image = j0(2.0 * np.pi * np.outer(grid, f)) * f
    back = j0(2.0 * np.pi * np.outer(share * cycles_px, grid))
    # Points of the cut-out at each distance, shared out between neighbours of the grid.
    place = (fine / const.CUT_STEP_PX).ravel()
    lower = place.astype(np.int64)
    points = np.bincount(lower, 1.0 - (place - lower), len(grid))
    points += np.bincount(lower + 1, place - lower, len(grid))
    log_j = np.log((np.array(const.CUT_D_OVER_R0) / optics.aperture_m) ** (5.0 / 3.0))
    half = 0.5 * STRUCTURE_CONSTANT * optics.aperture_m ** (5.0 / 3.0)
    gains = np.zeros((len(log_j), len(share)))
    for k, j in enumerate(np.exp(log_j)):
        for _ in range(2):  # the second time the width is freed from the gain
            left = log_otf - gains[k] + half * j * share ** (5.0 / 3.0)
            bend = float(left @ share**2) / float(share**2 @ share**2)
            exponent = np.minimum(bend * u**2 - half * j * u ** (5.0 / 3.0), 0.0)
            otf = telescope_otf(u, optics.obstruction) * pixel * np.exp(exponent)
            profile = to_image @ otf
            image = np.interp(radius, grid, profile).astype(np.float32)
            light = (profile - measure_sky(image[None])[0]) * points
            cut = back @ light / light.sum()
            gains[k] = np.log(np.maximum(cut, const.LEAST_TRANSFER / 10) / np.interp(share, u, otf))
    return log_j, gains


def _radii(size: int, fineness: int) -> FloatArray:
    """Return the distance of a cut-out's points from its middle [px]."""
    axis = (np.arange(size * fineness) + 0.5) / fineness - 0.5 * size
    return np.asarray(np.hypot(axis[:, None], axis))


def modulus_around(image: FloatArray, cycles_px: FloatArray) -> FloatArray:
    """Return the modulus of an image's transform over its value at zero, (n, n_directions)."""
    turns = cycles_px[:, None] * np.array([np.cos(DIRECTIONS_RAD), np.sin(DIRECTIONS_RAD)])[:, None]
    axis = np.arange(image.shape[0]) - (image.shape[0] - 1) / 2.0
    wave_x, wave_y = np.exp(-2j * np.pi * turns[..., None] * axis)
    total = image.sum()
    transform = (wave_y @ image * wave_x).sum(axis=-1)
    return np.asarray(np.abs(transform) / (total if total > 0 else np.nan))


def _azimuthal_mean(image: FloatArray, cycles_px: FloatArray) -> FloatArray:
    return np.asarray(np.maximum(modulus_around(image, cycles_px).mean(axis=1), 1e-6))


def _pixel_otf(cycles_px: FloatArray) -> FloatArray:
    """Return the azimuthal mean of a square pixel's transfer function."""
    fx, fy = (np.outer(cycles_px, part(DIRECTIONS_RAD)) for part in (np.cos, np.sin))
    return np.asarray(np.mean(np.sinc(fx) * np.sinc(fy), axis=1))


# --- transfer functions and their widths ----------------------------------------------------------
def telescope_otf(baseline_over_aperture: ArrayLike, obstruction: float = 0.0) -> FloatArray:
    """Return the transfer function of a perfect telescope with an annular pupil, 1 at baseline 0.

    `baseline_over_aperture`: pupil baseline lambda f over the diameter; zero gain beyond 1.
    `obstruction`: central obstruction, diameter ratio below 1.

    Area common to two annuli (E. L. O'Neill 1956, J. Opt. Soc. Am. 46, 285, from memory):
    outer with outer, minus twice outer with hole, plus hole with hole. A filled pupil gives
    (2/pi) (arccos u - u sqrt(1 - u^2)).
    """
    distance = 2.0 * np.abs(np.asarray(baseline_over_aperture, dtype=float))  # outer radius = 1
    common = _lens(distance, 1.0, 1.0)
    if obstruction > 0.0:
        common = common - 2.0 * _lens(distance, 1.0, obstruction)
        common = common + _lens(distance, obstruction, obstruction)
    return np.asarray(common / (np.pi * (1.0 - obstruction**2)), dtype=float)


def _lens(distance: FloatArray, large: float, small: float) -> FloatArray:
    """Return the common area of two circles."""
    inside = distance <= large - small
    apart = distance >= large + small
    d = np.where(inside | apart, large, distance)  # any distance at which the circles cut
    x = (d**2 + large**2 - small**2) / (2.0 * d)
    half_chord = np.sqrt(np.maximum(large**2 - x**2, 0.0))
    area = large**2 * np.arctan2(half_chord, x) - d * half_chord
    area = area + small**2 * np.arctan2(half_chord, d - x)
    return np.asarray(np.where(inside, np.pi * small**2, np.where(apart, 0.0, area)), dtype=float)


def streak_otf(cycles: FloatArray, sigma: float, turns: float) -> FloatArray:
    """Return the transfer function, along the motion, of a line's motion inside the exposures.

    `cycles`: sky frequencies along the motion, in one over the unit of `sigma`. `sigma`: rms of the
    motion inside an exposure. `turns`: oscillations in an exposure.
    """
    size = cycles * sigma
    if turns >= const.WHOLE_TURN:
        return np.asarray(np.exp(-2.0 * np.pi**2 * size**2))
    from scipy.special import erf

    # Mean of sin(cz)/(cz) over a normal z: d(c mean)/dc is that of cos(cz), exp(-c^2/2).
    c = np.maximum(np.pi * np.sqrt(12.0) * np.abs(size), 1e-6)
    return np.asarray(np.sqrt(np.pi / 2.0) * erf(c / np.sqrt(2.0)) / c)


@dataclass(frozen=True)
class RegisteredBias:
    """Ln of a registered star's OTF over its Gaussian form.

    A centroid and the rest of the wavefront are not independent once speckles form; from phases
    of Kolmogorov air, short exposures (benchmarks/registered_otf.py). The form takes off the
    tilt of the least-squares plane.
    """

    rows: FloatArray  # (n_d_over_r0, n_baselines): for each D/r0 of the table

    @classmethod
    def of(
        cls,
        baseline_over_aperture: FloatArray,
        window_over_diffraction: float | None,
        obstruction: float,
    ) -> RegisteredBias:
        """Read the table at some baselines.

        `baseline_over_aperture` (n_baselines,). `window_over_diffraction`: sigma of the centroid's
        Gaussian window in lambda/D, clipped to the table, 0.7 to 4; None for 1. `obstruction`:
        diameter ratio, clipped to 0.33.
        """
        blocked = min(obstruction / const.MIX_OBSTRUCTION[-1], 1.0)
        table = np.average(_registered_table(), axis=0, weights=[1.0 - blocked, blocked])
        table = np.concatenate([np.zeros_like(table[:1]), table])  # still air
        windows, n = np.log(const.REGISTERED_WINDOW), len(const.REGISTERED_WINDOW)
        at = np.interp(np.log(window_over_diffraction or 1.0), windows, np.arange(n))
        lower = min(int(at), n - 2)
        rows = table[:, lower] + (at - lower) * (table[:, lower + 1] - table[:, lower])
        known = const.REGISTERED_BASELINES
        return cls(np.stack([np.interp(baseline_over_aperture, known, row) for row in rows]))

    def at(self, d_over_r0: FloatArray) -> FloatArray:
        """Return the bias, shape (n, n_baselines); `d_over_r0` (n,): clipped to 0 to 8."""
        known = const.REGISTERED_D_OVER_R0
        return rows_between(self.rows, np.interp(d_over_r0, known, np.arange(len(known))))


@functools.lru_cache(maxsize=1)
def _registered_table() -> FloatArray:
    """Return what benchmarks/registered_otf.py wrote for pupils in focus.

    Returns: (n_obstructions, n_d_over_r0, n_windows, n_baselines), still air left out.
    """
    made = np.loadtxt(Path(__file__).with_name("registered_otf.csv"), delimiter=",", skiprows=1)
    d_over_r0, defocus, window = made[:, 1:4].T
    kept = np.isin(d_over_r0, const.REGISTERED_D_OVER_R0) & np.isin(window, const.REGISTERED_WINDOW)
    air, windows = len(const.REGISTERED_D_OVER_R0) - 1, len(const.REGISTERED_WINDOW)
    table = made[kept & (defocus == 0), 4:].reshape(len(const.MIX_OBSTRUCTION), air, windows, -1)
    return np.asarray(table[..., : len(const.REGISTERED_BASELINES)])


def defocus_otf(
    baseline_over_aperture: ArrayLike,
    sigma_arcsec: ArrayLike,
    *,
    aperture_m: float,
    wavelength_m: float,
    obstruction: float = 0.0,
) -> FloatArray:
    """Return what defocus alone does to the telescope's transfer function.

    `baseline_over_aperture` (n_b,): pupil baselines over the diameter, 0 to 1. `sigma_arcsec`
    (...): one-axis rms of the rays, from `defocus_sigma_arcsec`.

    Returns: (..., n_b): ratio to the transfer function in focus; negative where contrast is
    reversed.

    The phase difference between pupil and shifted copy is linear along the shift, so the ratio is
    the mean of a cosine over the overlap of the two annuli, which is cut into strips across the
    shift. For a filled pupil this is the integral of Hopkins (1955, Proc. R. Soc. A 231, 91 (m)).
    """
    b = np.asarray(baseline_over_aperture, dtype=float)[..., None]
    edge_rad = 2.0 * np.asarray(sigma_arcsec, float) / np.sqrt(1.0 + obstruction**2)
    edge_rad = edge_rad[..., None, None] / const.ARCSEC_PER_RADIAN
    strips = const.DEFOCUS_STRIPS
    u = (np.arange(strips) + 0.5) / strips  # even in u: one half is enough
    at = u * (1.0 - b)
    outer = np.sqrt(np.maximum(1.0 - (at + b) ** 2, 0.0))
    inner = np.sqrt(np.maximum(obstruction**2 - (at - b) ** 2, 0.0))
    strip = np.maximum(outer - inner, 0.0)
    phase = 2.0 * np.pi * b * aperture_m / wavelength_m * edge_rad * at
    total = strip.sum(axis=-1)
    mean = (strip * np.cos(phase)).sum(axis=-1) / np.where(total > 0.0, total, 1.0)
    return np.asarray(np.where(total > 0.0, mean, 1.0), dtype=float)


def defocus_loss(
    baseline_over_aperture: FloatArray,
    *,
    aperture_m: float,
    wavelength_m: float,
    obstruction: float = 0.0,
) -> tuple[FloatArray, FloatArray]:
    """Tabulate -ln of `defocus_otf` against the rms of the rays.

    Returns `sigma_arcsec` (n,); `log_loss` (n, n_b): up to the defocus at which a contrast falls
    below `LEAST_TRANSFER`; the last row, far beyond, goes on as steeply, so that no larger defocus
    looks like a smaller one.
    """
    telescope = {"aperture_m": aperture_m, "wavelength_m": wavelength_m}
    # Rays across a pupil of this rms are a wavelength apart at the longest baseline.
    longest_m = aperture_m * float(np.max(baseline_over_aperture))
    widest = wavelength_m / longest_m * const.ARCSEC_PER_RADIAN
    sigma = np.linspace(0.0, widest, 400)
    otf = defocus_otf(baseline_over_aperture, sigma, obstruction=obstruction, **telescope)
    good = np.cumprod((otf > const.LEAST_TRANSFER).all(axis=1)).astype(bool)
    sigma, loss = sigma[good], -np.log(otf[good])
    far = loss[-1] + 100.0 * (loss[-1] - loss[-2]) / (sigma[-1] - sigma[-2]) * sigma[-1]
    return np.append(sigma, 101.0 * sigma[-1]), np.vstack([loss, far])
