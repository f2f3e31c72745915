"""Pages of a comparison, an acceptance, an archive and a watch: facts in order for templates."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import ceil, isfinite
from pathlib import Path
from typing import Any

import numpy as np

from blursplit import constants as const
from blursplit.campaign.accept import Acceptance, Judgement
from blursplit.campaign.compare_record import NAMES, Comparison, Side, cell95, probability95
from blursplit.campaign.live import ModeChange, Update
from blursplit.campaign.store import (
    QUANTITIES,
    TRENDED,
    UNDATED,
    ArchiveSummary,
    GroupSpread,
    Row,
    Store,
)
from blursplit.report import figures as draw
from blursplit.report import page_of
from blursplit.report.numbers import number, within
from blursplit.report.words import sentence
from blursplit.result import Result
from blursplit.series import Series

Night = tuple[Result, Series | None]

_STEP_PX = const.PLOT_ROW_PX + const.PLOT_SCALE_PX // 2  # from one labelled interval to the next

# A page that changes by itself can be held: a reader, or a screen reader, may need longer for it.
_RENEW = """const hold = document.getElementById("hold");
setInterval(() => { if (!hold.checked) location.reload(); }, 1000 * hold.dataset.seconds);"""


def _side_texts(side: Side) -> list[str]:
    """Return each run of a side by its name and when it began."""
    return [
        f"{name or 'unnamed'}, {start[:19].replace('T', ' ')} UTC" if start else name or "unnamed"
        for name, start in zip(side.names, side.start_utc, strict=True)
    ]


# --- intervals on one axis -----------------------------------------------------------------------


class _Axis:
    """From values to per cent of a plot's width."""

    def __init__(self, values: Sequence[float | None]) -> None:
        known = [v for v in values if v is not None and isfinite(v)] or [0.0]
        low, high = min(0.0, *known), max(0.0, *known)
        self.low = low * 1.08
        self.high = high * 1.08 if high > low else low + 1.0

    def at(self, value: float) -> float:
        """Return a place; beyond the ends of the axis it stops there."""
        share = (value - self.low) / (self.high - self.low) if isfinite(value) else float(value > 0)
        return round(100.0 * min(max(share, 0.0), 1.0), 2)

    def area(self, kind: str, low: float, high: float, top: int, height: int) -> dict[str, Any]:
        """Return a shaded stretch of the axis."""
        x, end = self.at(low), self.at(high)
        return {"kind": kind, "x": x, "width": round(end - x, 2), "y": top, "height": height}

    def row(
        self, at: int, value: float | None, low: float | None, high: float | None, label: str = ""
    ) -> dict[str, Any]:
        """Return an interval with its value; an end that lies at infinity has no stop."""
        ends = [self.at(e) for e in (low, high) if e is not None and isfinite(e)]
        row = {"y": at, "label": label, "ends": ends}
        row["value"] = None if value is None else self.at(value)
        row["low"] = None if low is None else self.at(low)
        row["high"] = None if low is None else self.at(float("inf") if high is None else high)
        return row

    def mark(self, value: float, label: str, kind: str = "") -> dict[str, Any]:
        """Return an upright line with its label below."""
        x = self.at(value)
        edge, other = 12, 88  # per cent within which a label would leave the plot
        anchor = "start" if x < edge else "end" if x > other else "middle"
        return {"x": x, "label": label, "kind": kind, "top": 0, "anchor": anchor}


def _limit_plot(j: Judgement) -> dict[str, Any] | None:
    """Return the interval of a limit: what is allowed shaded, the limit marked."""
    edges = [e for e in (j.at_least, j.at_most) if e is not None]
    if j.low95 is None and j.high95 is None:
        return None
    axis = _Axis([j.low95, j.high95, j.value, *edges])
    height = const.PLOT_ROW_PX + const.PLOT_SCALE_PX
    low = axis.low if j.at_least is None else j.at_least
    high = axis.high if j.at_most is None else j.at_most
    marks = [axis.mark(e, f"limit {e:g} {j.unit}".rstrip(), "limit") for e in edges]
    room = 30  # per cent, for the zero beside the limit's label
    if all(m["x"] > room for m in marks):
        marks.append(axis.mark(0.0, "0"))
    return {
        "text": f"{j.name or j.key}: {j.measured}; limit: {j.limit}",
        "height": height,
        "areas": [axis.area("allowed", low, high, 0, const.PLOT_ROW_PX)],
        "marks": marks,
        "rows": [axis.row(const.PLOT_ROW_PX // 2, j.value, j.low95, j.high95)],
    }


# --- acceptance ----------------------------------------------------------------------------------


def acceptance_page(acceptance: Acceptance) -> str:
    """Return the page of an acceptance: to be printed on A4, signed and filed."""
    a = acceptance
    lengths = [r.duration_s for r in a.runs if r.duration_s]
    days = sorted({r.start_utc.partition("T")[0] for r in a.runs if r.start_utc})
    facts = {
        "Telescope": a.telescope or "not stated in the recordings",
        "Recorded": ", ".join(days) or "time unknown",
        "Runs": f"{len(a.runs)}" + (f", {sum(lengths):.3g} s in all" if lengths else ""),
        "Limits hold for exposures of": f"{a.blur_time_s:g} s" if a.blur_time_s else "any length",
        "Judged": a.judged_utc or "time not noted",
    }
    runs = [
        {
            "name": ", ".join(dict.fromkeys(t for t in (r.object, r.name) if t)) or "unnamed",
            "begun": (r.start_utc or "unknown").partition(".")[0].replace("T", " "),
            "frames": r.frames_used,
            "stars": r.stars_used,
            "length": f"{r.duration_s:.3g} s" if r.duration_s else "unknown",
            "digest": r.digest[: const.DIGEST_SHOWN],
        }
        for r in a.runs
    ]
    digests = [("the limits", a.limits_digest), ("the tap result", a.tap_digest)]
    order = {"fail": 0, "not shown": 1, "pass": 2}
    return page_of(
        "accept.html",
        f"{a.title}: {a.state}",
        a=a,
        said=sentence(f"accept-{a.state.replace(' ', '-')}"),
        facts=facts.items(),
        limits=[
            {"row": j, "plot": _limit_plot(j), "bands": j.bands if hidden else []}
            for j in sorted(a.judgements, key=lambda j: order[j.state])
            for hidden in (not all(b.shown for b in j.bands),)
        ],
        runs=runs,
        digests=[(name, digest[: const.DIGEST_SHOWN]) for name, digest in digests if digest],
    )


# --- comparison ----------------------------------------------------------------------------------


def comparison_page(
    comparison: Comparison, before: Sequence[Night] = (), after: Sequence[Night] = ()
) -> str:
    """Return the page of a comparison; the runs compared give the pictures."""
    c = comparison
    found, absent = c.rows()
    series = [[s for _, s in side if s is not None] for side in (before, after)]
    return page_of(
        "compare.html",
        c.headline or "Before against after",
        c=c,
        stars=_air_stars(c, before, after),
        plot=_change_plot(c),
        spectra=_side_spectra(c, *series),
        runs=[("Before", _side_texts(c.before)), ("After", _side_texts(c.after))],
        rows=found,
        absent=absent,
        lines=[
            {
                "number": k,
                "state": line.state,
                "hz": [str(cell95(line.before_hz)), str(cell95(line.after_hz))],
                "rms": [str(cell95(line.before_rms_arcsec)), str(cell95(line.after_rms_arcsec))],
                "reason": line.reason,
            }
            for k, line in enumerate(c.lines, start=1)
        ],
        probability=c.common_air and probability95(c.common_air.probability_smaller),
    )


def _air_stars(
    c: Comparison, before: Sequence[Night], after: Sequence[Night]
) -> list[dict[str, Any]]:
    """Return both sides' recorded stars, each drawn at its width in the common air."""
    if c.common_air is None:
        return []
    found = []
    for label, side, width in (
        ("Before", before, c.common_air.before_arcsec),
        ("After", after, c.common_air.after_arcsec),
    ):
        run = next((n for n in side if n[1] is not None and "recorded" in n[1].images), None)
        star: dict[str, Any] = {"label": label, "width": cell95(width)}
        found.append(star)
        if run is None or run[1] is None or not run[1].image_scale_arcsec or not width.value:
            continue
        own = run[0].fwhm.recorded_arcsec
        if own is None or not own.value:
            continue
        star["image"] = np.asarray(run[1].images["recorded"], dtype=float)
        star["scale"] = run[1].image_scale_arcsec * width.value / own.value
    drawn = [star for star in found if "image" in star]
    widths = [star.value for star in (c.common_air.before_arcsec, c.common_air.after_arcsec)]
    half = 1.6 * max(w or 0.0 for w in widths)  # of the wider star, with some dark around
    for k, star in enumerate(drawn):
        with draw.figure_style():
            figure = draw.draw_star(
                star["image"], pixel_scale_arcsec=star["scale"], half_size=half, label=False
            )
            text = f"{star['label']}: FWHM {star['width'].value} arcsec; the ring is half maximum."
            star["svg"] = draw.svg_text(figure, f"side-{k}", star["label"], text)
        star["bar"] = f"{draw.bar_length(half):g} arcsec"
    return found


def _change_plot(c: Comparison) -> dict[str, Any] | None:
    """Return before, after and change on one axis, with zero and the smallest visible change."""
    keys = ("structure.rms_major_arcsec", "motion.common_rms_px")
    change = next((found for key in keys if (found := c.changes.get(key)) is not None), None)
    if change is None:
        return None
    name, unit = NAMES[change.key]
    rows = [("Before", change.before), ("After", change.after), ("Change", change.difference)]
    bars = [(f"{t} {cell95(e, signed=t == 'Change')}", e.value, *e.ends95) for t, e in rows]
    blind = change.smallest_change
    axis = _Axis([-blind, blind, *(end for _, _, *ends in bars for end in ends)])
    return {
        "title": f"{name[0].upper()}{name[1:]} [{unit}]",
        **_bars(axis, bars, unit),
        "areas": [axis.area("blind", -blind, blind, 2 * _STEP_PX + const.PLOT_ROW_PX - 11, 14)],
        "smallest": f"{blind:.2g} {unit}",
    }


def _bars(
    axis: _Axis, rows: Sequence[tuple[str, float | None, float | None, float | None]], unit: str
) -> dict[str, Any]:
    """Return labelled intervals below each other, with zero and the end of the axis marked."""
    top = axis.high / 1.08
    return {
        "text": "; ".join(f"{label} {unit}" for label, *_ in rows),
        "height": len(rows) * _STEP_PX + const.PLOT_SCALE_PX,
        "areas": [],
        "marks": [axis.mark(0.0, "0"), axis.mark(top, f"{top:.2g} {unit}")],
        "rows": [
            axis.row(_STEP_PX * k + const.PLOT_ROW_PX - 4, value, low, high, label)
            for k, (label, value, low, high) in enumerate(rows)
        ],
    }


def _side_spectra(c: Comparison, before: list[Series], after: list[Series]) -> str:
    sides = [[s for s in side if draw.shared_density(s) is not None] for side in (before, after)]
    if not (sides[0] and sides[1]):
        return ""
    marks = [
        (hz.value, str(k))
        for k, line in enumerate(c.lines, start=1)
        if (hz := line.before_hz or line.after_hz) is not None and hz.value
    ]
    with draw.figure_style():
        figure = draw.draw_spectra_of_sides(sides[0], sides[1], marks)
        text = "Density of the shared motion before (thick) and after (thin); lines are numbered."
        return draw.svg_text(figure, "sides", "Shared motion, before and after", text)


# --- archive -------------------------------------------------------------------------------------


def archive_page(
    summary: ArchiveSummary, rows: Sequence[Row], title: str, results: Path | None = None
) -> str:
    """Return the summary page of an archive.

    `rows`: rows of the store's view ``measurements``, for figures and list. `results`: folder with
    a result folder a sequence, named by its key, to which the page links.
    """
    rows = Store.with_unscaled(rows)

    def link(key: str) -> str:
        page = None if results is None else (results / key / "index.html").resolve()
        return page.as_uri() if page is not None and page.is_file() else ""

    return page_of(
        "archive.html",
        summary.headline or title,
        s=summary,
        title=title,
        picks=[{"pick": p, "link": link(p.key)} for p in summary.worth_opening],
        groups=[
            {"heading": heading, "table": _spreads([*groups, summary.overall], head)}
            for heading, head, groups in (
                ("Nights", "night", summary.nights),
                ("Side of the pier", "side", summary.pier_sides),
                ("Direction of the sky", "direction", summary.azimuths),
            )
            if groups
        ],
        figures=list(_figures(rows)),
        trends=[
            (
                QUANTITIES[t.quantity].partition(" [")[0],
                TRENDED[t.condition],
                str(t.sequences),
                f"{t.rank_correlation:+.2f} ({t.low95:+.2f} to {t.high95:+.2f})",
            )
            for t in summary.trends
        ],
        undated=[r["name"] for r in rows if r["night"] is None],
        listed=[
            {
                "name": r["name"].removesuffix(r["start_utc"] or "").strip() or r["name"],
                "begun": (r["start_utc"] or UNDATED).partition(".")[0].replace("T", " "),
                "width": _width(r),
                "link": link(r["key"]),
            }
            for r in rows[: const.ARCHIVE_LISTED]
        ],
        rest=max(len(rows) - const.ARCHIVE_LISTED, 0),
    )


def _width(row: Row) -> str:
    for column, unit in (("recorded_fwhm_arcsec", "arcsec"), ("unscaled_fwhm_px", "px")):
        if row[column] is not None:
            ends = [row[f"{column}_{end}"] for end in ("low", "high")]
            if None in ends:
                return f"{number(row[column])} {unit} (interval not known)"
            value, low, high = within(row[column], *ends)
            return f"{value} {unit} ({low} to {high})"
    return "-"


def _figures(rows: Sequence[Row]) -> Iterator[dict[str, str]]:
    for quantity, colour in _DRAWN.items():
        for condition in (*TRENDED, "azimuth_deg"):
            known = [r for r in rows if r[condition] is not None]
            points = [(r[condition], r[quantity]) for r in known if r[quantity] is not None]
            limits = [
                (r[condition], r[f"{quantity}_high"])
                for r in known
                if r[quantity] is None and r[f"{quantity}_high"] is not None
            ]
            if len(points) + len(limits) < 3:  # noqa: PLR2004 - two points are no picture
                continue
            label = TRENDED.get(condition, "azimuth [deg]")
            stride = ceil((len(points) + len(limits)) / const.SCATTER_POINTS)
            captions = [f"One sequence in {stride} is drawn."] if stride > 1 else []
            captions += ["Triangles are upper limits."] if limits else []
            title = f"{QUANTITIES[quantity]} against {label}, {len(points) + len(limits)} sequences"
            kept = points[::stride], limits[::stride]
            with draw.figure_style():
                figure = draw.draw_scatter(*kept, label, QUANTITIES[quantity], colour)
                svg = draw.svg_text(figure, f"{quantity}-{condition}", title, " ".join(captions))
            yield {"svg": svg, "caption": " ".join(captions)}


def _spreads(groups: Sequence[GroupSpread], head: str) -> dict[str, Any]:
    used = [q for q in QUANTITIES if any(q in g.spreads for g in groups)]
    days = any(g.julian_day is not None for g in groups)
    heads = [head, *(["Julian day"] if days else []), "sequences", *(QUANTITIES[q] for q in used)]
    rows = [
        [
            g.label,
            *([str(g.julian_day or "-")] if days else []),
            str(g.sequences),
            *[s.text if (s := g.spreads.get(q)) else "-" for q in used],
        ]
        for g in groups
    ]
    caption = "Median, and the middle 68 % of the sequences."
    return {"caption": caption, "columns": heads, "rows": rows}


_DRAWN = {
    "recorded_fwhm_arcsec": "recorded",
    "unscaled_fwhm_px": "recorded",
    "seeing_500nm_zenith_arcsec": "atmosphere",
    "structure_rms_arcsec": "structure",
    "tracking_rms_arcsec": "tracking",
}


# --- watch ---------------------------------------------------------------------------------------


def live_page(
    title: str,
    update: Update,
    notes: Sequence[str],
    *,
    renew_s: float | None,
    result_page: str = "",
    cautions: Sequence[str] = (),
) -> str:
    """Return a page that a browser reads again from disk every few seconds, unless it is held.

    `renew_s`: None for the last state. `result_page`: where the whole result is. `cautions`: where
    somebody works on the telescope meanwhile.
    """
    return page_of(
        "watch.html",
        title,
        script="" if renew_s is None else _RENEW,
        title=title,
        ended=update.ended,
        renew_s=renew_s,
        result_page=result_page,
        lines=update.lines() or ["No frames yet."],
        plot=_mode_plot(update.changes),
        cautions=cautions,
        notes=notes[-20:],
    )


def _mode_plot(changes: Sequence[ModeChange]) -> dict[str, Any] | None:
    if not changes:
        return None
    rows = [
        (f"{number(one.frequency_hz, 4)} Hz {when}: {size.text(one.unit)}", size)
        for one in changes
        for when, size in (("before", one.before), ("now", one.now))
    ]
    bars = [(label, size.value, size.low95, size.high95) for label, size in rows]
    return _bars(_Axis([size.high95 for _, size in rows]), bars, changes[0].unit)
