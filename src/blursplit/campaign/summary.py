"""A store in numbers: nights, medians and spreads, trends, and what is worth opening."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from blursplit.constants import ARCHIVE_WORTH_SHARE, FEWEST_FOR_TREND, MANY_SEQUENCES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from blursplit.campaign.store import Store

ARCHIVE_SCHEMA = "blursplit-archive/1"
Row = dict[str, Any]

QUANTITIES: dict[str, str] = {
    "recorded_fwhm_arcsec": "Recorded FWHM",
    "seeing_500nm_zenith_arcsec": "Seeing, 500 nm and zenith",
    "atmosphere_fwhm_arcsec": "Atmosphere's own FWHM",
    "tracking_rms_arcsec": "Tracking, rms",
    "structure_rms_arcsec": "Structure, rms",
    "open_rms_arcsec": "Shared, cause open, rms",
    "instrument_fwhm_arcsec": "Instrument, FWHM",
}
CONDITIONS: dict[str, str] = {
    "airmass": "airmass",
    "wind_m_s": "wind [m/s]",
    "temperature_c": "temperature [C]",
}


class _Part(BaseModel):
    model_config = ConfigDict(extra="ignore", allow_inf_nan=False)


class Spread(_Part):
    """Median and 16 to 84 % range over sequences; null where that rank is only a limit."""

    median: float | None
    low: float | None
    high: float | None
    values: int
    limits: int


class GroupSpread(_Part):
    """Spreads of all quantities over the sequences of one night, pier side or quarter."""

    label: str
    sequences: int
    spreads: dict[str, Spread]


class Trend(_Part):
    """Rank correlation of a quantity with a condition (Spearman) and its 95 % interval."""

    quantity: str
    condition: str
    sequences: int
    rank_correlation: float
    low95: float
    high95: float


class Pick(_Part):
    """A sequence worth opening, and why."""

    key: str
    name: str
    first_file: str
    start_utc: str | None
    reasons: list[str]


class ArchiveSummary(_Part):
    """A store in numbers."""

    schema_: str = Field(default=ARCHIVE_SCHEMA, alias="schema")
    sequences: dict[str, int]
    refused_files: int
    settings: str = ""
    overall: GroupSpread
    nights: list[GroupSpread]
    pier_sides: list[GroupSpread]
    azimuths: list[GroupSpread]
    trends: list[Trend]
    worth_opening: list[Pick]
    failures: dict[str, int]
    mechanics_matters: dict[str, int]

    model_config = ConfigDict(extra="ignore", allow_inf_nan=False, populate_by_name=True)

    def to_json(self) -> str:
        """Return the record as JSON text."""
        return self.model_dump_json(by_alias=True, indent=2) + "\n"


def summarize_store(store: Store, settings: str | None = None) -> ArchiveSummary:
    """Return a store in numbers.

    Parameters
    ----------
    store : Store
    settings : str, optional
        Only the rows of one setup and blur time (column ``settings``); default all rows.

    Returns
    -------
    ArchiveSummary
    """
    everything = _of(store.rows("sequences"), settings)
    rows = _of(store.rows("measurements"), settings)
    return ArchiveSummary(
        sequences={s: sum(r["status"] == s for r in everything) for s in _STATES},
        refused_files=len(store.rows("refused_files")),
        settings=settings or "",
        overall=_group("all sequences", rows),
        nights=_groups(rows, lambda r: r["night"]),
        pier_sides=_groups(rows, lambda r: r["pier_side"]),
        azimuths=_groups(rows, lambda r: _quarter(r["azimuth_deg"])),
        trends=[t for q in QUANTITIES for c in CONDITIONS if (t := _trend(rows, q, c))],
        worth_opening=_picks(rows),
        failures=_count(r["reason"] for r in everything if r["status"] == "failed"),
        mechanics_matters=_count(r["mechanics_matters"] or "not asked" for r in rows),
    )


_STATES = ("done", "failed", "too short")


def _of(rows: list[Row], settings: str | None) -> list[Row]:
    return [r for r in rows if settings is None or r["settings"] == settings]


def _groups(rows: list[Row], label: Callable[[Row], str | None]) -> list[GroupSpread]:
    names = sorted({name for r in rows if (name := label(r)) is not None})
    return [_group(name, [r for r in rows if label(r) == name]) for name in names]


def _group(label: str, rows: list[Row]) -> GroupSpread:
    spreads = {q: s for q in QUANTITIES if (s := spread(rows, q)) is not None}
    return GroupSpread(label=label, sequences=len(rows), spreads=spreads)


def spread(rows: list[Row], quantity: str) -> Spread | None:
    """Return median and range of a quantity; upper limits rank below all values.

    Returns
    -------
    Spread or None
        None where no sequence knows the quantity.
    """
    values = sorted(r[quantity] for r in rows if r[quantity] is not None)
    limits = sum(r[quantity] is None and r[f"{quantity}_high"] is not None for r in rows)
    if not values and not limits:
        return None
    padded = np.array([np.nan] * limits + values)
    ends = [_ranked(padded, q) for q in (0.5, 0.1587, 0.8413)]
    return Spread(median=ends[0], low=ends[1], high=ends[2], values=len(values), limits=limits)


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
    if len(pairs) < FEWEST_FOR_TREND or np.ptp(x) == 0 or np.ptp(y) == 0:
        return None
    rho = float(spearmanr(x, y).statistic)
    # Fieller, Hartley & Pearson 1957, Biometrika 44, 470: variance 1.06/(n - 3) (from memory).
    half = 1.959964 * np.sqrt(1.06 / (len(pairs) - 3))
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
    """Return the sequences whose cure would save most, then those with odd verdicts."""
    scored = []
    for row in rows:
        reasons, score = [], 0.0
        width = row["recorded_fwhm_arcsec"]
        for cause in ("structure", "tracking"):
            saved, low = row[f"{cause}_saving_arcsec"], row[f"{cause}_saving_arcsec_low"]
            if width and saved and low and saved > ARCHIVE_WORTH_SHARE * width and low > 0:
                reasons.append(f"{cause} costs {saved:.2g} of {width:.2g} arcsec FWHM")
                score = max(score, saved / width)
        if row["mechanics_matters"] == "yes":
            reasons.append("drive and structure together are worth curing")
            score = max(score, ARCHIVE_WORTH_SHARE)
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
    return [pick for _, pick in scored[:MANY_SEQUENCES]]


def _count(items: Iterable[str]) -> dict[str, int]:
    found: dict[str, int] = {}
    for item in items:
        found[item] = found.get(item, 0) + 1
    return dict(sorted(found.items(), key=lambda pair: -pair[1]))
