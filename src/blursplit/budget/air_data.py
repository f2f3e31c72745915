"""What the fit of the air starts from: powers of modes of motion, and what each layer adds to them.

The displacements of n stars are 2n numbers a frame. Rotation and plate scale are projected out,
since a turning field or breathing optics would pass for air. What is left is turned into modes:
the two shared shifts, kept as a 2 x 2 matrix, then differential modes that are uncorrelated under
a middle-height layer, so that their powers can be compared with the model one by one.

Under frozen flow a layer's spectrum depends on x = nu D/V alone. Each layer is therefore projected
on the modes once, against x; every wind is an interpolation of that.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.facts import Optics
from blursplit.motion.common import GridData
from blursplit.turbulence.conversions import structure_function
from blursplit.turbulence.tilt import (
    Axis,
    cross_spectrum_table,
    pair_kernels,
    rows_between,
    tilt_coefficient,
    tilt_spectra,
    weighted_sums,
)
from blursplit.types import FloatArray, IntArray

TILT: Literal["Z"] = "Z"  # a scale factor turns it into what the centroid measures


@dataclass(frozen=True)
class SpectralData:
    """Powers of the modes in bins of frequency, one-sided densities [arcsec^2/Hz]."""

    # (n_bins, n_samples): frequencies at which the model is averaged over each bin.
    frequency_hz: FloatArray
    # `low_hz`, `high_hz`: (n_bins,)
    low_hz: FloatArray
    high_hz: FloatArray
    # (n_bins,): independent complex coefficients that a power is the mean of, tapers counted.
    count: FloatArray
    # (n_bins, n_bins): of the scatter of the bins, which share what the tapers leak.
    correlation: FloatArray
    # (n_bins, n_modes): modes 0 and 1 are sqrt(n_stars) times the mean shift along x and y.
    power: FloatArray
    shared_xy: FloatArray  # (n_bins,): real cross density of modes 0 and 1
    modes: FloatArray  # (n_modes, 2 n_stars): orthonormal
    noise: FloatArray  # (n_modes,): one-sided noise density

    @cached_property
    def centre_hz(self) -> FloatArray:
        """Middle of each bin, shape (n_bins,)."""
        return np.asarray(self.frequency_hz.mean(axis=1))

    @property
    def n_stars(self) -> int:
        """Number of stars."""
        return int(self.modes.shape[1]) // 2

    @classmethod
    def of(
        cls, grid: GridData, modes: FloatArray, *, skip_hz: list[tuple[float, float]]
    ) -> SpectralData:
        """Measure powers of the modes in bins of frequency.

        `modes` (n_modes, 2 n_stars). `skip_hz` (low, high) each: bands filled by lines; their
        Fourier frequencies are left out of the bins.

        Slepian tapers keep the steep spectrum of the air from leaking into the quiet high
        frequencies (Thomson 1982). The lowest bin starts at 1.5/length, since the removed trend and
        the tapers blur what lies below. A bin holds five Fourier frequencies or more, so that the
        logarithm of its power is nearly Gaussian.
        """
        edges = _bin_edges(grid.longest_s, 0.5 / grid.cadence_s)
        n_bins, n_modes = len(edges) - 1, len(modes)
        total = np.zeros((n_bins, n_modes + 1))
        number, weighted_hz = np.zeros(n_bins), np.zeros(n_bins)
        shared_scatter = np.zeros((n_bins, n_bins))
        for segment in grid.segments:
            n = len(segment.real)
            tapers = _tapers(n)
            frequency, power = _mode_power(segment.stars_arcsec @ modes.T, grid.cadence_s, tapers)
            use = frequency >= 1.5 / (n * grid.cadence_s)
            for low, high in skip_hz:
                use &= ~((frequency >= low) & (frequency <= high))
            bins = np.searchsorted(edges, frequency, side="right") - 1
            use &= (bins >= 0) & (bins < n_bins)
            np.add.at(total, bins[use], power[use])
            np.add.at(number, bins[use], 1.0)
            np.add.at(weighted_hz, bins[use], frequency[use])
            for lag, overlap in enumerate(_taper_overlap(n)):
                both = use[: len(use) - lag] & use[lag:]
                first, second = bins[: len(use) - lag][both], bins[lag:][both]
                np.add.at(shared_scatter, (first, second), overlap)
                if lag:
                    np.add.at(shared_scatter, (second, first), overlap)
        filled = number >= const.FIT_FEWEST_IN_BIN
        number = number[filled]
        scatter = shared_scatter[np.ix_(filled, filled)] / np.outer(number, number)
        count = 1.0 / np.diag(scatter)
        lower, upper = edges[:-1][filled], edges[1:][filled]
        samples = lower[:, None] + (upper - lower)[:, None] * np.array(const.FIT_BIN_SAMPLES)
        centre = weighted_hz[filled] / number
        samples *= (centre / samples.mean(axis=1))[:, None]
        mean = total[filled] / number[:, None]
        return cls(
            frequency_hz=samples,
            low_hz=lower,
            high_hz=upper,
            count=count,
            correlation=scatter * np.sqrt(np.outer(count, count)),
            power=mean[:, :n_modes],
            shared_xy=mean[:, n_modes],
            modes=modes,
            noise=(modes**2) @ np.tile(grid.noise_psd_arcsec2_hz, 2),
        )

    @staticmethod
    def modes_of(x: FloatArray, y: FloatArray, optics: Optics) -> FloatArray:
        """Return the modes: shared shifts, then the differential modes by falling variance.

        `x`, `y` (n_stars,): places of the stars, any unit.

        A pair's turning shows across it, so across it tells nothing; three stars and more lose
        rotation and scale.
        """
        n = len(x)
        zero, one = np.zeros(n), np.ones(n) / np.sqrt(n)
        shared = [np.concatenate([one, zero]), np.concatenate([zero, one])]
        dx, dy = x - x.mean(), y - y.mean()
        turn, stretch = np.concatenate([-dy, dx]), np.concatenate([dx, dy])
        removed, _ = np.linalg.qr(
            np.stack(shared + [turn, stretch][: max(min(n - 1, 2), 0)], axis=1)
        )
        keep = np.eye(2 * n) - removed @ removed.T
        values, vectors = np.linalg.eigh(keep @ _fiducial_covariance(x, y, optics) @ keep)
        n_free = 2 * n - removed.shape[1]
        order = np.argsort(values)[::-1][: min(n_free, const.FIT_MOST_DIFFERENTIAL_MODES)]
        return np.concatenate([np.stack(shared), vectors[:, order].T])


def _fiducial_covariance(x_arcsec: FloatArray, y_arcsec: FloatArray, optics: Optics) -> FloatArray:
    """Return the displacements' covariance (all x, then all y) under a layer one aperture apart."""
    n = len(x_arcsec)
    pairs = _Pairs.of(x_arcsec, y_arcsec)
    distance = pairs.separation_arcsec
    s = distance / (np.median(distance[1:]) if n > 1 else 1.0)
    ratio = optics.aperture_m / float(np.sqrt(np.prod(optics.outer_scale_m)))
    single = tilt_coefficient(TILT, optics.obstruction, ratio)
    along, across = (single - 0.5 * k for k in pair_kernels(s, ratio, optics.obstruction, TILT))
    c2, s2, cs = pairs.cosine**2, pairs.sine**2, pairs.cosine * pairs.sine
    xx, yy, xy = ((a * along + b * across)[pairs.place] for a, b in ((c2, s2), (s2, c2), (cs, -cs)))
    return np.block([[xx, xy], [xy, yy]])


@dataclass(frozen=True)
class _Pairs:
    """All pairs of stars in a row, the star with itself first."""

    separation_arcsec: FloatArray
    cosine: FloatArray
    sine: FloatArray
    place: IntArray

    @classmethod
    def of(cls, x: FloatArray, y: FloatArray) -> _Pairs:
        n = len(x)
        a, b = np.triu_indices(n, 1)
        dx, dy = x[b] - x[a], y[b] - y[a]
        distance = np.hypot(dx, dy)
        safe = np.maximum(distance, 1e-30)
        place = np.zeros((n, n), dtype=np.int64)
        place[a, b] = place[b, a] = np.arange(1, len(a) + 1)
        zero = np.zeros(1)
        return cls(
            np.concatenate([zero, distance]),
            np.concatenate([zero + 1.0, dx / safe]),
            np.concatenate([zero, dy / safe]),
            place,
        )

    def weights(self, modes: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return what turns co-spectra along and across pairs into powers of the modes."""
        n = len(self.place)
        mx, my = modes[:, :n], modes[:, n:]
        c2, s2, cs = self.cosine**2, self.sine**2, self.cosine * self.sine

        def summed(left: FloatArray, right: FloatArray) -> FloatArray:
            product = left[:, :, None] * right[:, None, :]
            flat = self.place.ravel()
            return np.stack(
                [np.bincount(flat, row.ravel(), len(self.cosine)) for row in product], axis=1
            )

        xx, yy, xy = summed(mx, mx), summed(my, my), summed(mx, my) + summed(my, mx)
        along = c2[:, None] * xx + s2[:, None] * yy + cs[:, None] * xy
        across = s2[:, None] * xx + c2[:, None] * yy - cs[:, None] * xy
        return along, across


def _mode_power(
    series: FloatArray, cadence_s: float, tapers: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return frequencies and densities of detrended series; last the cross density of 0 and 1."""
    from scipy.fft import rfft

    n = len(series)
    t = np.arange(n) - 0.5 * (n - 1)
    flat = (series - series.mean(axis=0) - np.outer(t, t @ series / (t @ t))).T
    power = np.zeros((series.shape[1] + 1, n // 2 + 1))
    for taper in tapers:
        transform = rfft(flat * taper)
        power[:-1] += transform.real**2 + transform.imag**2
        power[-1] += (transform[0] * transform[1].conj()).real
    frequency = np.fft.rfftfreq(n, cadence_s)
    return frequency[1:].astype(np.float64), (2.0 * cadence_s / len(tapers)) * power[:, 1:].T


@lru_cache(maxsize=8)
def _tapers(n: int) -> FloatArray:
    from scipy.signal.windows import dpss

    return np.asarray(dpss(n, const.FIT_TAPER_HALF_BANDWIDTH, Kmax=const.FIT_TAPERS))


@lru_cache(maxsize=8)
def _taper_overlap(n: int) -> FloatArray:
    """Return the covariance of two powers some Fourier frequencies apart, unit mean power.

    cov = sum over tapers |sum_t h_k h_l exp(2 pi i lag t/n)|^2 / K^2 (Thomson 1982); it is gone
    beyond twice the bandwidth.
    """
    tapers = _tapers(n)
    wave = np.exp(
        2j
        * np.pi
        * np.outer(np.arange(2 * int(const.FIT_TAPER_HALF_BANDWIDTH) + 3), np.arange(n))
        / n
    )
    products = (tapers[:, None, :] * tapers[None, :, :]).reshape(-1, n)
    return np.asarray((np.abs(wave @ products.T) ** 2).sum(axis=1) / len(tapers) ** 2)


def _bin_edges(length_s: float, nyquist_hz: float) -> FloatArray:
    step = 1.0 / length_s
    edges = [1.5 * step]
    while edges[-1] < nyquist_hz:
        edges.append(
            max(edges[-1] * const.FIT_BIN_RATIO, edges[-1] + const.FIT_FEWEST_IN_BIN * step)
        )
    edges[-1] = nyquist_hz
    if len(edges) > 2 and edges[-1] - edges[-2] < const.FIT_FEWEST_IN_BIN * step:  # noqa: PLR2004
        edges.pop(-2)
    return np.array(edges)


# --- what the layers add --------------------------------------------------------------------------


@dataclass(frozen=True)
class _OneStar:
    """Spectra of one star's tilt for the layers at the telescope, one range of outer scales."""

    # `wind`, `outer`: ln m/s, ln m.
    wind: Axis
    outer: Axis
    # `bins`, `fine`: (n_wind, n_outer, 2, n): ln of the density along and across the wind
    # [arcsec^2/Hz per J], exposure averaged and folded: in the bins of the data, and at `fine_hz`
    # of the table.
    bins: FloatArray
    fine: FloatArray
    # (n_wind, n_outer, 2): ln of the tilt's one-axis variance [arcsec^2 per J], exposure averaged
    # and without an exposure.
    variance: FloatArray
    structure: FloatArray  # (n_outer, n_baselines): ln of the phase structure function per J

    def at(self, values: FloatArray, log_wind: FloatArray, log_outer: FloatArray) -> FloatArray:
        """Return exp of bilinearly interpolated tables (n_wind, n_outer, ...), shape (n, ...)."""
        flat = values.reshape(values.shape[0] * values.shape[1], -1)
        out = weighted_sums(flat, *self.wind.corners(log_wind, self.outer, log_outer))
        np.exp(out, out=out)
        return np.asarray(out.reshape(len(out), *values.shape[2:]))

    def structure_at(self, log_outer: FloatArray) -> FloatArray:
        """Return the structure function per J at the table's baselines, shape (n, n_baselines)."""
        return np.asarray(np.exp(rows_between(self.structure, self.outer.at(log_outer))))


@dataclass(frozen=True)
class AirTable:
    """Densities per unit strength J = r0^(-5/3) [m^(-5/3)] of each layer."""

    # `near`, `outside`: air at the telescope with the outer scales of tube and dome, and of the
    # free air.
    near: _OneStar
    outside: _OneStar
    height_m: FloatArray  # (n_high,): heights of the layers above along the line of sight
    high_wind: Axis
    # (n_high, n_wind, n_outer, n_modes, n_bins): one-sided density of each mode [arcsec^2/Hz per
    # J], wind from anywhere.
    high: NDArray[np.float32]
    fine_hz: FloatArray  # (n_fine,)
    # (n_high, n_wind, n_outer, n_fine): density of the stars' mean shift, one axis.
    high_fine: NDArray[np.float32]
    # (n_baselines,): the last one is where the strength of all the air is told (`Model`).
    baseline_m: FloatArray

    def high_at(
        self,
        values: NDArray[np.float32],
        j: FloatArray,
        log_wind: FloatArray,
        log_outer: FloatArray,
        onto: NDArray[np.float32] | None = None,
    ) -> NDArray[np.float32]:
        """Return the sum over the high layers of strength times values, shape (n, ...).

        `values` (n_high, n_wind, n_outer, ...). `j`, `log_wind` (n, n_high). `log_outer` (n,).
        `onto` (n, ...): what it is added to, in place.
        """
        node, weight = self.corners(j, log_wind, log_outer)
        flat = values.reshape(-1, int(np.prod(values.shape[3:])))
        onto = np.zeros((len(j), *values.shape[3:]), np.float32) if onto is None else onto
        weighted_sums(flat, node, weight, onto.reshape(len(j), -1))
        return onto

    def corners(
        self, j: FloatArray, log_wind: FloatArray, log_outer: FloatArray
    ) -> tuple[IntArray, FloatArray]:
        """Return rows of the high layers' tables and their weights, shape (n, 4 n_high) each.

        Arguments as of `high_at`.
        """
        outer = np.broadcast_to(log_outer[:, None], log_wind.shape)
        node, weight = self.high_wind.corners(log_wind, self.outside.outer, outer)
        steps = len(self.high_wind.nodes) * len(self.outside.outer.nodes)
        node += np.arange(len(self.height_m))[:, None] * steps
        weight *= j[:, :, None]
        return node.reshape(len(j), -1), weight.reshape(len(j), -1)

    @classmethod
    def of(
        cls,
        grid: GridData,
        data: SpectralData,
        optics: Optics,
        *,
        fine_hz: FloatArray,
        baseline_m: FloatArray,
        parts_winds: bool = False,
    ) -> AirTable:
        """Tabulate the air for these stars, this camera and this telescope.

        `fine_hz` (n_fine,). `baseline_m` (n_baselines,). `parts_winds`: see `_layer_heights`.

        Cross-spectra of the high layers are averaged over the unknown direction of the wind;
        exposure averaging multiplies by sinc^2(nu tau), and what lies above Nyquist is folded back
        as the sampling does.
        """
        low_wind = min(const.FIT_NEAR_WIND_M_S[0], optics.wind_m_s[0])
        wind = _log_spaced((low_wind, optics.wind_m_s[1]), const.FIT_WIND_NODES)
        far = _log_spaced(optics.outer_scale_m, const.FIT_OUTER_SCALE_NODES[1])
        near = _log_spaced(const.FIT_NEAR_OUTER_SCALE_M, const.FIT_OUTER_SCALE_NODES[0])
        sampled = _Sampled(grid.exposure_s, grid.cadence_s, optics.aperture_m)
        ends = (Axis(wind), sampled, data.frequency_hz, fine_hz, baseline_m, optics)
        where = grid.star_x_arcsec, grid.star_y_arcsec, optics.aperture_m
        heights = _layer_heights(*where, parts_winds=parts_winds)
        pairs = _Pairs.of(grid.star_x_arcsec, grid.star_y_arcsec)
        high_wind = _log_spaced(optics.wind_m_s, const.FIT_WIND_NODES)
        shape = (len(heights), len(high_wind), len(far))
        high = np.zeros((*shape, *data.power.T.shape), dtype=np.float32)
        high_fine = np.zeros((*shape, len(fine_hz)), dtype=np.float32)
        x = np.geomspace(1e-5, 60.0, 400)
        weights = pairs.weights(data.modes)
        for k, log_outer in enumerate(far if len(heights) else ()):
            table = cross_spectrum_table(
                optics.aperture_m / float(np.exp(log_outer)), optics.obstruction, TILT
            )
            for i, height in enumerate(heights):
                s = pairs.separation_arcsec / const.ARCSEC_PER_RADIAN * height / optics.aperture_m
                along, across = table(x, s)
                modes = np.maximum(along @ weights[0] + across @ weights[1], 1e-12 * along[:, :1])
                log_modes = np.log(modes)
                shared = np.log(0.5 * (modes[:, 0] + modes[:, 1]) / data.n_stars)
                for j, speed in enumerate(np.exp(high_wind)):
                    bins = sampled.density(data.frequency_hz, speed, x, log_modes).mean(axis=1)
                    high[i, j, k] = optics.unit_arcsec2 * bins.T
                    fine = sampled.density(fine_hz, speed, x, shared[:, None])[..., 0]
                    high_fine[i, j, k] = optics.unit_arcsec2 * fine
        return cls(
            near=_one_star(near, *ends),
            outside=_one_star(far, *ends),
            height_m=heights,
            high_wind=Axis(high_wind),
            high=high,
            fine_hz=fine_hz,
            high_fine=high_fine,
            baseline_m=baseline_m,
        )

    def mean_of_openings(
        self, optics: Optics, frequency_hz: FloatArray, separation_m: float
    ) -> AirTable:
        """Return the table for the mean motion of a mask's two images in place of one star's.

        The table is for one opening, and so are the `optics`. `frequency_hz` (n_bins,): centres of
        the bins of the data. `separation_m`: distance of the openings' centres.

        The mean of two tilts has the spectrum (S1 + Sc)/2 with Sc the co-spectrum of beams the
        separation apart, here its mean over directions of the wind and both axes. Openings that
        stand 2.5 diameters apart halve the fast motion and leave the slow one whole.
        """
        separation = np.array([0.0, separation_m / optics.aperture_m])

        def thinned(one: _OneStar) -> _OneStar:
            bins, fine = one.bins.copy(), one.fine.copy()
            for k, log_outer in enumerate(one.outer.nodes):
                ratio = float(optics.aperture_m / np.exp(log_outer))
                co_spectra = cross_spectrum_table(ratio, optics.obstruction, TILT)
                for j, log_wind in enumerate(one.wind.nodes):
                    for out, at_hz in ((bins, frequency_hz), (fine, self.fine_hz)):
                        along, across = co_spectra(
                            at_hz * optics.aperture_m / np.exp(log_wind), separation
                        )
                        both = along + across
                        out[j, k] += np.log(np.maximum(0.5 * (1.0 + both[:, 1] / both[:, 0]), 1e-3))
            return replace(one, bins=bins, fine=fine)

        return replace(self, near=thinned(self.near), outside=thinned(self.outside))


def _layer_heights(
    x_arcsec: FloatArray, y_arcsec: FloatArray, aperture_m: float, *, parts_winds: bool = False
) -> FloatArray:
    """Choose the heights above the telescope: where the middle pair's beams part.

    One star sees every layer alike: for it a high layer only has a wind of its own. `parts_winds`:
    whether another witness tells winds apart, so that it must not be left out.
    """
    n = len(x_arcsec)
    if n < 2:  # noqa: PLR2004 - no pair
        return np.array([const.FIT_HIGHEST_LAYER_M] if parts_winds else [])
    theta = float(np.median(_Pairs.of(x_arcsec, y_arcsec).separation_arcsec[1:]))
    heights = (
        np.array(const.FIT_LAYER_SEPARATIONS)
        * aperture_m
        * const.ARCSEC_PER_RADIAN
        / max(theta, 1e-3)
    )
    return np.asarray(np.unique(np.minimum(heights, const.FIT_HIGHEST_LAYER_M)))


def _log_spaced(ends: tuple[float, float], n: int) -> FloatArray:
    """Return logarithms from end to end; a percent apart where one value was stated."""
    low, high = ends if ends[1] > 1.02 * ends[0] else (0.99 * ends[0], 1.01 * ends[0])
    return np.linspace(np.log(low), np.log(high), n)


@dataclass(frozen=True)
class _Sampled:
    """Exposure averaging and folding at the frame rate."""

    exposure_s: float
    cadence_s: float
    aperture_m: float

    def density(
        self, frequency_hz: FloatArray, speed: float, x: FloatArray, log_values: FloatArray
    ) -> FloatArray:
        """Return spectra given against x as ln, shape (n_x, k), at frequencies: (..., k)."""
        crossing = self.aperture_m / speed
        at = np.log(x)
        axis = Axis(at)
        total = np.zeros((*frequency_hz.shape, log_values.shape[1]))
        for fold in range(-const.FIT_FOLDS, const.FIT_FOLDS + 1):
            nu = np.abs(frequency_hz + fold / self.cadence_s)
            value = np.exp(rows_between(log_values, axis.at(np.log(nu * crossing).ravel())))
            gain = crossing * np.sinc(nu * self.exposure_s) ** 2
            total += gain[..., None] * value.reshape(total.shape)
        return total


def _one_star(
    log_outer: FloatArray,
    wind: Axis,
    sampled: _Sampled,
    bins_hz: FloatArray,
    fine_hz: FloatArray,
    baseline_m: FloatArray,
    optics: Optics,
) -> _OneStar:
    x = np.geomspace(1e-6, 90.0, 700)
    size = (len(wind.nodes), len(log_outer))
    bins = np.empty((*size, 2, len(bins_hz)))
    fine = np.empty((*size, 2, len(fine_hz)))
    variance = np.empty((*size, 2))
    for k, outer in enumerate(np.exp(log_outer)):
        ratio = optics.aperture_m / float(outer)
        spectra = np.stack(tilt_spectra(x, ratio, optics.obstruction, TILT), axis=1)
        total = tilt_coefficient(TILT, optics.obstruction, ratio)
        for j, speed in enumerate(np.exp(wind.nodes)):
            bins[j, k] = sampled.density(bins_hz, speed, x, np.log(spectra)).mean(axis=1).T
            fine[j, k] = sampled.density(fine_hz, speed, x, np.log(spectra)).T
            lost = 1.0 - np.sinc(x * speed / optics.aperture_m * sampled.exposure_s) ** 2
            gone = float(np.trapezoid(spectra.mean(axis=1) * lost, x))
            variance[j, k] = max(total - gone, 1e-6 * total), total
    unit = np.log(optics.unit_arcsec2)
    return _OneStar(
        wind=wind,
        outer=Axis(log_outer),
        bins=unit + np.log(bins),
        fine=unit + np.log(fine),
        variance=unit + np.log(variance),
        structure=np.stack(
            [np.log(structure_function(baseline_m, 1.0, s)) for s in np.exp(log_outer)]
        ),
    )
