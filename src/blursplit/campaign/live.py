"""What can be said while frames arrive: cheap numbers with intervals, as lines and as a page.

Widths here are those of Gaussians: the frames' own, widened by the paths of the stars. The motion
that all stars share bounds what tracking and structure can do at the rates that frames show; a
line in it is mechanical whatever the air does. Between the two bounds the fit of the whole
record decides.
"""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from blursplit.constants import (
    FWHM_PER_SIGMA,
    LEAST_WORTH_ARCSEC,
    WATCH_LINE_FRAMES,
    WATCH_LONGEST_WINDOW_S,
    WATCH_MODES,
    WATCH_SHORTEST_WINDOW_S,
    WATCH_WINDOWS,
    WORTH_SHARE,
)
from blursplit.motion import CommonMotion, fit_common_motion
from blursplit.report import page_shell
from blursplit.report.numbers import number, tied
from blursplit.rig import Rig
from blursplit.spectra import find_lines
from blursplit.spectra.modes import LineFit
from blursplit.stars import StarTracks
from blursplit.types import FloatArray

__all__ = [
    "LIVE_CAUTIONS",
    "Interval",
    "ModeChange",
    "SoFar",
    "compare_modes",
    "live_lines",
    "render_live_page",
    "so_far",
]


@dataclass(frozen=True)
class Interval:
    """A value with its 95 % interval; NaN where it is not known."""

    value: float
    low95: float
    high95: float

    @property
    def half(self) -> float:
        """Half the length of the interval."""
        return 0.5 * (self.high95 - self.low95)

    def scaled(self, factor: float) -> Interval:
        """Return it in another unit."""
        return Interval(factor * self.value, factor * self.low95, factor * self.high95)


@dataclass(frozen=True)
class SoFar:
    """What the record shows so far; lengths in `unit`.

    Parameters
    ----------
    seconds, frames, stars : float, int, int
        Length of the record that is looked at, and what is in it.
    window_s : float
        Motion counts within windows of this length.
    unit : "arcsec" or "px"
    fwhm : Interval
        Of a long exposure, as far as Gaussians describe it.
    shared_rms : Interval
        Of the motion that all stars share, one axis, noise removed.
    line_hz : float or None
        The strongest line, where frames show it: it may be an alias.
    line_rms : Interval or None
    saving_shared, saving_line : Interval or None
        What the width would lose without the shared motion, and without that line.
    worth : float
        A smaller saving is not worth a cure.
    mechanics : "yes", "no" or "open"
        Whether curing tracking and structure is worth it, by these two bounds.
    more_s : float or None
        How much longer it takes to decide if all stays as it is; None where time does not.
    """

    seconds: float
    frames: int
    stars: int
    window_s: float
    unit: str
    fwhm: Interval
    shared_rms: Interval
    line_hz: float | None
    line_rms: Interval | None
    saving_shared: Interval
    saving_line: Interval | None
    worth: float
    mechanics: str
    more_s: float | None


def so_far(tracks: StarTracks, rig: Rig) -> SoFar:
    """Return what tracks show so far.

    Parameters
    ----------
    tracks : StarTracks
    rig : Rig
        Its pixel scale, where it is known, gives arcsec.
    """
    scale = rig.get("pixel_scale_arcsec")
    unit, per_px = ("px", 1.0) if scale is None else ("arcsec", float(scale))
    motion = fit_common_motion(tracks)
    seconds = float(tracks.time_s[-1] - tracks.time_s[0])
    window_s = float(
        np.clip(seconds / WATCH_WINDOWS, WATCH_SHORTEST_WINDOW_S, WATCH_LONGEST_WINDOW_S)
    )
    parts = list(_windows(tracks, window_s))
    shared = _mean_of([_shared_variance(motion, part) for part in parts])
    own = max(_mean(_own_variance(tracks, motion)), 0.0)
    frame = _mean(np.square(tracks.width_px))
    rest = frame + own
    fwhm = Interval(*(_fwhm(rest + max(v, 0.0)) for v in _ends(shared)))
    # A cure of the shared motion: what frames show of it, gone.
    saving = Interval(*(_fwhm(rest + max(v, 0.0)) - _fwhm(rest) for v in _ends(shared)))
    line, line_variance = _strongest_line(tracks, motion)
    saving_line = line_rms = None
    if line_variance is not None:
        whole = rest + max(shared.value, line_variance.value, 0.0)
        saving_line = Interval(
            *(_fwhm(whole) - _fwhm(max(whole - max(v, 0.0), frame)) for v in _ends(line_variance))
        ).scaled(per_px)
        line_rms = Interval(*(np.sqrt(max(v, 0.0)) for v in _ends(line_variance))).scaled(per_px)
    fwhm, saving = fwhm.scaled(per_px), saving.scaled(per_px)
    worth = WORTH_SHARE * fwhm.value
    worth = worth if unit == "px" else max(LEAST_WORTH_ARCSEC, worth)
    # Lines are looked for in the latest frames alone: more of them make their size no surer.
    grows = tracks.n_frames < WATCH_LINE_FRAMES
    mechanics, more_s = _decide(saving, saving_line, worth, seconds, line_grows=grows)
    return SoFar(
        seconds=seconds,
        frames=tracks.n_frames,
        stars=tracks.n_stars,
        window_s=window_s,
        unit=unit,
        fwhm=fwhm,
        shared_rms=Interval(*(np.sqrt(max(v, 0.0)) for v in _ends(shared))).scaled(per_px),
        line_hz=None if line is None else line.frequency_hz,
        line_rms=line_rms,
        saving_shared=saving,
        saving_line=saving_line,
        worth=worth,
        mechanics=mechanics,
        more_s=more_s,
    )


def _decide(
    shared: Interval, line: Interval | None, worth: float, seconds: float, *, line_grows: bool
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


def _fwhm(variance: float) -> float:
    return float(FWHM_PER_SIGMA * np.sqrt(max(variance, 0.0)))


def _ends(interval: Interval) -> tuple[float, float, float]:
    return interval.value, interval.low95, interval.high95


def _windows(tracks: StarTracks, window_s: float) -> Iterator[slice]:
    """Yield stretches of one length, none across a gap; of shorter ones only the longest."""
    number = np.floor(tracks.time_s / window_s).astype(np.int64)
    edges = np.flatnonzero((np.diff(number) != 0) | (np.diff(tracks.segment) != 0)) + 1
    begins, ends = np.r_[0, edges], np.r_[edges, tracks.n_frames]
    length = ends - begins
    for begin, end in zip(
        begins[length >= 0.8 * length.max()], ends[length >= 0.8 * length.max()], strict=True
    ):
        yield slice(int(begin), int(end))


def _shared_variance(motion: CommonMotion, part: slice) -> float:
    noise = _mean(np.square(motion.noise_px[part]))
    both = np.stack([motion.x_px[part], motion.y_px[part]], axis=1)
    return _mean(_column_variances(both)) - noise


def _own_variance(tracks: StarTracks, motion: CommonMotion) -> FloatArray:
    """Return the one-axis variance of each star beside the others, its noise removed."""
    each = [_column_variances(left) for left in (motion.residual_x_px, motion.residual_y_px)]
    noise = _column_means(np.where(tracks.good, np.square(tracks.sigma_px), np.nan))
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


def _mean_of(values: list[float]) -> Interval:
    """Return the mean of windows that count alike, with Student's interval from their scatter."""
    from scipy.special import stdtrit

    known = np.array([value for value in values if np.isfinite(value)])
    if known.size == 0:
        return Interval(np.nan, np.nan, np.nan)
    middle = float(known.mean())
    if known.size < 2:  # noqa: PLR2004
        return Interval(middle, np.nan, np.nan)
    error = float(known.std(ddof=1)) / np.sqrt(known.size)
    half = float(stdtrit(known.size - 1, 0.975)) * error
    return Interval(middle, middle - half, middle + half)


def _strongest_line(
    tracks: StarTracks, motion: CommonMotion
) -> tuple[LineFit | None, Interval | None]:
    """Return the line with most motion in the latest frames, and its one-axis variance [px^2]."""
    lines = _lines(tracks, motion)
    if not lines:
        return None, None
    line = max(lines, key=lambda one: float(np.trace(one.covariance)))
    value = 0.5 * float(np.trace(line.covariance))
    half = 1.96 * 0.5 * float(np.hypot(line.covariance_sigma[0, 0], line.covariance_sigma[1, 1]))
    return line, Interval(value, value - half, value + half)


def _lines(tracks: StarTracks, motion: CommonMotion) -> list[LineFit]:
    if not tracks.cadence_s:
        return []
    latest = slice(max(0, tracks.n_frames - WATCH_LINE_FRAMES), None)
    noise = _mean(np.square(motion.noise_px)) * 2.0 * tracks.cadence_s
    try:
        search = find_lines(
            tracks.time_s[latest],
            np.stack([motion.x_px, motion.y_px], axis=1)[latest],
            cadence_s=tracks.cadence_s,
            timing=tracks.timing,
            segment=tracks.segment[latest],
            noise_psd=(noise, noise),
            max_lines=WATCH_MODES,
        )
    except ValueError:  # too few frames in one piece
        return []
    return list(search.lines)


@dataclass(frozen=True)
class ModeChange:
    """A mode before and now: one-axis rms in `unit`, each with its interval.

    `shown` is the smallest change of the rms that this much record shows.
    """

    frequency_hz: float
    unit: str
    before: Interval
    now: Interval
    change: Interval
    shown: float


def compare_modes(before: StarTracks, now: StarTracks, rig: Rig) -> list[ModeChange]:
    """Return what became of the strongest lines of an earlier record, and of the present one's.

    Both are measured alike: the power of the shared motion in a band about each line, above that
    beside the band, in windows of one length.
    """
    scale = rig.get("pixel_scale_arcsec")
    unit, per_px = ("px", 1.0) if scale is None else ("arcsec", float(scale))
    motions = [fit_common_motion(tracks) for tracks in (before, now)]
    found = [
        line
        for tracks, motion in zip((before, now), motions, strict=True)
        for line in _lines(tracks, motion)
    ]
    found.sort(key=lambda line: -float(np.trace(line.covariance)))
    changes: list[ModeChange] = []
    for line in found:
        width = max(line.band_hz[1] - line.band_hz[0], 4.0 / WATCH_SHORTEST_WINDOW_S)
        if any(abs(line.frequency_hz - one.frequency_hz) < width for one in changes):
            continue
        powers = [
            _mean_of(_band_variances(tracks, motion, line.frequency_hz, width))
            for tracks, motion in zip((before, now), motions, strict=True)
        ]
        if not all(np.isfinite(power.half) for power in powers):
            continue
        rms = [
            Interval(*(np.sqrt(max(v, 0.0)) for v in _ends(power))).scaled(per_px)
            for power in powers
        ]
        both = float(np.hypot(rms[0].half, rms[1].half))
        change = rms[1].value - rms[0].value
        changes.append(
            ModeChange(
                frequency_hz=line.frequency_hz,
                unit=unit,
                before=rms[0],
                now=rms[1],
                change=Interval(change, change - both, change + both),
                shown=both,
            )
        )
        if len(changes) == WATCH_MODES:
            break
    return changes


def _band_variances(
    tracks: StarTracks, motion: CommonMotion, frequency_hz: float, width_hz: float
) -> list[float]:
    """Return the one-axis variance in a band, above its surroundings, of every window [px^2]."""
    cadence = tracks.cadence_s
    if not cadence:
        return []
    window_s = 2.0 * WATCH_SHORTEST_WINDOW_S
    out = []
    for part in _windows(tracks, window_s):
        series = np.stack([motion.x_px[part], motion.y_px[part]], axis=1)
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


LIVE_CAUTIONS = (
    "Hands off a moving mount: touch nothing while it slews; keep hands, hair and cables away.",
    "Hang and prop nothing that can fall: fix a brace or weight before letting go of it.",
    "Switch a fan by its own switch; wiring belongs to a licensed electrician.",
)
_VERDICTS = {
    "yes": "a mechanical line alone costs more than is worth a cure",
    "no": "all the motion that the stars share costs less than is worth a cure",
    "open": "open",
}
_BAR, _ROW = 320, 22  # px of a drawing


def live_lines(
    found: SoFar, changes: Iterable[ModeChange] = (), fitted: Iterable[str] = ()
) -> list[str]:
    """Return what is known so far, a sentence a line; every number with unit and interval.

    `fitted`: what the fits on the way say, which comes first.
    """
    unit = found.unit
    lines = [
        (
            f"width {_with(found.fwhm, unit)} FWHM, as Gaussians; {found.frames} frames of "
            f"{found.stars} star{'s' * (found.stars != 1)} in {number(found.seconds)} s"
        ),
        (
            f"shared motion {_with(found.shared_rms, unit)} rms on one axis within "
            f"{number(found.window_s)} s; without it the width would lose "
            f"{_with(found.saving_shared, unit)}"
        ),
    ]
    if found.line_hz is None or found.line_rms is None:
        lines.append("strongest line: none stands out so far")
    else:
        lines.append(
            f"strongest line {number(found.line_hz, 4)} Hz (or an alias of it), "
            f"{_with(found.line_rms, unit)} rms on one axis"
        )
    verdict = f"provisional verdict: {_VERDICTS[found.mechanics]}"
    if found.mechanics == "open":
        verdict += (
            f"; about {number(max(found.more_s, 1.0), 2)} s more would decide, all else equal"
            if found.more_s is not None
            else "; more of the same frames does not decide it, the fit at the end may"
        )
    lines.append(f"{verdict} (worth a cure: {number(found.worth, 2)} {unit})")
    lines[:0] = fitted
    for one in changes:
        shown = not one.change.low95 <= 0.0 <= one.change.high95
        lines.append(
            f"{number(one.frequency_hz, 4)} Hz: before {_with(one.before, unit)}, now "
            f"{_with(one.now, unit)} rms; "
            + ("changed" if shown else "no change shown")
            + f" (smallest shown so far: {number(one.shown, 2)} {unit})"
        )
    return lines


def render_live_page(
    title: str,
    found: SoFar | None,
    changes: Iterable[ModeChange],
    notes: Iterable[str],
    *,
    renew_s: float | None,
    fitted: Iterable[str] = (),
    ended: str = "",
    result_page: str = "",
    with_cautions: bool = False,
) -> str:
    """Return a page that a browser reads again from disk every few seconds, unless it is held.

    Parameters
    ----------
    title : str
    found : SoFar or None
        None while nothing was measured.
    changes : iterable of ModeChange
    notes : iterable of str
    renew_s : float or None
        None for the last state.
    fitted : iterable of str
        See `live_lines`.
    ended, result_page : str
        Why the watch ended, and where the whole result is.
    with_cautions : bool
        Somebody works on the telescope meanwhile.
    """
    changes = list(changes)
    state = f"Ended: {ended}." if ended else "Provisional: frames are still arriving."
    body = [f"<h1>{html.escape(title)}</h1><p><strong>{html.escape(state)}</strong></p>"]
    if result_page:
        place = html.escape(result_page, quote=True)
        body.append(f'<p>The whole result: <a href="{place}">{place}</a></p>')
    lines = ["No frames yet."] if found is None else live_lines(found, changes, fitted)
    body += [f"<p>{html.escape(tied(_capital(line)))}.</p>" for line in lines]
    if changes:
        body.append("<h2>Before and now</h2>" + _bars(changes))
    if with_cautions:
        body.append("<h2>While you try things</h2><ul>")
        body += [f"<li>{html.escape(text)}</li>" for text in LIVE_CAUTIONS]
        body.append("</ul>")
    notes = list(notes)
    if notes:
        body.append("<h2>Notes</h2><ul>")
        body += [f"<li>{html.escape(note)}</li>" for note in notes[-20:]]
        body.append("</ul>")
    if renew_s is None:
        return page_shell(title, "\n".join(body))
    hold = f'<input type="checkbox" id="hold" data-seconds="{renew_s:.0f}">'
    body.insert(1, f'<p class="no-paper"><label>{hold} Hold this page as it is</label></p>')
    refresh = f'<meta http-equiv="refresh" content="{renew_s:.0f}">'
    body.append(f"<noscript>{refresh}</noscript>")
    return page_shell(title, "\n".join(body), script=_RENEW)


# A page that changes by itself can be held: a reader, or a screen reader, may need longer for it.
_RENEW = """const hold = document.getElementById("hold");
setInterval(() => { if (!hold.checked) location.reload(); }, 1000 * hold.dataset.seconds);"""


def _bars(changes: list[ModeChange]) -> str:
    """Draw the rms of each mode before (hollow) and now (filled), with their intervals."""
    top = max(max(one.before.high95, one.now.high95) for one in changes) or 1.0
    height = _ROW * (2 * len(changes) + 1)
    label = "; ".join(live for live in (_spoken(one) for one in changes))
    out = [
        (
            f'<svg viewBox="0 0 {_BAR + 280} {height}" width="100%" role="img" '
            f'aria-label="{html.escape(label, quote=True)}" font-size="13" fill="currentColor">'
        )
    ]
    for number_of, one in enumerate(changes):
        for row, (name, size) in enumerate((("before", one.before), ("now", one.now))):
            y = _ROW * (2 * number_of + row) + 4
            wide, low, high = (
                _BAR * max(v, 0.0) / top for v in (size.value, size.low95, size.high95)
            )
            fill = "none" if row == 0 else "currentColor"
            text = f"{number(one.frequency_hz, 4)} Hz {name}"
            out.append(
                f'<text x="0" y="{y + 12}">{html.escape(text)}</text>'
                f'<rect x="140" y="{y}" width="{wide:.1f}" height="{_ROW - 8}" fill="{fill}" '
                f'fill-opacity="0.5" stroke="currentColor"/>'
                f'<line x1="{140 + low:.1f}" x2="{140 + high:.1f}" y1="{y + 7}" y2="{y + 7}" '
                f'stroke="currentColor" stroke-width="2"/>'
                f'<text x="{150 + high:.1f}" y="{y + 12}">{number(size.value, 2)} '
                f"{html.escape(one.unit)}</text>"
            )
    return "\n".join([*out, "</svg>"])


def _spoken(one: ModeChange) -> str:
    return (
        f"{number(one.frequency_hz, 4)} Hz: before {number(one.before.value, 2)}, "
        f"now {number(one.now.value, 2)} {one.unit}"
    )


def _with(one: Interval, unit: str) -> str:
    if not math.isfinite(one.low95):
        return f"{number(one.value)} {unit} (interval not known yet)"
    return f"{number(one.value)} {unit} (95 %: {number(one.low95)} to {number(one.high95)})"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
