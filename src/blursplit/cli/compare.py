"""`blursplit compare`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from blursplit.cli._common import say, speaks_plainly

if TYPE_CHECKING:
    from blursplit.campaign.compare_record import Comparison
    from blursplit.result import Estimate, Result


@speaks_plainly
def run(
    turns: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[RESULT]...",
            help="Runs taken in turns (A-B-A-B...): sorted by start, every other one is 'before'.",
        ),
    ] = None,
    before: Annotated[
        list[Path] | None,
        typer.Option("--before", help="Result, or a folder of results; may be repeated."),
    ] = None,
    after: Annotated[
        list[Path] | None,
        typer.Option("--after", help="Result, or a folder of results; may be repeated."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the record alone, as JSON.")] = False,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="PAGE.html", help="Write a page as well.")
    ] = None,
) -> None:
    """Name the runs of both sides, or runs taken in turns without --before and --after."""
    from blursplit.campaign import compare

    sides = _sides(turns or [], before or [], after or [])
    comparison = compare(*sides)
    if out is not None:
        from blursplit.campaign.pages import comparison_page
        from blursplit.folder import write_text_whole

        write_text_whole(out, comparison_page(comparison))
        say(f"page written: {out}")
    if json:
        typer.echo(comparison.to_json(), nl=False)
    else:
        _show(comparison)


def _sides(
    turns: list[Path], before: list[Path], after: list[Path]
) -> tuple[list[Result], list[Result]]:
    from blursplit.campaign import split_alternating
    from blursplit.errors import InputError

    if turns and (before or after):
        raise InputError(
            turns[0],
            "belongs to neither side",
            "write --before or --after in front of each result, or give a folder of results",
        )
    if turns:
        return split_alternating(_results(turns))
    return _results(before), _results(after)


def _results(paths: list[Path]) -> list[Result]:
    """Read results; a folder that is none itself stands for the results in it."""
    from blursplit.errors import InputError
    from blursplit.folder import is_result_folder, read_result

    found = []
    for path in paths:
        if not path.is_dir() or is_result_folder(path):
            found.append(read_result(path))
            continue
        inside = sorted(p for p in path.iterdir() if p.is_dir() and is_result_folder(p))
        if not inside:
            raise InputError(path, "holds no result", "name a folder that `measure` wrote")
        found += [read_result(p) for p in inside]
    return found


def _show(comparison: Comparison) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table

    console = Console(highlight=False, markup=False)
    console.print(comparison.statement, style="bold")
    table = Table(box=box.SIMPLE, title="95 % intervals", title_justify="left")
    for column in ("quantity", "before", "after", "change", "P(smaller)", "smallest shown"):
        table.add_column(column)
    for key, change in comparison.changes.items():
        name = key.replace(".", " ").replace("_", " ")
        if change is None:
            table.add_row(name, "not compared", "", "", "", "")
            continue
        p = change.probability_smaller
        table.add_row(
            name,
            _number(change.before),
            _number(change.after),
            _number(change.difference, "+"),
            "-" if p is None else f"{p:.3f}",
            f"{change.smallest_change:.2g}",
        )
    console.print(table)
    if comparison.common_air is not None:
        air = comparison.common_air
        console.print(
            f"In a seeing of {air.seeing_500nm_zenith_arcsec:.2f} arcsec on both sides: FWHM "
            f"{_number(air.before_arcsec)} arcsec before, {_number(air.after_arcsec)} after, "
            f"P(smaller) {air.probability_smaller:.3f}."
        )
    for line in comparison.lines:
        frequency = line.before_hz or line.after_hz
        console.print(f"line at {_number(frequency)} Hz: {line.state} {line.reason}".rstrip())
    for warning in comparison.warnings:
        say(f"{warning.code}: {warning.text}")


def _number(estimate: Estimate | None, sign: str = "") -> str:
    from blursplit.campaign.estimates import bound95

    if estimate is None:
        return "-"
    low, high = bound95(estimate)
    if estimate.value is None:
        return f"< {high:.3g}"
    return f"{estimate.value:{sign}.3g} ({low:{sign}.3g} to {high:{sign}.3g})"
