"""The same story on a terminal: a compact table, and progress of long work."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from rich.console import Console

    from blursplit.result import Result

__all__ = ["print_summary", "progress"]


def print_summary(result: Result, console: Console) -> None:
    """Print a result: headline, reasons and next steps; plain text when piped.

    Texts from headers are printed as they are: markup in them does nothing.
    """
    from rich.text import Text

    verdict = result.verdict
    console.print(Text(verdict.headline, style="bold" if console.is_terminal else ""))
    for remark in (*verdict.reasons, *verdict.next):
        console.print(Text(f"- {remark.text}"))


@contextmanager
def progress(label: str) -> Iterator[Callable[[int, int], None]]:
    """Give a function ``report(done, total)`` that moves a bar on standard error.

    The bar has the rate and the time left; without a terminal nothing is shown.

    Parameters
    ----------
    label : str
        What is being done, such as ``following stars``.
    """
    if not sys.stderr.isatty():
        yield lambda _done, _total: None
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        ProgressColumn,
        TextColumn,
        TimeRemainingColumn,
    )
    from rich.text import Text

    class RateColumn(ProgressColumn):
        def render(self, task: object) -> Text:
            speed = getattr(task, "speed", None)
            return Text("" if not speed else f"{speed:,.0f}/s" if speed >= 1 else f"{speed:.2f}/s")

    bar = Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        MofNCompleteColumn(),
        RateColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    )
    with bar:
        task = bar.add_task(label, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)
