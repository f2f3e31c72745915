"""The same story on a terminal: a compact table, and progress of long work."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

from blursplit.report.summary import summarize

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from rich.console import Console
    from rich.table import Table

    from blursplit.result import Result

__all__ = ["print_summary", "progress"]

MOST_LINES = 6
MOST_EVENTS = 6


def _table(console: Console, *heads: str) -> Table:
    from rich import box
    from rich.table import Table

    table = Table(
        box=box.SIMPLE_HEAD if console.is_terminal else None,
        pad_edge=False,
        header_style="bold" if console.is_terminal else "",
        show_edge=False,
    )
    for head in heads:
        table.add_column(head, overflow="fold")
    return table


def _joined(cells: dict[str, str]) -> str:
    return cells["value"] + (f" ({cells['range68']})" if cells["range68"] else "")


def print_summary(result: Result, console: Console) -> None:
    """Print a result as a compact table; plain text without colours or boxes when piped.

    Parameters
    ----------
    result : Result
    console : rich.console.Console
        Texts from headers are printed as they are: markup in them does nothing.
    """
    from rich.text import Text

    summary = summarize(result)

    def say(text: str, style: str = "") -> None:
        console.print(Text(text, style=style if console.is_terminal else ""), soft_wrap=False)

    say(summary["title"])
    doubt = f" ({summary['probability']})" if summary["probability"] else ""
    say(summary["statement"] + doubt, "bold")
    say("; ".join(summary["facts"]))
    console.print()

    widths = _table(console, "star", "FWHM (68 %)", "known how")
    for row in summary["widths"]:
        widths.add_row(*map(Text, (row["label"], _joined(row), row["basis"])))
    console.print(widths)
    console.print()

    budget = _table(console, "cause", "share (68 %)", "alone, FWHM (68 %)", "known how")
    for row in summary["budget"]:
        cells = (
            row["label"],
            _joined(row["share"]),
            _joined(row["width"]),
            row["basis"],
        )
        budget.add_row(*map(Text, cells))
    console.print(budget)
    _print_lines(summary["lines"], console)
    _print_events(summary["events"], summary["event_words"], console)
    if not all(row["share"]["range68"] or row["basis"] == "limit" for row in summary["budget"]):
        # Without a split the findings and the bare motion are all there is: they must be seen.
        for row in summary["budget"]:
            if row["finding"] and not row["share"]["range68"]:
                say(f"{row['label'].lower()}: {row['finding']}")
        for label, value in summary["motion"]:
            say(f"{label} per frame: {value}")

    for heading, texts in (
        ("because", summary["reasons"]),
        ("undecided", [summary["undecided"]] if summary["undecided"] else []),
        ("next", summary["next"]),
        ("caution", summary["cautions"]),
        ("note", [text for _, text in summary["warnings"]]),
    ):
        for text in texts:
            say(f"{heading}: {text}")


def _print_lines(lines: list[dict[str, str]], console: Console) -> None:
    from rich.text import Text

    if not lines:
        console.print()
        return
    console.print()
    table = _table(console, "line", "frequency", "motion, rms", "cause")
    for line in lines[:MOST_LINES]:
        frequency = f"{line['frequency']} {line['elsewhere']}".rstrip()
        table.add_row(*map(Text, (line["number"], frequency, line["rms"], line["cause"])))
    console.print(table)
    if len(lines) > MOST_LINES:
        console.print(Text(f"and {len(lines) - MOST_LINES} more lines in the page"))
    console.print()


def _print_events(events: list[dict[str, str]], words: list[str], console: Console) -> None:
    from rich.text import Text

    if events:
        table = _table(console, "event", "began", "lasted", "kind", "peak", "frequency", "frames")
        for event in events[:MOST_EVENTS]:
            keys = ("number", "start", "duration", "kind", "peak", "frequency", "frames")
            table.add_row(*(Text(event[key]) for key in keys))
        console.print(table)
        if len(events) > MOST_EVENTS:
            console.print(Text("more events are in the page"))
    if words:
        # the first sentence counts the frames, or says what would have been seen
        console.print(Text(words[0]))
        console.print()


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
