"""A store in numbers: nights, medians and spreads, trends, and what is worth opening."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Sequence
from datetime import date
from statistics import median
from typing import Any

import numpy as np
from pydantic import Field

from blursplit import constants as const
from blursplit.campaign.store import Store
from blursplit.report.words import sentence
from blursplit.result import Document, Part

ARCHIVE_SCHEMA = "blursplit-archive/1"
Row = dict[str, Any]

QUANTITIES: dict[str, str] = {
    "recorded_fwhm_arcsec": "Recorded FWHM [arcsec]",
    "unscaled_fwhm_px": "Recorded FWHM without a scale [px]",
    "seeing_500nm_zenith_arcsec": "Seeing, 500 nm and zenith [arcsec]",
    "atmosphere_fwhm_arcsec": "FWHM of all the air [arcsec]",
    "tracking_rms_arcsec": "Tracking, rms [arcsec]",
    "structure_rms_arcsec": "Structure, rms [arcsec]",
    "open_rms_arcsec": "Shared, owner open, rms [arcsec]",
    "optics_fwhm_arcsec": "Optics, FWHM [arcsec]",
}
CONDITIONS: dict[str, str] = {
    "airmass": "airmass",
    "wind_m_s": "wind [m/s]",
    "temperature_c": "temperature [C]",
}


class Spread(Part):
    """Median and 16 to 84 % range over sequences; null where that rank is only a limit."""

    median: float | None
    low: float | None
    high: float | None
    values: int
    limits: int


class GroupSpread(Part):
    """Spreads of all quantities over the sequences of one night, pier side or quarter.

    A night is named by its evening's date; `julian_day` begins at noon of that date (UTC).
    """

    label: str
    julian_day: int | None = None
    sequences: int
    spreads: dict[str, Spread]


class Trend(Part):
    """Rank correlation of a quantity with a condition (Spearman) and its 95 % interval."""

    quantity: str
    condition: str
    sequences: int
    rank_correlation: float
    low95: float
    high95: float


class Pick(Part):
    """A sequence worth opening, and why."""

    key: str
    name: str
    first_file: str
    start_utc: str | None
    reasons: list[str]


class ArchiveSummary(Document):
    """A store in numbers."""

    schema_: str = Field(default=ARCHIVE_SCHEMA, alias="schema")
    sequences: dict[str, int]
    refused_files: int
    settings: list[str] = Field(default_factory=list)
    headline: str = ""
    without_scale: dict[str, int] = Field(default_factory=dict)
    overall: GroupSpread
    nights: list[GroupSpread]
    pier_sides: list[GroupSpread]
    azimuths: list[GroupSpread]
    trends: list[Trend]
    worth_opening: list[Pick]
    failures: dict[str, int]
    mechanics_matters: dict[str, int]


def summarize_store(
    store: Store, settings: str | Collection[str] | None = None, without: Collection[str] = ()
) -> ArchiveSummary:
    """Return a store in numbers.

    `settings`: only the rows of these setups and blur times (column ``settings``); default all
    rows. `without`: keys of rows that are left out.
    """
    chosen = {settings} if isinstance(settings, str) else settings
    everything = store.rows("sequences", chosen, without)
    rows = with_unscaled(store.rows("measurements", chosen, without))
    nights = _groups(rows, lambda r: r["night"] or UNDATED)
    for night in nights:
        if night.label != UNDATED:
            # the day that began at noon of 1 January 1 (proleptic) is 1 721 426
            night.julian_day = date.fromisoformat(night.label).toordinal() + 1_721_425
    overall = _group("all sequences", rows)
    picks = _picks(rows)
    return ArchiveSummary(
        sequences={s: sum(r["status"] == s for r in everything) for s in _STATES},
        refused_files=len(store.rows("refused_files")),
        settings=sorted(chosen or ()),
        headline=_headline(overall, nights, picks),
        without_scale=_count(
            r["telescope"] or "" for r in rows if r["unscaled_fwhm_px"] is not None
        ),
        overall=overall,
        nights=nights,
        pier_sides=_groups(rows, lambda r: r["pier_side"]),
        azimuths=_groups(rows, lambda r: _quarter(r["azimuth_deg"])),
        trends=[t for q in QUANTITIES for c in CONDITIONS if (t := _trend(rows, q, c))],
        worth_opening=picks,
        failures=_count(r["reason"] for r in everything if r["status"] == "failed"),
        mechanics_matters=_count(r["mechanics_matters"] or "not asked" for r in rows),
    )


UNDATED = "undated"


def with_unscaled(rows: Sequence[Row]) -> list[Row]:
    """Return rows with the width in pixels of those that have no other."""
    ends = ("", "_low", "_high")
    return [
        row
        | {
            f"unscaled_fwhm_px{end}": row[f"recorded_fwhm_px{end}"]
            if row["recorded_fwhm_arcsec"] is None
            else None
            for end in ends
        }
        for row in rows
    ]


def _headline(overall: GroupSpread, nights: list[GroupSpread], picks: list[Pick]) -> str:
    width, unit = None, None
    for quantity, of in (("recorded_fwhm_arcsec", "arcsec"), ("unscaled_fwhm_px", "px")):
        found = overall.spreads.get(quantity)
        if width is None and found is not None and found.median is not None:
            width, unit = found.median, of
    dated = sum(night.label != UNDATED for night in nights) or None
    held = {"sequences": overall.sequences, "nights": dated, "width": width, "unit": unit}
    text = sentence("archive-holds", **held) + "."
    if picks:
        name, reason = picks[0].name, picks[0].reasons[0]
        return f"{text} {sentence('archive-stands-out', name=name, reason=reason)}"
    return f"{text} {sentence('archive-even')}" if overall.sequences > 1 else text


_STATES = ("done", "failed", "too short")


def _groups(rows: list[Row], label: Callable[[Row], str | None]) -> list[GroupSpread]:
    names = sorted({name for r in rows if (name := label(r)) is not None})
    return [_group(name, [r for r in rows if label(r) == name]) for name in names]


def _group(label: str, rows: list[Row]) -> GroupSpread:
    spreads = {q: s for q in QUANTITIES if (s := spread(rows, q)) is not None}
    return GroupSpread(label=label, sequences=len(rows), spreads=spreads)


def spread(rows: list[Row], quantity: str) -> Spread | None:
    """Return median and range of a quantity; upper limits rank below all values.

    Returns: none where no sequence knows the quantity.
    """
    values = sorted(r[quantity] for r in rows if r[quantity] is not None)
    limits = sum(r[quantity] is None and r[f"{quantity}_high"] is not None for r in rows)
    if not values and not limits:
        return None
    padded = np.array([np.nan] * limits + values)
    low, median, high = (_ranked(padded, 0.01 * q) for q in const.BAND_PERCENTILES)
    return Spread(median=median, low=low, high=high, values=len(values), limits=limits)


def _ranked(ordered: np.ndarray[Any, np.dtype[np.float64]], q: float) -> float | None:
    position = q * (len(ordered) - 1)
    low, high = ordered[int(np.floor(position))], ordered[int(np.ceil(position))]
    value = low + (high - low) * (position - np.floor(position)) if high != low else low
    return float(value) if np.isfinite(value) else None


def _quarter(azimuth_deg: float | None) -> str | None:
    if azimuth_deg is None:
        return None
    names = ("north", "east", "south", "west")
    return names[int(((azimuth_deg + 45.0) % 360.0) // 90.0)]


def _trend(rows: list[Row], quantity: str, condition: str) -> Trend | None:
    """Return the rank correlation; its interval is Fisher's z with the error of Fieller 1957."""
    from scipy.stats import spearmanr

    pairs = [
        (r[condition], r[quantity])
        for r in rows
        if r[condition] is not None and r[quantity] is not None
    ]
    x, y = np.array(pairs).T if pairs else (np.zeros(0), np.zeros(0))
    if len(pairs) < const.FEWEST_FOR_TREND or np.ptp(x) == 0 or np.ptp(y) == 0:
        return None
    rho = float(spearmanr(x, y).statistic)
    # Fieller, Hartley & Pearson 1957, Biometrika 44, 470: variance 1.06/(n - 3) (from memory).
    half = const.Z95 * np.sqrt(1.06 / (len(pairs) - 3))
    z = np.arctanh(np.clip(rho, -0.999999, 0.999999))
    return Trend(
        quantity=quantity,
        condition=condition,
        sequences=len(pairs),
        rank_correlation=rho,
        low95=float(np.tanh(z - half)),
        high95=float(np.tanh(z + half)),
    )


def _picks(rows: list[Row]) -> list[Pick]:
    """Return what stands out: wide for its telescope, or with a cure that saves much."""
    scored = []
    usual = _usual_widths(rows)
    for row in rows:
        reasons, score = [], 0.0
        width = row["recorded_fwhm_arcsec"]
        for cause in ("structure", "tracking"):
            saved, low = row[f"{cause}_saving_arcsec"], row[f"{cause}_saving_arcsec_low"]
            if width and saved and low and saved > const.ARCHIVE_WORTH_SHARE * width and low > 0:
                facts = {"saving_arcsec": saved, "width_arcsec": width}
                reasons.append(sentence("pick-cause", cause=cause, **facts))
                score = max(score, saved / width)
        for unit in ("arcsec", "px"):
            own, middle = row[_WIDTHS[unit]], usual.get((row["telescope"], unit))
            if own is not None and middle is not None and own > const.ARCHIVE_WIDE * middle:
                times = own / middle
                reasons.append(sentence("pick-wide", width=own, unit=unit, times=times))
                score = max(score, times - 1.0)
        if row["mechanics_matters"] == "yes":
            reasons.append(sentence("pick-mechanics"))
            score = max(score, const.ARCHIVE_WORTH_SHARE)
        if reasons:
            pick = Pick(
                key=row["key"],
                name=row["name"],
                first_file=row["first_file"],
                start_utc=row["start_utc"],
                reasons=reasons,
            )
            scored.append((score, pick))
    scored.sort(key=lambda item: (-item[0], item[1].key))
    return [pick for _, pick in scored[: const.MANY_SEQUENCES]]


_WIDTHS = {"arcsec": "recorded_fwhm_arcsec", "px": "unscaled_fwhm_px"}


def _usual_widths(rows: list[Row]) -> dict[tuple[str | None, str], float]:
    """Return the median width by telescope and unit, where it has sequences enough."""
    found: dict[tuple[str | None, str], list[float]] = {}
    for row in rows:
        for unit, column in _WIDTHS.items():
            if row[column] is not None:
                found.setdefault((row["telescope"], unit), []).append(row[column])
    return {k: median(v) for k, v in found.items() if len(v) >= const.ARCHIVE_FEWEST_FOR_WIDE}


def _count(items: Iterable[str]) -> dict[str, int]:
    return dict(Counter(items).most_common())
