"""The tapered periodogram of two-axis motion, and what a damped mode looks like in it.

The model of a mode is never compared with the data as it stands: its autocovariance is
multiplied by that of the tapers first, so that the width of the window (and folding at Nyquist)
are in the model and cannot pass as damping. A new line may be where a narrow excess over what is
expected is strongest.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from blursplit import constants as const
from blursplit.spectra.densities import regular_grid, segment_slices
from blursplit.stars.robust import remove_trend
from blursplit.types import BoolArray, ComplexArray, FloatArray, IntArray


@dataclass(frozen=True)
class Excess:
    """The best place found: frequency, width at half maximum, direction, excess variance."""

    frequency_hz: float
    width_hz: float
    angle_rad: float
    variance: float
    ratio: float


def _widths(periodogram: Periodogram, highest_hz: float) -> list[float]:
    widths, width = [0.0], 1.5 / periodogram.duration_s
    while width <= 2.0 * const.LINE_LARGEST_DAMPING * highest_hz:
        widths.append(width)
        width *= const.LINE_WIDTH_RATIO
    return widths


def _line_shape(periodogram: Periodogram, width_hz: float) -> FloatArray:
    """Return a unit-variance Lorentzian seen through the tapers, at bins 0..half away."""
    lags = periodogram.taper_lags
    tau_s = np.arange(lags.size) * periodogram.cadence_s
    # a carrier in the middle of the band keeps both flanks in view; without it the mirror
    # image at negative frequency would add to the far flank
    middle = periodogram.frequency_hz.size // 2
    carrier = 2.0 * np.pi * periodogram.frequency_hz[middle]
    seen = lags * np.exp(-np.pi * width_hz * tau_s) * np.cos(carrier * tau_s)
    density = _transform_of_lags(seen, periodogram.cadence_s)
    half = max(4, int(3.0 * width_hz * periodogram.duration_s))
    return density[middle : min(middle + half + 1, density.size)]


def _promising(
    powers: FloatArray, models: FloatArray, shape: FloatArray, centres: IntArray
) -> IntArray:
    """Return the centres with the largest linear gain, few enough to be fitted one by one."""
    from scipy.signal import fftconvolve

    most = 48
    if centres.size <= most:
        return centres
    line = np.concatenate([shape[:0:-1], shape])[None]
    over = fftconvolve((powers / models - 1.0) / models, line, mode="same", axes=1)
    scale = fftconvolve(1.0 / models**2, line**2, mode="same", axes=1)
    gain = np.maximum(over[:, centres], 0.0) ** 2 / np.maximum(scale[:, centres], 1e-300)
    score = np.maximum(gain.max(axis=0), (gain[:2] + gain[2:]).max(axis=0))
    return np.sort(centres[np.argsort(score)[-most:]])


def _excess(
    power: FloatArray, model: FloatArray, shape: FloatArray, centres: IntArray, weight: float
) -> tuple[FloatArray, FloatArray]:
    """Return twice the log likelihood gain and the variance of a line at each centre bin."""
    half = shape.size - 1
    line = np.concatenate([shape[:0:-1], shape])
    padded_ratio = np.pad(power / model, half, constant_values=1.0)
    padded_inverse = np.pad(1.0 / model, half, constant_values=0.0)
    windows = centres[:, None] + np.arange(2 * half + 1)[None]
    y, rise = padded_ratio[windows], padded_inverse[windows] * line
    amount = np.maximum(((y - 1.0) * rise).sum(axis=1) / (rise**2).sum(axis=1), 0.0)
    for _ in range(12):
        total = 1.0 + amount[:, None] * rise
        score = (rise * (y - total) / total**2).sum(axis=1)
        information = (rise**2 / total**2).sum(axis=1)
        amount = np.clip(amount + score / information, 0.1 * amount, 10.0 * amount + 1e-30)
    total = 1.0 + amount[:, None] * rise
    gain = (y - y / total - np.log(total)).sum(axis=1)
    return np.asarray(2.0 * weight * np.maximum(gain, 0.0)), np.asarray(amount)


def _best_of(
    ratios: FloatArray,
    amounts: list[FloatArray],
    centres: IntArray,
    frequency: FloatArray,
    width: float,
) -> Excess:
    """Choose among four directions and two perpendicular pairs."""
    pairs = ratios[:2] + ratios[2:]
    # two degrees of freedom: chance exp(-s/2)(1 + s/2), put on the scale of one
    pairs = pairs - 2.0 * np.log1p(pairs / 2.0)
    scores = np.concatenate([ratios, pairs])
    row, column = np.unravel_index(int(np.argmax(scores)), scores.shape)
    axis = int(row)
    if row >= len(ratios):
        first = int(row) - len(ratios)
        axis = first if amounts[first][column] >= amounts[first + 2][column] else first + 2
    place, angle = float(frequency[centres[column]]), float(PROJECTIONS_RAD[axis])
    return Excess(place, width, angle, float(amounts[axis][column]), float(scores[row, column]))


# --- the periodogram ------------------------------------------------------------------------------
@dataclass(frozen=True)
class Periodogram:
    """One-sided mean periodogram of (x, y) motion over tapers and stretches."""

    frequency_hz: FloatArray  # (m,): every 1/T up to Nyquist, zero and Nyquist left out
    # (m, 2, 2): real part of the cross periodogram of the axes, unit^2/Hz, tapered.
    power: FloatArray
    # (m, 2, 2): the same without taper: the power that was really there, for realised variances.
    plain: FloatArray
    # (n,): mean autocorrelation of the tapers (1 at lag 0), gaps set to zero.
    taper_lags: FloatArray
    plain_lags: FloatArray  # (n,): the same without taper
    shape: float  # shape of the gamma law that each bin of `power` follows
    weight: float  # independent complex values that a bin stands for
    # `cadence_s`, `duration_s`: sampling interval; length of the longest stretch.
    cadence_s: float
    duration_s: float
    # (g, m, 2, 2): `power` of up to eight successive parts of the record: what stays and what
    # moves.
    parts: FloatArray
    part_weight: FloatArray  # (g,): `weight` of each part

    def along(self, angle_rad: float) -> FloatArray:
        """Return the tapered power of the motion along a direction, shape (m,)."""
        unit = np.array([np.cos(angle_rad), np.sin(angle_rad)])
        return np.asarray(np.einsum("i,mij,j->m", unit, self.power, unit))

    @classmethod
    def of(
        cls,
        time_s: FloatArray,
        motion_xy: FloatArray,
        cadence_s: float,
        timing: str = "regular",
        segment: IntArray | None = None,
    ) -> Periodogram:
        """Return the mean periodogram of the motion, linear trend of each piece removed.

        `time_s` (n,). `motion_xy` (n, 2): NaN counts as missing. `timing` ("regular", "jittered" or
        "irregular"): regular records go onto a grid (fast transform); the others are transformed at
        their own times. `segment` (n,).

        Raises ValueError with fewer than 50 finite samples in the longest stretch.
        """
        pieces = []
        for part in _shorter(segment_slices(segment, time_s.size)):
            keep = np.isfinite(motion_xy[part]).all(axis=1)
            if keep.sum() >= 50:  # noqa: PLR2004 - fewer frames carry no spectrum (1 s at 50 Hz)
                kept = time_s[part][keep], motion_xy[part][keep]
                pieces.append(_prepare(*kept, cadence_s, timing))
        if not pieces:
            raise ValueError("no stretch of at least 50 samples")
        from scipy.fft import next_fast_len

        longest = max(piece.n for piece in pieces)
        pieces = [piece for piece in pieces if piece.n >= const.LINE_SEGMENT_SHARE * longest]
        share = np.array([piece.n for piece in pieces], dtype=np.float64) / longest
        # lengths of large prime factors make every later transform slow; zeros at the end do not
        longest = next_fast_len(longest, real=True)
        frequency = np.arange(1, (longest + 1) // 2) / (longest * cadence_s)
        each = [_piece_power(piece, frequency, cadence_s, longest) for piece in pieces]
        power, plain, taper_lags, plain_lags = (
            sum(s * one[k] for s, one in zip(share, each, strict=True)) / share.sum()
            for k in range(4)
        )
        # an axis that does not move at all must not end in logarithms of zero
        size = np.trace(power, axis1=1, axis2=2)
        largest = const.LINE_DYNAMIC_RANGE * float(size[const.LINE_DRIFT_BINS :].max(initial=0.0))
        bottom = max(1e-9 * float(size.mean()), largest, const.LINE_DENSITY_FLOOR) * np.eye(2)
        groups = np.array_split(np.arange(len(pieces)), min(len(pieces), const.LINE_MOST_PARTS))
        parts = [sum(share[k] * each[k][0] for k in g) / share[g].sum() + bottom for g in groups]
        return cls(
            frequency,
            np.asarray(power + bottom),
            np.asarray(plain),
            np.asarray(taper_lags),
            np.asarray(plain_lags),
            const.LINE_TAPERS * share.sum() ** 2 / float((share**2).sum()),
            share.sum() / const.LINE_TAPER_VARIANCE,
            cadence_s,
            longest * cadence_s,
            np.stack(parts),
            np.array([share[g].sum() for g in groups]) / const.LINE_TAPER_VARIANCE,
        )

    def mode_density(
        self, frequency_hz: float, damping_ratio: float, *, plain: bool = False
    ) -> FloatArray:
        """Return the expected one-sided periodogram [1/Hz] of a damped mode of unit variance, (m,).

        `frequency_hz`: undamped frequency of the mode; above Nyquist it folds, as it does in the
        data. `damping_ratio`: below 1. `plain`: for the untapered periodogram.

        Autocovariance of a mode driven by white force, exp(-g t) (cos w t + g/w sin w t), g = zeta
        w0, w = w0 sqrt(1 - zeta^2); multiplied by that of the tapers and transformed: the exact
        expectation (Sykulski et al. 2019, Biometrika 106, 251, from memory).
        """
        lags = self.plain_lags if plain else self.taper_lags
        tau_s = np.arange(lags.size) * self.cadence_s
        omega = 2.0 * np.pi * frequency_hz
        decay = damping_ratio * omega
        damped = omega * np.sqrt(1.0 - damping_ratio**2)
        covariance = np.exp(-decay * tau_s) * (
            np.cos(damped * tau_s) + decay / damped * np.sin(damped * tau_s)
        )
        return _transform_of_lags(covariance * lags, self.cadence_s)

    def mode_density_slopes(self, frequency_hz: float, damping_ratio: float) -> FloatArray:
        """Return `mode_density` and its slopes by ln frequency and damping, shape (3, m).

        With u = w0 t and s = sqrt(1 - zeta^2) its autocovariance has the slopes
        - (u/s) exp(-zeta u) sin(s u) by ln w0 and exp(-zeta u) (sin(s u)/s^3 - u cos(s u)/s^2) by
        zeta.
        """
        step = 2.0 * np.pi * frequency_hz * self.cadence_s
        size = self.taper_lags.size
        # later lags hold less than exp(-25) of a mode, and most of the time goes into them
        lags = self.taper_lags[: min(size, int(25.0 / (damping_ratio * step)) + 2)]
        turn = step * np.arange(lags.size)
        root = np.sqrt(1.0 - damping_ratio**2)
        decay = np.exp(-damping_ratio * turn) * lags
        cosine, sine = decay * np.cos(root * turn), decay * np.sin(root * turn)
        rows = np.zeros((3, size))
        rows[0, : lags.size] = cosine + damping_ratio / root * sine
        rows[1, : lags.size] = -turn / root * sine
        rows[2, : lags.size] = damping_ratio * (sine / root**3 - turn * cosine / root**2)
        return _transform_of_lags(rows, self.cadence_s)

    def strongest_excess(self, models: FloatArray, inside: BoolArray) -> Excess | None:
        """Return the strongest narrow excess over expected densities, or None where there is none.

        `models` (4, m): expected density along the four directions. `inside` (m,): where to look.

        `Excess.ratio` is twice the gain of log likelihood; two perpendicular directions that rise
        together count together.
        """
        frequency = self.frequency_hz
        powers = np.stack([self.along(angle) for angle in PROJECTIONS_RAD])
        best: Excess | None = None
        for width in _widths(self, float(frequency[-3])):
            allowed = inside & (width <= 2.0 * const.LINE_LARGEST_DAMPING * frequency)
            centres = np.flatnonzero(allowed)[:: max(1, int(width * self.duration_s / 6.0))]
            if centres.size == 0:
                continue
            shape = _line_shape(self, width)
            centres = _promising(powers, models, shape, centres)
            found = [
                _excess(power, model, shape, centres, self.weight)
                for power, model in zip(powers, models, strict=True)
            ]
            ratios = np.stack([ratio for ratio, _ in found])
            candidate = _best_of(ratios, [a for _, a in found], centres, frequency, width)
            if best is None or candidate.ratio > best.ratio:
                best = candidate
        return best if best is not None and best.ratio > 0 else None


def _transform_of_lags(covariance: FloatArray, cadence_s: float) -> FloatArray:
    """Return the one-sided density at every 1/T of a covariance at lags 0..n-1, ends left out.

    Lags lie along the last axis.
    """
    from scipy.fft import rfft

    n = covariance.shape[-1]
    # At multiples of 1/T a lag and its negative less T have one phase: half the transform's
    # length is enough.
    folded = covariance.copy()
    folded[..., 1:] += covariance[..., :0:-1]
    density = 2.0 * cadence_s * rfft(folded).real
    return np.asarray(density[..., 1 : (n + 1) // 2], dtype=np.float64)


def _shorter(parts: list[slice]) -> list[slice]:
    """Cut long stretches into equal pieces, whose periodograms are averaged."""
    pieces = []
    for part in parts:
        count = -(-(part.stop - part.start) // const.LINE_PIECE_SAMPLES)
        edges = np.linspace(part.start, part.stop, count + 1).round().astype(int).tolist()
        pieces += [slice(a, b) for a, b in pairwise(edges)]
    return pieces


@dataclass(frozen=True)
class _Piece:
    time_s: FloatArray
    motion: FloatArray
    present: BoolArray
    n: int
    on_grid: bool


def _prepare(time_s: FloatArray, motion: FloatArray, cadence_s: float, timing: str) -> _Piece:
    on_grid = timing == "regular"
    if on_grid:
        motion, filled = regular_grid(time_s, motion, cadence_s)
        times = np.arange(len(motion), dtype=np.float64) * cadence_s
    else:
        times, filled = time_s - time_s[0], np.zeros(time_s.size, dtype=bool)
    n = round(float(times[-1]) / cadence_s) + 1
    return _Piece(times, remove_trend(motion, times), ~filled, n, on_grid)


def _piece_power(
    piece: _Piece, frequency_hz: FloatArray, cadence_s: float, longest: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    position = piece.time_s / cadence_s
    order = np.arange(1, const.LINE_TAPERS + 1)[:, None]
    # sine tapers, Riedel & Sidorenko 1995 (from memory): sqrt(2/(n+1)) sin(pi k (t+1)/(n+1))
    tapers = np.sqrt(2.0 / (piece.n + 1)) * np.sin(
        np.pi * order * (position[None] + 1.0) / (piece.n + 1)
    )
    # missing times in an uneven record: keep the tapers' power at one
    tapers = tapers / np.sqrt((tapers**2).sum(axis=1, keepdims=True))
    box = np.full((1, position.size), 1.0 / np.sqrt(position.size))
    lags, powers = [], []
    for windows in (tapers, box):
        spectrum = _transform(windows[:, :, None] * piece.motion, piece, frequency_hz, longest)
        cross = np.einsum("kmi,kmj->mij", spectrum, spectrum.conj()).real
        powers.append(2.0 * cadence_s * cross / len(windows))
        lags.append(_window_lags(windows, piece, longest))
    return powers[0], powers[1], lags[0], lags[1]


def _transform(
    data: FloatArray, piece: _Piece, frequency_hz: FloatArray, longest: int
) -> ComplexArray:
    if piece.on_grid:
        full = np.fft.rfft(data, n=longest, axis=1)
        return np.asarray(full[:, 1 : frequency_hz.size + 1])
    parts = []
    for start in range(0, frequency_hz.size, 512):  # bounds the memory of the phase matrix
        block = frequency_hz[start : start + 512]
        phase = np.exp(-2j * np.pi * np.outer(block, piece.time_s))
        parts.append(np.einsum("mt,kti->kmi", phase, data, optimize=True))
    return np.concatenate(parts, axis=1)


def _window_lags(windows: FloatArray, piece: _Piece, longest: int) -> FloatArray:
    """Return the mean autocorrelation of the windows at lags 0..longest-1, gaps as zeros."""
    slot = np.rint(piece.time_s / piece.time_s[-1] * (piece.n - 1)).astype(np.int64)
    grid = np.stack([np.bincount(slot, row, longest) for row in windows * piece.present])
    spectrum = np.abs(np.fft.rfft(grid, n=2 * longest, axis=1)) ** 2
    return np.asarray(np.fft.irfft(spectrum.mean(axis=0), n=2 * longest)[:longest])


PROJECTIONS_RAD = tuple(np.deg2rad([0.0, 45.0, 90.0, 135.0]).tolist())


@dataclass(frozen=True)
class Basis:
    """Cubic B-splines of log frequency, even about Nyquist."""

    knots: FloatArray  # full knot vector in ln sin(pi f / 2 f_N)
    matrix: FloatArray  # (m, p): value of each spline at each frequency of the periodogram

    @classmethod
    def of(cls, frequency_hz: FloatArray, nyquist_hz: float) -> Basis:
        """Return the splines for these (evenly spaced) frequencies, from the third bin up."""
        step = float(frequency_hz[1] - frequency_hz[0])
        first, last = _place(np.array([2.0 * step, frequency_hz[-1]]), nyquist_hz)
        inner = [2.0 * step]
        places = [float(first)]
        while places[-1] < last:
            wide = min(np.exp(places[-1]) * const.CONTINUUM_KNOT_RATIO, 1.0)
            least = inner[-1] + const.CONTINUUM_BINS_PER_KNOT * step
            inner.append(max(2.0 / np.pi * nyquist_hz * np.arcsin(wide), least))
            places.append(float(_place(np.array([min(inner[-1], nyquist_hz)]), nyquist_hz)[0]))
            if wide >= 1.0:
                break
        # the last interval is stretched or shrunk to end at the last frequency
        if len(places) > 2 and last - places[-2] < (places[-1] - places[-2]) / 2:  # noqa: PLR2004
            places = places[:-1]
        places[-1] = float(last)
        knots = np.concatenate([[places[0]] * 3, places, [places[-1]] * 3])
        clipped = np.clip(frequency_hz, inner[0], frequency_hz[-1])
        return cls(knots, _spline_matrix(knots, _place(clipped, nyquist_hz)))

    def density(self, coefficients: FloatArray) -> FloatArray:
        """Return the (x, y) density matrix of coefficients (4, p), shape (m, 2, 2)."""
        return _density_matrix(np.exp(self.matrix @ coefficients.T))

    def fit(
        self,
        power: FloatArray,
        lines: FloatArray,
        *,
        weight: float,
        shape: float,
        clip: float = np.inf,
        start: FloatArray | None = None,
    ) -> FloatArray:
        """Return the coefficients of exp(spline) + lines, fitted by Whittle's likelihood, (p,).

        `power` (m,): periodogram. `lines` (m,): known part of its expectation. `weight`, `shape`:
        as in `Periodogram`. `clip`: ratio of power to model above which a bin counts no more; with
        a finite value narrow peaks cannot lift the continuum, and the clipped mean is corrected
        for. `start` (p,).
        """
        matrix = self.matrix
        level = _clipped_mean(shape, clip)
        theta = _first_guess(power, matrix) if start is None else start.copy()
        penalty = _curvature_penalty(matrix.shape[1])
        low_bins = self.matrix.shape[0]
        use = np.ones(low_bins)
        use[:1] = 0.0  # the trend removed from the record took this bin's power
        for _ in range(40):
            continuum = np.exp(np.clip(matrix @ theta, -600, 600))
            model = continuum + lines
            ratio = np.minimum(power / model, clip) / level
            part = continuum / model * use * weight
            gradient = matrix.T @ (part * (ratio - 1.0)) - penalty @ theta
            hessian = (matrix * (part * continuum / model)[:, None]).T @ matrix + penalty
            step = np.linalg.solve(hessian + 1e-9 * np.eye(theta.size), gradient)
            step = np.clip(step, -1.5, 1.5)
            theta = theta + step
            if np.max(np.abs(step)) < 1e-3:  # noqa: PLR2004 - a thousandth of the density
                break
        return theta


@dataclass(frozen=True)
class Continuum:
    """Smooth density of the motion, lines excluded."""

    knots: FloatArray  # knots of the splines in ln sin(pi f / 2 f_N)
    # (4, p): for the motion along 0, 45, 90 and 135 degrees from +x toward +y.
    coefficients: FloatArray
    # `low_hz`, `high_hz`: range in which it was fitted; beyond it the end values hold.
    low_hz: float
    high_hz: float
    nyquist_hz: float

    def __call__(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the density along x and y, shape (m, 2), unit^2/Hz."""
        matrix = self.matrix(frequency_hz)
        return np.stack([matrix[:, 0, 0], matrix[:, 1, 1]], axis=1)

    def matrix(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the density matrix of (x, y), shape (m, 2, 2), unit^2/Hz."""
        inside = np.clip(frequency_hz, self.low_hz, self.high_hz)
        basis = _spline_matrix(self.knots, _place(inside, self.nyquist_hz))
        return _density_matrix(np.exp(basis @ self.coefficients.T))


def _density_matrix(projected: FloatArray) -> FloatArray:
    """Return the (x, y) density matrix from densities (m, 4) along 0, 45, 90 and 135 degrees.

    Of shape (m, 2, 2), real, positive definite: the coherence of the axes is held below 0.9.
    """
    x, y = projected[:, 0], projected[:, 2]
    limit = const.CONTINUUM_COHERENCE * np.sqrt(x * y)
    cross = np.clip((projected[:, 1] - projected[:, 3]) / 2.0, -limit, limit)
    return np.stack([np.stack([x, cross], axis=1), np.stack([cross, y], axis=1)], axis=1)


def _place(frequency_hz: FloatArray, nyquist_hz: float) -> FloatArray:
    """Return where frequencies lie on the axis of the splines."""
    turn = 0.5 * np.pi * np.clip(frequency_hz / nyquist_hz, 1e-9, 1.0)
    return np.asarray(np.log(np.sin(turn)))


@dataclass(frozen=True)
class FreeContinuum:
    """A continuum fitted beside modes: what is not known of it is not known of them."""

    basis: Basis
    density: FloatArray  # (m, 2, 2), unit^2/Hz

    def taken(
        self, periodogram: Periodogram, model: FloatArray, slopes: FloatArray, window: slice
    ) -> FloatArray:
        """Return the information on parameters that goes into the continuum beside them, (k, k).

        `model` (m, 2, 2): expected density of all. `slopes` (k, w, 2, 2): its derivatives by the
        parameters, in the window.

        Whittle's expected information, weight tr(S^-1 dS_a S^-1 dS_b), of parameters and of the
        splines along x, along y and of what these share, whose bend the fit holds (Schur's
        complement).
        """
        root = np.linalg.cholesky(self.density)
        ways = np.array([np.diag([1.0, 0.0]), np.diag([0.0, 1.0]), [[0.0, 1.0], [1.0, 0.0]]])
        inverse, matrix = np.linalg.inv(model), self.basis.matrix
        bends = inverse @ root @ ways[:, None] @ np.swapaxes(root, 1, 2)
        traces, weight = "amij,bmji->abm", periodogram.weight
        own = weight * np.einsum(traces, inverse[window] @ slopes, bends[:, window])
        both = weight * np.einsum(traces, bends, bends)
        both[..., :1] = 0.0  # the trend removed from the record took this bin's power
        count, size = len(slopes), 3 * matrix.shape[1]
        shared = (own @ matrix[window]).reshape(count, size)
        known = np.einsum("abm,mp,mq->apbq", both, matrix, matrix, optimize=True)
        known = known.reshape(size, size)
        known += np.kron(np.eye(3), _curvature_penalty(matrix.shape[1])) + 1e-9 * np.eye(size)
        return np.asarray(shared @ np.linalg.solve(known, shared.T))


def _clipped_mean(shape: float, clip: float) -> float:
    """Return E[min(y, clip)] of a gamma variable of unit mean."""
    if not np.isfinite(clip):
        return 1.0
    from scipy.special import gammainc

    inside = gammainc(shape + 1.0, shape * clip)
    return float(inside + clip * (1.0 - gammainc(shape, shape * clip)))


def _first_guess(power: FloatArray, matrix: FloatArray) -> FloatArray:
    logs = np.log(np.maximum(power, np.finfo(np.float64).tiny))
    penalty = _curvature_penalty(matrix.shape[1]) + 1e-6 * np.eye(matrix.shape[1])
    return np.asarray(np.linalg.solve(matrix.T @ matrix + penalty, matrix.T @ logs))


def _curvature_penalty(size: int) -> FloatArray:
    second = np.diff(np.eye(size), 2, axis=0)
    return np.asarray(second.T @ second / const.CONTINUUM_CURVATURE**2)


def _spline_matrix(knots: FloatArray, place: FloatArray) -> FloatArray:
    from scipy.interpolate import BSpline

    inside = np.clip(place, knots[0], knots[-1])
    return np.asarray(BSpline.design_matrix(inside, knots, 3).toarray())
