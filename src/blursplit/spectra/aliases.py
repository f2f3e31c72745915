"""Which true frequency hides behind an apparent one, with what odds, and whether stars share it.

Frames at rate fs show a motion at nu at |nu - k fs|. What can tell the candidates apart: the
exposure (it damps the fast ones), unevenness of the times (only when a clock in the camera made
them), a second frame rate, and rows read at different times (stars on different rows are
samples between the frames).

For the last the stars are an array of receivers. In one Fourier bin their amplitudes are complex
Gaussian with covariance

    line power x pattern  +  shared continuum x (all ones, delayed by the rows)  +  own noise

and the pattern says what is asked: the same motion at all stars (delayed by the rows, at a
candidate frequency), or a motion of each star's own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.spectra.modes import LineFit
from blursplit.spectra.periodogram import Continuum
from blursplit.types import ComplexArray, FloatArray, IntArray


@dataclass(frozen=True)
class AliasCandidates:
    """Frequencies that look the same: nu = order x fs + sign x apparent."""

    frequency_hz: FloatArray  # (c,): ascending
    order: IntArray
    sign: IntArray

    @classmethod
    def of(
        cls, apparent_hz: float, cadence_s: float, highest_hz: float = const.ALIAS_HIGHEST_HZ
    ) -> AliasCandidates:
        """Return every frequency up to a limit that shows at apparent_hz.

        `highest_hz`: the apparent frequency itself is always a candidate.
        """
        rate = 1.0 / cadence_s
        rows = [(apparent_hz, 0, 1)]
        for order in range(1, int(highest_hz / rate) + 2):
            for sign in (-1, 1):
                value = order * rate + sign * apparent_hz
                if value <= highest_hz:
                    rows.append((value, order, sign))
        frequency, order, sign = np.array(sorted(rows), dtype=np.float64).T
        return cls(frequency, order.astype(np.int64), sign.astype(np.int64))

    def row_time_log_odds(
        self,
        x: FloatArray,
        y: FloatArray,
        row_time_s: FloatArray,
        cadence_s: float,
        line: LineFit,
        continuum: Continuum,
        *,
        row_order_known: bool = True,
    ) -> FloatArray:
        """Return the log likelihood of each candidate from stars on different rows.

        `x`, `y` (n, n_stars): motion of each star on the regular grid, without NaN, in the unit of
        the line. `row_time_s` (n_stars,): mean delay of each star's row. `row_order_known`: false:
        both directions of read-out are allowed for, which leaves nu and its mirror image k fs - nu
        harder to tell apart.
        """
        directions = (1.0,) if row_order_known else (1.0, -1.0)
        values = []
        for direction in directions:
            spectra = _array_spectra(x, y, cadence_s, line, continuum, direction * row_time_s)
            values.append(
                [
                    _shared_log_likelihood(spectra, int(order), int(sign))
                    for order, sign in zip(self.order, self.sign, strict=True)
                ]
            )
        return np.asarray(np.logaddexp.reduce(np.array(values), axis=0) - np.log(len(directions)))

    def time_stamp_log_odds(
        self,
        time_s: FloatArray,
        motion_xy: FloatArray,
        line: LineFit,
        continuum: Continuum,
    ) -> FloatArray:
        """Return the log likelihood of each candidate from the unevenness of hardware time stamps.

        `time_s` (n,): true times of the frames' middles. `motion_xy` (n, 2): in the unit of the
        line; rows with NaN are left out.

        Gaussian process at the true times, continuum plus mode; the line's variance is refitted on
        a coarse grid, because uneven sampling leaks a true line away from its alias.
        """
        keep = np.flatnonzero(np.isfinite(motion_xy).all(axis=1))[: const.ALIAS_EXACT_SAMPLES]
        times = time_s[keep]
        motion = motion_xy[keep] - motion_xy[keep].mean(axis=0)
        lag = np.abs(times[:, None] - times[None])
        zeta = line.damping_ratio or 0.0
        decay = 2.0 * np.pi * zeta * line.frequency_hz  # a mode decays alike, whatever its alias
        envelope = np.exp(-decay * lag)
        background = [_continuum_covariance(lag, continuum, axis) for axis in range(2)]
        total = np.full(self.frequency_hz.size, -np.inf)
        for index, frequency in enumerate(self.frequency_hz):
            shape = envelope * np.cos(2.0 * np.pi * frequency * lag)
            for scale in (1.0, 2.0):
                value = sum(
                    _gaussian(
                        background[axis] + scale * line.covariance[axis, axis] * shape,
                        motion[:, axis],
                    )
                    for axis in range(2)
                )
                total[index] = max(total[index], value)
        return total


@dataclass(frozen=True)
class AliasDecision:
    """Candidates with their odds."""

    candidates_hz: FloatArray  # (c,): ascending
    odds: FloatArray  # (c,): sum to 1
    # What was used: "exposure", "time stamps", "row times", "usual damping"...
    evidence: tuple[str, ...]

    @property
    def best_hz(self) -> float:
        """Most probable true frequency."""
        return float(self.candidates_hz[int(np.argmax(self.odds))])

    @property
    def is_decided(self) -> bool:
        """Whether one candidate has odds of 0.95 or more."""
        return bool(self.odds.max() >= 0.95)  # noqa: PLR2004

    def with_odds(self, odds: FloatArray, *evidence: str) -> AliasDecision:
        """Return the candidates with the odds that further evidence gives."""
        return AliasDecision(self.candidates_hz, odds, (*self.evidence, *evidence))

    @classmethod
    def of(
        cls,
        candidates: AliasCandidates,
        *,
        exposure_s: float | None = None,
        evidence: Mapping[str, FloatArray | None] | None = None,
    ) -> AliasDecision:
        """Join the evidence into odds.

        `evidence` (c,): log likelihoods, None where there is no such evidence. Pass those of time
        stamps for stamps made by the camera's own clock only: stamps of a computer scatter while
        the shutter is regular.
        """
        total = _exposure_log_odds(candidates.frequency_hz, exposure_s)
        used = ["exposure"] if exposure_s else []
        for name, values in (evidence or {}).items():
            if values is not None:
                total = total + values
                used.append(name)
        odds = np.exp(total - total.max())
        odds = odds / odds.sum()
        odds = (odds + const.ALIAS_ODDS_FLOOR) / (1.0 + const.ALIAS_ODDS_FLOOR * odds.size)
        return cls(candidates.frequency_hz, odds, tuple(used))


def apparent_frequency(frequency_hz: FloatArray | float, rate_hz: float) -> FloatArray:
    """Return where a motion shows when sampled at rate_hz: |nu - fs round(nu/fs)|."""
    true = np.asarray(frequency_hz, dtype=np.float64)
    return np.asarray(np.abs(true - rate_hz * np.round(true / rate_hz)))


def _exposure_log_odds(candidates_hz: FloatArray, exposure_s: float | None) -> FloatArray:
    """Return the weak evidence of the exposure: log of sinc^2(nu tau).

    The measured amplitude A means A/sinc(nu tau) outside; large motions are taken to be rarer
    as the square of their size (an assumption, stated in the documentation).
    """
    if not exposure_s:
        return np.zeros(candidates_hz.size)
    left = np.abs(np.sinc(candidates_hz * exposure_s))
    return np.asarray(2.0 * np.log(np.maximum(left, const.ALIAS_SMALLEST_LEFT)))


def _continuum_covariance(lag: FloatArray, continuum: Continuum, axis: int) -> FloatArray:
    """Covariance of the continuum at these lags: white part on the diagonal, the rest smooth."""
    grid = np.linspace(continuum.low_hz, continuum.high_hz, 400)
    density = continuum(grid)[:, axis]
    white = float(density[-40:].mean())
    red = np.maximum(density - white, 0.0)
    steps = np.linspace(0.0, float(lag.max()), 4000)
    covariance = np.cos(2.0 * np.pi * np.outer(steps, grid)) @ red * (grid[1] - grid[0])
    # below the lowest frequency fitted the density is held level
    covariance = covariance + continuum.low_hz * max(float(density[0]) - white, 0.0)
    diagonal = white * continuum.high_hz + 1e-9 * covariance[0]
    return np.asarray(np.interp(lag, steps, covariance) + diagonal * (lag == 0))


def _gaussian(covariance: FloatArray, values: FloatArray) -> float:
    from scipy.linalg import cho_factor, cho_solve

    factor = cho_factor(covariance, lower=True, check_finite=False)
    logdet = 2.0 * np.log(np.diag(factor[0])).sum()
    return float(-0.5 * (values @ cho_solve(factor, values, check_finite=False) + logdet))


# --- stars as an array of receivers ---------------------------------------------------------------
@dataclass(frozen=True)
class _ArraySpectra:
    """Amplitudes of the stars in the bins of a line."""

    frequency_hz: FloatArray  # (b,)
    # (2, b, n_stars): for x and y; squared modulus averages to the one-sided density.
    amplitude: ComplexArray
    line: FloatArray  # (2, b): line's density in these bins
    shared: FloatArray  # (2, b): continuum shared by the stars
    own: FloatArray  # (2, n_stars): density of each star's own motion and noise beside the line
    row_time_s: FloatArray  # (n_stars,)
    rate_hz: float  # frame rate


def _array_spectra(
    x: FloatArray,
    y: FloatArray,
    cadence_s: float,
    line: LineFit,
    continuum: Continuum,
    row_time_s: FloatArray | None,
) -> _ArraySpectra:
    """Return the stars' amplitudes around a line; see `row_time_log_odds`."""
    n, n_stars = x.shape
    # a Hann taper: the red part must not leak under a weak line; scaled to keep the density
    taper = np.hanning(n + 2)[1:-1]
    taper = taper / np.sqrt((taper**2).sum())
    both = np.stack([x - x.mean(axis=0), y - y.mean(axis=0)])
    spectrum = np.fft.rfft(both * taper[None, :, None], axis=1) * np.sqrt(2.0 * cadence_s)
    frequency = np.asarray(np.fft.rfftfreq(n, cadence_s), dtype=np.float64)
    low, high = line.band_hz
    inside = np.flatnonzero((frequency > max(low, 1.5 / (n * cadence_s))) & (frequency < high))
    # every second bin: neighbours under a Hann taper repeat each other
    inside = inside[:: 2 if inside.size > 4 else 1]  # noqa: PLR2004
    own = _own_density(spectrum, frequency, line)
    weight = (own.mean(axis=1) / n_stars)[:, None]
    shared = np.maximum(continuum(frequency[inside]).T - weight, 1e-3 * weight)
    model = np.diagonal(line.psd_model, axis1=1, axis2=2)
    # the search's grid has every 1/T up to Nyquist, ends left out
    grid = np.arange(1, model.shape[0] + 1) * line.bin_hz
    density = np.stack([np.interp(frequency[inside], grid, model[:, k]) for k in range(2)])
    delays = np.zeros(n_stars) if row_time_s is None else np.asarray(row_time_s, np.float64)
    return _ArraySpectra(
        frequency[inside], spectrum[:, inside], density, shared, own, delays, 1.0 / cadence_s
    )


def _shared_log_likelihood(spectra: _ArraySpectra, order: int, sign: int) -> float:
    """Return the log likelihood that all stars move together, power refitted.

    `order`, `sign`: of `AliasCandidates`; with row times they set the phase between the stars.

    A star whose row is read d later sees the motion at t + d. Sampled with the frames, a motion
    at nu = k fs + s f shows at s f with the phase 2 pi nu d, so that the bin at +f carries
    exp(2 pi i s nu d).
    """
    frequency = spectra.frequency_hz * sign + order * spectra.rate_hz
    phase = 2.0 * np.pi * sign * np.outer(frequency, spectra.row_time_s)
    return _best_over_scale(spectra, np.exp(1j * phase))


def _best_over_scale(spectra: _ArraySpectra, pattern: ComplexArray | None) -> float:
    scales = np.geomspace(0.1, 30.0, 11)
    return max(_log_likelihood(spectra, pattern, float(scale)) for scale in scales)


def _log_likelihood(spectra: _ArraySpectra, pattern: ComplexArray | None, scale: float) -> float:
    still = np.exp(2j * np.pi * np.outer(spectra.frequency_hz, spectra.row_time_s))
    total = 0.0
    for axis in range(2):
        base = still[:, :, None] * still[:, None, :].conj() * spectra.shared[axis, :, None, None]
        base = base + np.diag(spectra.own[axis])[None]
        power = scale * spectra.line[axis]
        if pattern is None:
            base = base + power[:, None, None] * np.eye(still.shape[1])[None]
        else:
            base = base + power[:, None, None] * pattern[:, :, None] * pattern[:, None, :].conj()
        z = spectra.amplitude[axis]
        _, logdet = np.linalg.slogdet(base)
        solved = np.linalg.solve(base, z[:, :, None])[:, :, 0]
        total += float(-np.sum(logdet) - np.sum((z.conj() * solved).real))
    return total


def _own_density(spectrum: ComplexArray, frequency: FloatArray, line: LineFit) -> FloatArray:
    """Density of each star against the mean of the others, beside the line."""
    low, high = line.band_hz
    reach = const.ARRAY_SIDE_BAND * (high - low)
    centre = line.frequency_hz
    beside = (np.abs(frequency - centre) < reach) & ((frequency < low) | (frequency > high))
    if beside.sum() < 8:  # noqa: PLR2004 - a mean of fewer bins is too rough
        nearest = np.argsort(np.abs(frequency - centre))
        beside = np.zeros(frequency.size, dtype=bool)
        beside[nearest[: min(40, frequency.size)]] = True
    part, n_stars = spectrum[:, beside], spectrum.shape[2]
    if n_stars == 1:
        return np.asarray((np.abs(part) ** 2).mean(axis=1))
    others = (part.sum(axis=2, keepdims=True) - part) / (n_stars - 1)
    difference = (np.abs(part - others) ** 2).mean(axis=1)
    # var(own - mean of others) = own + mean(own)/(n - 1) about
    level = difference.mean(axis=1, keepdims=True) * (n_stars - 1) / n_stars
    return np.asarray(np.maximum(difference - level / (n_stars - 1), 0.2 * level))


def shared_probability(
    x: FloatArray,
    y: FloatArray,
    cadence_s: float,
    line: LineFit,
    continuum: Continuum,
    row_time_s: FloatArray | None = None,
    signs: tuple[tuple[int, int], ...] = ((0, 1),),
) -> float | None:
    """Return the probability that a line moves all stars alike.

    `x`, `y` (n, n_stars): motion of each star on the regular grid, without NaN, in the unit of the
    line. `row_time_s` (n_stars,). `signs`: alias candidates to allow for when rows have their own
    times.

    Returns: against the alternative that each star has the line's power for itself, even odds
    beforehand; None for a single star.
    """
    if x.shape[1] < 2:  # noqa: PLR2004
        return None
    spectra = _array_spectra(x, y, cadence_s, line, continuum, row_time_s)
    together = max(_shared_log_likelihood(spectra, order, sign) for order, sign in signs)
    gain = together - _best_over_scale(spectra, None)  # the power of each star for itself
    return float(1.0 / (1.0 + np.exp(np.clip(-gain, -50, 50))))
