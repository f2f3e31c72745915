"""What a watch says while frames arrive: lines for a terminal, and a page that renews itself."""

from __future__ import annotations

import html
import math
from collections.abc import Iterable

from blursplit.campaign.live import Interval, ModeChange, SoFar
from blursplit.report import page_shell
from blursplit.report.words import number, tied

__all__ = ["LIVE_CAUTIONS", "live_lines", "render_live_page"]

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
    found: SoFar, changes: Iterable[ModeChange] = (), fit: tuple[float, str] | None = None
) -> list[str]:
    """Return what is known so far, a sentence a line; every number with unit and interval.

    `fit` is the length of the part that was fitted as a whole [s], and what the fit says of it.
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
    if fit is not None:
        lines.insert(0, f"the first {number(fit[0])} s, fitted: {fit[1].rstrip('.')}")
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
    fit: tuple[float, str] | None = None,
    ended: str = "",
    result_page: str = "",
    with_cautions: bool = False,
) -> str:
    """Return a page without scripts that a browser reads again from disk every few seconds.

    Parameters
    ----------
    title : str
    found : SoFar or None
        None while nothing was measured.
    changes : iterable of ModeChange
    notes : iterable of str
    renew_s : float or None
        None for the last state.
    fit : (float, str), optional
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
    lines = ["No frames yet."] if found is None else live_lines(found, changes, fit)
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
    page = page_shell(title, "\n".join(body))
    if renew_s is None:
        return page
    return page.replace("<head>", f'<head>\n<meta http-equiv="refresh" content="{renew_s:.0f}">', 1)


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
