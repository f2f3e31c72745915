"""A scatter plot as SVG text in the page's own colours."""

from __future__ import annotations

from html import escape

from blursplit.constants import (
    SCATTER_BOTTOM,
    SCATTER_HEIGHT,
    SCATTER_LEFT,
    SCATTER_RIGHT,
    SCATTER_TOP,
    SCATTER_WIDTH,
)


def scatter_svg(
    points: list[tuple[float, float]],
    x_label: str,
    y_label: str,
    colour_name: str,
    limits: list[tuple[float, float]] | None = None,
) -> str:
    """Return a scatter plot of (x, y) with a text for readers of the page who do not see it.

    Parameters
    ----------
    points : list of (x, y)
        Drawn as dots.
    x_label, y_label : str
        With units.
    colour_name : str
        Name of the palette, such as ``structure``.
    limits : list of (x, y), optional
        Upper limits, drawn as marks that point downward.

    Returns
    -------
    str
        An ``svg`` element; colours are CSS variables of the page.
    """
    everything = points + (limits or [])
    xs, ys = [p[0] for p in everything], [p[1] for p in everything]
    x_low, x_high = _range(xs)
    y_low, y_high = 0.0 if min(ys) >= 0 else _range(ys)[0], _range(ys)[1]

    def at(x: float, y: float) -> tuple[float, float]:
        return (
            SCATTER_LEFT
            + (x - x_low) / (x_high - x_low) * (SCATTER_WIDTH - SCATTER_LEFT - SCATTER_RIGHT),
            SCATTER_HEIGHT
            - SCATTER_BOTTOM
            - (y - y_low) / (y_high - y_low) * (SCATTER_HEIGHT - SCATTER_TOP - SCATTER_BOTTOM),
        )

    label = f"{escape(y_label)} against {escape(x_label)}, {len(everything)} sequences"
    box = f"0 0 {SCATTER_WIDTH} {SCATTER_HEIGHT}"
    parts = [
        f'<svg class="figure" viewBox="{box}" role="img" aria-label="{label}">',
    ]
    for value in _ticks(x_low, x_high):
        x, y = at(value, y_low)
        parts.append(_line(x, y, x, y + 5) + _text(x, y + 18, f"{value:g}", "middle"))
    for value in _ticks(y_low, y_high):
        x, y = at(x_low, value)
        parts.append(_line(x - 5, y, x, y) + _text(x - 8, y + 4, f"{value:g}", "end"))
    corner_x, corner_y = at(x_low, y_low)
    parts.append(_line(corner_x, corner_y, SCATTER_WIDTH - SCATTER_RIGHT, corner_y))
    parts.append(_line(corner_x, SCATTER_TOP, corner_x, corner_y))
    parts.append(_text((SCATTER_LEFT + SCATTER_WIDTH) / 2, SCATTER_HEIGHT - 8, x_label, "middle"))
    middle = (SCATTER_TOP + SCATTER_HEIGHT - SCATTER_BOTTOM) / 2
    parts.append(
        f'<text transform="translate(13 {middle:.0f}) rotate(-90)" text-anchor="middle" '
        f'font-size="12" fill="currentColor">{escape(y_label)}</text>'
    )
    style = f'fill="var(--{escape(colour_name)})" fill-opacity="0.75"'
    for px, py in points:
        x, y = at(px, py)
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.2" {style}/>')
    for px, py in limits or []:
        x, y = at(px, py)
        parts.append(f'<path d="M{x - 4:.1f} {y:.1f}h8l-4 7z" {style} fill-opacity="0.4"/>')
    return "".join([*parts, "</svg>"])


def _range(values: list[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    margin = 0.06 * (high - low) or 0.1 * abs(high) or 1.0
    return low - margin, high + margin


def _ticks(low: float, high: float) -> list[float]:
    from math import ceil, floor, log10

    rough = (high - low) / 5
    base = 10.0 ** floor(log10(rough))
    step = next(base * m for m in (1, 2, 5, 10) if base * m >= rough)
    first = ceil(low / step)
    return [round(k * step, 10) for k in range(first, floor(high / step) + 1)]


def _line(x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="currentColor"/>'


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="12" '
        f'fill="currentColor">{escape(text)}</text>'
    )
