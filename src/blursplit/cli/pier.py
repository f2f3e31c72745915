"""`blursplit pier`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from blursplit.cli._common import speaks_plainly

if TYPE_CHECKING:
    from rich.table import Table

    from blursplit.pier.report import PierReport

TEXT_COLUMNS = ("unit", "note")


@speaks_plainly
def run(
    setup: Annotated[Path, typer.Argument(help="Setup file that describes the pier.")],
    set_: Annotated[
        list[str] | None,
        typer.Option(
            "--set", metavar="KEY=VALUE", help="Override a key, e.g. pier.base.bolt_m=0.02."
        ),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the record alone, as JSON.")] = False,
) -> None:
    """Compute the natural frequencies and the tilt for unit loads of the declared pier.

    A model for naming peaks and comparing options; not a structural certification.
    """
    from blursplit.pier.report import analyse_pier
    from blursplit.pier.setup import read_pier
    from blursplit.rig import Rig

    report = analyse_pier(read_pier(Rig.read(setup, set_ or []).setup.pier, setup))
    if json:
        typer.echo(report.to_json(), nl=False)
    else:
        _show(report)


def _show(report: PierReport) -> None:
    from rich.console import Console

    from blursplit.constants import PIER_MODEL_SIGMA as MODEL_UNCERTAINTY

    console = Console(highlight=False, markup=False)
    console.print(
        f"Column {report.height_m:.2f} m, {report.mass_kg:.0f} kg above the ground "
        "(footing not counted)."
    )
    console.print(_modes_table(report))
    console.print(_stiffness_table(report))
    console.print(_what_if_table(report))
    console.print(report.statement, style="bold")
    doubt = 200.0 * MODEL_UNCERTAINTY
    console.print(
        "assumed: Tilt goes with the inverse square of a frequency: it carries "
        f"{doubt:.0f} % where a frequency carries half of that; changes are better known."
    )
    for word, lines in (("assumed", report.assumptions), ("caution", report.cautions)):
        for line in lines:
            console.print(f"{word}: {line}")


def _table(title: str, *columns: str) -> Table:
    from rich import box
    from rich.table import Table

    table = Table(title=title, title_justify="left", box=box.SIMPLE)
    for k, column in enumerate(columns):
        table.add_column(
            column,
            justify="right" if k and column not in TEXT_COLUMNS else "left",
            no_wrap=column == "first mode",
        )
    return table


def _modes_table(report: PierReport) -> Table:
    table = _table("Modes", "motion", "Hz", "68 % range [Hz]", "tilt [arcsec/um]")
    for mode in report.modes:
        tilt = "-" if mode.tilt_arcsec_um is None else f"{mode.tilt_arcsec_um:.3f}"
        table.add_row(
            mode.kind,
            f"{mode.frequency_hz:.1f}",
            f"{mode.low_hz:.1f} to {mode.high_hz:.1f}",
            tilt,
        )
    return table


def _stiffness_table(report: PierReport) -> Table:
    table = _table("Tilt of the mount for unit loads", "load", "along x", "along y", "unit")
    s = report.stiffness
    pairs = (
        ("1 N at the mount's foot", s.tilt_x_arcsec_n, s.tilt_y_arcsec_n, "arcsec/N"),
        (
            "1 N at the height of its axes",
            s.tilt_at_axis_height_x_arcsec_n,
            s.tilt_at_axis_height_y_arcsec_n,
            "arcsec/N",
        ),
        ("1 N m in the plane", s.tilt_x_arcsec_nm, s.tilt_y_arcsec_nm, "arcsec/(N m)"),
        ("1 N m about the vertical", s.twist_arcsec_nm, s.twist_arcsec_nm, "arcsec/(N m)"),
        ("shift, 1 N at the foot", s.deflection_x_um_n, s.deflection_y_um_n, "um/N"),
    )
    for name, x, y, unit in pairs:
        table.add_row(name, f"{x:.4f}", f"{y:.4f}", unit)
    shares = ", ".join(f"{name} {100 * share:.0f} %" for name, share in s.tilt_shares.items())
    table.caption = f"Where the tilt for 1 N at the axes comes from: {shares}."
    table.caption_justify = "left"
    return table


def _what_if_table(report: PierReport) -> Table:
    table = _table(
        "What would change (1 N at the height of the axes, worse direction)",
        "if",
        "arcsec/N",
        "tilt",
        "first mode",
        "mass",
        "note",
    )
    for row in report.what_if:
        if (
            row.tilt_at_axis_height_arcsec_n is None
            or row.tilt_ratio is None
            or row.frequency_ratio is None
            or row.mass_change_kg is None
        ):
            table.add_row(row.change, "-", "-", "-", "-", f"does not apply: {row.note}")
            continue
        table.add_row(
            row.change,
            f"{row.tilt_at_axis_height_arcsec_n:.4f}",
            f"{100 * (row.tilt_ratio - 1.0):+.0f} %",
            f"{row.first_frequency_hz:.1f} Hz ({100 * (row.frequency_ratio - 1.0):+.0f} %)",
            f"{row.mass_change_kg:+.0f} kg",
            row.note,
        )
    return table
