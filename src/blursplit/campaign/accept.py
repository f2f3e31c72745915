"""Runs judged by limits: numbers, lines in a band, and stillness after a slew."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from importlib.metadata import version
from typing import Any, Literal

import numpy as np
from pydantic import Field

from blursplit import constants as const
from blursplit.campaign.estimates import Background, value_at
from blursplit.campaign.limits import Limit, Limits, LineRule, SettleRule
from blursplit.errors import InputError
from blursplit.estimate import Estimate
from blursplit.report.numbers import label_of_key, rounded_up, setting, unit_of_key, within
from blursplit.report.words import sentence
from blursplit.result import Document, Facts, Line, Part, Result
from blursplit.series import Series
from blursplit.spectra.aliases import apparent_frequency
from blursplit.types import FloatArray

EXACT = ("sequence.", "setup.", "fwhm.blur_time_s")
"""Counts and settings: numbers that need no interval."""

ACCEPT_SCHEMA = "blursplit-accept/2"
State = Literal["pass", "fail", "not shown"]


class _Band(Part):
    """A part of a rule's band: whether a line at the limit would have been found, what would."""

    between_hz: tuple[float, float]
    shown: bool
    smallest_arcsec: float | None = None
    shown_by: str = ""


class Judgement(Part):
    """One limit judged; `shown_by` says what would decide what is not shown."""

    key: str
    name: str = ""
    why: str = ""
    limit: str
    at_most: float | None = None
    at_least: float | None = None
    unit: str = ""
    state: State
    measured: str = "-"
    value: float | None = None
    low95: float | None = None
    high95: float | None = None
    reason: str
    shown_by: str = ""
    bands: list[_Band] = Field(default_factory=list)


class _Run(Part):
    """One of the runs judged; `digest` is that of its record and series."""

    name: str
    object: str = ""
    start_utc: str | None = None
    frames_used: int
    stars_used: int
    duration_s: float | None = None
    command: str = ""
    digest: str


class Acceptance(Document):
    """All limits judged; the whole is as good as its worst part, and a failure outranks doubt."""

    schema_: str = Field(default=ACCEPT_SCHEMA, alias="schema")
    version: str = ""
    title: str
    telescope: str
    aperture_m: float | None = None
    judged_utc: str = ""
    limits_digest: str = ""
    tap_digest: str = ""
    blur_time_s: float | None
    runs: list[_Run]
    state: State
    judgements: list[Judgement]

    @property
    def exit_code(self) -> int:
        """0 when all passed, 3 when one failed, 4 when one was not shown and none failed."""
        return const.ACCEPT_EXIT_CODES[self.state]

    @classmethod
    def of(
        cls,
        runs: Sequence[tuple[Result, Series | None]],
        limits: Limits,
        *,
        tap: Mapping[str, Any] | None = None,
        judged_utc: str = "",
        digests: Mapping[str, str] | None = None,
    ) -> Acceptance:
        """Judge runs of one telescope together.

        `runs`: at least one. With the density of the shared motion in the series the smallest
        visible line is taken from it, otherwise from the run's own seeing, noise and length. `tap`:
        parsed JSON of `blursplit tap`; its numbers are reached by paths beginning with ``tap.``.
        `judged_utc`: when, for the page. `digests`: SHA-256 of the files ``limits`` and ``tap``.

        A limit is passed only when the whole 95 % interval lies inside it, failed only when all of
        it lies outside, and not shown in all other cases. A number is the mean of the runs; its
        interval joins their own errors and how far the runs lie apart (Student's t). Counts are
        those of the worst run. Of lines, one above the limit in any run fails; at each frequency
        the run that sees best says what could hide. After a slew, every slew counts.
        """
        results = [result for result, _ in runs]
        aperture = _aperture(results, limits)
        rows = [_judge_limit(k, lim, results, limits, tap) for k, lim in limits.limits.items()]
        rows += [_judge_lines(rule, runs) for rule in limits.lines]
        rows += [_judge_slews(rule, runs) for rule in limits.after_slew]
        known = digests or {}
        return cls(
            version=version("blursplit"),
            title=limits.title,
            telescope=_telescope(results[0]),
            aperture_m=aperture,
            judged_utc=judged_utc,
            limits_digest=known.get("limits", ""),
            tap_digest=known.get("tap", ""),
            blur_time_s=limits.blur_time_s,
            runs=[_run(result) for result in results],
            state=_worst([row.state for row in rows]),
            judgements=rows,
        )


def _judge_lines(rule: LineRule, runs: Sequence[tuple[Result, Series | None]]) -> Judgement:
    """Judge a rule on lines over several runs, band by band; see `Acceptance.of`."""
    low_hz, high_hz = rule.between_hz
    limit = rule.no_shared_line_above_arcsec
    frame: dict[str, Any] = {
        "key": f"lines between {low_hz:g} and {high_hz:g} Hz",
        "name": rule.name,
        "why": rule.why,
        "limit": sentence("lines-limit", limit_arcsec=limit),
        "at_most": limit,
        "unit": "arcsec",
    }
    backgrounds = [Background.of(result, series) for result, series in runs]
    grid, seen = _visible(low_hz, high_hz, backgrounds)
    above, doubts = _found(rule, runs, backgrounds)
    bands = _bands(grid, seen, limit, next((b for b in backgrounds if b is not None), None))
    if above:
        text, low, high = max(above, key=lambda item: item[1])
        frame |= {"measured": text, "low95": low, "high95": high, "bands": bands}
        reason = sentence("lines-above", count=len(above))
        return Judgement(**frame, state="fail", reason=reason)
    shown = seen[np.isfinite(seen)]
    measured = (
        sentence("lines-none-from", smallest_arcsec=float(shown.max()))
        if shown.size == seen.size > 0
        else sentence("lines-none-found")
    )
    reasons = [text for text, _ in doubts]
    if not seen.size:
        reasons.append(sentence("lines-unknown"))
    elif seen.max() > limit:
        at = int(np.argmax(seen))
        rms, anything = (float(seen[at]), None) if np.isfinite(seen[at]) else (None, "any")
        facts = {"rms_arcsec": rms, "any": anything, "at_hz": float(grid[at])}
        reasons.append(sentence("line-unseen", **facts))
    remedies = dict.fromkeys(b.shown_by for b in bands if b.shown_by)
    return Judgement(
        **frame,
        state="not shown" if reasons else "pass",
        measured=next((text for _, text in doubts if text), measured),
        low95=0.0,
        high95=float(shown.max()) if shown.size else None,
        reason="; ".join(reasons) or sentence("lines-none-above"),
        shown_by=("; ".join(remedies) or sentence("by-other-rate")) if reasons else "",
        bands=bands,
    )


def _found(
    rule: LineRule,
    runs: Sequence[tuple[Result, Series | None]],
    backgrounds: Sequence[Background | None],
) -> tuple[list[tuple[str, float, float]], list[tuple[str, str]]]:
    """Return the lines above a limit, and those of which it is open, each with its reason."""
    limit = rule.no_shared_line_above_arcsec
    above: list[tuple[str, float, float]] = []
    doubts: list[tuple[str, str]] = []
    for k, (result, _) in enumerate(runs):
        for line, share in _lines_in(result, *rule.between_hz):
            if line.rms_arcsec is None:
                doubts.append((sentence("line-no-rms", at_hz=_hz(line)), ""))
                continue
            low, high = line.rms_arcsec.ends95
            at_hz = _hz(line)
            measured = sentence("line-measured", at_hz=at_hz, low_arcsec=low, high_arcsec=high)
            if low > limit and share == 1:
                above.append((measured, low, high))
            elif high > limit and share == 1:
                doubts.append((sentence("line-across", at_hz=at_hz), measured))
            elif high > limit and not _settled(line, k, rule, runs, backgrounds):
                doubts.append((sentence("line-alias", at_hz=at_hz, share=share), measured))
    return above, doubts


def _visible(
    low_hz: float, high_hz: float, backgrounds: Sequence[Background | None]
) -> tuple[FloatArray, FloatArray]:
    """Return frequencies of a band, and the smallest line that the best of the runs would find.

    Frames are blind in a strip of 15/T around each multiple of the frame rate, and where the
    exposure averages a line away: infinite there.
    """
    known = [b for b in backgrounds if b is not None]
    if not known:
        return np.zeros(0), np.zeros(0)
    step = 0.5 / max(b.duration_s for b in known)
    grid = np.arange(low_hz, high_hz + step, max(step, (high_hz - low_hz) / 20_000))
    each = [b.smallest_arcsec(grid, which="high") for b in known]
    return grid, np.min(each, axis=0)


def _lines_in(result: Result, low_hz: float, high_hz: float) -> Iterator[tuple[Line, float]]:
    """Yield the shared lines that may lie in a band, and the odds that they do."""
    for line in result.lines:
        share = _share_in_band(line, low_hz, high_hz)
        shared = line.shared_probability
        if share > 0 and (shared is None or shared >= const.SHARED_FROM):
            yield line, share


def _share_in_band(line: Line, low_hz: float, high_hz: float) -> float:
    """Return the odds that the line lies in the band, summed over its alias candidates."""
    if not line.alias_candidates_hz:
        low, high = line.frequency_hz.ends95
        return 1.0 if high >= low_hz and low <= high_hz else 0.0
    n = len(line.alias_candidates_hz)
    odds = line.alias_odds if len(line.alias_odds) == n else [1.0 / n] * n
    inside = sum(
        o for f, o in zip(line.alias_candidates_hz, odds, strict=True) if low_hz <= f <= high_hz
    )
    total = sum(odds)
    share = inside / total if total > 0 else 0.0
    if share >= const.ALIAS_DECIDED:
        return 1.0
    return 0.0 if share <= const.ALIAS_NEGLIGIBLE else share


def _settled(
    line: Line,
    own: int,
    rule: LineRule,
    runs: Sequence[tuple[Result, Series | None]],
    backgrounds: Sequence[Background | None],
) -> bool:
    """Return whether other runs, at other rates, show that an alias does not lie in the band."""
    low_hz, high_hz = rule.between_hz
    inside = [f for f in line.alias_candidates_hz if low_hz <= f <= high_hz]

    def excludes(k: int, frequency: float) -> bool:
        background = backgrounds[k]
        if k == own or background is None:
            return False
        there = background.smallest_arcsec(frequency, which="high")
        if float(there) > rule.no_shared_line_above_arcsec:
            return False
        near = const.LINE_LOWEST_BINS / background.duration_s
        return all(
            abs(f - frequency) > near
            for other, _ in _lines_in(runs[k][0], low_hz, high_hz)
            for f in other.alias_candidates_hz or [other.frequency_hz.value or 0.0]
        )

    return bool(inside) and all(any(excludes(k, f) for k in range(len(runs))) for f in inside)


def _bands(
    grid: FloatArray, seen: FloatArray, limit: float, best: Background | None
) -> list[_Band]:
    """Return the stretches of a band in which a line at the limit shows, and those between."""
    if not grid.size or best is None:
        return []
    hidden: list[list[int]] = []
    for k in np.flatnonzero(seen > limit):
        # stretches that nearly touch are told as one
        last = hidden[-1][1] if hidden else -2
        if k == last + 1 or (hidden and grid[k] <= grid[last] * (1.0 + const.ACCEPT_BANDS_TOUCH)):
            hidden[-1][1] = int(k)
        else:
            hidden.append([int(k), int(k)])
    found: list[_Band] = []
    start = 0
    for first, last in [*hidden, [grid.size, grid.size]]:
        if first > start:
            ends, most = (
                (float(grid[start]), float(grid[first - 1])),
                float(seen[start:first].max()),
            )
            found.append(_Band(between_hz=ends, shown=True, smallest_arcsec=most))
        if first < grid.size:
            at = first + int(np.argmax(seen[first : last + 1]))
            band = _Band(between_hz=(float(grid[first]), float(grid[last])), shown=False)
            band.smallest_arcsec = float(seen[at]) if np.isfinite(seen[at]) else None
            band.shown_by = _line_shown_by(float(grid[at]), limit, best)
            found.append(band)
        start = last + 1
    return found


def _line_shown_by(frequency: float, limit: float, best: Background) -> str:
    rate = 1.0 / best.cadence_s
    if abs(np.sinc(frequency * best.exposure_s)) < const.LINE_LEFT_AT_LEAST:
        return sentence("by-short-exposures", exposure_s=0.5 / frequency)
    apparent = float(apparent_frequency(frequency, rate))
    if apparent * best.stretch_s < const.LINE_LOWEST_BINS:
        if frequency < 0.5 * rate:
            return sentence("by-record-of", duration_s=const.LINE_LOWEST_BINS / frequency)
        return sentence("by-second-rate", rate_hz=const.PLAN_OTHER_RATE * rate)
    length = best.duration_s
    while length <= const.ACCEPT_LONGEST_S:
        length *= const.ACCEPT_LENGTH_STEP
        longer = replace(best, duration_s=length)
        if float(longer.smallest_arcsec(frequency, which="high")) <= limit:
            return sentence("by-record-in-all", duration_s=length)
    return sentence("by-steadier-air")


def _hz(line: Line) -> float:
    low, high = line.frequency_hz.ends95
    return line.frequency_hz.value or 0.5 * (low + high)


def _judge_slews(rule: SettleRule, runs: Sequence[tuple[Result, Series | None]]) -> Judgement:
    """Judge a rule on every slew, a run each; the worst counts.

    A stretch of `over_s` that begins `t` after the slew is still when the mount's rms in it, along
    its larger axis and about its own mean, lies below the limit. The settling time is the first
    such t: at the earliest where the lower end of that rms allows it, at the latest where its
    upper end does; see `_mount_rms_arcsec`.
    """
    told = [_one(rule, series) for _, series in runs]
    state = _worst([one.state for one in told])
    worst = next(one for one in told if one.state == state)
    if len(runs) > 1:
        worst.reason = sentence("slew-worst", reason=worst.reason, slews=len(runs))
    return worst


def _one(rule: SettleRule, series: Series | None) -> Judgement:
    """Judge a rule on one slew; the measured interval is that of the settling time [s]."""
    limit_arcsec = rule.rms_at_most_arcsec
    facts = {"limit_arcsec": limit_arcsec, "over_s": rule.over_s, "within_s": rule.within_s}
    frame: dict[str, Any] = {
        "key": f"after a slew, {rule.over_s:g} s",
        "name": rule.name,
        "why": rule.why,
        "limit": sentence("slew-limit", **facts),
        "at_most": rule.within_s,
        "unit": "s",
        "state": "not shown",
    }
    needed = {"time_s", "common_x_arcsec", "air_psd_arcsec2_hz"}
    if series is None or not needed <= set(series.arrays):
        why, remedy = sentence("slew-no-motion"), sentence("by-whole-folder")
        return Judgement(**frame, reason=why, shown_by=remedy)
    start, low, high = _mount_rms_arcsec(series, rule.over_s, rule.slew_ended_s)
    if not start.size:
        length_s = rule.slew_ended_s + rule.within_s + rule.over_s
        why, remedy = sentence("slew-too-short"), sentence("by-record-of", duration_s=length_s)
        return Judgement(**frame, reason=why, shown_by=remedy)
    early, late = (
        next((float(t) for t in start[rms <= limit_arcsec]), None) for rms in (low, high)
    )
    k = int(np.searchsorted(start, min(rule.within_s, start[-1])))
    ends = [
        sentence("slew-never") if t is None else sentence("slew-at", at_s=t) for t in (early, late)
    ]
    sizes = {"low_arcsec": float(low[k]), "high_arcsec": float(high[k])}
    told = " to ".join(dict.fromkeys(ends))
    frame |= {"measured": sentence("slew-measured", ends=told, at_s=float(start[k]), **sizes)}
    frame |= {"low95": early, "high95": late}
    if late is not None and late <= rule.within_s:
        return Judgement(**frame | {"state": "pass"}, reason=sentence("slew-still", at_s=late))
    if start[-1] >= rule.within_s and (early is None or early > rule.within_s):
        code = "slew-still-never" if early is None else "slew-still-late"
        return Judgement(**frame | {"state": "fail"}, reason=sentence(code, at_s=early))
    why, remedy = sentence("slew-in-air"), sentence("by-wider-field")
    return Judgement(**frame, reason=why, shown_by=remedy)


def _mount_rms_arcsec(
    series: Series, over_s: float, slew_ended_s: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the mount's rms in stretches after a slew.

    `series`: with the shared motion and the densities of air and noise in it. `over_s`: length of a
    stretch. `slew_ended_s`: end of the slew [s of the record].

    Returns `start_s`, `low_arcsec`, `high_arcsec` (stretch,): begin of each stretch after the slew,
    and the 95 % ends of the one-axis rms of what the mount does in it, along the larger axis.

    Shared variance less noise is V = M + A + 2 c sqrt(M A): mount, air, and their chance product,
    whose c has the standard deviation 1/sqrt(n). A is the air's density integrated with
    1 - sinc^2(f W) for the mean taken out, with the chi-square spread of
    n = 2 W (integral S df)^2 / integral S^2 df degrees of freedom (Bendat & Piersol, Random Data,
    section 8.5; from memory, verify) and the density's own band. The ends are the least and the
    largest M over A in its interval, which holds 97.5 % as the larger of two axes is taken, and
    c within 1.96/sqrt(n).
    """
    arrays = series.arrays
    time_s = np.asarray(arrays["time_s"], dtype=float)
    motion = np.stack([arrays["common_x_arcsec"], arrays["common_y_arcsec"]]).astype(float)
    good = np.isfinite(motion).all(axis=0) & (time_s >= slew_ended_s)
    time_s, motion = time_s[good], motion[:, good]
    if not time_s.size or time_s[-1] - slew_ended_s < over_s:
        return (np.zeros(0),) * 3
    begins = np.arange(slew_ended_s, time_s[-1] - over_s, over_s / const.ACCEPT_SLEW_STEPS)
    begins = begins if begins.size else np.array([slew_ended_s])
    edges = np.searchsorted(time_s, [begins, begins + over_s])
    kept = edges[1] - edges[0] > 2  # noqa: PLR2004 - a variance needs three frames
    shared = np.array(
        [np.linalg.eigvalsh(np.cov(motion[:, a:b]))[-1] for a, b in edges.T[kept]], dtype=float
    )
    frequency = np.asarray(arrays["frequency_hz"], dtype=float)
    noise = arrays.get("noise_psd_arcsec2_hz", np.zeros_like(frequency))
    taken = 1.0 - np.sinc(frequency * over_s) ** 2
    shared -= 0.5 * float(np.trapezoid(np.nan_to_num(noise) * taken, frequency))
    air = [
        0.5 * np.nan_to_num(arrays.get(f"air_psd_{end}arcsec2_hz", arrays["air_psd_arcsec2_hz"]))
        for end in ("low_", "", "high_")
    ]
    ends = mount_ends_arcsec(np.maximum(shared, 0.0), frequency, air, over_s)
    return begins[kept] - slew_ended_s, *ends


def mount_ends_arcsec(
    shared_arcsec2: FloatArray | None,
    frequency_hz: FloatArray,
    air: Sequence[FloatArray],
    over_s: float,
) -> tuple[FloatArray, FloatArray]:
    """Return the 95 % ends of the mount's rms within shared motion; see `_mount_rms_arcsec`.

    `shared_arcsec2`: variance less noise; None where it is that of the air alone. `air` (low,
    middle, high): one-axis density of the air and its 68 % range [arcsec^2/Hz].
    """
    from scipy.stats import chi2

    taken = 1.0 - np.sinc(frequency_hz * over_s) ** 2
    low, middle, high = (max(float(np.trapezoid(d * taken, frequency_hz)), 1e-12) for d in air)
    squared = float(np.trapezoid((air[1] * taken) ** 2, frequency_hz))
    degrees = max(2.0 * over_s * middle**2 / max(squared, 1e-30), 1.0)
    spread = max(high / middle, middle / low) ** const.Z95
    ends = middle * chi2.ppf([0.0125, 0.9875], degrees) / degrees * [1.0 / spread, spread]
    grid = np.geomspace(max(ends[0], 1e-12), ends[1], 40)
    chance = min(const.Z95 / np.sqrt(degrees), 1.0)
    v = np.array([[middle]]) if shared_arcsec2 is None else shared_arcsec2[:, None]
    within = grid * (1.0 - chance**2) <= v
    root = np.sqrt(np.maximum(v - grid * (1.0 - chance**2), 0.0))
    largest = np.where(within, chance * np.sqrt(grid) + root, 0.0).max(axis=1)
    least = np.where(within, root - chance * np.sqrt(grid), 0.0).min(axis=1)
    return np.maximum(least, 0.0), largest


def _worst(states: Sequence[State]) -> State:
    """Return the state of the whole: a failure outranks "not shown", and that a pass."""
    if "fail" in states:
        return "fail"
    return "not shown" if "not shown" in states or not states else "pass"


def _run(result: Result) -> _Run:
    s = result.sequence
    own = hashlib.sha256(result.to_json().encode()).hexdigest()
    shared = ("name", "start_utc", "frames_used", "stars_used", "duration_s")
    about = {name: getattr(s, name) for name in shared} | {"object": s.object or ""}
    return _Run(**about, command=result.command, digest=result.digest or own)


def _aperture(results: Sequence[Result], limits: Limits) -> float | None:
    """Return the aperture of the runs; refuse runs or limits of another telescope."""
    known = [float(e.value) for r in results if (e := r.setup.get("aperture_m")) is not None]
    if len(set(known)) > 1:
        named = " and ".join(f"{a:g} m" for a in sorted(set(known)))
        raise InputError("accept", f"the runs are of apertures of {named}", "give one telescope's")
    if known:
        limits.refuse_other_aperture("accept", known[0], "runs are")
    return known[0] if known else None


def _telescope(result: Result) -> str:
    """Return what the setup of a run says of its telescope."""
    return ", ".join(
        f"{label_of_key(key)} {setting(entry.value)} m ({entry.origin})"
        for key in ("aperture_m", "focal_length_m")
        if (entry := result.setup.get(key)) is not None
    )


# --- numbers -----------------------------------------------------------------------------------


def _judge_limit(
    key: str, limit: Limit, results: Sequence[Result], limits: Limits, tap: Mapping[str, Any] | None
) -> Judgement:
    unit = unit_of_key(key)
    ends = {"at-least": limit.at_least, "at-most": limit.at_most}
    told = [sentence(how, end=e, unit=unit or None) for how, e in ends.items() if e is not None]
    frame = limit.model_dump() | {"key": key, "limit": ", ".join(told), "unit": unit}
    found: list[Estimate] = []
    missing: list[tuple[str, str]] = []
    for result in results if not key.startswith("tap.") else results[:1]:
        one, why, remedy = _find(key, result, limits.blur_time_s, tap)
        if one is None:
            missing.append((why, remedy))
        else:
            found.append(one)
    if not found:
        reason, remedy = missing[0]
        return Judgement(**frame, state="not shown", reason=reason, shown_by=remedy)
    value, low, high = _pooled(found, limit if key.startswith(EXACT) else None)
    state, reason = _state(low, high, limit)
    if low == high:
        reason = sentence("exact-inside" if state == "pass" else "exact-outside")
    if len(results) > 1 and not key.startswith("tap."):
        how = "worst" if key.startswith(EXACT) else "mean"
        runs: Facts = {"how": how, "runs": len(found), "silent": len(missing)}
        runs["why"] = missing[0][0] if missing else None
        reason = sentence("of-several-runs", reason=reason, **runs)
    return Judgement(
        **frame,
        state=state,
        measured=_measured(value, low, high, unit or None),
        value=value,
        low95=low if np.isfinite(low) else None,
        high95=high if np.isfinite(high) else None,
        reason=reason,
        shown_by="" if state != "not shown" else _decided_by(value, low, high, limit, len(found)),
    )


def _find(
    key: str, result: Result, blur_time_s: float | None, tap: Mapping[str, Any] | None
) -> tuple[Estimate | None, str, str]:
    """Return the value at a path of the result or of the tap result, or why none, and a remedy."""
    had = result.fwhm.blur_time_s
    off_s = np.inf if had is None or blur_time_s is None else abs(had - blur_time_s)
    same = off_s <= const.BLUR_TIME_TOLERANCE * (blur_time_s or 0.0)
    if Limits.depends_on_blur_time(key) and not same:
        code = "unknown-blur-time" if had is None else "other-blur-time"
        reason = sentence(code, had_s=had, limit_s=blur_time_s)
        return None, reason, _longer(result.sequence.duration_s, blur_time_s)
    if key.startswith("tap."):
        if tap is None:
            return None, sentence("tap-not-given"), sentence("by-tap-run")
        value = value_at(dict(tap), key.removeprefix("tap."))
        missing, remedy = sentence("tap-lacks-it"), sentence("by-clearer-tap")
    else:
        value = value_at(result, key)
        missing, remedy = sentence("not-measured", why=_why_missing(key, result)), ""
    if isinstance(value, dict):
        value = Estimate.model_validate(dict.fromkeys(("value", "low", "high")) | value)
    if isinstance(value, Estimate):
        empty = value.value is None and value.high is None and value.high95 is None
        return (None, missing, remedy) if empty else (value, "", "")
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None, missing, remedy
    if not key.startswith(EXACT):
        return None, sentence("no-interval"), ""
    return Estimate.from_ends([value] * 5), "", ""


def _pooled(found: Sequence[Estimate], count: Limit | None) -> tuple[float | None, float, float]:
    """Return value and 95 % ends of one quantity over several runs; of a count, the worst."""
    low, high = np.array([one.ends95 for one in found]).T
    n = len(found)
    if n == 1:
        return found[0].value, float(low[0]), float(high[0])
    if all(one.is_limit for one in found):
        return None, 0.0, float(high.mean())  # each end holds on 95 %, and so does their mean
    middle, own = 0.5 * (low + high), 0.5 * (high - low)
    mean = float(middle.mean())
    if count is not None:
        extreme = float(low.min() if count.at_most is None else high.max())
        return extreme, extreme, extreme
    from scipy.stats import t as student_t

    apart = float(student_t.ppf(0.975, n - 1) * np.std(middle, ddof=1) / np.sqrt(n))
    half = float(np.hypot(np.sqrt(np.sum(own**2)) / n, apart))
    return mean, max(mean - half, min(0.0, float(low.min()))), mean + half


def _state(low: float, high: float, limit: Limit) -> tuple[State, str]:
    if limit.at_most is not None and low > limit.at_most:
        return "fail", sentence("above-limit")
    if limit.at_least is not None and high < limit.at_least:
        return "fail", sentence("below-limit")
    inside_top = limit.at_most is None or high <= limit.at_most
    inside_bottom = limit.at_least is None or low >= limit.at_least
    if inside_top and inside_bottom:
        return "pass", sentence("inside-limit")
    return "not shown", sentence("across-limit")


def _decided_by(value: float | None, low: float, high: float, limit: Limit, runs: int) -> str:
    """Return what would bring an interval off its limit: errors shrink with the root of runs."""
    edges = [e for e in (limit.at_most, limit.at_least) if e is not None and low <= e <= high]
    if not edges or not np.isfinite([low, high]).all():
        return sentence("by-interval")
    if value is None:
        return sentence("by-longer-quiet", times=(high / max(edges[0], 1e-12)) ** 2)
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    gap = min(abs(edge - middle) for edge in edges)
    needed = runs * (half / max(gap, 1e-12)) ** 2
    if needed > const.ACCEPT_MOST_RUNS:
        return sentence("by-no-runs")
    way = "a pass" if _state(middle, middle, limit)[0] == "pass" else "a failure"
    return sentence("by-more-runs", runs=float(np.ceil(needed)), outcome=way)


def _longer(duration_s: float | None, blur_time_s: float | None) -> str:
    if blur_time_s is None:
        return sentence("by-stated-blur-time")
    if duration_s is not None and duration_s < blur_time_s:
        return sentence("by-record-of", duration_s=blur_time_s)
    return sentence("by-same-frames", blur_time_s=blur_time_s)


def _why_missing(key: str, result: Result) -> str | None:
    section = key.partition(".")[0]
    for warning in result.warnings:
        if section in warning.code or section in warning.text.lower():
            return warning.text.removesuffix(".")
    return None


def _measured(value: float | None, low: float, high: float, unit: str | None) -> str:
    if value is None:
        return sentence("below", high=rounded_up(high), unit=unit)
    if low == high:
        return sentence("exact", value=value, unit=unit)
    middle, left, right = within(value, low, high)
    return sentence("within", value=middle, low=left, high=right, unit=unit)
