"""Figures without pyplot: one palette, a canvas in our style, and SVG that follows the page.

A figure is drawn with the light colour of a name; `svg_text` then turns each into the CSS variable
of the same name, so that one drawing serves the light, the dark, the night and the printed page.
No meaning hangs on colour alone: each cause also has its own dash, since the night page has nothing
but shades of red. That page is dim on purpose: its text keeps a contrast of 3, hardly more, to
spare eyes that are used to the dark.
"""

from __future__ import annotations

import io
import itertools
import re
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial, wraps
from html import escape
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blursplit import constants as const
from blursplit.report.numbers import SUPERSCRIPTS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

P = ParamSpec("P")
R = TypeVar("R")

_HUES = {  # in the light, dark and night look
    "optics": ("#00806a", "#1fa588", "#6a0a00"),
    "base": ("#b9b4a6", "#4c5866", "#3a0600"),
    "open": ("#8a9099", "#c9ced6", "#5c0a00"),
    "paper": ("#f6f4ef", "#11161c", "#000000"),
    "panel": ("#fffefb", "#19212a", "#060000"),
    "ink": ("#1c2530", "#e6e9ec", "#c41800"),
    "muted": ("#55606c", "#a8b2bd", "#b81400"),
    "rule": ("#d5d1c7", "#36424f", "#360600"),
    "accent": ("#274b6d", "#a9c9e8", "#c81a00"),
    "atmosphere": ("#2a66a8", "#5c9fe8", "#a01600"),
    "tracking": ("#c96a00", "#f0a23a", "#cc2a0c"),
    "structure": ("#8c1f6b", "#cf5fae", "#781000"),
    "recorded": ("#1d2631", "#e5e8eb", "#c61800"),
    "caution": ("#fbf0d9", "#33291a", "#140200"),
    "overlay": ("#fdfdfd", "#fdfdfd", "#d02400"),
    "good": ("#1b6b3a", "#6fc58f", "#b81401"),
    "bad": ("#a3231a", "#f28b7d", "#c61a01"),
    "quiet": ("#98a1ab", "#647180", "#520900"),
    "ground": ("#000001", "#000001", "#8a0c00"),
}
LOOKS: dict[str, dict[str, str]] = {
    look: {name: hues[k] for name, hues in _HUES.items()}
    for k, look in enumerate(("light", "dark", "night"))
}


CAUSE_DASHES: dict[str, str | tuple[float, tuple[float, ...]]] = {
    "atmosphere": "-",
    "open": (0.0, (1.0, 2.5)),
    "tracking": (0.0, (6.0, 2.0)),
    "structure": (0.0, (2.0, 1.5)),
}


def colour(name: str) -> str:
    """Return the light colour of a name, which `svg_text` turns into a CSS variable."""
    return LOOKS["light"][name]


_COLOUR_NAMES = {value: name for name, value in LOOKS["light"].items()}


@contextmanager
def figure_style() -> Iterator[None]:
    """Set our style for figures made within; nothing stays changed afterwards."""
    import matplotlib as mpl

    light = LOOKS["light"]
    settings: Any = {
        "font.size": 11.2,
        "axes.edgecolor": light["muted"],
        "axes.labelcolor": light["ink"],
        "axes.facecolor": "none",
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.grid": True,
        "axes.axisbelow": True,
        "axes.unicode_minus": True,
        "figure.facecolor": "none",
        "grid.color": light["rule"],
        "grid.linewidth": 0.6,
        "legend.frameon": False,
        "legend.fontsize": 11.2,
        "lines.linewidth": 1.3,
        "path.simplify": True,
        "path.simplify_threshold": 0.3,
        "savefig.facecolor": "none",
        "svg.fonttype": "none",
        "svg.image_inline": True,
        "text.color": light["ink"],
        "text.parse_math": False,
        "xtick.color": light["muted"],
        "ytick.color": light["muted"],
        "xtick.labelcolor": light["ink"],
        "ytick.labelcolor": light["ink"],
    }
    with mpl.rc_context(settings):
        yield


def styled(draw: Callable[P, R]) -> Callable[P, R]:
    """Let a drawing function draw in our style; on axes of somebody's own it follows theirs."""

    @wraps(draw)
    def drawn(*given: P.args, **named: P.kwargs) -> R:
        from matplotlib.axes import Axes

        if any(isinstance(one, Axes) for one in (*given, *named.values())):
            return draw(*given, **named)
        with figure_style():
            return draw(*given, **named)

    return drawn


def axes_for(
    ax: Axes | None = None,
    width_in: float = const.FIGURE_IN[0],
    height_in: float = const.FIGURE_IN[1],
) -> Axes:
    """Return the given axes, or the axes of a new figure that belongs to no window."""
    if ax is not None:
        return ax
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    FigureCanvasAgg(figure)
    return figure.add_subplot()


def figure_of(ax: Axes) -> Figure:
    """Return the figure that holds the axes."""
    figure = ax.get_figure(root=True)
    if figure is None:
        msg = "the axes belong to no figure"
        raise ValueError(msg)
    return figure


def finished(ax: Axes, x: str, y: str, **more: Any) -> Figure:
    """Return the figure of axes with their labels, and a legend where curves have names."""
    ax.set(xlabel=x, ylabel=y, **more)
    if ax.get_legend_handles_labels()[0]:
        ax.legend(loc="best")
    return figure_of(ax)


def power_label(value: float, _position: int | None = None) -> str:
    """Return a tick label for a logarithmic axis without mathematical markup."""
    exponent = round(np.log10(value)) if value > 0 else 0
    if value <= 0 or not np.isclose(value, 10.0**exponent):
        return ""
    if -2 <= exponent <= 3:  # noqa: PLR2004 - plain numbers read better there
        return f"{value:g}"
    return "10" + str(exponent).translate(SUPERSCRIPTS)


def logarithmic(ax: Axes, which: str) -> None:
    """Make the x, the y or (``xy``) both axes logarithmic, with plain tick labels."""
    from matplotlib.ticker import FuncFormatter, NullFormatter

    for name in which:
        axis = ax.xaxis if name == "x" else ax.yaxis
        highest = ax.dataLim.intervalx[1] if name == "x" else ax.dataLim.intervaly[1]
        if not (np.isfinite(highest) and highest > 0):
            continue  # nothing is drawn that such an axis could show
        (ax.set_xscale if name == "x" else ax.set_yscale)("log")
        axis.set_major_formatter(FuncFormatter(power_label))
        axis.set_minor_formatter(NullFormatter())


def decimate(
    x: ArrayLike, y: ArrayLike, points: int = 900, *, logarithmic: bool = False
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Thin a curve to about so many points, keeping lowest and highest of each stretch.

    `x`, `y` (n,): NaN in `y` marks a loss; a stretch without any value stays a gap. `points`: two
    points stand for each stretch. `logarithmic`: whether stretches grow with the index, for curves
    on a logarithmic x axis.
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if x.size <= points:
        return x, y
    edges = _stretches(x.size, points // 2, logarithmic=logarithmic)
    chosen: list[int] = []
    for start, stop in itertools.pairwise(edges):
        piece = y[start:stop]
        if np.isfinite(piece).any():
            pair = (int(np.nanargmin(piece)), int(np.nanargmax(piece)))
            chosen.extend(start + k for k in sorted(set(pair)))
        else:
            chosen.append(start)
    return x[chosen], y[chosen]


def _stretches(size: int, count: int, *, logarithmic: bool = False) -> NDArray[np.int64]:
    if not logarithmic:
        return np.linspace(0, size, count + 1).astype(np.int64)
    grown = np.round(np.geomspace(1.0, size, count)).astype(np.int64)
    return np.unique(np.concatenate(([0], grown)))


def block_means(
    columns: Sequence[ArrayLike], count: int = 400, *, logarithmic: bool = False
) -> list[NDArray[np.float64]]:
    """Return columns of equal length averaged over at most `count` stretches, NaN left out."""
    arrays = [np.asarray(column, dtype=float) for column in columns]
    size = arrays[0].size
    if size <= count:
        return arrays
    starts = _stretches(size, count, logarithmic=logarithmic)[:-1]

    def mean(values: NDArray[np.float64]) -> NDArray[np.float64]:
        finite = np.isfinite(values)
        total = np.add.reduceat(np.where(finite, values, 0.0), starts)
        number = np.add.reduceat(finite.astype(float), starts)
        return np.where(number > 0, total / np.maximum(number, 1.0), np.nan)

    return [mean(values) for values in arrays]


def _variable(hit: re.Match[str]) -> str:
    """Return a palette colour as a CSS variable with the light colour as fallback."""
    name = _COLOUR_NAMES.get(hit[0].lower())
    return f"var(--{name}, {hit[0]})" if name else hit[0]


def svg_text(figure: Figure, name: str, title: str, description: str) -> str:
    """Return a figure as inline SVG text.

    The text is the same for the same figure: no date, fixed names of parts, each starting with
    `name` so that many figures share a page. Palette colours become CSS variables, and texts stay
    texts.

    `figure`: drawn within `figure_style`. `name`: unique in the page, letters and hyphens. `title`,
    `description`: what a screen reader says.
    """
    import matplotlib as mpl

    buffer = io.StringIO()
    none = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    with mpl.rc_context({"svg.hashsalt": name, "svg.fonttype": "none"}), warnings.catch_warnings():
        # Names from headers may hold letters that the layout font lacks; the page has others.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        figure.savefig(buffer, format="svg", metadata=none)
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<style.*?</style>", "", text, count=1, flags=re.DOTALL)
    text = re.sub(r"<metadata>.*?</metadata>", "", text, count=1, flags=re.DOTALL)
    text = re.sub(r'(<[^>]*?\sid=")', rf"\g<1>{name}-", text)
    text = re.sub(r'(xlink:href="#)', rf"\g<1>{name}-", text)
    text = re.sub(r"(url\(#)", rf"\g<1>{name}-", text)
    colours = partial(re.sub, r"#[0-9a-f]{6}", _variable)
    text = re.sub(r'style="[^"]*"', lambda style: colours(style[0]), text)
    text = re.sub(r"\s*\n\s*", "\n", text)
    width_pt, height_pt = (72.0 * side for side in figure.get_size_inches())
    opening = (
        f'<svg class="figure" xmlns="http://www.w3.org/2000/svg" '
        f'xmlns:xlink="http://www.w3.org/1999/xlink" viewBox="0 0 {width_pt:g} {height_pt:g}" '
        f'style="max-width: {const.FIGURE_ENLARGED * width_pt:.0f}px" '
        f'role="img" aria-labelledby="{name}-title {name}-description">'
        f'<title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-description">{escape(description)}</desc>'
    )
    return opening + text[text.index(">", text.index("<svg")) + 1 :]
