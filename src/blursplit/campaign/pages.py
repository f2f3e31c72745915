"""Pages of a comparison, an acceptance and an archive; every text from outside is escaped."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from blursplit.campaign.compare_record import cell95, change_rows, probability95, side_texts
from blursplit.campaign.scatter import scatter_svg
from blursplit.campaign.summary import CONDITIONS, QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from blursplit.campaign.accept import Acceptance
    from blursplit.campaign.compare_record import Comparison
    from blursplit.campaign.summary import ArchiveSummary, GroupSpread, Row, Spread
    from blursplit.estimate import Estimate

_COLOURS = {"tracking": "tracking", "structure": "structure", "open": "unassigned",
            "instrument": "instrument", "recorded": "recorded"}  # fmt: skip
_SIGN = """
<h2>Signatures</h2>
<p>The numbers above were measured by software from the named recording. Whether the telescope
is accepted is decided by those who sign.</p>
<table class="signatures"><tbody>
<tr><th scope="row" style="width:9rem;padding-top:2.6rem">Measured by</th>
<td style="width:16rem"></td><th scope="row" style="padding-top:2.6rem">Date</th>
<td style="width:9rem"></td></tr>
<tr><th scope="row" style="padding-top:2.6rem">Accepted by</th><td></td>
<th scope="row" style="padding-top:2.6rem">Date</th><td></td></tr>
<tr><th scope="row" style="padding-top:2.6rem">Remarks</th><td colspan="3"></td></tr>
</tbody></table>
"""
_STATE_TEXT = {
    "pass": "All limits are kept.",
    "fail": "At least one limit is not kept.",
    "not shown": "No limit is broken, but these data do not show that all are kept.",
}


def acceptance_page(acceptance: Acceptance) -> str:
    """Return the page of an acceptance: to be printed on A4, signed and filed."""
    a = acceptance
    rows = [
        [
            _named(j.name, j.key),
            escape(j.limit),
            escape(j.measured),
            f"<strong>{escape(j.state)}</strong>",
            escape(j.reason) + (f"<br><span class='small'>{escape(j.why)}</span>" if j.why else ""),
        ]
        for j in a.judgements
    ]
    blur = "not stated" if a.blur_time_s is None else f"{a.blur_time_s:g} s"
    facts = [
        f"Telescope: {a.telescope or 'not stated'}",
        "Recording: " + (", ".join(t for t in (a.object, a.sequence) if t) or "unnamed"),
        f"Begun: {a.start_utc} UTC" if a.start_utc else "Begun: time unknown",
        *([f"{a.frames_used} frames, {a.stars_used} stars"] if a.frames_used else []),
        *([f"Length: {a.duration_s:.4g} s"] if a.duration_s else []),
        f"Limits hold for an exposure of {blur}",
    ]
    body = (
        f"<h1>{escape(a.title)}</h1><p class='verdict'>{_STATE_TEXT[a.state]}</p>"
        + _facts(facts)
        + "<h2>Limits</h2>"
        + _table(["Limit on", "Limit", "Measured", "Judged", "Because"], rows)
        + "<p class='small'>Pass: the whole 95 % interval lies inside the limit. Fail: the whole "
        "interval lies outside. Not shown: neither; a longer or better recording may decide.</p>"
        "<div class='caution' role='note'><p>This judges the motion of star images. It certifies "
        "neither strength nor safety: loads, anchors, lifting and wiring are for licensed people "
        "and local codes.</p></div>"
        + _SIGN
        + f"<p class='small'>Made by blursplit {escape(a.version)}"
        + (f" from <code>{escape(a.command)}</code>" if a.command else "")
        + ".</p>"
    )
    return _shell(f"{a.title}: {a.state}", body)


def comparison_page(comparison: Comparison) -> str:
    """Return the page of a comparison."""
    c = comparison
    found, absent = change_rows(c)
    rows = [
        [
            _named(f"{r.name} [{r.unit}]", r.key),
            escape(str(r.before)),
            escape(str(r.after)),
            escape(str(r.change)),
            escape(r.probability),
            r.smallest + (f"<br><span class='small'>{escape(r.note)}</span>" if r.note else ""),
        ]
        for r in found
    ]
    body = (
        f"<h1>Before against after</h1><p class='verdict'>{escape(c.statement)}</p>"
        + _facts([f"Before: {t}" for t in side_texts(c.before)])
        + _facts([f"After: {t}" for t in side_texts(c.after)])
        + _warnings([w.text for w in c.warnings])
        + "<h2>What changed</h2>"
        + _table(
            [
                "Quantity",
                "Before",
                "After",
                "Change",
                "Probability that it became smaller",
                "Smallest change these data could show",
            ],
            rows,
        )
        + "<p class='small'>Brackets hold 95 %. A change of the smallest size named would have "
        "been told from none four times in five.</p>"
        + (
            f"<p class='small'>Not compared, for want of a value on each side: "
            f"{escape('; '.join(absent))}.</p>"
            if absent
            else ""
        )
    )
    if c.common_air is not None:
        air = c.common_air
        body += (
            "<h2>In the same air</h2><p>In a seeing of "
            f"{air.seeing_500nm_zenith_arcsec:.2f} arcsec the recorded FWHM would be "
            f"{cell95(air.before_arcsec)} arcsec before and {cell95(air.after_arcsec)} arcsec "
            "after; probability that it became smaller "
            f"{escape(probability95(air.probability_smaller))}.</p>"
            f"<p class='small'>{escape(air.method)}</p>"
        )
    if c.lines:
        line_rows = [
            [
                escape(line.state),
                _text95(line.before_hz),
                _text95(line.after_hz),
                _text95(line.before_rms_arcsec),
                _text95(line.after_rms_arcsec),
                escape(line.reason),
            ]
            for line in c.lines
        ]
        heads = ["Line", "Before [Hz]", "After [Hz]", "Before, rms [arcsec]",
                 "After, rms [arcsec]", "Because"]  # fmt: skip
        body += "<h2>Lines of the spectrum</h2>" + _table(heads, line_rows)
    return _shell("Before against after", body)


def archive_page(summary: ArchiveSummary, rows: Sequence[Row], title: str) -> str:
    """Return the summary page of an archive.

    Parameters
    ----------
    summary : ArchiveSummary
    rows : sequence of dict
        Rows of the store's view ``measurements``, for the figures.
    title : str
    """
    counts = summary.sequences
    facts = [
        f"{counts.get('done', 0)} sequences measured",
        f"{counts.get('failed', 0)} failed",
        f"{counts.get('too short', 0)} too short",
        f"files that could not be read: {summary.refused_files}",
    ]
    body = f"<h1>{escape(title)}</h1>" + _facts(facts)
    body += "<h2>Worth opening</h2>"
    if summary.worth_opening:
        picks = [
            [
                escape(p.name),
                escape(p.start_utc or "unknown"),
                escape("; ".join(p.reasons)),
                f"<span class='code'>{escape(p.first_file)}</span>",
            ]
            for p in summary.worth_opening
        ]
        body += _table(["Sequence", "Begun [UTC]", "Because", "First file"], picks)
    else:
        body += "<p>No sequence stands out by tracking or structure.</p>"
    for heading, groups in (
        ("Nights", summary.nights),
        ("Side of the pier", summary.pier_sides),
        ("Direction of the sky", summary.azimuths),
    ):
        if groups:
            body += f"<h2>{heading}</h2>" + _spreads([*groups, summary.overall])
    body += _figures(rows)
    if summary.trends:
        trends = [
            [
                escape(QUANTITIES[t.quantity]),
                escape(CONDITIONS[t.condition]),
                str(t.sequences),
                f"{t.rank_correlation:+.2f} ({t.low95:+.2f} to {t.high95:+.2f})",
            ]
            for t in summary.trends
        ]
        heads = ["Quantity", "Against", "Sequences", "Rank correlation, 95 %"]
        body += "<h2>Trends</h2>" + _table(heads, trends)
        body += (
            "<p class='small'>A correlation is no cause, and among many correlations one in "
            "twenty lies beyond its 95 % interval by chance.</p>"
        )
    if summary.failures:
        failed = [[escape(reason), str(n)] for reason, n in summary.failures.items()]
        body += "<h2>What failed</h2>" + _table(["Reason", "Sequences"], failed)
    return _shell(title, body)


def _figures(rows: Sequence[Row]) -> str:
    figures = []
    for quantity in ("recorded_fwhm_arcsec", "seeing_500nm_zenith_arcsec",
                     "structure_rms_arcsec", "tracking_rms_arcsec"):  # fmt: skip
        for condition in (*CONDITIONS, "azimuth_deg"):
            known = [r for r in rows if r[condition] is not None]
            points = [(r[condition], r[quantity]) for r in known if r[quantity] is not None]
            limits = [
                (r[condition], r[f"{quantity}_high"])
                for r in known
                if r[quantity] is None and r[f"{quantity}_high"] is not None
            ]
            if len(points) + len(limits) < 3:  # noqa: PLR2004 - two points are no picture
                continue
            label = CONDITIONS.get(condition, "azimuth [deg]")
            colour = _COLOURS.get(quantity.partition("_")[0], "atmosphere")
            svg = scatter_svg(points, label, f"{QUANTITIES[quantity]} [arcsec]", colour, limits)
            caption = f"{QUANTITIES[quantity]} against {label}"
            if limits:
                caption += "; triangles are upper limits"
            figures.append(
                f"<figure class='plot card'>{svg}"
                f"<figcaption>{escape(caption)}</figcaption></figure>"
            )
    return (
        f"<h2>Against the conditions</h2><div class='pair'>{''.join(figures)}</div>"
        if (figures)
        else ""
    )


def _spreads(groups: list[GroupSpread]) -> str:
    used = [q for q in QUANTITIES if any(q in g.spreads for g in groups)]
    rows = [
        [escape(g.label), str(g.sequences), *[_spread(g.spreads.get(q)) for q in used]]
        for g in groups
    ]
    heads = ["", "Sequences", *[f"{QUANTITIES[q]} [arcsec]" for q in used]]
    return _table(heads, rows) + (
        "<p class='small'>Median and the range of the middle 68 % of the sequences, which is their "
        "spread and not the error of one; (one): a single sequence. Upper limits rank below all "
        "values.</p>"
    )


def _spread(spread: Spread | None) -> str:
    if spread is None:
        return "-"
    if spread.median is None:
        return f"limits in {spread.limits} of {spread.limits + spread.values}"
    if spread.values + spread.limits == 1:
        return f"{spread.median:.2f} (one)"
    low = "limit" if spread.low is None else f"{spread.low:.2f}"
    high = "limit" if spread.high is None else f"{spread.high:.2f}"
    return f"{spread.median:.2f} ({low} to {high})"


def _text95(estimate: Estimate | None) -> str:
    return escape(str(cell95(estimate)))


def _named(name: str, key: str) -> str:
    """Return a name for people with the key of the file below it, or the key alone."""
    shown = f"{escape(name)}<br>" if name else ""
    return f"{shown}<span class='code small'>{escape(key)}</span>"


def _facts(facts: Iterable[str]) -> str:
    return "<ul class='facts'>" + "".join(f"<li>{escape(f)}</li>" for f in facts) + "</ul>"


def _warnings(texts: list[str]) -> str:
    if not texts:
        return ""
    return "<div class='caution'>" + "".join(f"<p>{escape(t)}</p>" for t in texts) + "</div>"


def _table(heads: list[str], rows: list[list[str]]) -> str:
    """Return a table; heads are plain text, cells ready HTML."""
    head = "".join(f"<th scope='col'>{escape(h)}</th>" for h in heads)
    body = "".join(
        "<tr>"
        + "".join(
            f"<td data-label='{escape(h, quote=True)}'>{cell}</td>"
            for h, cell in zip(heads, row, strict=True)
        )
        + "</tr>"
        for row in rows
    )
    return (
        f"<div class='scroll'><table class='stacked'><thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table></div>"
    )


def _shell(title: str, body: str) -> str:
    from blursplit.report import page_shell

    return page_shell(title, body)
