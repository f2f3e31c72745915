"""Ring-downs after a tap: decaying modes fitted to each, and the time until the star is still."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations
from typing import NamedTuple

import numpy as np

from blursplit import constants as const
from blursplit.estimate import Estimate
from blursplit.spectra.events import MotionEvents, fast_part
from blursplit.stars.robust import remove_trend
from blursplit.types import ComplexArray, FloatArray, sure


class Interval(NamedTuple):
    """A value with its 68 % and 95 % intervals, in the order of `PERCENTILES`."""

    low95: float
    low: float
    value: float
    high: float
    high95: float


@dataclass(frozen=True)
class Ring:
    """One decaying mode of one tap."""

    # `frequency_hz`, `frequency_sigma`: undamped frequency.
    frequency_hz: float
    frequency_sigma: float
    damping_ratio: float
    damping_sigma: float
    # (2,): amplitudes along x and y at the onset: motion = Re(vector exp(i w t - g t)).
    vector: ComplexArray
    # `amplitude`, `amplitude_sigma`: larger half axis of the ellipse of motion at the onset.
    amplitude: float
    amplitude_sigma: float
    angle_deg: float  # its direction, [0, 180) from +x toward +y
    # Damping ratio read off the width of the spectrum, where the window is long enough.
    half_power: float | None
    # `bend`, `bend_sigma`: by how much of the frequency the mode rang higher at the onset than it
    # does when it has died away; 0 where one frequency describes all of it. Joints that open do
    # this.
    bend: float = 0.0
    bend_sigma: float = 0.0
    # Density of what the fit leaves about the mode over that of the undisturbed motion, 1 or more;
    # the standard errors are scaled by its root.
    misfit: float = 1.0

    @property
    def decay_s(self) -> float:
        """Decay rate g = zeta w0 [1/s]."""
        return 2.0 * np.pi * self.frequency_hz * self.damping_ratio

    def drawn(self, rng: np.random.Generator) -> Ring:
        """Return a copy with frequency, damping and amplitude drawn from their errors."""
        zeta = abs(self.damping_ratio + self.damping_sigma * rng.normal())
        size = abs(self.amplitude + self.amplitude_sigma * rng.normal())
        return replace(
            self,
            frequency_hz=self.frequency_hz + self.frequency_sigma * rng.normal(),
            damping_ratio=float(min(max(zeta, 1e-5), 0.9)),
            amplitude=float(size),
        )


@dataclass(frozen=True)
class Tap:
    """One tap and the ring-down after it."""

    time_s: float  # start, since the first frame
    window_s: float  # length of record used
    # Modes, largest first; empty where nothing but the push itself was seen.
    rings: tuple[Ring, ...]
    peak: Interval | None  # largest displacement of the fitted ring-down, unit of the motion
    # Time until the envelope of all its modes stays below the stated amplitude.
    settling_s: Interval | None
    to_air_s: Interval | None  # time until it stays below the rms of the motion before the taps
    # What follows this long after the start is one free decay, and was fitted; 0 as a rule. The
    # modes' amplitudes are those of that moment, the peak is then the largest displacement.
    free_after_s: float = 0.0

    @classmethod
    def find(
        cls,
        time_s: FloatArray,
        motion_xy: FloatArray,
        cadence_s: float,
        *,
        settle_amplitude: float,
        rng: np.random.Generator,
    ) -> tuple[list[Tap], float]:
        """Find the taps of a record and fit the ring-downs after them.

        `time_s` (n,): regular grid. `motion_xy` (n, 2): shared motion, without NaN.
        `settle_amplitude`: in the unit of the motion. `rng`: for the intervals of derived times.

        Returns `taps`; `quiet_rms`: one-axis, of the motion without taps, slow part included.
        """
        fast = fast_part(motion_xy, cadence_s, const.RING_LOWEST_HZ)
        onsets = MotionEvents.onsets(motion_xy, cadence_s)
        quiet = _quiet(motion_xy, fast, onsets, cadence_s)
        noise = _noise_density(fast, onsets, cadence_s)
        taps = []
        for index, start in enumerate(onsets):
            stop = onsets[index + 1] if index + 1 < len(onsets) else len(fast)
            stop = min(stop, start + int(const.RING_LONGEST_S / cadence_s))
            if (stop - start) * cadence_s < const.RING_SHORTEST_S:
                continue
            part = motion_xy[start:stop]
            free, rings = _fit_free_decay(part, cadence_s, noise)
            tap = _describe(
                float(time_s[start]), part[free:], rings, cadence_s, settle_amplitude, quiet, rng
            )
            if free > 0 and rings:
                tap = _started_earlier(tap, free * cadence_s, fast[start : start + free], quiet)
            taps.append(tap)
        return taps, quiet

    @property
    def third_harmonic(self) -> Ring | None:
        """A smaller mode at three times another's frequency, None where there is none."""
        return _third_harmonic(self.rings)


def _settling_time(rings: tuple[Ring, ...], level: float) -> float:
    """Return the time after which the summed envelope of the modes stays below a level [s]."""
    from scipy.optimize import brentq

    def above(time_s: float) -> float:
        return _envelope(rings, time_s) - level

    if above(0.0) <= 0.0:
        return 0.0
    longest = const.RING_LONGEST_SETTLING_S
    return longest if above(longest) > 0.0 else float(brentq(above, 0.0, longest))


def _describe(
    start_s: float,
    part: FloatArray,
    rings: tuple[Ring, ...],
    cadence_s: float,
    level: float,
    quiet: float,
    rng: np.random.Generator,
) -> Tap:
    window = len(part) * cadence_s
    if not rings:
        return Tap(start_s, window, (), None, None, None)
    draws = [tuple(ring.drawn(rng) for ring in rings) for _ in range(const.RING_DRAWS)]
    settle = [_settling_time(draw, level) for draw in draws]
    to_air = [_settling_time(draw, quiet) for draw in draws]
    peaks = [_envelope(draw, 0.0) for draw in draws]
    return Tap(
        start_s,
        window,
        rings,
        _interval(_envelope(rings, 0.0), peaks),
        _interval(_settling_time(rings, level), settle),
        _interval(_settling_time(rings, quiet), to_air),
    )


def _started_earlier(tap: Tap, earlier_s: float, fast: FloatArray, quiet: float) -> Tap:
    """Count a tap's times from its onset, where the fit begins later; its peak is what was seen."""
    largest = float(np.sqrt((fast**2).sum(axis=1).max()))
    return replace(
        tap,
        window_s=tap.window_s + earlier_s,
        peak=Interval(*(largest + k * quiet for k in (-2.0, -1.0, 0.0, 1.0, 2.0))),
        settling_s=Interval(*(end + earlier_s for end in sure(tap.settling_s))),
        to_air_s=Interval(*(end + earlier_s for end in sure(tap.to_air_s))),
        free_after_s=earlier_s,
    )


def _interval(value: float, draws: list[float]) -> Interval:
    return Interval(*Estimate.ends_about(value, np.percentile(draws, const.PERCENTILES)))


def _quiet(motion: FloatArray, fast: FloatArray, onsets: list[int], cadence_s: float) -> float:
    """One-axis rms of the motion away from taps; the fast part's quietest third without any."""
    mask = np.ones(len(fast), dtype=bool)
    for start in onsets:
        mask[max(0, start - 2) : start + int(5.0 / cadence_s)] = False
    if mask.sum() < max(20.0, 0.1 * len(fast)):
        energy = (fast**2).sum(axis=1)
        mask = energy <= np.quantile(energy, 0.33)
    rest = remove_trend(motion[mask], np.flatnonzero(mask).astype(np.float64))
    return float(np.sqrt((rest**2).mean()))


def _noise_density(
    fast: FloatArray, onsets: list[int], cadence_s: float
) -> tuple[FloatArray, FloatArray]:
    """Return frequency and density of the quiet motion, mean of both axes."""
    length = min(len(fast), max(32, int(2.0 / cadence_s)))
    every = range(0, len(fast) - length + 1, max(1, length // 2))
    reach = 5.0 / cadence_s
    starts = [s for s in every if not any(tap - length < s < tap + reach for tap in onsets)]
    if len(starts) < 3:  # noqa: PLR2004 - too few quiet stretches: the quietest of all
        starts = sorted(every, key=lambda s: float((fast[s : s + length] ** 2).sum()))[:3]
    taper = np.hanning(length)[:, None]
    scale = 2.0 * cadence_s / float((taper**2).sum())
    powers = [
        scale * np.abs(np.fft.rfft(fast[s : s + length] * taper, axis=0)) ** 2 for s in starts
    ]
    frequency = np.asarray(np.fft.rfftfreq(length, cadence_s), dtype=np.float64)
    return frequency, np.asarray(np.mean(powers, axis=(0, 2)))


def _fit_free_decay(
    motion: FloatArray, cadence_s: float, noise: tuple[FloatArray, FloatArray]
) -> tuple[int, tuple[Ring, ...]]:
    """Fit the decaying modes from the first frame on from which they are free.

    `motion` (n, 2): from the onset on. `noise` (frequency_hz, psd): one-sided density of the
    undisturbed motion, one axis.

    Returns `start`: first frame of the fit; 0 where all is free, or where nothing is left to judge
    it by; `rings`: amplitudes at `start`, largest first.

    A fit of the whole is the sharper one where the model holds, that of a later part is right also
    where it does not: their difference has the variance of the later less that of the whole
    (Hausman 1978, Econometrica 46, 1251, from memory). Compared are frequency and damping ratio of
    the largest late mode.
    """
    whole = _fit_rings(motion, cadence_s, noise)
    if not whole:
        # what comes first (the push itself, a star out of its window) may hide a clean decay
        for later_s in const.RING_LATER_S:
            start = round(later_s / cadence_s)
            if (len(motion) - start) * cadence_s < const.RING_SHORTEST_S:
                break
            late = _fit_rings(motion[start:], cadence_s, noise)
            if late:
                return start, late
        return 0, whole
    decay_frames = 1.0 / (whole[0].decay_s * cadence_s)
    fits = [(0, whole)]
    for step in const.RING_LATER:
        start = round(step * decay_frames)
        if (len(motion) - start) * cadence_s < const.RING_SHORTEST_S:
            break
        late = _fit_rings(motion[start:], cadence_s, noise)
        if start > 0 and late:
            fits.append((start, late))
    return next(
        (start, rings)
        for k, (start, rings) in enumerate(fits)
        if k == len(fits) - 1
        or (
            _third_harmonic(rings) is None
            and all(_agree(rings, late, (at - start) * cadence_s) for at, late in fits[k + 1 :])
        )
    )


def _third_harmonic(rings: tuple[Ring, ...]) -> Ring | None:
    """Return a smaller mode at three times another's frequency, or None.

    Motion whose largest part is cut off has it; that modes of a structure lie so is rare.
    """
    return next(
        (
            ring
            for ring in rings
            for other in rings
            if ring.amplitude < other.amplitude
            and abs(ring.frequency_hz / other.frequency_hz / 3.0 - 1.0) < const.RING_HARMONIC_OFF
        ),
        None,
    )


def _agree(early: tuple[Ring, ...], late: tuple[Ring, ...], later_s: float) -> bool:
    """Return whether the largest late mode is among the early ones, as sharply as they say.

    Where the early modes leave more of like size than the late fit tells apart, nothing is said.
    """
    left = [ring.amplitude * np.exp(-ring.decay_s * later_s) for ring in early]
    if sum(size > const.RING_STILL_SEEN * max(left) for size in left) > len(late):
        return True
    near = min(early, key=lambda ring: abs(ring.frequency_hz - late[0].frequency_hz))
    frequency = _scatter(near.frequency_sigma, late[0].frequency_sigma)
    damping = max(
        _scatter(near.damping_sigma, late[0].damping_sigma),
        const.RING_SMALLEST_CHANGE * near.damping_ratio / const.RING_DISAGREES,
    )
    # a frequency that follows the size has not come to rest yet in a later part
    bend = abs(near.bend) * near.frequency_hz * np.exp(-near.decay_s * later_s)
    return bool(
        abs(near.frequency_hz - late[0].frequency_hz) <= const.RING_DISAGREES * frequency + bend
        and abs(near.damping_ratio - late[0].damping_ratio) <= const.RING_DISAGREES * damping
    )


def _scatter(sharp: float, rough: float) -> float:
    """Return the standard error of the difference; half the rough one at least."""
    return float(np.sqrt(max(rough**2 - sharp**2, (0.5 * rough) ** 2)))


# --- several decaying sinusoids by least squares --------------------------------------------------
class _Decay(NamedTuple):
    """Undamped frequency and damping ratio at rest, and how both differ at the onset.

    Frequency (and decay rate) at time t: f (1 + bend exp(-g t)), g (1 + drag exp(-g t)).
    """

    frequency_hz: float
    zeta: float
    bend: float = 0.0
    drag: float = 0.0
    is_bent: bool = False


def _envelope(rings: tuple[Ring, ...], time_s: float) -> float:
    """Return the summed envelopes of the modes."""
    return float(sum(ring.amplitude * np.exp(-ring.decay_s * time_s) for ring in rings))


def _fit_rings(
    motion: FloatArray, cadence_s: float, noise: tuple[FloatArray, FloatArray]
) -> tuple[Ring, ...]:
    """Fit as many decaying modes as stand out of the noise, the largest first."""
    n = len(motion)
    # orthonormal cosines up to half the lowest frequency: air, drift, the push itself
    count = max(2, int(const.RING_LOWEST_HZ * n * cadence_s) + 1)
    index = (np.arange(n) + 0.5)[:, None] * np.arange(count)[None]
    fit = _Fit(motion, np.asarray(np.linalg.qr(np.cos(np.pi * index / n))[0]), cadence_s)
    decays: list[_Decay] = []
    for _ in range(const.RING_MOST_MODES):
        start = _initial_decay(fit.left(decays), cadence_s, noise)
        if start is None:
            break
        trial = fit.best([*decays, start])
        bent = fit.bent(decays, start)
        if bent is not None:
            unit = 2.0 * cadence_s / max(float(np.interp(start.frequency_hz, *noise)), 1e-300)
            cost, pair, plain = (unit * fit.cost(d) for d in (bent, trial, decays))
            crowded = _is_crowded(trial, n * cadence_s)
            # one mode whose frequency follows its size looks like two close ones
            if plain - cost > const.RING_BEND_GAIN and (
                crowded or cost < pair + const.RING_BEND_GAIN
            ):
                decays = bent
                continue
        if _is_crowded(trial, n * cadence_s):
            break
        decays = trial
    rings = _rings(_largest_bent(decays, fit, noise), fit, noise)
    largest = 2.0 * float(np.sqrt(((motion - motion.mean(axis=0)) ** 2).sum(axis=1).max()))
    good = [
        ring
        for ring in rings
        if _snr2(ring, noise) >= const.RING_SMALLEST_SNR2 * ring.misfit
        # at a limit of the search, or two modes that cancel: no mode, only a flexible fit
        and ring.damping_ratio <= const.RING_LARGEST_DAMPING
        and ring.frequency_hz > 1.05 * const.RING_LOWEST_HZ
        and abs(ring.bend) < 0.999 * const.RING_BEND_REACH
        # not known well enough to be the same mode after another tap
        and ring.frequency_sigma < const.RING_SAME_MODE * ring.frequency_hz
        # the frame in which the tap fell is exposed in part: what dies within a few frames is it
        and ring.decay_s * cadence_s * const.RING_LEAST_FRAMES <= 1.0
        and ring.amplitude <= largest
    ]
    return tuple(sorted(good, key=lambda ring: -ring.amplitude))


def _largest_bent(
    decays: list[_Decay], fit: _Fit, noise: tuple[FloatArray, FloatArray]
) -> list[_Decay]:
    """Let the frequency of the largest mode follow its size where that explains far more."""
    if not decays:
        return decays
    sizes = (fit.solve(decays)[0] ** 2).sum(axis=1).reshape(-1, 2).sum(axis=1)
    rates = np.array([decay.zeta * decay.frequency_hz for decay in decays])
    decay = decays[int(np.argmax(sizes / rates))]
    bent = None if decay.is_bent else fit.bent(decays, decay)
    if bent is None:
        return decays
    level = max(float(np.interp(decay.frequency_hz, *noise)), 1e-300)
    gain = 2.0 * fit.cadence_s * (fit.cost(decays) - fit.cost(bent)) / level
    return bent if gain > const.RING_BEND_GAIN else decays


def _columns(decays: list[_Decay], n: int, cadence_s: float) -> FloatArray:
    time_s = np.arange(n) * cadence_s
    columns = []
    for decay in decays:
        omega = 2.0 * np.pi * decay.frequency_hz
        rate = decay.zeta * omega
        late = -np.expm1(-rate * time_s) / rate
        turn = omega * (np.sqrt(1.0 - decay.zeta**2) * time_s + decay.bend * late)
        wave = np.exp(1j * turn - rate * (time_s + decay.drag * late))
        columns += [wave.real, -wave.imag]
    return np.stack(columns, axis=1) if columns else np.zeros((n, 0))


@dataclass(frozen=True)
class _Fit:
    """One ring-down and what is taken out of it."""

    motion: FloatArray
    baseline: FloatArray
    cadence_s: float

    @cached_property
    def flat(self) -> FloatArray:
        """Motion less its baseline."""
        return np.asarray(self.motion - self.baseline @ (self.baseline.T @ self.motion))

    def solve(self, decays: list[_Decay]) -> tuple[FloatArray, FloatArray]:
        """Return amplitudes of the modes and what is left, baseline taken out of both sides."""
        columns = _columns(decays, len(self.motion), self.cadence_s)
        columns = columns - self.baseline @ (self.baseline.T @ columns)
        rest = self.flat
        gram = columns.T @ columns
        ridge = 1e-10 * np.trace(gram) * np.eye(len(gram))
        solution = np.linalg.solve(gram + ridge, columns.T @ rest)
        return np.asarray(solution), np.asarray(rest - columns @ solution)

    def left(self, decays: list[_Decay]) -> FloatArray:
        """Return what the modes leave."""
        return self.solve(decays)[1]

    def cost(self, decays: list[_Decay]) -> float:
        """Return the sum of squares that is left."""
        return float((self.left(decays) ** 2).sum())

    def best(self, start: list[_Decay]) -> list[_Decay]:
        """Return the least-squares modes from a start."""
        from scipy.optimize import least_squares

        first, low, high = self._pack(start)
        first = np.clip(first, low + 1e-6, high - 1e-6)
        found = least_squares(
            lambda vector: self.left(_unpack(vector, start)).ravel(),
            first,
            bounds=(low, high),
            x_scale=0.01,
            max_nfev=30,
        )
        return _unpack(found.x, start)

    def bent(self, decays: list[_Decay], start: _Decay) -> list[_Decay] | None:
        """Return the modes with the one next to a start let bend, None where none is near."""
        away = [abs(start.frequency_hz / decay.frequency_hz - 1.0) for decay in decays]
        near = sorted(range(len(decays)), key=lambda k: away[k])[:1]
        if not near or away[near[0]] >= const.RING_BEND_REACH or decays[near[0]].is_bent:
            return None
        bending = list(decays)
        bending[near[0]] = decays[near[0]]._replace(is_bent=True)
        return self.best(bending)

    def spreads(self, decays: list[_Decay]) -> list[FloatArray]:
        """Return errors of (ln f, ln zeta, bend, drag) a mode, in noise of unit variance."""
        vector = self._pack(decays)[0]
        slopes = []
        for k in range(vector.size):
            side = np.zeros(vector.size)
            side[k] = 1e-5
            ahead, behind = (self.left(_unpack(vector + s * side, decays)) for s in (1.0, -1.0))
            slopes.append((ahead - behind).ravel() / 2e-5)
        jacobian = np.array(slopes)
        sigma = np.sqrt(np.maximum(np.diag(np.linalg.pinv(jacobian @ jacobian.T)), 0.0))
        out, at = [], 0
        for decay in decays:
            size = 4 if decay.is_bent else 2
            out.append(np.concatenate([sigma[at : at + size], np.zeros(4 - size)]))
            at += size
        return out

    def _pack(self, decays: list[_Decay]) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the free parameters of the modes and their bounds; two a mode, four if bent."""
        top = np.log(0.99 * 0.5 / self.cadence_s)
        rows = []
        for decay in decays:
            zeta = np.log(decay.zeta)
            rows += [
                (np.log(decay.frequency_hz), np.log(const.RING_LOWEST_HZ), top),
                (zeta, np.log(1e-4), np.log(1.2 * const.RING_LARGEST_DAMPING)),
            ]
            if decay.is_bent:
                rows += [
                    (decay.bend, -const.RING_BEND_REACH, const.RING_BEND_REACH),
                    (decay.drag, -0.9, 2.0),
                ]
        table = np.array(rows, dtype=np.float64)
        return table[:, 0], table[:, 1], table[:, 2]


def _unpack(vector: FloatArray, like: list[_Decay]) -> list[_Decay]:
    out, at = [], 0
    for decay in like:
        first = (float(np.exp(vector[at])), float(np.exp(vector[at + 1])))
        bend = (float(vector[at + 2]), float(vector[at + 3])) if decay.is_bent else (0.0, 0.0)
        out.append(_Decay(*first, *bend, decay.is_bent))
        at += 4 if decay.is_bent else 2
    return out


def _initial_decay(
    residual: FloatArray, cadence_s: float, noise: tuple[FloatArray, FloatArray]
) -> _Decay | None:
    """Best matched filter over frequencies and dampings, or None below the limit."""
    n = len(residual)
    time_s = np.arange(n) * cadence_s
    n_fft = 4 * n
    frequency = np.fft.rfftfreq(n_fft, cadence_s)
    level = np.interp(frequency, *noise)
    usable = (frequency > const.RING_LOWEST_HZ) & (frequency < 0.96 * frequency[-1])
    best, best_score = None, 0.0
    for decay in np.geomspace(0.3 / (n * cadence_s), 0.25 * np.pi / cadence_s, 14):
        shape = np.exp(-decay * time_s)
        spectrum = np.abs(np.fft.rfft(residual * shape[:, None], n=n_fft, axis=0)) ** 2
        # matched filter: |sum d s*|^2 dt^2 x 2 / (S x energy of the complex wave)
        score = 2.0 * cadence_s * spectrum.sum(axis=1) / (shape**2).sum()
        score = np.where(usable, score / np.maximum(level, 1e-300), 0.0)
        zeta = decay / (2.0 * np.pi * np.maximum(frequency, 1e-9))
        score[zeta > const.RING_LARGEST_DAMPING] = 0.0
        index = int(np.argmax(score))
        if score[index] > best_score:
            best = _Decay(float(frequency[index]), float(zeta[index]))
            best_score = float(score[index])
    return best if best_score >= const.RING_SMALLEST_SNR2 else None


def _is_crowded(decays: list[_Decay], window_s: float) -> bool:
    """Two modes closer than half a width and the window's resolution are one, fitted twice."""
    widths = (0.5 * decay.zeta * decay.frequency_hz for decay in decays)
    places = zip((decay.frequency_hz for decay in decays), widths, strict=True)
    return any(
        abs(one - other) < max(wide + also, 0.3 / window_s)
        for (one, wide), (other, also) in combinations(places, 2)
    )


def _rings(decays: list[_Decay], fit: _Fit, noise: tuple[FloatArray, FloatArray]) -> list[Ring]:
    if not decays:
        return []
    cadence_s, n = fit.cadence_s, len(fit.motion)
    solution, left = fit.solve(decays)
    columns = _columns(decays, n, cadence_s)
    spreads = fit.spreads(decays)
    rings = []
    for k, decay in enumerate(decays):
        frequency, zeta = decay.frequency_hz, decay.zeta
        vector = solution[2 * k] + 1j * solution[2 * k + 1]
        size, angle = _ellipse(vector)
        level = float(np.interp(frequency, *noise))
        misfit = max(1.0, _density_left(left, decay, cadence_s) / max(level, 1e-300))
        level *= misfit
        spread = spreads[k] * np.sqrt(level / (2.0 * cadence_s)) * [frequency, zeta, 1.0, 1.0]
        hz_sigma, zeta_sigma, bend_sigma, _ = map(float, spread)
        own = _amplitude_error(frequency, zeta, vector, level, n * cadence_s)
        others = [d for j, d in enumerate(decays) if j != k]
        alone = left + columns[:, 2 * k : 2 * k + 2] @ solution[2 * k : 2 * k + 2]
        width = None if decay.is_bent else _half_power(alone, frequency, zeta, cadence_s, others)
        ellipse = vector, size, own, angle
        bend = decay.bend, bend_sigma, misfit
        rings.append(Ring(frequency, hz_sigma, zeta, zeta_sigma, *ellipse, width, *bend))
    return rings


def _density_left(left: FloatArray, decay: _Decay, cadence_s: float) -> float:
    """Return the density of what a fit leaves about a mode, weighted by the mode's envelope."""
    time_s = np.arange(len(left)) * cadence_s
    rate = 2.0 * np.pi * decay.frequency_hz * decay.zeta
    window = np.exp(-rate * time_s)
    reach = max(3.0 * rate / (2.0 * np.pi), 1.5 / (len(left) * cadence_s))
    grid = decay.frequency_hz + np.linspace(-reach, reach, 13)
    turn = np.exp(-2j * np.pi * np.outer(grid[grid > 0], time_s))
    power = np.abs(turn @ (left * window[:, None])) ** 2
    return float(2.0 * cadence_s * power.mean() / (window**2).sum())


def _ellipse(vector: ComplexArray) -> tuple[float, float]:
    """Return larger half axis and its direction [deg] of Re(vector exp(i phase))."""
    total = float((np.abs(vector) ** 2).sum())
    square = (vector**2).sum()
    size = np.sqrt((total + abs(square)) / 2.0)
    # at this phase the displacement is largest
    largest = (vector * np.exp(-0.5j * np.angle(square))).real
    return float(size), float(np.rad2deg(np.arctan2(largest[1], largest[0])) % 180.0)


def _amplitude_error(
    frequency: float, zeta: float, vector: ComplexArray, level: float, window_s: float
) -> float:
    """Return the standard error of the amplitude at the onset, in noise of one-sided density.

    Fisher information of a complex amplitude and its decay: |a|^2/S [[e0, -e1], [-e1, e2]], e_k the
    moments of the squared envelope; for a decay g much faster than the window var(g) = 4 g^3
    S/|a|^2 (Yao & Pandit 1995, from memory; checked by simulation in the tests).
    """
    power = float((np.abs(vector) ** 2).sum())
    t = np.linspace(0.0, window_s, 2000)
    weight = np.exp(-4.0 * np.pi * frequency * zeta * t)
    e0, e1, e2 = (float(np.trapezoid(weight * t**k, t)) for k in range(3))
    spread = np.linalg.inv(np.array([[e0, -e1], [-e1, e2]])) * level / power
    return float(np.sqrt(spread[0, 0] * power))


def _snr2(ring: Ring, noise: tuple[FloatArray, FloatArray]) -> float:
    level = float(np.interp(ring.frequency_hz, *noise))
    power = float((np.abs(ring.vector) ** 2).sum())
    return power / (2.0 * max(ring.decay_s, 1e-9)) / max(level, 1e-300)


def _half_power(
    motion: FloatArray, frequency: float, zeta: float, cadence_s: float, others: list[_Decay]
) -> float | None:
    """Damping ratio from the half-power width of the ring-down's own spectrum.

    None where the ring is cut short by the window (less than three decay times) or another mode
    lies within three widths.
    """
    from scipy.signal import peak_widths

    decay = 2.0 * np.pi * frequency * zeta
    near = any(abs(f - frequency) < 6.0 * zeta * frequency for f, *_ in others)
    if near or decay * len(motion) * cadence_s < 3.0:  # noqa: PLR2004
        return None
    n_fft = 1 << int(np.ceil(np.log2(len(motion) * 16)))
    # the tail beyond six decay times is noise only
    kept = motion[: max(16, int(6.0 / decay / cadence_s))]
    power = (np.abs(np.fft.rfft(kept, n=n_fft, axis=0)) ** 2).sum(axis=1)
    grid = np.asarray(np.fft.rfftfreq(n_fft, cadence_s), dtype=np.float64)
    near_bins = np.flatnonzero(np.abs(grid - frequency) < 2.0 * zeta * frequency + grid[2])
    peak = int(near_bins[np.argmax(power[near_bins])])
    whole = power[[peak]], np.array([0]), np.array([len(power) - 1])
    width, _, left, right = peak_widths(power, [peak], 0.5, prominence_data=whole)
    if left <= 0 or right >= len(power) - 1:
        return None
    return float(width[0]) / (2.0 * peak)
