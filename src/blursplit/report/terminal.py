"""The same answer on a terminal, within one screen; and progress of long work."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from blursplit import constants as const
from blursplit.report.summary import summarize
from blursplit.result import Result

if TYPE_CHECKING:
    from rich.console import Console


def _told(summary: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield label and text of what stands below the table, in its order."""
    if not summary["cures"]:
        yield from summary["motion"][: const.TERMINAL_LINES]
    for line in summary["lines"][: const.TERMINAL_LINES]:
        where = line["frequency"] + line["odds"]
        yield "line", f"{where}, {line['rms']} rms, cause {line['cause']}"
    left = len(summary["lines"]) - const.TERMINAL_LINES
    if left > 0:
        yield "line", f"and {left} more in the page"
    for step in summary["steps"][:1]:
        yield "next", f"{step['text']} {step['gain']}".rstrip()
        for caution in step["cautions"]:
            yield "caution", caution
    count = len(summary["reasons"]) + len(summary["doubts"])
    if count:
        what = "reason or doubt" if count == 1 else "reasons and doubts"
        yield "why", f"{count} {what} in the page"


def print_summary(result: Result, console: Console) -> None:
    """Print a result within a screen, plain when piped; markup in texts from headers stays text."""
    from rich.table import Table
    from rich.text import Text

    summary = summarize(result)

    def say(text: str, style: str = "") -> None:
        console.print(Text(text, style=style if console.is_terminal else ""))

    say(f"{summary['title']}: {'; '.join(summary['facts'][:4])}")
    say(summary["headline"], "bold")
    for check in summary["checks"]:
        say(f"check: {check['text']}")
    if summary["bar"]:
        pieces = ", ".join(f"{piece.label.lower()} {piece.size}" for piece in summary["bar"])
        say(f"width [arcsec], piece by piece: {pieces}")
    if summary["cures"]:
        console.print()
        table = Table(box=None, pad_edge=False, header_style="dim" if console.is_terminal else "")
        for head in ("cure", "worth it?", "saves [arcsec] (68 %)"):
            table.add_column(Text(head), overflow="fold")
        for row in summary["cures"]:
            saving, span = row["saving"]["value"], row["saving"]["range68"]
            cells = row["label"], row["answer"] or "–", saving + (f" ({span})" if span else "")
            table.add_row(*map(Text, cells))
        console.print(table)
        console.print()
    for label, text in _told(summary):
        say(f"{label}: {text}")


@contextmanager
def progress(label: str) -> Iterator[Callable[[int, int | None], None]]:
    """Give a function ``report(done, total)`` that moves a bar on standard error.

    The bar has the rate and the time left; without a terminal nothing is shown.
    """
    if not sys.stderr.isatty():
        yield lambda _done, _total: None
        return
    from rich import progress as parts
    from rich.console import Console
    from rich.text import Text

    class RateColumn(parts.ProgressColumn):
        def render(self, task: object) -> Text:
            speed = getattr(task, "speed", None)
            return Text("" if not speed else f"{speed:,.0f}/s" if speed >= 1 else f"{speed:.2f}/s")

    columns = [parts.TextColumn("{task.description}", markup=False), parts.BarColumn()]
    columns += [parts.MofNCompleteColumn(), RateColumn(), parts.TimeRemainingColumn()]
    with parts.Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


@contextmanager
def stages() -> Iterator[Callable[[str], None]]:
    """Give a function ``tell(stage)`` that names what is being done, with the time it takes.

    For work whose length nobody knows beforehand; without a terminal nothing is shown.
    """
    if not sys.stderr.isatty():
        yield lambda _stage: None
        return
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}", markup=False), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=None)
        yield lambda stage: bar.update(task, description=stage)
