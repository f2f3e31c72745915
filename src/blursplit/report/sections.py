"""Pieces of evidence as records: a heading, words and figures with the tables behind them."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from blursplit.report import figures as draw

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from blursplit.report.tables import Table
    from blursplit.series import Series

__all__ = ["Picture", "Section", "holds", "picture"]


class Picture(NamedTuple):
    """A figure of the page."""

    name: str
    title: str
    svg: str
    caption: str
    table: Table | None
    pixels: bool = False


class Section(NamedTuple):
    """A piece of evidence; `basis` is measured, inferred or unknown."""

    name: str
    heading: str
    basis: str
    text: str
    pictures: list[Picture]


def picture(
    figure: Figure,
    name: str,
    title: str,
    caption: str,
    table: Table | None,
    *,
    pixels: bool = False,
) -> Picture:
    """Return a drawn figure with its words; the caption also describes it to screen readers."""
    svg = draw.svg_text(figure, name, title, caption)
    return Picture(name, title, svg, caption, table, pixels)


def holds(series: Series, *names: str) -> bool:
    """Return whether each array is there and has at least one finite number."""
    arrays = [series.arrays.get(name) for name in names]
    return all(array is not None and bool(np.isfinite(array).any()) for array in arrays)
