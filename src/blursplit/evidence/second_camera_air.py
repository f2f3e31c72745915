"""What air makes of two cameras: spectra of frozen layers, their tables, and the likelihood.

References
----------
M. Sarazin and F. Roddier (1990), A&A 227, 294; A. Tokovinin (2002), PASP 114, 1156.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import pi

import numpy as np

from blursplit import constants as const
from blursplit.evidence.second_camera import PairSpectra
from blursplit.turbulence.conversions import SPECTRUM_CONSTANT
from blursplit.turbulence.tilt import Axis, weighted_sums
from blursplit.types import BoolArray, ComplexArray, FloatArray, IntArray


def _signed_tilt_gain(
    frequency_per_m: FloatArray, aperture_m: float, obstruction: float
) -> FloatArray:
    """Return the signed gain from phase to plane tilt [1/m], whose square is `_tilt_filter`/D^2.

    Two apertures of different size see one wave with gains of either sign: their product is
    that of the cross-spectrum.
    """
    from scipy.special import jn

    z = np.maximum(pi * np.asarray(frequency_per_m, dtype=float) * aperture_m, 1e-6)
    wave = (jn(2, z) - obstruction**2 * jn(2, obstruction * z)) / (1.0 - obstruction**4)
    return np.asarray(8.0 * wave / (z * pi * aperture_m))


def _air_matrices(
    spectra: PairSpectra,
    wind_m_s: FloatArray,
    direction_rad: FloatArray,
    outer_scale_m: FloatArray,
    wavelength_m: float,
) -> ComplexArray:
    """Return the model spectra of one frozen layer of r0 = 1 m, folded as each camera folds.

    `wind_m_s`, `direction_rad`, `outer_scale_m` (n,): of the layer in each of n profiles; the
    direction is from the baseline.

    Returns: (n, n_bins, 2, 2, 2): as `PairSpectra.matrix`, exposures included, noise not.
    """
    top = const.PAIR_FOLDS * max(c.rate_hz for c in spectra.cameras)
    top = max(top, 1.5 * float(spectra.frequency_hz[-1]))
    nu = np.geomspace(0.5 * float(spectra.frequency_hz[0]), top, const.PAIR_FREQUENCIES)
    small = min(c.aperture_m for c in spectra.cameras)
    half = np.geomspace(2e-3, 4.0 / small, const.PAIR_WAVES)
    weight = half * np.gradient(np.log(half))
    n = wind_m_s.size
    along = nu[None, :, None] / wind_m_s[:, None, None]
    f = np.hypot(along, half)
    # phase_spectrum with an outer scale for each profile
    power = SPECTRUM_CONSTANT * (f**2 + outer_scale_m[:, None, None] ** -2.0) ** (-11 / 6)
    power = power * weight * 2 / wind_m_s[:, None, None]
    table = np.geomspace(1e-3, f.max() * 1.01, 600)
    # of the plane tilt: a scale factor turns it into what the centroid measures
    tilts = [_signed_tilt_gain(table, c.aperture_m, c.obstruction) for c in spectra.cameras]
    gains = [np.interp(f, table, tilt) for tilt in tilts]
    c, s = np.cos(direction_rad)[:, None], np.sin(direction_rad)[:, None]
    b = spectra.baseline_m
    place_u, place_v = (c * b)[:, :, None], (-s * b)[:, :, None]
    travel = np.exp(2j * np.pi * along * place_u)
    across = 2 * np.pi * half * place_v
    cos2, sin2, both = along**2 / f**2, half**2 / f**2, along * half / f**2
    unit = (wavelength_m * const.ARCSEC_PER_RADIAN) ** 2
    out = np.zeros((n, spectra.frequency_hz.size, 2, 2, 2), dtype=complex)
    for i in (0, 1):
        for j in range(i, 2):
            whole = power * gains[i] * gains[j] * unit
            if i == j:
                uu, vv = 2 * (whole * cos2).sum(-1), 2 * (whole * sin2).sum(-1)
                uv = np.zeros_like(uu)
            else:
                uu = 2 * (whole * cos2 * np.cos(across) * travel).sum(-1)
                vv = 2 * (whole * sin2 * np.cos(across) * travel).sum(-1)
                uv = 2j * (whole * both * np.sin(across) * travel).sum(-1)
            axes = (c**2 * uu + s**2 * vv - 2 * c * s * uv, s**2 * uu + c**2 * vv + 2 * c * s * uv)
            for axis, density in enumerate(axes):
                read = _folded(nu, density, spectra, i, j)
                out[:, :, axis, i, j] = read
                if i != j:
                    out[:, :, axis, j, i] = read.conj()
    return out


def _folded(
    nu_hz: FloatArray, density: FloatArray | ComplexArray, spectra: PairSpectra, i: int, j: int
) -> FloatArray | ComplexArray:
    """Read a density at the bins with exposure and, within one camera, what folds there."""
    f, cameras = spectra.frequency_hz, spectra.cameras
    log = np.log(nu_hz)

    def at(where_hz: FloatArray) -> FloatArray | ComplexArray:
        place = np.clip(np.interp(np.log(where_hz), log, np.arange(log.size)), 0, log.size - 1)
        low = np.minimum(place.astype(int), log.size - 2)
        part = place - low
        if i == j:
            value = np.log(np.maximum(density, 1e-300))
            return np.asarray(np.exp((1 - part) * value[:, low] + part * value[:, low + 1]))
        return np.asarray((1 - part) * density[:, low] + part * density[:, low + 1])

    def exposed(where_hz: FloatArray) -> FloatArray:
        one, other = (np.sinc(where_hz * cameras[k].exposure_s) for k in (i, j))
        return np.asarray(one * other)

    total = at(f) * exposed(f)
    if i == j:
        rate = cameras[i].rate_hz
        for k in range(1, const.PAIR_FOLDS):
            for where in (k * rate - f, k * rate + f):
                total = total + at(where) * exposed(where)
    return total


@dataclass(frozen=True)
class _LayerTable:
    """What one frozen layer of r0 = 1 m does to two cameras, for any wind and outer scale."""

    # `log_wind`, `log_outer`: of ln m/s and ln m.
    log_wind: Axis
    log_outer: Axis
    # (n_wind, n_outer, n_directions + 1, n_bins, 2, 2): ln of the density of the difference and the
    # real cross density, along and across the baseline, exposures undone; the wind turned from 0 to
    # 90 degrees off the baseline (both are even in it and of period 180 degrees), and last the mean
    # over all directions.
    values: FloatArray

    def at(
        self, log_wind: FloatArray, log_outer: FloatArray, axis: FloatArray | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Return densities of the difference and of what both share, (n, n_bins, 2) each.

        `log_wind`, `log_outer` (n,). `axis` (n, 2): cosine and sine of twice the wind's direction
        from the baseline, times how steady it is; None where it blows from anywhere.
        """
        n_turns = self.values.shape[2]
        corner, weight = self.log_wind.corners(log_wind, self.log_outer, log_outer)
        anyhow = self._mean(n_turns * corner + n_turns - 1, weight)
        anyhow[..., 0] = np.exp(anyhow[..., 0])
        if axis is None:
            return anyhow[..., 0], anyhow[..., 1]
        steady = np.hypot(axis[:, 0], axis[:, 1])[:, None, None]
        angle = 0.5 * np.abs(np.arctan2(axis[:, 1], axis[:, 0])) / (0.5 * np.pi) * (n_turns - 2)
        lower = np.minimum(angle.astype(np.int64), n_turns - 3)
        part = (angle - lower)[:, None]
        node = n_turns * corner + lower[:, None]
        shares = np.hstack([(1 - part) * weight, part * weight])
        turned = self._mean(np.hstack([node, node + 1]), shares)
        turned[..., 0] = np.exp(turned[..., 0])
        both = steady[..., None] * turned + (1 - steady[..., None]) * anyhow
        return both[..., 0], both[..., 1]

    def _mean(self, node: IntArray, weight: FloatArray) -> FloatArray:
        flat = self.values.reshape(-1, int(np.prod(self.values.shape[3:])))
        return weighted_sums(flat, node, weight).reshape(len(node), *self.values.shape[3:])


@dataclass(frozen=True)
class Layer:
    """A frozen layer in many sets of parameters: strengths r0^(-5/3), ln winds, ln outer scales.

    `is_near` tells whose table holds it, `axis` is that of `_LayerTable.at`.
    """

    strength: FloatArray
    log_wind: FloatArray
    log_outer: FloatArray
    axis: FloatArray | None = None
    is_near: bool = False


@dataclass(frozen=True)
class PairEvidence:
    """Spectra of two cameras, and what any air would make of them."""

    spectra: PairSpectra
    near: _LayerTable
    outside: _LayerTable
    steady: BoolArray  # (n_bins,): bins without a mechanical line, in which open motion is compared

    def air(self, layers: Sequence[Layer], scale: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the air's density in the difference and in what both share, (n, n_bins, 2).

        `scale` (n,): tilt variance of the centroid over that of the plane tilt.
        """
        apart = shared = np.zeros((len(scale), self.spectra.frequency_hz.size, 2))
        for layer in layers:
            table = self.near if layer.is_near else self.outside
            strength = (layer.strength * scale)[:, None, None]
            one, both = table.at(layer.log_wind, layer.log_outer, layer.axis)
            apart, shared = apart + strength * one, shared + strength * both
        return apart, shared

    def log_likelihood(
        self, apart: FloatArray, shared: FloatArray, shake: FloatArray | None, noise: FloatArray
    ) -> FloatArray:
        """Return ln likelihood, shape (n,), of what the cameras do apart and of what they share.

        `apart`, `shared` (n, n_bins, 2): of the air, from `air`. `shake` (n, n_bins, 2): mechanical
        motion of both, before exposure; None leaves it free in every bin. `noise` (n,): main
        camera's noise over what was stated.

        ln of the difference's power has the mean ln S + psi(n) - ln n and the variance psi_1(n);
        the model of the air errs by a Gaussian process in ln nu, one for both axes and one for
        each. The cross-spectrum has no noise of its own; a bin that holds more of it than the
        model is let go at the price of the chance that it does.
        """
        own = self._noise
        expected = apart + (noise[:, None] * own[:, 0] + own[:, 1])[:, :, None]
        residual = np.where(self.spectra.used, self._measured - np.log(expected), 0.0)
        white = residual.reshape(len(expected), -1) @ self._whiten
        total = -0.5 * np.einsum("tb,tb->t", white, white)
        if shake is None:
            return np.asarray(total)
        alike = shared + shake
        model = (const.FIT_MODEL_ERROR_SHARED * shared) ** 2
        # by the model's own cross density: bins that came out low would seem the surer
        error2 = (self._own_product + alike**2) / (2 * self.spectra.count[:, None]) + model
        most = np.sqrt(-2.0 * np.log(const.FIT_CONTAMINATED))
        left = np.minimum((self.cross_density - alike) / np.sqrt(error2), most)
        # neighbours err alike: an octave of them counts as one where the model is at fault
        use = self.steady[:, None] & self.spectra.used
        step = np.gradient(np.log(self.spectra.frequency_hz))[:, None]
        once = (const.FIT_MODEL_ERROR_OCTAVE / step - 1.0).clip(0.0)
        weight = use / (1.0 + model / error2 * once)
        # over the products' own scatter: a weight must not count the unit of the densities
        misfit = weight * (left**2 + np.log(error2 / self.cross_variance))
        return np.asarray(total - 0.5 * misfit.sum(axis=(1, 2)))

    def folded_shake(self, shared: FloatArray, log_fall: FloatArray) -> FloatArray:
        """Return what shake beyond the bins adds to the difference, exposures undone.

        `shared` (n, n_bins, 2): of the air. `log_fall` (n,): ln of the exponent by which the shake
        falls. What both share beyond the air in the last octave of bins goes on beyond them, and
        folds to another place in each camera.
        """
        spectra, fall = self.spectra, np.exp(log_fall)[:, None]
        f, last = spectra.frequency_hz, spectra.frequency_hz > 0.5 * spectra.frequency_hz[-1]
        weight = (spectra.count[:, None] * (last & self.steady)[:, None] * spectra.used)[None]
        own = (f**-fall)[:, :, None]
        level = np.sum(weight * own * (self.cross_density - shared), axis=1)
        level = level.clip(0.0) / np.maximum(np.sum(weight * own**2, axis=1), 1e-30)
        folded = np.zeros((len(fall), f.size))
        for camera, gain in zip(spectra.cameras, spectra.exposure_gains().T, strict=True):
            for k in range(1, const.PAIR_FOLDS):
                for at in (k * camera.rate_hz - f, k * camera.rate_hz + f):
                    folded += at**-fall * (np.sinc(at * camera.exposure_s) / gain) ** 2
        return np.asarray(level[:, None, :] * folded[:, :, None])

    @cached_property
    def _undone(self) -> ComplexArray:
        return self.spectra.undone()

    @cached_property
    def _noise(self) -> FloatArray:
        """Noise of each camera in the difference, shape (n_bins, 2)."""
        return np.asarray(self.spectra.noise() / self.spectra.exposure_gains() ** 2)

    @cached_property
    def _measured(self) -> FloatArray:
        from scipy.special import digamma

        count = self.spectra.count
        bias = np.log(count) - digamma(count)
        return np.asarray(np.log(PairSpectra.difference_power(self._undone)) + bias[:, None])

    @cached_property
    def _whiten(self) -> FloatArray:
        from scipy.special import polygamma

        spectra, n = self.spectra, self.spectra.frequency_hz.size
        noise = self._noise[:, :, None] / PairSpectra.difference_power(self._undone)[:, None, :]
        air = np.clip(1.0 - noise.sum(axis=1), 0.0, 1.0).ravel()
        second = np.clip(noise[:, 1], 0.0, 1.0).ravel()
        step = np.subtract.outer(np.log(spectra.frequency_hz), np.log(spectra.frequency_hz))
        kernel = np.kron(np.exp(-0.5 * (step / const.FIT_MODEL_ERROR_OCTAVE) ** 2), np.ones((2, 2)))
        same = np.kron(np.ones((n, n)), np.eye(2))
        covariance = np.diag(np.repeat(polygamma(1, spectra.count), 2))
        model = const.PAIR_MODEL_ERROR**2 * (1.0 + same)
        covariance = covariance + model * kernel * np.outer(air, air)
        covariance += const.PAIR_NOISE_SIGMA**2 * np.outer(second, second)
        # a bin that is left out has a residual of zero and no say
        unused = ~spectra.used.ravel()
        covariance[unused] = covariance[:, unused] = 0.0
        covariance[unused, unused] = 1.0
        return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)).T)

    @cached_property
    def cross_density(self) -> FloatArray:
        """What both cameras share in phase, exposures undone, shape (n_bins, 2)."""
        return np.real(self._undone[:, :, 0, 1])

    @cached_property
    def _own_product(self) -> FloatArray:
        """Product of both cameras' densities, exposures undone, the median of seven bins."""
        from scipy.ndimage import median_filter

        own = np.real(self._undone[:, :, 0, 0] * self._undone[:, :, 1, 1])
        log = np.log(np.maximum(own, 1e-24))
        return np.asarray(np.exp(median_filter(log, (7, 1), mode="mirror")))

    @cached_property
    def cross_variance(self) -> FloatArray:
        """Variance of that mean of n products, (S11 S22 + Re(S12)^2 - Im(S12)^2)/2n."""
        u = self._undone
        # the real part of a square is that of the real less that of the imaginary part
        whole = np.real(u[:, :, 0, 0] * u[:, :, 1, 1] + u[:, :, 0, 1] ** 2)
        return np.asarray(np.maximum(whole, 1e-12) / (2 * self.spectra.count[:, None]))

    def shaken_arcsec2(
        self, shared: FloatArray, rng: np.random.Generator
    ) -> tuple[FloatArray, FloatArray]:
        """Return draws of the variance that turns both alike, both axes' sum, and their weights.

        `shared` (n, n_bins, 2): density of the air that both see, from `air`.

        Returns `variance` (n,): not negative; in the bins alone, lines included; `weight` (n,): of
        each row: air that shares more than the cameras do is the less likely.

        The products' scatter is Gaussian, cut at zero; air errs by the model's own error, an
        octave long.
        """
        from scipy.stats import norm

        f = self.spectra.frequency_hz
        step = np.subtract.outer(np.log(f), np.log(f))
        kernel = np.exp(-0.5 * (step / const.FIT_MODEL_ERROR_OCTAVE) ** 2) + 1e-9 * np.eye(f.size)
        errors = rng.standard_normal((len(shared), f.size)) @ np.linalg.cholesky(kernel).T
        air = shared * np.exp(const.FIT_MODEL_ERROR_SHARED * errors)[:, :, None]
        width = self.width_hz[:, None] * self.spectra.used
        mean = ((self.cross_density - air) * width).sum(axis=(1, 2))
        sigma = float(np.sqrt((self.cross_variance * width**2).sum()))
        chance = norm.cdf(mean / sigma)
        # inverse of the cut distribution: z above -mean/sigma
        z = -norm.ppf(chance * rng.uniform(1e-9, 1.0, len(mean)))
        return np.maximum(mean + sigma * z, 0.0), chance

    def arrays(self) -> dict[str, FloatArray]:
        """Return curves for the page: both axes' sums, exposures undone."""
        return {
            "cameras_frequency_hz": self.spectra.frequency_hz,
            "cameras_main_psd_arcsec2_hz": np.real(self._undone[:, :, 0, 0]).sum(axis=1),
            "cameras_apart_psd_arcsec2_hz": PairSpectra.difference_power(self._undone).sum(axis=1),
            "cameras_alike_psd_arcsec2_hz": self.cross_density.sum(axis=1),
            "cameras_coherence": self.spectra.coherence().mean(axis=1),
        }

    @cached_property
    def width_hz(self) -> FloatArray:
        """Width of each bin, shape (n_bins,)."""
        duration = self.spectra.duration_s
        return self.spectra.count / const.SENSOR_TAPERS * (const.SENSOR_TAPERS + 1) / duration

    @classmethod
    def of(
        cls, spectra: PairSpectra, wavelength_m: float, lines_hz: Sequence[tuple[float, float]] = ()
    ) -> PairEvidence:
        """Tabulate what air would make of these two cameras.

        `lines_hz` (low, high) each: bands that mechanical lines fill.
        """
        edge = spectra.frequency_hz[:, None]
        steady = np.ones(spectra.frequency_hz.size, dtype=bool)
        for low, high in lines_hz:
            half = 0.5 * np.gradient(spectra.frequency_hz)
            steady &= (edge[:, 0] + half < low) | (edge[:, 0] - half > high)
        nodes = const.PAIR_OUTER_NODES
        near = _layer_table(spectra, const.PAIR_NEAR_L0_M, nodes[0], wavelength_m)
        outside = _layer_table(spectra, const.PAIR_FAR_L0_M, nodes[1], wavelength_m)
        return cls(spectra, near, outside, steady)


def _layer_table(
    spectra: PairSpectra, outer_scale_m: tuple[float, float], n_outer: int, wavelength_m: float
) -> _LayerTable:
    wind = np.log(np.geomspace(*const.PAIR_WINDS_M_S, const.PAIR_WIND_NODES))
    outer = np.log(np.geomspace(*outer_scale_m, n_outer))
    turn = np.linspace(0.0, 0.5 * np.pi, const.PAIR_DIRECTIONS)
    w, o, t = (part.ravel() for part in np.meshgrid(wind, outer, turn, indexing="ij"))
    pieces = max(1, w.size // const.PAIR_PROFILES_AT_ONCE)
    parts = np.array_split(np.stack([np.exp(w), t, np.exp(o)]), pieces, axis=1)
    air = np.concatenate([_air_matrices(spectra, v, a, size, wavelength_m) for v, a, size in parts])
    undone = spectra.undone(air)
    values = np.stack([PairSpectra.difference_power(undone), np.real(undone[..., 0, 1])], axis=-1)
    values = values.reshape(wind.size, n_outer, turn.size, *values.shape[1:])
    weight = np.r_[0.5, np.ones(turn.size - 2), 0.5] / (turn.size - 1)
    mean = np.einsum("t,wotbac->wobac", weight, values)
    values = np.concatenate([values, mean[:, :, None]], axis=2)
    values[..., 0] = np.log(np.maximum(values[..., 0], 1e-300))
    return _LayerTable(Axis(wind), Axis(outer), values)
