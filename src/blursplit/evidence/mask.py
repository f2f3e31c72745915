"""One star seen twice through a mask: the two images paired, the air measured, one star made.

What the images do differently is air, whatever telescope and mount do: its variance along and
across the line of the openings gives r0 twice, and the two must agree. What the images do together
goes on through the budget as the motion of one star.

References
----------
M. Sarazin and F. Roddier (1990), A&A 227, 294; A. Tokovinin (2002), PASP 114, 1156; exposure:
H. M. Martin (1987), PASP 99, 1360.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from blursplit import constants as const
from blursplit.estimate import Estimate
from blursplit.evidence.guest import Guest, KnownStrength, Record
from blursplit.facts import Facts
from blursplit.result import Atmosphere, Remark
from blursplit.rig import Rig
from blursplit.stars.tracks import StarTracks
from blursplit.turbulence.conversions import scale_r0, seeing_arcsec
from blursplit.turbulence.tilt import (
    TiltKind,
    centroid_tilt_mix,
    exposure_factor,
    pair_kernels,
    tilt_coefficient,
    unit_nodes,
)
from blursplit.types import FloatArray, IntArray, sure

EVIDENCE = "two-aperture mask"
_MEANS = ("x_px", "y_px", "width_px", "e1", "e2", "peak_adu")  # of two images taken as one star


class MaskGuest(Guest):
    """A mask with two openings, where one is declared: it leaves one star and its reading."""

    def prepare(self, record: Record) -> Record:
        """Pair the images where a mask is declared."""
        if record.barred is not None:
            return record
        reading = _read_mask(record.tracks, record.rig, record.facts)
        if reading is None:
            return record
        if isinstance(reading, Remark):
            return record.without_air(reading)
        one_star = record.with_tracks(reading.tracks, reading.facts)
        return replace(one_star, guests=(*record.guests, reading))


_TILTS: tuple[TiltKind, TiltKind] = ("Z", "G")


def _measure_mask(
    x_arcsec: FloatArray,
    y_arcsec: FloatArray,
    sigma_arcsec: FloatArray,
    geometry: _MaskGeometry,
    *,
    wavelength_m: float,
    exposure_s: float,
    cadence_s: float,
    segment: IntArray | None = None,
    airmass: float = 1.0,
    outer_scale_m: tuple[float, float] = (10.0, 50.0),
    wind_m_s: tuple[float, float] = (2.0, 30.0),
) -> _MaskResult:
    """Measure r0 from the tracks of the two images of a star.

    `x_arcsec`, `y_arcsec`, `sigma_arcsec` (n_frames, 2): centroids of the two images and their
    one-axis noise; NaN where lost. `exposure_s`, `cadence_s`: exposure and frame interval [s];
    their difference is the dead time. `segment` (n_frames,): frames of different numbers are not
    neighbours in time; one stretch by default. `airmass`: secant of the zenith angle.
    `outer_scale_m`, `wind_m_s`: ranges; both are taken as evenly likely in their logarithm.

    var = K lambda^2 r0^(-5/3) D^(-1/3) with numerical K for the tilt that the centroid measures.
    The exposure is corrected by frozen flow in one to four layers whose speeds have the prior,
    in any direction, weighted by how well they explain the measured ratio of the variance of
    adjacent frames averaged two by two to that of single ones, the dead time being part of the
    filter. One layer alone would claim to know more: slow layers hold the ratio while fast ones
    lose most within the exposure.
    """
    both = np.isfinite(x_arcsec).all(axis=1) & np.isfinite(y_arcsec).all(axis=1)
    stretch = np.zeros(both.size, dtype=np.int64) if segment is None else segment
    angle = np.radians(geometry.angle_deg)
    dx, dy = np.diff(x_arcsec, axis=1)[:, 0], np.diff(y_arcsec, axis=1)[:, 0]
    cosine, sine = np.cos(angle), np.sin(angle)
    parts = (dx * cosine + dy * sine, dy * cosine - dx * sine)
    noise = np.where(both, np.sum(sigma_arcsec**2, axis=1), np.nan)
    noise_variance = float(np.nanmean(noise))
    outer_m = float(np.sqrt(outer_scale_m[0] * outer_scale_m[1]))
    mixtures = _wind_mixtures(wind_m_s)
    moments = [_variance(part, stretch) for part in parts]
    clean = [variance - noise_variance for variance, _ in moments]
    mix, mix_sigma = _tilt_mix(geometry, wavelength_m, clean)
    model = _MaskModel(geometry.opening_m, geometry.separation_m, outer_m, mix)
    on_grid = _exposure_factors(mixtures.speeds_m_s, exposure_s, model)
    factors = (mixtures.mean_of(on_grid[0]), mixtures.mean_of(on_grid[1]))
    posterior = np.ones(len(mixtures.weight))
    if exposure_s > 0.0:
        predicted = _rebinned_factor(mixtures, exposure_s, cadence_s, model)
        posterior *= _ratio_likelihood(parts, stretch, noise_variance, moments, predicted)
    posterior /= posterior.sum()
    kernels = model.kernels(model.separation)
    left = [float(posterior @ factor) for factor in factors]
    unit = wavelength_m**2 * geometry.opening_m ** (-1.0 / 3.0) * const.ARCSEC_PER_RADIAN**2
    axes = [_axis(clean[i], moments[i][1], left[i], float(kernels[i]) * unit) for i in (0, 1)]
    logs = np.log(factors[0] / factors[1])
    uneven = float(np.sqrt(posterior @ (logs - posterior @ logs) ** 2))
    r0, sigma, disagreement = _join(axes, 0.6 * uneven)
    systematic = _systematic(model, outer_scale_m, posterior, factors, mix_sigma)
    winds = mixtures.wind_m_s()
    order = np.argsort(winds)
    below = np.cumsum(posterior[order]) - 0.5 * posterior[order]
    slow, usual, fast = np.interp([0.16, 0.5, 0.84], below, winds[order]).tolist()
    common = [
        float(_variance(part.mean(axis=1), stretch)[0]) - 0.25 * noise_variance
        for part in (x_arcsec, y_arcsec)
    ]
    # Of the images' mean: (K1 - K/4) lambda^2 r0^(-5/3) D^(-1/3), each K reduced by what the
    # exposure took.
    own = posterior @ mixtures.mean_of(_single_factors(mixtures.speeds_m_s, exposure_s, model))
    single = float(own) * model.single
    along, across = unit * r0 ** (-5.0 / 3.0) * (single - 0.25 * np.multiply(kernels, left))
    waves = {"from_wavelength_m": wavelength_m, "to_wavelength_m": const.SEEING_WAVELENGTH_M}
    zenith = scale_r0(r0, **waves, from_airmass=airmass)
    return _MaskResult(
        along=axes[0],
        across=axes[1],
        r0_m=r0,
        r0_500nm_zenith_m=float(zenith),
        log_r0_sigma=sigma,
        log_r0_systematic=systematic,
        wind_m_s=(slow, usual, fast),
        common_variance_arcsec2=(common[0], common[1]),
        expected_common_arcsec2=(
            float(along * cosine**2 + across * sine**2),
            float(along * sine**2 + across * cosine**2),
        ),
        notes=_notes(axes, disagreement),
    )


def _variance(series: FloatArray, segment: IntArray) -> tuple[float, float]:
    """Return variance about the segment means and its sampling error (correlated samples)."""
    values = np.asarray(series, dtype=float).copy()
    for number in np.unique(segment):
        inside = segment == number
        values[inside] -= np.nanmean(values[inside])
    good = values[np.isfinite(values)]
    variance = float(np.mean(good**2))
    blocks = np.array_split(good**2, min(20, good.size // 5))
    means = np.array([block.mean() for block in blocks])
    sampling = float(means.std(ddof=1) / np.sqrt(means.size))
    return variance, max(sampling, variance * np.sqrt(2.0 / good.size))


def _tilt_mix(
    geometry: _MaskGeometry, wavelength_m: float, clean: list[float]
) -> tuple[float, float]:
    """Return the tilt that the centroid measures, from a first r0 with Z tilt."""
    along, across = pair_kernels(geometry.separation_m / geometry.opening_m, 0.0, 0.0, "Z")
    mean = max(sum(clean), 0.0) / const.ARCSEC_PER_RADIAN**2 / float(along + across)
    ratio = (mean * geometry.opening_m**2 / wavelength_m**2) ** 0.6
    mix, sigma = centroid_tilt_mix(max(ratio, 1e-3))
    return float(mix), float(sigma)


def _ratio_likelihood(
    parts: tuple[FloatArray, ...],
    segment: IntArray,
    noise_variance: float,
    moments: list[tuple[float, float]],
    predicted: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """Return the likelihood of each mixture given var(2 tau)/var(tau) on both axes."""
    total = np.ones(predicted[0].size)
    for i, part in enumerate(parts):
        adjacent = 0.5 * (part[1:] + part[:-1])
        adjacent = np.where(segment[1:] == segment[:-1], adjacent, np.nan)
        if np.count_nonzero(np.isfinite(adjacent)) < 2 * const.MASK_LEAST_FRAMES:
            continue
        double, _ = _variance(adjacent, segment[1:])
        single, sampling = moments[i]
        clean = single - noise_variance
        if clean <= 2.0 * sampling:
            continue
        ratio = (double - 0.5 * noise_variance) / clean
        # Both variances come from the same frames: the error of their ratio is that of the
        # half-difference of neighbours, var(1 - ratio) ~ 2 (1 - ratio)^2/n and the model's own.
        width = np.hypot(0.02, np.sqrt(3.0 / part.size) * max(1.0 - ratio, 0.02))
        total *= np.exp(-0.5 * ((ratio - predicted[i]) / width) ** 2) + 1e-6
    return total


def _axis(clean: float, sampling: float, factor: float, unit: float) -> _AxisEstimate:
    """Return what one axis says; `unit`: variance for r0 = 1 m without an exposure [arcsec^2]."""
    if clean <= 0.0:
        return _AxisEstimate(clean, sampling, factor, np.inf, np.inf, np.inf)
    r0 = ((clean / (unit * factor)) ** -0.6, (clean / unit) ** -0.6)
    return _AxisEstimate(clean, sampling, factor, *r0, 0.6 * sampling / clean)


def _join(axes: list[_AxisEstimate], uneven: float) -> tuple[float, float, float]:
    """Return the weighted r0, its error and the disagreement of the axes in sigmas.

    `uneven` is how well the ratio of the two exposure corrections is known, in ln r0.
    """
    seen = [axis for axis in axes if np.isfinite(axis.r0_m)]
    if not seen:
        return float("inf"), float("inf"), 0.0
    logs = np.log([axis.r0_m for axis in seen])
    sigmas = np.array([axis.log_r0_sigma for axis in seen])
    weight = sigmas**-2.0
    mean = float(np.exp(np.sum(weight * logs) / weight.sum()))
    apart = float((logs[0] - logs[-1]) / np.hypot(np.linalg.norm(sigmas), uneven))
    return mean, float(weight.sum() ** -0.5), apart


def _systematic(
    model: _MaskModel,
    outer_scale_m: tuple[float, float],
    posterior: FloatArray,
    factors: tuple[FloatArray, FloatArray],
    mix_sigma: float,
) -> float:
    """Return the error of ln r0 from tilt kind, outer scale and wind together."""

    def kernel(**changed: float) -> float:
        return float(model._replace(**changed).kernels(model.separation).sum())

    centre = kernel()
    kind = abs(kernel(tilt_mix=model.tilt_mix + mix_sigma) / centre - 1.0)
    low, high = (kernel(outer_scale_m=outer_m) for outer_m in outer_scale_m)
    scale = 0.5 * abs(high - low) / centre
    joint = 0.5 * (factors[0] + factors[1])
    mean = float(posterior @ joint)
    wind = float(np.sqrt(posterior @ (joint - mean) ** 2)) / mean
    return float(0.6 * np.sqrt(kind**2 + scale**2 + wind**2))


def _notes(axes: list[_AxisEstimate], disagreement: float) -> tuple[Remark, ...]:
    notes = []
    if abs(disagreement) > const.MASK_AGREEMENT_SIGMAS:
        notes.append(Remark.of("mask-axes-disagree", sigmas=abs(disagreement)))
    if any(axis.variance_arcsec2 <= 2.0 * axis.variance_sigma_arcsec2 for axis in axes):
        notes.append(Remark.of("mask-noise"))
    if min(axis.exposure_factor for axis in axes) < const.MASK_SHORT_EXPOSURE:
        lost = 1.0 - min(axis.exposure_factor for axis in axes)
        notes.append(Remark.of("mask-exposure", share=lost))
    return tuple(notes)


@dataclass(frozen=True)
class _MaskGeometry:
    """A mask with two equal openings, and how the camera saw them."""

    opening_m: float  # diameter
    separation_m: float  # of the centres
    angle_deg: float  # of the line of the openings, whether or not the wedge splits along it


@dataclass(frozen=True)
class _AxisEstimate:
    """One axis of the mask."""

    # `variance_arcsec2`, `variance_sigma_arcsec2`: differential variance without noise, and its
    # sampling error.
    variance_arcsec2: float
    variance_sigma_arcsec2: float
    exposure_factor: float  # share that the exposure left, mean over the wind
    r0_m: float  # corrected for the exposure; infinite when no motion is left above the noise
    # From the variance as measured: an upper limit of r0, a lower bound on the air.
    uncorrected_r0_m: float
    log_r0_sigma: float  # sampling error of ln r0


@dataclass(frozen=True)
class _MaskResult:
    """Seeing from two openings."""

    # `along`, `across`: along and across the line of the openings.
    along: _AxisEstimate
    across: _AxisEstimate
    r0_m: float  # weighted mean of both axes, at the sequence's wavelength and line of sight
    r0_500nm_zenith_m: float  # the same at 500 nm and the zenith
    # `log_r0_sigma`, `log_r0_systematic`: sampling error, and that of tilt kind, outer scale and
    # wind, of ln r0.
    log_r0_sigma: float
    log_r0_systematic: float
    # Wind speed: 16, 50 and 84 % of its posterior from comparing tau with 2 tau; the prior's when
    # times do not allow it.
    wind_m_s: tuple[float, float, float]
    # `common_variance_arcsec2`, `expected_common_arcsec2`: variance of the mean of the two images
    # along x and y, noise removed, and what that r0 predicts; more is tracking or structure.
    common_variance_arcsec2: tuple[float, float]
    expected_common_arcsec2: tuple[float, float]
    notes: tuple[Remark, ...] = ()  # failed validity checks


@dataclass(frozen=True)
class _WindMixtures:
    """Many ways in which one to four layers of air may blow, each as likely as any other."""

    speeds_m_s: FloatArray  # (n_speeds,)
    # (n_mixtures, n_layers): flat place of each layer's wind on the grid of (speed, direction).
    cell: IntArray
    weight: FloatArray  # (n_mixtures, n_layers): share of r0^(-5/3) of each layer, sum one

    def mean_of(self, on_grid: FloatArray) -> FloatArray:
        """Return the layers' weighted mean of a value given at (speed, direction)."""
        return np.asarray(np.sum(self.weight * on_grid.ravel()[self.cell], axis=1))

    def wind_m_s(self) -> FloatArray:
        """Return each mixture's wind, (sum w V^(5/3))^(3/5)."""
        power = np.repeat(self.speeds_m_s[:, None] ** (5.0 / 3.0), const.MASK_ANGLES, axis=1)
        return np.asarray(self.mean_of(power) ** 0.6)


def _wind_mixtures(wind_m_s: tuple[float, float]) -> _WindMixtures:
    """Return mixtures whose layers' speeds are even in the logarithm, in any direction.

    One fixed set, so that the same tracks always give the same number.
    """
    rng = np.random.default_rng(0)
    speeds = np.geomspace(wind_m_s[0], wind_m_s[1], const.MASK_SPEEDS)
    shape = const.MASK_MIXTURES, const.MASK_MOST_LAYERS
    cell = rng.integers(0, const.MASK_SPEEDS * const.MASK_ANGLES, shape)
    weight = rng.exponential(size=shape)
    layers = np.arange(const.MASK_MIXTURES) % const.MASK_MOST_LAYERS + 1
    weight[np.arange(const.MASK_MOST_LAYERS) >= layers[:, None]] = 0.0
    return _WindMixtures(speeds, cell, weight / weight.sum(axis=1, keepdims=True))


class _MaskModel(NamedTuple):
    """A mask of two clear openings, and the air that its images see: lengths in metres."""

    opening_m: float
    separation_m: float
    outer_scale_m: float
    tilt_mix: float  # share of Z tilt in what the centroid measures, w of `centroid_tilt_mix`

    @property
    def separation(self) -> float:
        """Distance of the openings over their diameter."""
        return self.separation_m / self.opening_m

    @property
    def ratio(self) -> float:
        """Opening over outer scale."""
        return self.opening_m / self.outer_scale_m

    @property
    def single(self) -> float:
        """Coefficient K1 of the motion of one image."""
        plane, gradient = (tilt_coefficient(kind, 0.0, self.ratio) for kind in _TILTS)
        return self.tilt_mix * plane + (1.0 - self.tilt_mix) * gradient

    def kernels(self, separation: ArrayLike) -> FloatArray:
        """Return `pair_kernels` of two images, along and across, at a distance in openings."""
        plane, gradient = (
            np.array(pair_kernels(separation, self.ratio, 0.0, kind)) for kind in _TILTS
        )
        return np.asarray(self.tilt_mix * plane + (1.0 - self.tilt_mix) * gradient)


def _exposure_factors(
    speeds_m_s: FloatArray, exposure_s: float, mask: _MaskModel
) -> tuple[FloatArray, FloatArray]:
    """Return var(tau)/var(0) along and across, each of shape (n_speeds, n_directions)."""
    exposed = _exposed_variance(speeds_m_s, exposure_s, 0.0, mask)
    still = _exposed_variance(speeds_m_s[:1] * 0.0, exposure_s, 0.0, mask)
    return exposed[0] / still[0], exposed[1] / still[1]


def _single_factors(speeds_m_s: FloatArray, exposure_s: float, mask: _MaskModel) -> FloatArray:
    """Return var(tau)/var(0) of one image, mean of both axes, (n_speeds, n_directions)."""
    passed = speeds_m_s * exposure_s / mask.opening_m
    plane, gradient = (np.add(*exposure_factor(passed, mask.ratio, 0.0, kind)) for kind in _TILTS)
    total = 0.5 * (mask.tilt_mix * plane + (1.0 - mask.tilt_mix) * gradient)
    return np.repeat(total[:, None], const.MASK_ANGLES, axis=1)


def _rebinned_factor(
    mixtures: _WindMixtures, exposure_s: float, cadence_s: float, mask: _MaskModel
) -> tuple[FloatArray, FloatArray]:
    """Return var(mean of two adjacent frames)/var(one frame) along and across of each mixture.

    The dead time between frames is part of it: the mean of two has variance (R(0) + R(T))/2
    with R(T) the covariance of two exposures whose starts are T apart.
    """
    speeds = mixtures.speeds_m_s
    single = _exposed_variance(speeds, exposure_s, 0.0, mask)
    lagged = _exposed_variance(speeds, exposure_s, cadence_s, mask)
    along, across = map(mixtures.mean_of, single)
    later_along, later_across = map(mixtures.mean_of, lagged)
    return 0.5 * (1.0 + later_along / along), 0.5 * (1.0 + later_across / across)


def _exposed_variance(
    speeds_m_s: FloatArray, exposure_s: float, lag_s: float, mask: _MaskModel
) -> tuple[FloatArray, FloatArray]:
    """Return the covariance of the differential tilt between two exposures `lag_s` apart.

    Triangle-weighted mean of R(t) over t from lag - tau to lag + tau; frozen flow turns t into a
    shift V t of the beams. Along and across the openings, each (n_speeds, n_directions).
    """
    node, weight = unit_nodes()
    both = np.concatenate([-node, node])
    triangle = np.concatenate([weight, weight]) * (1.0 - np.abs(both))
    shift = speeds_m_s[:, None, None] * (lag_s + exposure_s * both) / mask.opening_m
    angle = np.pi * (np.arange(const.MASK_ANGLES) + 0.5) / const.MASK_ANGLES
    x = shift * np.cos(angle)[:, None]
    y = shift * np.sin(angle)[:, None]
    b, single = mask.separation, mask.single
    total = np.zeros((2, *x.shape))
    for offset, sign in ((0.0, 2.0), (b, -1.0), (-b, -1.0)):
        distance = np.hypot(x + offset, y)
        along, across = single - 0.5 * mask.kernels(distance)  # covariance of two openings
        share = np.where(distance > 0.0, (x + offset) ** 2 / np.maximum(distance, 1e-12) ** 2, 0.5)
        total[0] += sign * (share * along + (1.0 - share) * across)
        total[1] += sign * (share * across + (1.0 - share) * along)
    return total[0] @ triangle, total[1] @ triangle


def _find_mask_pairs(x_px: FloatArray, y_px: FloatArray, split_px: float) -> list[tuple[int, int]]:
    """Return the pairs of tracks that are two images of one star.

    `x_px`, `y_px` (n_frames, n_stars): tracks, NaN where lost. `split_px`: distance of the two
    images [px]; a pair departs from it by a tenth at most.

    Returns: columns, each used once, the closest matches first; in each pair the image that lies
    farther toward +x (or +y when both are equal) is second.
    """
    mean_x, mean_y = np.nanmedian(x_px, axis=0), np.nanmedian(y_px, axis=0)
    dx, dy = np.subtract.outer(mean_x, mean_x).T, np.subtract.outer(mean_y, mean_y).T
    departure = np.abs(np.hypot(dx, dy) / split_px - 1.0)
    departure[np.tril_indices(departure.shape[0])] = np.inf
    pairs: list[tuple[int, int]] = []
    used: set[int] = set()
    for flat in np.argsort(departure, axis=None).tolist():
        first, second = divmod(flat, departure.shape[1])
        if not departure[first, second] <= 0.1:  # noqa: PLR2004
            break
        if used & {first, second}:
            continue
        used |= {first, second}
        is_ordered = (dx[first, second], dy[first, second]) > (0.0, 0.0)
        pairs.append((first, second) if is_ordered else (second, first))
    return pairs


@dataclass(frozen=True)
class _MaskReading(Guest):
    """What the mask gave of the air."""

    result: _MaskResult
    geometry: _MaskGeometry
    columns: tuple[int, int]  # the two images among the tracks
    tracks: StarTracks  # one star that moves as the mean of the images; without stamps
    facts: Facts  # with the optics of one opening
    doubts: tuple[Remark, ...]  # those of the result among them

    @property
    def log_r0_error(self) -> float:
        """Sampling and systematic error of ln r0 together."""
        return float(np.hypot(self.result.log_r0_sigma, self.result.log_r0_systematic))

    @property
    def shapes_are_stars(self) -> bool:
        """Each image has passed one opening alone."""
        return False

    @property
    def strength(self) -> KnownStrength:
        """What the joint fit is told."""
        ln_j = -5.0 / 3.0 * float(np.log(self.result.r0_m))
        return KnownStrength((ln_j, 5.0 / 3.0 * self.log_r0_error), self.geometry.separation_m)

    def lower_strength(self, rng: np.random.Generator) -> FloatArray:
        """Return draws of the smallest r0^(-5/3): the variance as measured, no exposure undone."""
        axes = (self.result.along, self.result.across)
        j = float(np.mean([axis.uncorrected_r0_m ** (-5.0 / 3.0) for axis in axes]))
        sigma = float(np.hypot(5.0 / 3.0 * self.result.log_r0_sigma, const.MASK_KERNEL_SIGMA))
        return np.asarray(j * np.exp(sigma * rng.standard_normal(const.MASK_DRAWS)))

    def parts(self, parts: dict[str, Any]) -> dict[str, Any]:
        """Put what the mask measured into the air's part."""
        return {**parts, "atmosphere": _with_mask(parts.get("atmosphere", Atmosphere()), self)}

    def arrays(self, record: Record) -> dict[str, FloatArray]:
        """Return the places of the two images, not the place between them."""
        tracks, columns = record.images, list(self.columns)
        return {
            f"star_{name}": np.nanmedian(tracks.seen(name)[:, columns], axis=0)
            for name in ("x_px", "y_px", "flux_adu")
        }

    def remarks(self) -> tuple[Remark, ...]:
        """Return what the two images say, and doubts about them."""
        return (_mask_remark(self), *self.doubts)


def _read_mask(tracks: StarTracks, rig: Rig, facts: Facts) -> _MaskReading | Remark | None:
    """Measure the air through the declared mask, or say why it gives none.

    `tracks`: the two images of the star among them. `rig`: with `mask_opening_m` and
    `mask_separation_m`; the split finds the images where there are more than two.
    """
    opening, separation = rig.get("mask_opening_m"), rig.get("mask_separation_m")
    split = rig.get("mask_split_arcsec")
    if opening is None and separation is None and split is None:
        return None
    pair = None
    if facts.scale_arcsec is not None:
        pair = _images(tracks, None if split is None else float(split) / facts.scale_arcsec)
    if opening is None or separation is None:
        # two images, and nothing else, look like those of a mask
        alike = pair is not None and tracks.n_stars == 2  # noqa: PLR2004
        return Remark.of("mask-openings-unknown") if alike else None
    if facts.scale_arcsec is None:
        return Remark.of("mask-no-scale")
    if separation < opening:
        return Remark.of("mask-overlap", separation_m=float(separation), opening_m=float(opening))
    if pair is None:
        because = "one image" if tracks.n_stars == 1 else "no split" if split is None else None
        images = float(tracks.n_stars)
        return Remark.of("mask-no-pair", because=because, images=images, split_arcsec=split)
    return _measure(tracks, rig, facts, float(opening), float(separation), pair)


def _images(tracks: StarTracks, split_px: float | None) -> tuple[int, int] | None:
    """Find the brightest pair of images, equally bright and as far apart as the wedge says."""
    flux = np.nanmedian(tracks.seen("flux_adu"), axis=0)
    if split_px is not None:
        pairs = _find_mask_pairs(tracks.x_px, tracks.y_px, split_px)
    else:
        pairs = [(0, 1)] if tracks.n_stars == 2 else []  # noqa: PLR2004
    alike = [p for p in pairs if _ratio(flux, p) < const.MASK_NOT_A_PAIR]
    return max(alike, key=lambda p: float(flux[p[0]] + flux[p[1]])) if alike else None


def _ratio(flux: FloatArray, pair: tuple[int, int]) -> float:
    first, second = flux[pair[0]], flux[pair[1]]
    return float(max(first, second) / max(min(first, second), 1e-9))


def _measure(
    tracks: StarTracks,
    rig: Rig,
    facts: Facts,
    opening_m: float,
    separation_m: float,
    pair: tuple[int, int],
) -> _MaskReading | Remark:
    scale = sure(facts.scale_arcsec)
    both = int(np.count_nonzero(tracks.good[:, pair].all(axis=1)))
    if facts.is_long or tracks.exposure_s is None or tracks.cadence_s is None:
        return Remark.of("mask-exposure-unknown")
    if both < const.MASK_RUN_FRAMES:
        return Remark.of("mask-few-frames", frames=both, needed=const.MASK_RUN_FRAMES)
    own = rig.with_setting("aperture_m", opening_m, "option")
    own = own.with_setting("obstruction", 0.0, "option")
    through_one = Facts.of(tracks, own, facts.blur_time_s)
    optics = sure(through_one.optics)
    angle, notes = _direction(tracks, rig, pair)
    geometry = _MaskGeometry(opening_m, separation_m, angle)
    place = list(pair)
    result = _measure_mask(
        tracks.seen("x_px")[:, place] * scale,
        tracks.seen("y_px")[:, place] * scale,
        tracks.sigma_px[:, place] * scale,
        geometry,
        wavelength_m=optics.wavelength_m,
        exposure_s=tracks.exposure_s,
        cadence_s=tracks.cadence_s,
        segment=tracks.segment,
        airmass=facts.airmass,
        outer_scale_m=optics.outer_scale_m,
        wind_m_s=optics.wind_m_s,
    )
    if not np.isfinite(result.r0_m):
        return Remark.of("mask-noise")
    return _MaskReading(
        result=result,
        geometry=geometry,
        columns=pair,
        tracks=_as_one_star(tracks, pair),
        facts=through_one,
        doubts=(*notes, *result.notes),
    )


def _direction(tracks: StarTracks, rig: Rig, pair: tuple[int, int]) -> tuple[float, list[Remark]]:
    """Return the direction of the line of the openings, and doubts about the images."""
    ratio = _ratio(np.nanmedian(tracks.seen("flux_adu"), axis=0), pair)
    unequal = ratio > const.MASK_UNEQUAL
    notes = [Remark.of("mask-images-unequal", times=ratio)] if unequal else []
    declared = rig.get("mask_angle_deg")
    if declared is not None:
        return float(declared), notes
    apart = [np.diff(tracks.seen(name)[:, list(pair)], axis=1) for name in ("x_px", "y_px")]
    dx, dy = (float(np.nanmedian(values)) for values in apart)
    angle = float(np.degrees(np.arctan2(dy, dx)) % 180.0)
    return angle, [*notes, Remark.of("mask-angle-assumed", angle_deg=angle)]


def _as_one_star(tracks: StarTracks, pair: tuple[int, int]) -> StarTracks:
    """Return one star at the mean of the two images, seen where both are."""
    place = list(pair)
    good = np.asarray(tracks.good[:, place].all(axis=1))[:, None]

    def mean(values: FloatArray) -> FloatArray:
        return np.where(good, values[:, place].mean(axis=1, keepdims=True), np.nan)

    same: dict[str, Any] = {name: mean(getattr(tracks, name)) for name in _MEANS}
    return replace(
        tracks,
        **same,
        row_time_s=tracks.row_time_s[:, place].mean(axis=1, keepdims=True),
        sigma_px=mean(tracks.sigma_px) / np.sqrt(2.0),
        flux_adu=2.0 * mean(tracks.flux_adu),
        good=good,
        stamps=None,
    )


# --- as parts of the result -----------------------------------------------------------------------
def _with_mask(part: Atmosphere, reading: _MaskReading) -> Atmosphere:
    """Put what the mask measured into the air's part, in place of the joint fit's."""
    result, error = reading.result, reading.log_r0_error
    seeing = float(seeing_arcsec(result.r0_500nm_zenith_m, const.SEEING_WAVELENGTH_M))
    update: dict[str, object] = {
        "r0_500nm_zenith_m": _log_estimate(result.r0_500nm_zenith_m, error),
        "seeing_500nm_zenith_arcsec": _log_estimate(seeing, error),
        "evidence": [EVIDENCE, *part.evidence],
    }
    if part.lower_seeing_arcsec is None:
        to_zenith = result.r0_500nm_zenith_m / result.r0_m
        r0_m = to_zenith * reading.lower_strength(np.random.default_rng(0)) ** -0.6
        update["lower_seeing_arcsec"] = Estimate.of(seeing_arcsec(r0_m, const.SEEING_WAVELENGTH_M))
    if part.wind_m_s is None:
        low, middle, high = result.wind_m_s
        update["wind_m_s"] = Estimate(value=middle, low=low, high=high)
    return part.model_copy(update=update)


def _mask_remark(reading: _MaskReading) -> Remark:
    """Return what the two images say, as facts."""
    result, geometry = reading.result, reading.geometry
    expected = np.sqrt(result.expected_common_arcsec2)
    common = np.sqrt(np.maximum(result.common_variance_arcsec2, 0.0))
    return Remark.of(
        "mask",
        opening_m=geometry.opening_m,
        separation_m=geometry.separation_m,
        r0_m=result.r0_500nm_zenith_m,
        relative_error=float(np.expm1(reading.log_r0_error)),
        r0_along_m=result.along.r0_m,
        r0_across_m=result.across.r0_m,
        common_x_arcsec=float(common[0]),
        common_y_arcsec=float(common[1]),
        expected_x_arcsec=float(expected[0]),
        expected_y_arcsec=float(expected[1]),
    )


def _log_estimate(value: float, log_sigma: float) -> Estimate:
    return Estimate.with_error(float(np.log(value)), log_sigma, np.exp)
