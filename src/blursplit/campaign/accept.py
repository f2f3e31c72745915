"""Limits that a telescope must keep, read from TOML, and runs judged by them."""

from __future__ import annotations

import difflib
import hashlib
import re
from collections.abc import Mapping, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field, ValidationError, model_validator

from blursplit import constants as const
from blursplit.campaign.estimates import bound95, known_paths, value_at
from blursplit.errors import InputError
from blursplit.estimate import Estimate
from blursplit.report.numbers import label_of_key, rounded_up, setting, unit_of_key, within
from blursplit.report.words import sentence
from blursplit.result import Document, Part, Result
from blursplit.rig import StrictTable, read_toml, refusal
from blursplit.series import Series

Finite = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Text = Annotated[str, Field(max_length=400)]

EXACT = ("sequence.", "setup.", "fwhm.blur_time_s")
"""Counts and settings: numbers that need no interval."""
NEEDS_BLUR_TIME = (
    "fwhm.",
    "tracking.",
    "structure.",
    "open.",
    "atmosphere.motion_rms_arcsec",
    "atmosphere.saving_arcsec",
    "instrument.saving_arcsec",
)
NO_BLUR_TIME = ("tracking.drift_", "fwhm.blur_time_s")


class Limit(StrictTable):
    """At most, at least, or both."""

    at_most: Finite | None = None
    at_least: Finite | None = None
    name: Text = ""
    why: Text = ""

    @model_validator(mode="after")
    def _has_an_end(self) -> Limit:
        if self.at_most is None and self.at_least is None:
            msg = "needs at_most or at_least"
            raise ValueError(msg)
        if self.at_most is not None and self.at_least is not None and self.at_least > self.at_most:
            msg = "at_least lies above at_most"
            raise ValueError(msg)
        return self


class LineRule(StrictTable):
    """No line shared by the stars above an amplitude in a band."""

    no_shared_line_above_arcsec: Positive
    between_hz: Annotated[list[Positive], Field(min_length=2, max_length=2)]
    name: Text = ""
    why: Text = ""

    @model_validator(mode="after")
    def _is_a_band(self) -> LineRule:
        if self.between_hz[0] >= self.between_hz[1]:
            msg = "between_hz needs the lower frequency first"
            raise ValueError(msg)
        return self


class SettleRule(StrictTable):
    """Stillness after a slew: rms below a limit over a stretch that begins soon enough.

    The record begins while the mount arrives; `slew_ended_s` says when it did [s of the record].
    """

    rms_at_most_arcsec: Positive
    over_s: Positive
    within_s: Positive
    slew_ended_s: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.0
    name: Text = ""
    why: Text = ""


class Limits(StrictTable):
    """A limits file."""

    title: Text = "Acceptance"
    telescope: Text = ""
    aperture_m: Positive | None = None
    blur_time_s: Positive | None = None
    limits: dict[str, Limit] = Field(default_factory=dict)
    lines: list[LineRule] = Field(default_factory=list)
    after_slew: list[SettleRule] = Field(default_factory=list)

    @property
    def stated_aperture_m(self) -> float | None:
        """Aperture of the telescope that the limits are for: as stated, or the one size named."""
        if self.aperture_m is not None:
            return self.aperture_m
        sizes = re.findall(r"(\d+(?:\.\d+)?)\s?(mm|cm|m)\b", self.telescope)
        if len(sizes) != 1:
            return None
        number, unit = sizes[0]
        return float(number) * {"mm": 1e-3, "cm": 1e-2, "m": 1.0}[unit]


def read_limits(path: Path) -> Limits:
    """Read a limits file.

    `path`: TOML: ``title``, ``telescope``, ``aperture_m``, ``blur_time_s``, a table ``[limits]``
    whose keys are paths of result.json or, beginning with ``tap.``, of the tap result, and any
    number of ``[[lines]]`` and ``[[after_slew]]`` rules.

    Raises InputError, which names the key, when the file cannot be read, a key is unknown, or no
    blur time is stated although a limit depends on it.

    Examples
    --------
    >>> from pathlib import Path
    >>> from blursplit.campaign import read_limits
    >>> limits = read_limits(Path("limits.toml"))
    >>> limits.limits["structure.rms_major_arcsec"].at_most
    0.2
    """
    tables = read_toml(path)
    try:
        limits = Limits.model_validate(tables)
    except ValidationError as error:
        raise refusal(error, Limits, path) from error
    if not (limits.limits or limits.lines or limits.after_slew):
        raise InputError(path, "holds no limit", "write a [limits] table or [[lines]] rules")
    kinds = known_paths()
    for key in limits.limits:
        if key not in kinds:
            near = difflib.get_close_matches(key, kinds, n=1, cutoff=0.5)
            remedy = f"did you mean '{near[0]}'?" if near else "use a path of result.json"
            raise InputError(path, f"key 'limits.{key}' is no number of a result", remedy)
    bound = [key for key in limits.limits if _depends_on_blur_time(key)]
    if bound and limits.blur_time_s is None:
        problem = f"key 'blur_time_s' is missing, and '{bound[0]}' depends on it"
        remedy = "state the exposure for which the limits hold, e.g. blur_time_s = 30.0"
        raise InputError(path, problem, remedy)
    return limits


def _depends_on_blur_time(key: str) -> bool:
    """Return whether a number of the result grows with the blur time."""
    return key.startswith(NEEDS_BLUR_TIME) and not key.startswith(NO_BLUR_TIME)


ACCEPT_SCHEMA = "blursplit-accept/2"
State = Literal["pass", "fail", "not shown"]


class Band(Part):
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
    bands: list[Band] = Field(default_factory=list)


class Run(Part):
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
    runs: list[Run]
    state: State
    judgements: list[Judgement]

    @property
    def exit_code(self) -> int:
        """0 when all passed, 3 when one failed, 4 when one was not shown and none failed."""
        return const.ACCEPT_EXIT_CODES[self.state]


def judge_runs(
    runs: Sequence[tuple[Result, Series | None]],
    limits: Limits,
    *,
    tap: Mapping[str, Any] | None = None,
    judged_utc: str = "",
    digests: Mapping[str, str] | None = None,
) -> Acceptance:
    """Judge runs of one telescope together.

    `runs`: at least one. With the density of the shared motion in the series the smallest visible
    line is taken from it, otherwise from the run's own seeing, noise and length. `tap`: parsed JSON
    of `blursplit tap`; its numbers are reached by paths beginning with ``tap.``. `judged_utc`:
    when, for the page. `digests`: SHA-256 of the files ``limits`` and ``tap``.

    A limit is passed only when the whole 95 % interval lies inside it, failed only when all of it
    lies outside, and not shown in all other cases. A number is the mean of the runs; its interval
    joins their own errors and how far the runs lie apart (Student's t). Counts are those of the
    worst run. Of lines, one above the limit in any run fails; at each frequency the run that sees
    best says what could hide. After a slew, every slew counts.
    """
    from blursplit.campaign.accept_rules import judge_lines, judge_slews

    results = [result for result, _ in runs]
    aperture = _aperture(results, limits)
    rows = [_judge_limit(k, lim, results, limits, tap) for k, lim in limits.limits.items()]
    rows += [judge_lines(rule, runs) for rule in limits.lines]
    rows += [judge_slews(rule, runs) for rule in limits.after_slew]
    known = digests or {}
    return Acceptance(
        version=version("blursplit"),
        title=limits.title,
        telescope=_telescope(results[0]),
        aperture_m=aperture,
        judged_utc=judged_utc,
        limits_digest=known.get("limits", ""),
        tap_digest=known.get("tap", ""),
        blur_time_s=limits.blur_time_s,
        runs=[_run(result) for result in results],
        state=worst([row.state for row in rows]),
        judgements=rows,
    )


def worst(states: Sequence[State]) -> State:
    """Return the state of the whole: a failure outranks "not shown", and that a pass."""
    if "fail" in states:
        return "fail"
    return "not shown" if "not shown" in states or not states else "pass"


def _run(result: Result) -> Run:
    s = result.sequence
    own = hashlib.sha256(result.to_json().encode()).hexdigest()
    shared = ("name", "start_utc", "frames_used", "stars_used", "duration_s")
    about = {name: getattr(s, name) for name in shared} | {"object": s.object or ""}
    return Run(**about, command=result.command, digest=result.digest or own)


def _aperture(results: Sequence[Result], limits: Limits) -> float | None:
    """Return the aperture of the runs; refuse runs or limits of another telescope."""
    known = [float(e.value) for r in results if (e := r.setup.get("aperture_m")) is not None]
    if len(set(known)) > 1:
        named = " and ".join(f"{a:g} m" for a in sorted(set(known)))
        raise InputError("accept", f"the runs are of apertures of {named}", "give one telescope's")
    if known:
        refuse_other_aperture("accept", known[0], limits, "runs are")
    return known[0] if known else None


def refuse_other_aperture(command: str, aperture_m: float, limits: Limits, whose: str) -> None:
    """Refuse limits that name a telescope of another aperture."""
    aim = limits.stated_aperture_m
    if aim is not None and abs(aperture_m - aim) > const.ACCEPT_SAME_APERTURE * aim:
        problem = f"the {whose} of an aperture of {aperture_m:g} m, the limits of {aim:g} m"
        remedy = "give that telescope's limits, or correct 'aperture_m' in the limits file"
        raise InputError(command, problem, remedy)


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
        reason = sentence(
            "of-several-runs",
            reason=reason,
            how=how,
            runs=len(found),
            silent=len(missing),
            why=missing[0][0] if missing else None,
        )
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
    same = (
        had is not None
        and blur_time_s is not None
        and abs(had - blur_time_s) <= const.BLUR_TIME_TOLERANCE * blur_time_s
    )
    if _depends_on_blur_time(key) and not same:
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
        value = Estimate.model_validate(
            {"value": None, "low": None, "high": None} | value, extra="ignore"
        )
    if isinstance(value, Estimate):
        empty = value.value is None and value.high is None and value.high95 is None
        return (None, missing, remedy) if empty else (value, "", "")
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None, missing, remedy
    if not key.startswith(EXACT):
        return None, sentence("no-interval"), ""
    exact = float(value)
    ends = {"value": exact, "low": exact, "high": exact, "low95": exact, "high95": exact}
    return Estimate(**ends), "", ""


def _pooled(found: Sequence[Estimate], count: Limit | None) -> tuple[float | None, float, float]:
    """Return value and 95 % ends of one quantity over several runs; of a count, the worst."""
    low, high = np.array([bound95(one) for one in found]).T
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
