"""How wide the recorded star would be with any of its causes removed, and each one's share."""

from __future__ import annotations

import functools
import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.air.turbulence import structure_function
from blursplit.budget.fwhm import half_maximum_width, scaled_frequencies
from blursplit.result import CONTRIBUTIONS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from blursplit.result import Contribution

    FloatArray = NDArray[np.float64]

ARCSEC = 206264.80625
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
        Covariances [arcsec^2], taken as Gaussian kernels.
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

    def tracking_covariance(self) -> FloatArray:
        """Return the covariance of all drive terms over the blur time."""
        total: FloatArray = np.outer(self.drift_arcsec, self.drift_arcsec) / 12.0
        for amplitude in self.sinusoids:
            total = total + np.outer(amplitude, amplitude) / 2.0
        return total + self.tracking_extra

    def rough_width_arcsec(self, part: Contribution) -> float:
        """Return a width good enough to choose the sampling."""
        if part == "atmosphere":
            r0 = self.j ** (-0.6) if self.j > 0 else math.inf
            return 0.976 * self.wavelength_m / r0 * ARCSEC
        if part == "tracking":
            return GAUSS * math.sqrt(float(np.trace(self.tracking_covariance())))
        if part in {"structure", "unassigned"}:
            covariance = self.structure if part == "structure" else self.unassigned
            return GAUSS * math.sqrt(max(float(np.trace(covariance)), 0.0))
        diffraction = 1.03 * self.wavelength_m / self.aperture_m * ARCSEC
        blur = GAUSS * math.hypot(
            self.optics_sigma_arcsec,
            self.defocus_arcsec,
            math.sqrt(float(np.trace(self.dispersion))),
        )
        return math.sqrt(diffraction**2 + blur**2 + (0.8 * self.pixel_arcsec) ** 2)

    def transfer(self, part: Contribution, fx: FloatArray, fy: FloatArray) -> FloatArray:
        """Return a contribution's transfer function at sky frequencies [cycles/arcsec]."""
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
            return _gaussian(self.structure, fx, fy)
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
    from blursplit.air.image import telescope_otf

    u = np.linspace(0.0, 1.0, 4001)
    return u, telescope_otf(u, obstruction)


@functools.lru_cache(maxsize=8)
def _defocus_table(
    sigma_arcsec: float, aperture_m: float, wavelength_m: float, obstruction: float
) -> tuple[FloatArray, FloatArray]:
    """Tabulate what a defocus does to the telescope's transfer function."""
    from blursplit.air.defocus import defocus_otf

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


def width_arcsec(blur: Blur, parts: Iterable[Contribution]) -> float:
    """Return the FWHM [arcsec] of these contributions together (0 for none)."""
    chosen = list(parts)
    rough = math.sqrt(sum(blur.rough_width_arcsec(part) ** 2 for part in chosen))
    if rough <= 0:
        return 0.0
    fx, fy = scaled_frequencies()
    fx, fy = fx / rough, fy / rough
    otf = np.ones_like(fx)
    for part in chosen:
        otf = otf * blur.transfer(part, fx, fy)
    return rough * half_maximum_width(otf).mean


def all_widths(blur: Blur) -> dict[frozenset[Contribution], float]:
    """Return the FWHM of every combination of contributions."""
    rough2 = {part: blur.rough_width_arcsec(part) ** 2 for part in CONTRIBUTIONS}
    unit_x, unit_y = scaled_frequencies()
    # One sampling for all combinations with nearly the same width would save little: the
    # transfer functions are cheap beside the transform to the image.
    widths: dict[frozenset[Contribution], float] = {frozenset(): 0.0}
    for size in range(1, len(CONTRIBUTIONS) + 1):
        for combination in itertools.combinations(CONTRIBUTIONS, size):
            chosen = [p for p in combination if rough2[p] > 0]
            key = frozenset(combination)
            if len(chosen) < len(combination):
                widths[key] = widths[frozenset(chosen)]
                continue
            rough = math.sqrt(sum(rough2[p] for p in chosen))
            otf = np.ones_like(unit_x)
            for part in chosen:
                otf = otf * blur.transfer(part, unit_x / rough, unit_y / rough)
            widths[key] = rough * half_maximum_width(otf).mean
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
