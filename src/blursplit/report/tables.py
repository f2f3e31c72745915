"""Tables behind the figures: the same numbers, thinned to what a person reads."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypedDict

import numpy as np

from blursplit.report.wording import number

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike

__all__ = ["Table", "thinned_table"]

MOST_ROWS = 20


class Table(TypedDict):
    """A table of texts; units stand in the column heads."""

    caption: str
    columns: list[str]
    rows: list[list[str]]


def _counts(values: ArrayLike) -> bool:
    return np.issubdtype(np.asarray(values).dtype, np.integer)


def thinned_table(
    columns: Mapping[str, ArrayLike | None], caption: str, *, logarithmic: bool = False
) -> Table:
    """Return a table of at most twenty rows of equally long columns.

    Parameters
    ----------
    columns : mapping of str to array_like or None
        Head with unit -> numbers; a column that is None is left out.
    caption : str
    logarithmic : bool
        Whether the rows kept are spread evenly in the logarithm of their index.

    Notes
    -----
    Where rows are left out, the caption says so and names the file that has them all.
    """
    whole = {head for head, v in columns.items() if v is not None and _counts(v)}
    kept = {head: np.asarray(v, dtype=float) for head, v in columns.items() if v is not None}
    size = min((values.size for values in kept.values()), default=0)
    index: Any = np.arange(size)
    if size > MOST_ROWS:
        if logarithmic:
            index = np.geomspace(1, size, MOST_ROWS) - 1
        else:
            index = np.linspace(0, size - 1, MOST_ROWS)
        index = np.unique(np.round(index).astype(int))
        caption += f" {index.size} of {size} rows; the result folder holds all of them."
    rows = [
        [
            str(int(values[k])) if head in whole else number(float(values[k]), 4)
            for head, values in kept.items()
        ]
        for k in index
    ]
    return {"caption": caption, "columns": list(kept), "rows": rows}
