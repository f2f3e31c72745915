"""What can be said while frames arrive: cheap numbers with intervals, and sentences of them.

Widths here are those of Gaussians: the frames' own, widened by the paths of the stars. The motion
that all stars share bounds what tracking and structure can do at the rates that frames show; a
line in it is mechanical whatever the air does. Between the two bounds the fit of the whole
record decides.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit import constants as const
from blursplit.motion import CommonMotion
from blursplit.report.numbers import number, within
from blursplit.report.words import sentence
from blursplit.rig import Rig
from blursplit.spectra import LineSearch
from blursplit.spectra.modes import LineFit
from blursplit.stars import StarTracks
from blursplit.types import FloatArray

if TYPE_CHECKING:
    from blursplit.campaign.live_fit import FitSoFar


@dataclass(frozen=True)
class _Interval:
    """A value with its 95 % interval; NaN where it is not known."""

    value: float
    low95: float
    high95: float

    @property
    def half(self) -> float:
        """Half the length of the interval."""
        return 0.5 * (self.high95 - self.low95)

    def read(self, by: Callable[[float], float]) -> _Interval:
        """Return what a function that rises makes of it, negative variances being zero."""
        return _Interval(*(float(by(max(v, 0.0))) for v in (self.value, self.low95, self.high95)))

    def text(self, unit: str) -> str:
        """Return it with its unit and interval."""
        if not math.isfinite(self.half):
            return f"{number(self.value, 2)} {unit} (interval not known yet)"
        value, low, high = within(self.value, self.low95, self.high95)
        return f"{value} {unit} (95 %: {low} to {high})"


@dataclass(frozen=True)
class _SoFar:
    """What the record shows so far; lengths in `unit`."""

    seconds: float  # length of the record that is looked at
    frames: int
    stars: int
    window_s: float  # motion counts within windows of this length
    unit: str  # arcsec or px
    fwhm: _Interval  # of a long exposure, as far as Gaussians describe it
    shared_rms: _Interval  # of the motion that all stars share, one axis, noise removed
    line_hz: float | None  # the strongest line, where frames show it: it may be an alias
    line_rms: _Interval | None
    saving_shared: _Interval  # what the width would lose without the shared motion
    worth: float  # a smaller saving is not worth a cure
    # "yes", "no" or "open": whether curing tracking and structure is worth it, by these two bounds.
    mechanics: str
    more_s: float | None  # until it is decided if all stays as it is; None where time does not help


def so_far(tracks: StarTracks, rig: Rig) -> _SoFar:
    """Return what tracks show so far, in arcsec where the rig's pixel scale is known."""
    scale = rig.get("pixel_scale_arcsec")
    unit, per_px = ("px", 1.0) if scale is None else ("arcsec", float(scale))
    motion = CommonMotion.of(tracks)
    seconds = float(tracks.time_s[-1] - tracks.time_s[0])
    ends = const.WATCH_SHORTEST_WINDOW_S, const.WATCH_LONGEST_WINDOW_S
    window_s = float(np.clip(seconds / const.WATCH_WINDOWS, *ends))
    parts = list(_windows(tracks, window_s))
    noise = np.square(motion.noise_px)
    over_noise = [_mean(_column_variances(motion.xy_px[p])) - _mean(noise[p]) for p in parts]
    shared = _mean_of(over_noise)
    own = max(_mean(_own_variance(tracks, motion)), 0.0)
    frame = _mean(np.square(tracks.width_px))
    rest = frame + own

    def width(variance: float) -> float:
        return float(per_px * const.FWHM_PER_SIGMA * np.sqrt(max(variance, 0.0)))

    fwhm = shared.read(lambda v: width(rest + v))
    # A cure of the shared motion: what frames show of it, gone.
    saving = shared.read(lambda v: width(rest + v) - width(rest))
    line, line_variance = _strongest_line(tracks, motion)
    saving_line = line_rms = None
    if line_variance is not None:
        whole = rest + max(shared.value, line_variance.value, 0.0)
        saving_line = line_variance.read(lambda v: width(whole) - width(max(whole - v, frame)))
        line_rms = line_variance.read(lambda v: per_px * np.sqrt(v))
    worth = const.WORTH_SHARE * fwhm.value
    worth = worth if unit == "px" else max(const.LEAST_WORTH_ARCSEC, worth)
    # Lines are looked for in the latest frames alone: more of them make their size no surer.
    grows = tracks.n_frames < const.WATCH_LINE_FRAMES
    mechanics, more_s = _decide(saving, saving_line, worth, seconds, line_grows=grows)
    return _SoFar(
        seconds=seconds,
        frames=tracks.n_frames,
        stars=tracks.n_stars,
        window_s=window_s,
        unit=unit,
        fwhm=fwhm,
        shared_rms=shared.read(lambda v: per_px * np.sqrt(v)),
        line_hz=None if line is None else line.frequency_hz,
        line_rms=line_rms,
        saving_shared=saving,
        worth=worth,
        mechanics=mechanics,
        more_s=more_s,
    )


def _decide(
    shared: _Interval, line: _Interval | None, worth: float, seconds: float, *, line_grows: bool
) -> tuple[str, float | None]:
    """Return the verdict of the two bounds, and how much longer it may take.

    Errors of means shrink with the root of the time. Only a bound on the right side of what is
    worth a cure can still come to decide.
    """
    if shared.high95 < worth:
        return "no", 0.0
    if line is not None and line.low95 > worth:
        return "yes", 0.0
    waits = []
    if np.isfinite(shared.half) and shared.value < worth:
        waits.append((shared.high95 - shared.value) / (worth - shared.value))
    if line_grows and line is not None and np.isfinite(line.half) and line.value > worth:
        waits.append((line.value - line.low95) / (line.value - worth))
    if not waits:
        return "open", None
    return "open", float(seconds * (min(waits) ** 2 - 1.0))


def _windows(tracks: StarTracks, window_s: float) -> Iterator[slice]:
    """Yield stretches of one length, none across a gap; of shorter ones only the longest."""
    number = np.floor(tracks.time_s / window_s).astype(np.int64)
    edges = np.flatnonzero((np.diff(number) != 0) | (np.diff(tracks.segment) != 0)) + 1
    begins, ends = np.r_[0, edges], np.r_[edges, tracks.n_frames]
    whole = ends - begins >= 0.8 * (ends - begins).max()
    yield from map(slice, begins[whole].tolist(), ends[whole].tolist())


def _own_variance(tracks: StarTracks, motion: CommonMotion) -> FloatArray:
    """Return the one-axis variance of each star beside the others, its noise removed."""
    each = [_column_variances(left) for left in (motion.residual_x_px, motion.residual_y_px)]
    noise = _column_means(np.square(tracks.seen("sigma_px")))
    return np.asarray(0.5 * (each[0] + each[1]) - noise)


def _column_means(values: FloatArray) -> FloatArray:
    """Return the mean of what is known in each column; NaN for a star that was lost throughout."""
    known = np.isfinite(values)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(known, values, 0.0).sum(axis=0) / known.sum(axis=0))


def _column_variances(values: FloatArray) -> FloatArray:
    return _column_means(np.square(values - _column_means(values)))


def _mean(values: FloatArray) -> float:
    return float(_column_means(values.reshape(-1, 1))[0])


def _mean_of(values: list[float]) -> _Interval:
    """Return the mean of windows that count alike, with Student's interval from their scatter."""
    from scipy.special import stdtrit

    known = np.array([value for value in values if np.isfinite(value)])
    if known.size == 0:
        return _Interval(np.nan, np.nan, np.nan)
    middle = float(known.mean())
    if known.size < 2:  # noqa: PLR2004
        return _Interval(middle, np.nan, np.nan)
    error = float(known.std(ddof=1)) / np.sqrt(known.size)
    half = float(stdtrit(known.size - 1, 0.975)) * error
    return _Interval(middle, middle - half, middle + half)


def _strongest_line(
    tracks: StarTracks, motion: CommonMotion
) -> tuple[LineFit | None, _Interval | None]:
    """Return the line with most motion in the latest frames, and its one-axis variance [px^2]."""
    lines = _lines(tracks, motion)
    if not lines:
        return None, None
    line = max(lines, key=lambda one: float(np.trace(one.covariance)))
    value = 0.5 * float(np.trace(line.covariance))
    half = const.Z95 * 0.5 * float(np.hypot(*np.diag(line.covariance_sigma)))
    return line, _Interval(value, value - half, value + half)


def _lines(tracks: StarTracks, motion: CommonMotion) -> list[LineFit]:
    if not tracks.cadence_s:
        return []
    latest = slice(max(0, tracks.n_frames - const.WATCH_LINE_FRAMES), None)
    try:
        search = LineSearch.of(
            tracks.time_s[latest],
            motion.xy_px[latest],
            cadence_s=tracks.cadence_s,
            timing=tracks.timing,
            segment=tracks.segment[latest],
            max_lines=const.WATCH_MODES,
        )
    except ValueError:  # too few frames in one piece
        return []
    return list(search.lines)


@dataclass(frozen=True)
class ModeChange:
    """A mode before and now: one-axis rms in `unit`, each with its interval."""

    frequency_hz: float
    unit: str
    before: _Interval
    now: _Interval
    change: _Interval
    shown: float  # the smallest change of the rms that this much record shows

    @classmethod
    def between(cls, before: StarTracks, now: StarTracks, rig: Rig) -> list[ModeChange]:
        """Return what became of the strongest lines of an earlier record, and of the present one's.

        Both are measured alike: the power of the shared motion in a band about each line, above
        that beside the band, in windows of one length.
        """
        scale = rig.get("pixel_scale_arcsec")
        unit, per_px = ("px", 1.0) if scale is None else ("arcsec", float(scale))
        motions = [CommonMotion.of(tracks) for tracks in (before, now)]
        found = [
            line
            for tracks, motion in zip((before, now), motions, strict=True)
            for line in _lines(tracks, motion)
        ]
        found.sort(key=lambda line: -float(np.trace(line.covariance)))
        changes: list[ModeChange] = []
        for line in found:
            width = max(line.band_hz[1] - line.band_hz[0], 4.0 / const.WATCH_SHORTEST_WINDOW_S)
            if any(abs(line.frequency_hz - one.frequency_hz) < width for one in changes):
                continue
            powers = [
                _mean_of(_band_variances(tracks, motion, line.frequency_hz, width))
                for tracks, motion in zip((before, now), motions, strict=True)
            ]
            if not all(np.isfinite(power.half) for power in powers):
                continue
            rms = [power.read(lambda v: per_px * np.sqrt(v)) for power in powers]
            both = float(np.hypot(rms[0].half, rms[1].half))
            change = rms[1].value - rms[0].value
            ends = _Interval(change, change - both, change + both)
            changes.append(cls(line.frequency_hz, unit, rms[0], rms[1], ends, both))
            if len(changes) == const.WATCH_MODES:
                break
        return changes


def _band_variances(
    tracks: StarTracks, motion: CommonMotion, frequency_hz: float, width_hz: float
) -> list[float]:
    """Return the one-axis variance in a band, above its surroundings, of every window [px^2]."""
    cadence = tracks.cadence_s
    if not cadence:
        return []
    window_s = 2.0 * const.WATCH_SHORTEST_WINDOW_S
    out = []
    for part in _windows(tracks, window_s):
        series = motion.xy_px[part]
        known = np.isfinite(series).all(axis=1)
        if known.sum() < 0.8 * round(window_s / cadence):
            continue
        at = tracks.time_s[part]
        grid = np.arange(at[0], at[-1] + 0.5 * cadence, cadence)
        even = np.stack([np.interp(grid, at[known], column[known]) for column in series.T], axis=1)
        taper = np.hanning(len(grid) + 2)[1:-1][:, None]
        power = np.abs(np.fft.rfft((even - even.mean(axis=0)) * taper, axis=0)) ** 2
        power = power.sum(axis=1) / (np.square(taper).sum() * len(grid))  # a bin's share, 2 axes
        frequency = np.fft.rfftfreq(len(grid), cadence)
        off = np.abs(frequency - frequency_hz)
        inside = off <= 0.5 * width_hz
        beside = (off > width_hz) & (off <= 2.0 * width_hz) & (frequency > 0)
        if inside.any() and beside.any():
            # Median over mean of chi-square with the four degrees of freedom of two axes.
            out.append(float((power[inside] - np.median(power[beside]) / 0.839).sum()))
    return out


@dataclass(frozen=True)
class Update:
    """The state of a watch when something is to be said."""

    found: _SoFar | None = None  # None while no run has frames
    changes: Sequence[ModeChange] = ()
    late_s: float = 0.0  # from the end of the look that took the last frame in to now
    fits: tuple[FitSoFar, ...] = ()  # the latest quick fit, and the latest whole one
    ended: str = ""

    def lines(self) -> list[str]:
        """Return what is known so far, sentence by sentence, each number with its interval."""
        found = self.found
        if found is None:
            return []
        unit = found.unit
        waits = found.mechanics == "open" and found.more_s is not None
        line = sentence("watch-no-line")
        if found.line_hz is not None and found.line_rms is not None:
            rms = found.line_rms.text(unit)
            line = sentence("watch-line", frequency_hz=found.line_hz, rms=rms)
        seen = {"frames": found.frames, "seconds": found.seconds, "stars": found.stars}
        shared = {"rms": found.shared_rms.text(unit), "saving": found.saving_shared.text(unit)}
        return [
            *(fit.sentence for fit in self.fits),
            sentence("watch-width", width=found.fwhm.text(unit), **seen),
            sentence("watch-shared", window_s=found.window_s, **shared),
            line,
            sentence(
                "watch-verdict",
                state="wait" if waits else found.mechanics,
                worth=f"{number(found.worth, 2)} {unit}",
                more_s=None if found.more_s is None else max(found.more_s, 1.0),
            ),
            *(
                sentence(
                    "watch-mode",
                    frequency_hz=one.frequency_hz,
                    before=one.before.text(unit),
                    now=one.now.text(unit),
                    became="same" if one.change.low95 <= 0.0 <= one.change.high95 else "changed",
                    shown=f"{number(one.shown, 2)} {unit}",
                )
                for one in self.changes
            ),
        ]
