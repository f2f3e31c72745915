"""Events: short times of much larger shared motion, such as shocks, footsteps and gusts."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from blursplit import constants as const
from blursplit.stars.robust import remove_trend, runs
from blursplit.types import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class MotionEvent:
    """A short time of much larger shared motion."""

    start_s: float
    duration_s: float
    frames: int  # recorded frames in it
    # By its course alone, not by its cause: a "shock" began suddenly and was over in a second or
    # died away; "shocks" began suddenly several times (footsteps, knocks); all else is a "gust".
    kind: Literal["shock", "shocks", "gust"]
    onsets: int  # how often motion began suddenly in it, at the least
    # `peak`, `peak_error`: largest displacement in a frame, faster than 1 Hz, the mean square of
    # the ordinary motion taken off its square, and the standard deviation of that motion along the
    # same line; unit of the motion.
    peak: float
    peak_error: float
    # `frequency_hz`, `low_hz`, `high_hz`: frequency that halves its power, and those between which
    # the middle 68 % lie.
    frequency_hz: float
    low_hz: float
    high_hz: float


@dataclass(frozen=True)
class MotionEvents:
    """Events, the frames they touch, and what would have been seen."""

    events: tuple[MotionEvent, ...]
    affected: BoolArray  # (n,): recorded frames that lie in an event
    # Peak of the smallest oscillation, a window long, that passes the threshold by itself at any
    # time of the record, unit of the motion.
    smallest_peak: float
    window_s: float  # 0.12 s, or three frames where that is longer
    # `energy`, `energy_affected`: sum over all recorded frames, and over those affected, of the
    # square of the displacement faster than 1 Hz.
    energy: float
    energy_affected: float

    @staticmethod
    def fewest_frames(cadence_s: float) -> int:
        """Return how many frames a record needs in which events are looked for."""
        return 2 * _onset_frames(cadence_s)

    @staticmethod
    def onsets(motion_xy: FloatArray, cadence_s: float) -> list[int]:
        """Return the frame of the first large displacement of each shock.

        `motion_xy` (n, 2): regular, without NaN.
        """
        n = len(motion_xy)
        short = _onset_frames(cadence_s)
        before = max(short, round(const.ONSET_BEFORE_S / cadence_s))
        if n < before + short:
            return []
        power = _relative_power(motion_xy, cadence_s)
        running = np.concatenate([[0.0], np.cumsum(power)])
        index = np.arange(n)
        stop, start = np.minimum(index + short, n), np.maximum(index - before, 0)
        ahead = (running[stop] - running[index]) / np.maximum(stop - index, 1)
        behind = (running[index] - running[start]) / np.maximum(index - start, 1)
        rise = ahead / np.maximum(behind, 0.5)
        rise[:short] = 0.0  # nothing is known of what came before
        candidates = np.flatnonzero(
            (rise > const.ONSET_RISE_POWER) & (ahead > const.ONSET_SHOCK_POWER)
        )
        onsets: list[int] = []
        gap = max(1, round(const.ONSET_GAP_S / cadence_s))
        while candidates.size:
            group = candidates[candidates < candidates[0] + gap]
            best = int(group[np.argmax(rise[group])])
            # the first frame in the window with a displacement well out of the ordinary
            part = power[best : best + short]
            onsets.append(best + int(np.argmax(part >= max(0.1 * float(part.max()), 6.0))))
            candidates = candidates[candidates >= max(group[-1] + 1, best + gap)]
        return sorted(set(onsets))

    @classmethod
    def find(
        cls,
        time_s: FloatArray,
        motion_xy: FloatArray,
        cadence_s: float,
        *,
        real: BoolArray | None = None,
        false_alarm: float = const.EVENT_FALSE_ALARM,
    ) -> MotionEvents:
        """Find shocks, rows of shocks and gusts in the shared motion.

        `time_s` (n,): regular grid, at least `fewest_frames` long. `motion_xy` (n, 2): without NaN.
        `real` (n,): false where a sample was filled in. `false_alarm`: probability, at most, that
        steady motion shows an event in this record.

        Two views are searched: displacement faster than 1 Hz, and its change from frame to frame,
        in which the slow air is nearly gone. An event is where the mean square of either over 0.12
        s passes the larger of ten times its typical value and `_steady_threshold`, both of some
        five minutes about it; stretches less than half a second apart are one event.
        """
        real = np.ones(len(time_s), dtype=bool) if real is None else real
        short = _onset_frames(cadence_s)
        motion_xy = remove_trend(motion_xy)  # no running mean follows its ends
        fast = fast_part(motion_xy, cadence_s, const.EVENT_LOWEST_HZ)
        change = np.diff(motion_xy, axis=0, prepend=motion_xy[:1])
        windows = 2 * len(motion_xy) / short
        views = [
            _over_threshold(view, short, cadence_s, windows, false_alarm) for view in (fast, change)
        ]
        local, each = (np.maximum(*pair) for pair in list(zip(*views, strict=True))[:2])
        found = [
            _trimmed(each, first, last, short)
            for first, last in _joined(
                runs(local > const.EVENT_FOLLOWED_TO), round(const.ONSET_GAP_S / cadence_s)
            )
            if local[first:last].max() >= 1.0
        ]
        affected = np.zeros(len(fast), dtype=bool)
        for first, last in found:
            affected[first:last] = True
        onsets = _beginnings(each, cadence_s) if found else np.zeros(0, dtype=np.int64)
        noise = np.cov(fast[~affected].T) if (~affected).sum() > short else np.cov(fast.T)
        events = tuple(
            _event(time_s, fast, real, first, last, cadence_s, onsets, noise)
            for first, last in found
        )
        affected &= real
        energy = (fast**2).sum(axis=1)
        return cls(
            events,
            affected,
            smallest_peak=float(np.sqrt(2.0 * views[0][2].max())),
            window_s=short * cadence_s,
            energy=float(energy[real].sum()),
            energy_affected=float(energy[affected].sum()),
        )


def _onset_frames(cadence_s: float) -> int:
    return max(3, round(const.ONSET_SHORT_S / cadence_s))


def _over_threshold(
    view: FloatArray, short: int, cadence_s: float, windows: float, false_alarm: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return power over a short window and of each sample, in thresholds, and the thresholds."""
    energy = (view**2).sum(axis=1)
    local = np.convolve(energy, np.ones(short) / short, mode="same")
    parts = max(1, int(len(local) * cadence_s / const.EVENT_STEADY_S))
    edges = np.linspace(0, len(local), parts + 1).astype(np.int64)
    levels = []
    for first, last in pairwise(edges):
        # the median of an exponential law is ln 2 of its mean
        typical = float(np.median(energy[first:last])) / np.log(2.0)
        steady = _steady_threshold(local[first:last], windows, false_alarm)
        levels.append(max(const.EVENT_LEAST_RATIO * typical, steady, 1e-300))
    # conditions change slowly: from the middle of one part to that of the next
    middle = 0.5 * (edges[:-1] + edges[1:])
    threshold = np.exp(np.interp(np.arange(len(local)), middle, np.log(levels)))
    return local / threshold, energy / threshold, threshold


def _joined(runs: list[tuple[int, int]], gap: int) -> list[tuple[int, int]]:
    """Join stretches that lie no more than a gap apart."""
    out: list[tuple[int, int]] = []
    for first, last in runs:
        if out and first - out[-1][1] <= gap:
            out[-1] = (out[-1][0], last)
        else:
            out.append((first, last))
    return out


def _trimmed(each: FloatArray, first: int, last: int, short: int) -> tuple[int, int]:
    """Cut off what only the smoothing added: quiet frames within half a window of the ends."""
    loud = np.flatnonzero(each[first:last] > const.EVENT_FOLLOWED_TO)
    if not len(loud):
        return first, last
    reach = short // 2
    return first + min(int(loud[0]), reach), last - min(last - first - 1 - int(loud[-1]), reach)


def _beginnings(each: FloatArray, cadence_s: float) -> IntArray:
    """Return the frames at which motion began suddenly, in an event or not."""
    n = len(each)
    after = max(2, round(const.EVENT_SUDDEN_AFTER_S / cadence_s))
    before = max(2, round(const.EVENT_SUDDEN_BEFORE_S / cadence_s))
    running, index = np.concatenate([[0.0], np.cumsum(each)]), np.arange(n)
    stop, start = np.minimum(index + after, n), np.maximum(index - before, 0)
    ahead = (running[stop] - running[index]) / after
    behind = (running[index] - running[start]) / before
    sudden = np.flatnonzero(
        (ahead > const.EVENT_FOLLOWED_TO)
        & (ahead > const.EVENT_SUDDEN * np.maximum(behind, const.EVENT_QUIET))
    )
    gap = max(1, round(const.EVENT_SUDDEN_GAP_S / cadence_s))
    chosen: list[int] = []
    for frame in sudden.tolist():
        if not chosen or frame - chosen[-1] >= gap:
            chosen.append(frame)
    return np.array(chosen, dtype=np.int64)


def _event(
    time_s: FloatArray,
    fast: FloatArray,
    real: BoolArray,
    first: int,
    last: int,
    cadence_s: float,
    onsets: IntArray,
    noise: FloatArray,
) -> MotionEvent:
    part = fast[first:last]
    size = np.sqrt((part**2).sum(axis=1))
    at = int(size.argmax())
    along = part[at] / max(float(size[at]), 1e-300)
    lead = max(2, round(const.EVENT_SUDDEN_AFTER_S / cadence_s))
    began = int(((onsets >= first - lead) & (onsets < last)).sum())
    duration = (last - first) * cadence_s
    low, middle, high = _band(part, cadence_s)
    return MotionEvent(
        start_s=float(time_s[first]),
        duration_s=duration,
        frames=int(real[first:last].sum()),
        kind=_kind(size, duration, began),
        onsets=began,
        peak=float(np.sqrt(max(float(size[at]) ** 2 - float(np.trace(noise)), 0.0))),
        peak_error=float(np.sqrt(along @ noise @ along)),
        frequency_hz=middle,
        low_hz=low,
        high_hz=high,
    )


def _kind(size: FloatArray, duration_s: float, onsets: int) -> Literal["shock", "shocks", "gust"]:
    if onsets != 1:
        return "shocks" if onsets else "gust"
    half = len(size) // 2
    dies_away = float((size[:half] ** 2).sum()) > 3.0 * float((size[half:] ** 2).sum())
    return "shock" if duration_s <= const.EVENT_SHOCK_S or dies_away else "gust"


def _band(part: FloatArray, cadence_s: float) -> tuple[float, float, float]:
    """Return the frequencies below which 16, 50 and 84 % of the power lie."""
    n = 8 * len(part)  # zeros behind it make the steps of the frequency fine
    power = (np.abs(np.fft.rfft(part, n, axis=0)) ** 2).sum(axis=1)
    share = np.cumsum(power) / power.sum()
    low, middle, high = np.interp(const.EVENT_MIDDLE, share, np.fft.rfftfreq(n, cadence_s))
    return float(low), float(middle), float(high)


def _steady_threshold(
    power: FloatArray, independent: float, false_alarm: float = const.EVENT_FALSE_ALARM
) -> float:
    """Return the power that steady Gaussian motion passes with at most this probability.

    `power` (n,): mean square over a short sliding window. Events among it do little harm while they
    fill less than a quarter of the record: only median and upper quartile are used. `independent`:
    number of independent windows that are searched. `false_alarm`: for the whole search.

    The mean square of Gaussian motion over a window follows nearly a gamma law (Satterthwaite
    1946, from memory). Its shape is that of the ratio of the two quantiles, but no larger than
    one: a resonance that fills a record has an exponential tail however steep the rest is.
    """
    from scipy.special import gammaincinv

    middle, upper = np.quantile(power, [0.5, const.EVENT_UPPER_QUANTILE])
    shapes = np.linspace(const.EVENT_LEAST_SHAPE, const.EVENT_MOST_SHAPE, 26)
    half = gammaincinv(shapes, 0.5)
    # the ratio falls as the shape grows; `interp` wants it rising
    ratio = gammaincinv(shapes, const.EVENT_UPPER_QUANTILE) / half
    shape = float(np.interp(-upper / max(middle, 1e-300), -ratio, shapes))
    scale = middle / gammaincinv(shape, 0.5)
    return float(scale * gammaincinv(shape, 1.0 - false_alarm / max(independent, 1.0)))


def fast_part(motion_xy: FloatArray, cadence_s: float, lowest_hz: float) -> FloatArray:
    """Return the motion with everything slower than lowest_hz removed, without phase shift.

    `motion_xy` (n, 2): regular, without NaN.

    Motion less its Gaussian-weighted running mean; half the amplitude is left at lowest_hz.
    """
    from scipy.ndimage import gaussian_filter1d

    # exp(-2 pi^2 f^2 s^2) = 1/2 at lowest_hz
    sigma = np.sqrt(np.log(2.0) / 2.0) / (np.pi * lowest_hz) / cadence_s
    smooth = gaussian_filter1d(motion_xy, max(sigma, 0.5), axis=0, mode="nearest")
    return np.asarray(motion_xy - smooth)


def _relative_power(motion_xy: FloatArray, cadence_s: float) -> FloatArray:
    """Return the power of the fast motion over its typical value, shape (n,).

    The largest of three views: displacement faster than 1 Hz and than 5 Hz, and its change from
    frame to frame, in which the slow air is nearly gone and a ring-down stands out.
    """
    change = np.diff(motion_xy, axis=0, prepend=motion_xy[:1])
    views = []
    for view in (*(fast_part(motion_xy, cadence_s, low) for low in const.ONSET_LOWEST_HZ), change):
        energy = (view**2).sum(axis=1)
        # the median of an exponential law is ln 2 of its mean
        typical = float(np.median(energy)) / np.log(2.0)
        views.append(energy / max(typical, 1e-300))
    return np.asarray(np.max(views, axis=0))


@dataclass(frozen=True)
class _TimeFrequency:
    """Density of two-axis motion by time and frequency."""

    # (w + 1,): ends of the columns, equally spaced from the first sample to the last.
    time_edge_s: FloatArray
    # (m + 1,): ends of the rows, rising to half the rate; near even steps of the logarithm, never
    # finer than the window resolves.
    frequency_edge_hz: FloatArray
    # (w, m): mean of the density in each cell, sum of both axes, one-sided, unit^2/Hz; NaN where
    # nothing was recorded.
    psd: FloatArray
    window_s: float  # length of the windows


def time_frequency(
    time_s: FloatArray,
    motion_xy: FloatArray,
    cadence_s: float,
    *,
    segment: IntArray | None = None,
    real: BoolArray | None = None,
) -> _TimeFrequency:
    """Return the density of the motion by time and frequency, 240 columns and 120 rows at most.

    `time_s` (n,): on a regular grid within each segment. `motion_xy` (n, 2): without NaN. `segment`
    (n,): stretches between which there is a gap. `real` (n,): false where a sample was filled in.

    Raises ValueError when no segment holds two windows.

    Means of Hann-windowed periodograms (Welch 1967) that start every quarter of a window; a cell
    averages all whose middle lies in it, or holds the one nearest to it. So a column of an hour
    averages 15 s, and a shock of half a second stands out in it thirty times less. The lowest row
    also holds part of what is slower than it.
    """
    segment = np.zeros(len(time_s), dtype=np.int64) if segment is None else segment
    real = np.ones(len(time_s), dtype=bool) if real is None else real
    pieces = [np.flatnonzero(segment == number) for number in np.unique(segment)]
    longest = max(len(piece) for piece in pieces)
    length = _window_length(float(time_s[-1] - time_s[0]), longest, cadence_s)
    if longest < 2 * length:
        raise ValueError("no stretch of the record holds two windows")
    begin, end = float(time_s[0]) - cadence_s / 2, float(time_s[-1]) + cadence_s / 2
    hop = max(1, length // 4)
    columns = int(np.clip((end - begin) / (hop * cadence_s), 1, const.TIME_MOST_COLUMNS))
    cells = _Cells(np.linspace(begin, end, columns + 1), _frequency_edges(length, cadence_s))
    for piece in pieces:
        starts = _starts(real[piece], length, hop)
        if len(starts):
            rows = _rows(motion_xy[piece], starts, length, cadence_s, cells.frequency_edge_hz)
            middles = time_s[piece[0]] + (starts + (length - 1) / 2) * cadence_s
            cells.add(middles, rows, length * cadence_s)
    return _TimeFrequency(
        cells.time_edge_s, cells.frequency_edge_hz, cells.mean(), length * cadence_s
    )


class _Cells:
    """Sums of the windows' densities in each column."""

    def __init__(self, time_edge_s: FloatArray, frequency_edge_hz: FloatArray) -> None:
        self.time_edge_s, self.frequency_edge_hz = time_edge_s, frequency_edge_hz
        self._total = np.zeros((len(time_edge_s) - 1, len(frequency_edge_hz) - 1))
        self._count = np.zeros(len(self._total))

    def add(self, middle_s: FloatArray, rows: FloatArray, window_s: float) -> None:
        """Add the windows of a piece: to the column of each middle, or to all that are near."""
        columns = len(self._total)
        place = np.clip(np.searchsorted(self.time_edge_s, middle_s) - 1, 0, columns - 1)
        np.add.at(self._total, place, rows)
        self._count += np.bincount(place, minlength=columns)
        # at the ends of a piece, and where columns are narrower than the hop, no middle falls in
        centre = 0.5 * (self.time_edge_s[:-1] + self.time_edge_s[1:])
        between = 0.5 * (middle_s[:-1] + middle_s[1:])
        chosen = np.searchsorted(between, centre)  # the nearest, of two the earlier
        reached = np.abs(middle_s[chosen] - centre) <= 0.5 * window_s
        empty = (self._count == 0) & reached
        self._total[empty] = rows[chosen[empty]]
        self._count[empty] = 1

    def mean(self) -> FloatArray:
        """Return the mean density of each cell, NaN where no window reached."""
        psd = np.full_like(self._total, np.nan)
        seen = self._count > 0
        psd[seen] = self._total[seen] / self._count[seen, None]
        return psd


def _window_length(duration_s: float, longest: int, cadence_s: float) -> int:
    ends = const.TIME_SHORTEST_WINDOW_S, const.TIME_LONGEST_WINDOW_S
    wanted = np.clip(duration_s / const.TIME_WINDOWS_A_RECORD, *ends)
    return max(const.TIME_FEWEST_SAMPLES, min(round(float(wanted) / cadence_s), longest // 2))


def _starts(real: BoolArray, length: int, hop: int) -> IntArray:
    """Return where windows begin; the last one ends with the piece, mostly filled ones are left."""
    last = len(real) - length
    if last < 0:
        return np.zeros(0, dtype=np.int64)
    starts = np.unique(np.append(np.arange(0, last + 1, hop), last))
    running = np.concatenate([[0], np.cumsum(real)])
    recorded = running[starts + length] - running[starts]
    return np.asarray(starts[recorded >= (1.0 - const.TIME_MOST_FILLED) * length])


def _frequency_edges(length: int, cadence_s: float) -> FloatArray:
    """Return edges of rows that each hold a Fourier frequency, the constant left out."""
    step = 1.0 / (length * cadence_s)
    # borders between Fourier frequencies; an even length ends on half a step, at Nyquist
    fine = np.append((np.arange(1, (length + 1) // 2) - 0.5) * step, 0.5 / cadence_s)
    if length % 2 == 0:
        fine = np.insert(fine, -1, fine[-2] + step)
    wanted = np.geomspace(fine[0], fine[-1], const.TIME_MOST_ROWS + 1)
    return np.asarray(fine[np.unique(np.searchsorted(fine, wanted * (1.0 - 1e-9)))])


def _rows(
    motion_xy: FloatArray, starts: IntArray, length: int, cadence_s: float, edges: FloatArray
) -> FloatArray:
    """Return the density of every window, averaged over the Fourier frequencies of each row."""
    from numpy.lib.stride_tricks import sliding_window_view

    taper = np.hanning(length + 1)[:-1]
    scale = 2.0 * cadence_s / float((taper**2).sum())
    views = sliding_window_view(motion_xy, length, axis=0)
    frequency = np.fft.rfftfreq(length, cadence_s)
    first = np.searchsorted(frequency, edges[:-1], side="left")
    size = np.diff(np.append(first, len(frequency)))
    out = np.empty((len(starts), len(first)))
    at_once = max(1, const.TIME_SAMPLES_AT_ONCE // (2 * length))
    for begin in range(0, len(starts), at_once):
        part = views[starts[begin : begin + at_once]]
        part = part - part.mean(axis=2, keepdims=True)
        power = scale * (np.abs(np.fft.rfft(part * taper, axis=2)) ** 2).sum(axis=1)
        out[begin : begin + at_once] = np.add.reduceat(power, first, axis=1) / size
    return out
