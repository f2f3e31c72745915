"""Judge a result against limits: pass, fail, or not shown by these data."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from blursplit.campaign.background import background_of, smallest_line_arcsec
from blursplit.campaign.estimates import bound95, value_at
from blursplit.campaign.limits import EXACT, depends_on_blur_time
from blursplit.constants import ALIAS_DECIDED, ALIAS_NEGLIGIBLE, BLUR_TIME_TOLERANCE, SHARED_FROM
from blursplit.errors import InputError
from blursplit.estimate import Estimate

if TYPE_CHECKING:
    from collections.abc import Mapping

    from blursplit.campaign.limits import Limit, Limits, LineRule
    from blursplit.result import Line, Result
    from blursplit.series import Series

ACCEPT_SCHEMA = "blursplit-accept/1"
State = Literal["pass", "fail", "not shown"]
ENDS = ("low95", "high95")
EXIT_CODES: dict[State, int] = {"pass": 0, "fail": 3, "not shown": 4}


class _Part(BaseModel):
    model_config = ConfigDict(extra="ignore", allow_inf_nan=False)


class Judgement(_Part):
    """One limit judged."""

    key: str
    name: str = ""
    why: str = ""
    limit: str
    state: State
    measured: str
    low95: float | None = None
    high95: float | None = None
    reason: str


class Acceptance(_Part):
    """All limits judged; the whole is as good as its worst part, and a failure outranks doubt."""

    schema_: str = Field(default=ACCEPT_SCHEMA, alias="schema")
    version: str = ""
    title: str
    telescope: str = ""
    sequence: str = ""
    object: str = ""
    frames_used: int | None = None
    stars_used: int | None = None
    duration_s: float | None = None
    start_utc: str | None = None
    command: str = ""
    blur_time_s: float | None
    runs: int = 1
    state: State
    judgements: list[Judgement]

    model_config = ConfigDict(extra="ignore", allow_inf_nan=False, populate_by_name=True)

    @property
    def exit_code(self) -> int:
        """0 when all passed, 3 when one failed, 4 when one was not shown and none failed."""
        return EXIT_CODES[self.state]

    def to_json(self) -> str:
        """Return the record as JSON text."""
        return self.model_dump_json(by_alias=True, indent=2) + "\n"


def judge(
    result: Result,
    limits: Limits,
    *,
    tap: Mapping[str, Any] | None = None,
    series: Series | None = None,
) -> Acceptance:
    """Judge a result against limits.

    Parameters
    ----------
    result : Result
    limits : Limits
    tap : mapping, optional
        Parsed JSON of `blursplit tap`; its numbers are reached by paths beginning with ``tap.``.
    series : Series, optional
        With the density of the shared motion, from which the smallest visible line is taken;
        otherwise it is computed from the run's own seeing, noise and length.

    Returns
    -------
    Acceptance

    Notes
    -----
    A limit is passed only when the whole 95 % interval lies inside it, failed only when the
    whole interval lies outside, and not shown in all other cases.

    Examples
    --------
    >>> from pathlib import Path
    >>> from blursplit.campaign import judge, read_limits
    >>> from blursplit.folder import read_result
    >>> acceptance = judge(read_result(Path("before")), read_limits(Path("limits.toml")))
    >>> acceptance.state, acceptance.exit_code
    ('not shown', 4)
    """
    from importlib.metadata import version

    judgements = [
        _judge_limit(key, limit, result, limits.blur_time_s, tap)
        for key, limit in limits.limits.items()
    ]
    judgements += [_judge_lines(rule, result, series) for rule in limits.lines]
    return Acceptance(
        version=version("blursplit"),
        title=limits.title,
        telescope=limits.telescope,
        sequence=result.sequence.name,
        object=result.sequence.object or "",
        frames_used=result.sequence.frames_used,
        stars_used=result.sequence.stars_used,
        duration_s=result.sequence.duration_s,
        start_utc=result.sequence.start_utc,
        command=result.command,
        blur_time_s=limits.blur_time_s,
        state=worst([j.state for j in judgements]),
        judgements=judgements,
    )


def judge_runs(
    runs: Sequence[tuple[Result, Series | None]],
    limits: Limits,
    *,
    tap: Mapping[str, Any] | None = None,
) -> Acceptance:
    """Judge several runs of one telescope together.

    Parameters
    ----------
    runs : sequence of (Result, Series or None)
        At least one.
    limits : Limits
    tap : mapping, optional

    Raises
    ------
    InputError
        Where runs are of telescopes of different aperture.

    Notes
    -----
    A number is the mean of the runs; its 95 % interval joins their own errors and how far the runs
    lie apart (Student's t). For lines the run that shows most decides: one line above the limit
    fails all, and what one run is blind to another may show.
    """
    apertures = {
        entry.value for result, _ in runs if (entry := result.setup.get("aperture_m")) is not None
    }
    if len(apertures) > 1:
        named = " and ".join(f"{a:g} m" for a in sorted(apertures))
        raise InputError("accept", f"the runs are of apertures of {named}", "give one telescope's")
    judged = [judge(result, limits, tap=tap, series=series) for result, series in runs]
    if len(judged) == 1:
        return judged[0]
    rows = [
        _pooled(list(same), limits)
        for same in zip(*(one.judgements for one in judged), strict=True)
    ]
    first = judged[0]
    return first.model_copy(
        update={
            "judgements": rows,
            "state": worst([row.state for row in rows]),
            "sequence": ", ".join(one.sequence for one in judged),
            "frames_used": sum(one.frames_used or 0 for one in judged),
            "duration_s": sum(one.duration_s or 0.0 for one in judged),
            "runs": len(judged),
        }
    )


def _pooled(same: list[Judgement], limits: Limits) -> Judgement:
    """Join the judgements of one limit over several runs."""
    limit = limits.limits.get(same[0].key)
    known = [j for j in same if j.low95 is not None and j.high95 is not None]
    if limit is None or len(known) < 2:  # noqa: PLR2004 - a line, or nothing to take a mean of
        for state in ("fail", "pass"):
            best = next((j for j in same if j.state == state), None)
            if best is not None:
                return best
        return same[0]
    from scipy.stats import t as student_t

    low, high = (np.array([getattr(j, end) for j in known], dtype=float) for end in ENDS)
    middle, own = 0.5 * (low + high), 0.5 * (high - low)
    n = len(known)
    apart = float(student_t.ppf(0.975, n - 1) * np.std(middle, ddof=1) / np.sqrt(n))
    half = float(np.hypot(np.sqrt(np.sum(own**2)) / n, apart))
    mean = float(middle.mean())
    ends = (max(mean - half, min(0.0, float(low.min()))), mean + half)
    state, reason = _state(*ends, limit)
    unit = unit_of(same[0].key)
    return same[0].model_copy(
        update={
            "state": state,
            "low95": ends[0],
            "high95": ends[1],
            "measured": f"{mean:.3g} {unit} ({ends[0]:.3g} to {ends[1]:.3g}, 95 %)",
            "reason": f"{reason} (mean of {n} runs)",
        }
    )


def worst(states: list[State]) -> State:
    """Return the state of the whole: a failure outranks "not shown", and that a pass."""
    if "fail" in states:
        return "fail"
    return "not shown" if "not shown" in states or not states else "pass"


def _judge_limit(
    key: str,
    limit: Limit,
    result: Result,
    blur_time_s: float | None,
    tap: Mapping[str, Any] | None,
) -> Judgement:
    frame = {"key": key, "name": limit.name, "why": limit.why, "limit": _limit_text(key, limit)}
    if depends_on_blur_time(key) and not _same(result.fwhm.blur_time_s, blur_time_s):
        had = result.fwhm.blur_time_s
        reason = (
            f"measured over {_seconds(had)}, the limit holds for {_seconds(blur_time_s)}: "
            + _remedy(result.sequence.duration_s, blur_time_s)
        )
        return Judgement(**frame, state="not shown", measured="-", reason=reason)
    value, missing = _find(key, result, tap)
    if value is None:
        return Judgement(**frame, state="not shown", measured="-", reason=missing)
    if not isinstance(value, Estimate):
        if not key.startswith(EXACT):
            reason = "the value comes without an interval, so nothing is shown by it"
            return Judgement(
                **frame, state="not shown", measured=f"{value:.4g} {unit_of(key)}", reason=reason
            )
        value = Estimate(value=value, low=value, high=value, low95=value, high95=value)
    low, high = bound95(value)
    state, reason = _state(low, high, limit)
    if low == high:
        reason = f"counted or stated, without error: {'inside' if state == 'pass' else 'outside'}"
    return Judgement(
        **frame,
        state=state,
        measured=_measured_text(key, value, low, high),
        low95=low if np.isfinite(low) else None,
        high95=high if np.isfinite(high) else None,
        reason=reason,
    )


def _state(low: float, high: float, limit: Limit) -> tuple[State, str]:
    if limit.at_most is not None and low > limit.at_most:
        return "fail", "the whole 95 % interval lies above the limit"
    if limit.at_least is not None and high < limit.at_least:
        return "fail", "the whole 95 % interval lies below the limit"
    inside_top = limit.at_most is None or high <= limit.at_most
    inside_bottom = limit.at_least is None or low >= limit.at_least
    if inside_top and inside_bottom:
        return "pass", "the whole 95 % interval lies inside the limit"
    return "not shown", "the 95 % interval reaches across the limit"


def _same(a: float | None, b: float | None) -> bool:
    return a is not None and b is not None and abs(a - b) <= BLUR_TIME_TOLERANCE * b


def _remedy(duration_s: float | None, blur_time_s: float | None) -> str:
    if blur_time_s is None:
        return "state blur_time_s in the limits file"
    if duration_s is not None and duration_s < blur_time_s:
        return f"the record is shorter, so record {blur_time_s:g} s or more"
    return f"measure again with --blur-time {blur_time_s:g}"


def _seconds(value: float | None) -> str:
    return "an unknown blur time" if value is None else f"{value:g} s"


def _find(
    key: str, result: Result, tap: Mapping[str, Any] | None
) -> tuple[Estimate | float | None, str]:
    """Return the value at a path of the result or of the tap result, or why there is none."""
    if key.startswith("tap."):
        if tap is None:
            return None, "no tap result was given (--tap)"
        value = value_at(dict(tap), key.removeprefix("tap."))
        missing = "the tap result does not hold it"
    else:
        value = value_at(result, key)
        missing = "it was not measured" + _why_missing(key, result)
    if isinstance(value, dict):
        value = Estimate.model_validate(
            {"value": None, "low": None, "high": None} | value, extra="ignore"
        )
    if isinstance(value, Estimate):
        empty = value.value is None and value.high is None and value.high95 is None
        return (None, missing) if empty else (value, "")
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None, missing
    return float(value), ""


def _why_missing(key: str, result: Result) -> str:
    section = key.partition(".")[0]
    for warning in result.warnings:
        if section in warning.code or section in warning.text.lower():
            return f" ({warning.text})"
    return ""


def _judge_lines(rule: LineRule, result: Result, series: Series | None) -> Judgement:
    low_hz, high_hz = rule.between_hz
    limit = rule.no_shared_line_above_arcsec
    frame = {
        "key": f"lines between {low_hz:g} and {high_hz:g} Hz",
        "name": rule.name,
        "why": rule.why,
        "limit": f"no shared line above {limit:g} arcsec rms",
    }
    above: list[tuple[Line, float, float]] = []
    open_: list[str] = []
    doubtful = ""
    for line in result.lines:
        share = _share_in_band(line, low_hz, high_hz)
        if share == 0 or (
            line.shared_probability is not None and line.shared_probability < SHARED_FROM
        ):
            continue
        if line.rms_arcsec is None:
            open_.append(f"{_hz(line)}: no rms in arcsec (pixel scale unknown)")
            continue
        low, high = bound95(line.rms_arcsec)
        if low > limit and share == 1:
            above.append((line, low, high))
        elif high > limit:
            doubt = (
                "its rms reaches across the limit"
                if share == 1
                else f"in this band with odds of {100 * share:.0f} % only, else an alias of a "
                "line outside it"
            )
            open_.append(f"{_hz(line)}: {doubt}")
            doubtful = doubtful or f"{_hz(line)}, {low:.3g} to {high:.3g} arcsec rms (95 %)"
    if above:
        line, low, high = max(above, key=lambda item: item[1])
        text = f"{_hz(line)}, {low:.3g} to {high:.3g} arcsec rms (95 %)"
        reason = f"{len(above)} shared line{'s' if len(above) > 1 else ''} above the limit"
        return Judgement(
            **frame, state="fail", measured=text, low95=low, high95=high, reason=reason
        )
    hidden, where = _largest_hidden(low_hz, high_hz, result, series)
    if hidden is None:
        open_.append(where)
    elif hidden > limit:
        size = f"of {hidden:.2g} arcsec rms" if np.isfinite(hidden) else "of any size"
        open_.append(f"a line {size} at {where} could have stayed unseen")
    measured = (
        "no line found above it"
        if hidden is None or not np.isfinite(hidden)
        else (f"any line above {hidden:.2g} arcsec rms would have been found")
    )
    if open_:
        measured = doubtful or measured
        return Judgement(**frame, state="not shown", measured=measured, reason="; ".join(open_))
    return Judgement(
        **frame, state="pass", measured=measured, high95=hidden, reason="no line above the limit"
    )


def _share_in_band(line: Line, low_hz: float, high_hz: float) -> float:
    """Return the odds that the line lies in the band, summed over its alias candidates."""
    if not line.alias_candidates_hz:
        low, high = bound95(line.frequency_hz)
        return 1.0 if high >= low_hz and low <= high_hz else 0.0
    n = len(line.alias_candidates_hz)
    odds = line.alias_odds if len(line.alias_odds) == n else [1.0 / n] * n
    inside = sum(
        o for f, o in zip(line.alias_candidates_hz, odds, strict=True) if low_hz <= f <= high_hz
    )
    total = sum(odds)
    share = inside / total if total > 0 else 0.0
    return 1.0 if share >= ALIAS_DECIDED else (0.0 if share <= ALIAS_NEGLIGIBLE else share)


def _hz(line: Line) -> str:
    low, high = bound95(line.frequency_hz)
    return f"{line.frequency_hz.value or 0.5 * (low + high):.4g} Hz"


def _largest_hidden(
    low_hz: float, high_hz: float, result: Result, series: Series | None
) -> tuple[float | None, str]:
    """Return the largest line that could hide in the band, and where."""
    background = background_of(result, series)
    if background is None:
        return None, "what could have been seen is not known (frame interval or seeing missing)"
    step = 0.5 / background.duration_s
    grid = np.arange(low_hz, high_hz + step, max(step, (high_hz - low_hz) / 20_000))
    # Frames are blind in a strip of 8/T around each multiple of the frame rate, and where the
    # exposure averages a line away: those strips are named, not overlooked.
    smallest = smallest_line_arcsec(grid, background, detection=0.95, which="high")
    worst_at = int(np.argmax(smallest))
    return float(smallest[worst_at]), f"{grid[worst_at]:.3g} Hz"


def unit_of(key: str) -> str:
    """Return the unit that a key names in its ending."""
    endings = {
        "_arcsec_per_min": "arcsec/min",
        "_m_s": "m/s",
        "_arcsec": "arcsec",
        "_hz": "Hz",
        "_deg": "deg",
        "_px": "px",
        "_s": "s",
        "_m": "m",
    }
    return next((unit for ending, unit in endings.items() if key.endswith(ending)), "")


def _limit_text(key: str, limit: Limit) -> str:
    unit = unit_of(key)
    parts = []
    if limit.at_least is not None:
        parts.append(f"at least {limit.at_least:g} {unit}".rstrip())
    if limit.at_most is not None:
        parts.append(f"at most {limit.at_most:g} {unit}".rstrip())
    return ", ".join(parts)


def _measured_text(key: str, value: Estimate, low: float, high: float) -> str:
    unit = unit_of(key)
    if value.value is None:
        return f"below {high:.3g} {unit} (95 %)"
    if low == high:
        return f"{value.value:.6g} {unit}".rstrip()
    return f"{value.value:.3g} {unit} ({low:.3g} to {high:.3g}, 95 %)"
