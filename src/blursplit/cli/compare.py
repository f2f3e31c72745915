"""`blursplit compare`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from blursplit.cli import _common as cli
from blursplit.errors import InputError

if TYPE_CHECKING:
    from rich.console import Console

    from blursplit.campaign.compare_record import Comparison
    from blursplit.result import Result

    Run = tuple[Path, Result]

Side = Annotated[
    list[Path] | None, typer.Option(help="Result, or a folder of results; may be repeated.")
]


@cli.speaks_plainly
def run(
    turns: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[RESULT]...",
            help="Runs taken in turns (A-B-A-B...): sorted by start, every other one is 'before'.",
        ),
    ] = None,
    before: Side = None,
    after: Side = None,
    json: cli.AsJson = False,
    out: Annotated[Path | None, cli.page_option("Write a page as well.")] = None,
) -> None:
    """Name the runs of both sides, or runs taken in turns without --before and --after."""
    from blursplit.campaign import compare

    sides = _sides(turns or [], before or [], after or [])
    comparison = compare(*([result for _, result in side] for side in sides))
    if out is not None:
        from blursplit.campaign.pages import comparison_page
        from blursplit.folder import Measurement

        nights = ([Measurement.read_parts(path) for path, _ in side] for side in sides)
        cli.write_page(out, comparison_page(comparison, *nights))
    cli.give(comparison, json, _show)


def _sides(turns: list[Path], before: list[Path], after: list[Path]) -> list[list[Run]]:
    from blursplit.campaign import split_alternating

    if turns and (before or after):
        problem = "belongs to neither side"
        remedy = "write --before or --after in front of each result, or give a folder of results"
        raise InputError(turns[0], problem, remedy)
    if not turns:
        return [_results(before), _results(after)]
    runs = _results(turns)
    split = split_alternating([result for _, result in runs])
    return [[next(run for run in runs if run[1] is one) for one in side] for side in split]


def _results(paths: list[Path]) -> list[Run]:
    """Read results; a folder that is none itself stands for the results in it."""
    from blursplit.folder import Measurement, read_result

    found = []
    for path in paths:
        if not path.is_dir() or Measurement.is_at(path):
            found.append((path, read_result(path)))
            continue
        inside = sorted(p for p in path.iterdir() if p.is_dir() and Measurement.is_at(p))
        if not inside:
            raise InputError(path, "holds no result", "name a folder that `measure` wrote")
        found += [(p, read_result(p)) for p in inside]
    return found


def _show(comparison: Comparison, console: Console) -> None:
    from blursplit.campaign.compare_record import cell95, probability95

    if comparison.headline:
        console.print(comparison.headline, style="bold")
    console.print(comparison.statement, style="" if comparison.headline else "bold")
    rows, absent = comparison.rows()
    title = "Values, and below them their 95 % intervals"
    heads = ("quantity", "before", "after", "change")
    cells = []
    for row in rows:
        parts = ["\n".join(part for part in cell if part) for cell in (row[3], row[4], row[5])]
        if row.probability != "-":
            parts[2] += f"\nP(smaller) {row.probability}"
        parts[2] += f"\nshown from {row.smallest}"
        cells.append((f"{row.name} [{row.unit}]", *parts))
    cli.show_table(console, heads, cells, title, whole=heads[1:])
    console.print(
        "P(smaller): probability that it became smaller, untold where both sides are only limits. "
        "Shown from: the smallest change that such runs show four times in five."
    )
    if absent:
        console.print(f"not compared, for want of a value on each side: {'; '.join(absent)}")
    if comparison.common_air is not None:
        air = comparison.common_air
        console.print(
            f"In a seeing of {air.seeing_500nm_zenith_arcsec:.2f} arcsec on both sides: FWHM "
            f"{cell95(air.before_arcsec)} arcsec before, {cell95(air.after_arcsec)} arcsec after; "
            f"P(smaller) {probability95(air.probability_smaller)}."
        )
    for line in comparison.lines:
        shown = [f"{cell95(f)} Hz" for f in (line.before_hz, line.after_hz) if f is not None]
        sizes = [
            f"{cell95(rms)} arcsec rms {side}"
            for rms, side in ((line.before_rms_arcsec, "before"), (line.after_rms_arcsec, "after"))
            if rms is not None
        ]
        told = [f"line at {', then '.join(shown)}: {line.state}", *sizes, line.reason]
        console.print("; ".join(part for part in told if part))
    for warning in comparison.warnings:
        cli.say(f"note: {warning.text} ({warning.code})")
