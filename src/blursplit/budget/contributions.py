"""How wide the recorded star would be with any of its causes removed, and each one's share."""

from __future__ import annotations

import functools
import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.image.fwhm import (
    HIGHEST,
    N_FREQUENCY,
    half_maximum_width,
    scaled_frequencies,
)
from blursplit.result import CONTRIBUTIONS
from blursplit.turbulence.conversions import structure_function

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from blursplit.result import Contribution

    FloatArray = NDArray[np.float64]

ARCSEC = 206264.80625
# Without one of these there is no image, only a kernel.
SMOOTHING: frozenset[Contribution] = frozenset({"atmosphere", "instrument"})
GAUSS = 2.0 * math.sqrt(2.0 * math.log(2.0))


@dataclass(frozen=True)
class Blur:
    """One draw of everything that widens the star.

    Parameters
    ----------
    j : float
        r0^(-5/3) at the wavelength and along the line of sight [m^(-5/3)]; 0 for no air.
    outer_scale_m, wavelength_m, aperture_m, obstruction : float
    drift_arcsec : (x, y)
        Drift over the blur time.
    sinusoids : tuple of (x, y) amplitudes [arcsec]
        Drive terms.
    structure, unassigned : ndarray, shape (2, 2)
        Covariances [arcsec^2].
    structure_path : ndarray, shape (n, 2), or None
        Places along the structure's motion: the shape of its kernel, whose size the covariance
        gives. None for a Gaussian kernel, which the unassigned motion always has.
    optics_sigma_arcsec : float
        One-axis rms of focus and aberrations.
    pixel_arcsec : float
    dispersion : ndarray, shape (2, 2)
        Covariance of the atmospheric dispersion.
    defocus_arcsec : float
        Rms of the rays of a measured defocus, one axis; it is not part of the optics' Gaussian.
    """

    j: float
    outer_scale_m: float
    wavelength_m: float
    aperture_m: float
    obstruction: float
    drift_arcsec: tuple[float, float]
    sinusoids: tuple[tuple[float, float], ...]
    tracking_extra: FloatArray
    structure: FloatArray
    unassigned: FloatArray
    optics_sigma_arcsec: float
    pixel_arcsec: float
    dispersion: FloatArray
    defocus_arcsec: float = 0.0
    structure_path: FloatArray | None = None

    def tracking_covariance(self) -> FloatArray:
        """Return the covariance of all drive terms over the blur time."""
        total: FloatArray = np.outer(self.drift_arcsec, self.drift_arcsec) / 12.0
        for amplitude in self.sinusoids:
            total = total + np.outer(amplitude, amplitude) / 2.0
        return total + self.tracking_extra

    def rough_covariance(self, part: Contribution) -> FloatArray:
        """Return a covariance good enough to choose the sampling [arcsec^2]."""
        if part == "tracking":
            return self.tracking_covariance()
        if part == "structure":
            return self.structure
        if part == "unassigned":
            return self.unassigned
        if part == "atmosphere":
            r0 = self.j ** (-0.6) if self.j > 0 else math.inf
            width = 0.976 * self.wavelength_m / r0 * ARCSEC
        else:
            diffraction = 1.03 * self.wavelength_m / self.aperture_m * ARCSEC
            blur = GAUSS * math.hypot(
                self.optics_sigma_arcsec,
                self.defocus_arcsec,
                math.sqrt(float(np.trace(self.dispersion))),
            )
            width = math.sqrt(diffraction**2 + blur**2 + (0.8 * self.pixel_arcsec) ** 2)
        return np.asarray((width / GAUSS) ** 2 * np.eye(2))

    def transfer(self, part: Contribution, grid: Sampling) -> FloatArray:
        """Return a contribution's transfer function on a sampling."""
        fx, fy = grid.fx, grid.fy
        if part == "atmosphere":
            baseline = self.wavelength_m * np.hypot(fx, fy) * ARCSEC
            log_d = np.interp(
                np.log(np.maximum(baseline, 1e-4)), *_structure_table(self.outer_scale_m)
            )
            return np.asarray(np.exp(-0.5 * self.j * np.where(baseline > 0, np.exp(log_d), 0.0)))
        if part == "tracking":
            out = np.sinc(fx * self.drift_arcsec[0] + fy * self.drift_arcsec[1])
            if self.sinusoids:
                from scipy.special import j0

                for ax, ay in self.sinusoids:
                    out = out * j0(2.0 * np.pi * (fx * ax + fy * ay))
            return np.asarray(out * _gaussian(self.tracking_extra, fx, fy))
        if part == "structure":
            if self.structure_path is None:
                return _gaussian(self.structure, fx, fy)
            return _of_path(self.structure_path @ grid.step, self.structure, self.structure_path)
        if part == "unassigned":
            return _gaussian(self.unassigned, fx, fy)
        return self._instrument(fx, fy)

    def _instrument(self, fx: FloatArray, fy: FloatArray) -> FloatArray:
        u = np.hypot(fx, fy) * ARCSEC * self.wavelength_m / self.aperture_m
        out = np.interp(u, *_pupil_table(self.obstruction))
        if self.defocus_arcsec > 0:
            telescope = self.aperture_m, self.wavelength_m, self.obstruction
            out = out * np.interp(u, *_defocus_table(self.defocus_arcsec, *telescope))
        out = out * np.sinc(fx * self.pixel_arcsec) * np.sinc(fy * self.pixel_arcsec)
        blur = self.optics_sigma_arcsec**2 * np.eye(2) + self.dispersion
        return np.asarray(out * _gaussian(blur, fx, fy))


@functools.lru_cache(maxsize=8)
def _pupil_table(obstruction: float) -> tuple[FloatArray, FloatArray]:
    """Tabulate the telescope's transfer function; interpolating errs by less than 1e-6."""
    from blursplit.image.otf import telescope_otf

    u = np.linspace(0.0, 1.0, 4001)
    return u, telescope_otf(u, obstruction)


@functools.lru_cache(maxsize=8)
def _defocus_table(
    sigma_arcsec: float, aperture_m: float, wavelength_m: float, obstruction: float
) -> tuple[FloatArray, FloatArray]:
    """Tabulate what a defocus does to the telescope's transfer function."""
    from blursplit.turbulence.defocus import defocus_otf

    u = np.linspace(0.0, 1.0, 161)
    telescope = {"aperture_m": aperture_m, "wavelength_m": wavelength_m}
    return u, defocus_otf(u, sigma_arcsec, obstruction=obstruction, **telescope)


@functools.lru_cache(maxsize=256)
def _structure_table(outer_scale_m: float) -> tuple[FloatArray, FloatArray]:
    """Tabulate ln of the structure function for r0 = 1 m over ln baseline."""
    log_baseline = np.linspace(np.log(1e-4), np.log(1e2), 1200)
    return log_baseline, np.log(structure_function(np.exp(log_baseline), 1.0, outer_scale_m))


def _gaussian(covariance: FloatArray, fx: FloatArray, fy: FloatArray) -> FloatArray:
    form = covariance[0, 0] * fx**2 + covariance[1, 1] * fy**2 + 2 * covariance[0, 1] * fx * fy
    out: FloatArray = np.exp(-2.0 * np.pi**2 * form)
    return out


def _of_path(turns: FloatArray, covariance: FloatArray, path: FloatArray) -> FloatArray:
    """Return the transfer function of a motion along a path, at the size of this covariance.

    `turns`, shape (n, 2), are the path's places times the steps of frequency along both axes.
    """
    own = float(np.mean(np.sum(path**2, axis=1)))
    scale = 2.0 * np.pi * math.sqrt(max(float(np.trace(covariance)), 0.0) / max(own, 1e-30))
    x, y = (_powers(scale * along, N_FREQUENCY) for along in turns.T)
    even, odd = y.real @ x.real.T, y.imag @ x.imag.T
    out = np.concatenate([(even + odd)[:0:-1], even - odd]) / len(path)
    return np.asarray(out, dtype=np.float64)


def _powers(angle: FloatArray, n: int) -> NDArray[np.complex64]:
    """Return exp(i k angle) for k = 0 to n, shape (n + 1, n_angles)."""
    steps = np.broadcast_to(np.exp(1j * angle).astype(np.complex64), (n + 1, len(angle))).copy()
    steps[0] = 1.0
    return np.multiply.accumulate(steps, axis=0)


@dataclass(frozen=True)
class Sampling:
    """Sky frequencies along the axes of an elongated image, in steps that suit each of them.

    Parameters
    ----------
    fx, fy : ndarray, shape (2 n + 1, n + 1)
        [cycles/arcsec].
    step : ndarray, shape (2, 2)
        Step of (fx, fy) along the second axis of the arrays and, in the second column, along the
        first.
    size_arcsec : float
        Geometric mean of the axes' scales.
    """

    fx: FloatArray
    fy: FloatArray
    step: FloatArray
    size_arcsec: float

    @classmethod
    def of(cls, covariance: FloatArray) -> Sampling:
        """Return the sampling for an image of about this covariance."""
        values, vectors = np.linalg.eigh(covariance)
        scale = GAUSS * np.sqrt(values)
        unit_x, unit_y = scaled_frequencies()
        along = vectors / scale
        fx = along[0, 1] * unit_x + along[0, 0] * unit_y
        fy = along[1, 1] * unit_x + along[1, 0] * unit_y
        step = along[:, ::-1] * (HIGHEST / N_FREQUENCY)
        return cls(fx, fy, step, float(np.sqrt(scale.prod())))


def width_arcsec(blur: Blur, parts: Iterable[Contribution]) -> float:
    """Return the FWHM [arcsec] of these contributions together (0 for none).

    The diameter of the circle that has the area above half maximum. Motions alone make no image
    with one width; they count as Gaussians, so that a motion along a line has no area.
    """
    chosen = [part for part in parts if np.any(blur.rough_covariance(part))]
    if not chosen:
        return 0.0
    covariance = sum((blur.rough_covariance(part) for part in chosen), np.zeros((2, 2)))
    if not SMOOTHING & set(chosen):
        return GAUSS * math.sqrt(math.sqrt(max(float(np.linalg.det(covariance)), 0.0)))
    grid = Sampling.of(covariance)
    otf = np.ones_like(grid.fx)
    for part in chosen:
        otf = otf * blur.transfer(part, grid)
    return float(grid.size_arcsec * half_maximum_width(otf).mean)


def all_widths(blur: Blur) -> dict[frozenset[Contribution], float]:
    """Return the FWHM of every combination of contributions."""
    present = {part for part in CONTRIBUTIONS if np.any(blur.rough_covariance(part))}
    widths: dict[frozenset[Contribution], float] = {}
    for size in range(len(CONTRIBUTIONS) + 1):
        for combination in itertools.combinations(CONTRIBUTIONS, size):
            key, chosen = frozenset(combination), frozenset(present.intersection(combination))
            widths[key] = widths[chosen] if chosen in widths else width_arcsec(blur, chosen)
    return widths


def shares(widths: dict[frozenset[Contribution], float]) -> dict[Contribution, float]:
    """Return each contribution's share of the width, summing to one.

    Notes
    -----
    How much the width falls when a contribution is removed, averaged over all orders of removal
    (the value of Shapley 1953 in the theory of games).
    """
    n = len(CONTRIBUTIONS)
    whole = widths[frozenset(CONTRIBUTIONS)]
    out: dict[Contribution, float] = {}
    for part in CONTRIBUTIONS:
        others: Sequence[Contribution] = [p for p in CONTRIBUTIONS if p != part]
        total = 0.0
        for size in range(n):
            weight = math.factorial(size) * math.factorial(n - size - 1) / math.factorial(n)
            for combination in itertools.combinations(others, size):
                before = frozenset(combination)
                total += weight * (widths[before | {part}] - widths[before])
        out[part] = total / whole if whole > 0 else 0.0
    return out
