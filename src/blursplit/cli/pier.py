"""`blursplit pier`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from blursplit.cli._common import say, speaks_plainly

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from blursplit.pier.report import MeasuredFoot, PierReport

TEXT_COLUMNS = ("unit", "note")


@speaks_plainly
def run(
    setups: Annotated[
        list[Path],
        typer.Argument(metavar="SETUP...", help="Setup file of a pier; two for side by side."),
    ],
    set_: Annotated[
        list[str] | None,
        typer.Option(
            "--set", metavar="KEY=VALUE", help="Override a key, e.g. pier.base.bolt_m=0.02."
        ),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the record alone, as JSON.")] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="PAGE.html", help="Write a page for a leaflet as well."),
    ] = None,
) -> None:
    """Compute the natural frequencies and the tilt for unit loads of the declared pier.

    A model for naming peaks and comparing options; not a structural certification.
    """
    from blursplit.pier.report import analyse_pier
    from blursplit.pier.setup import read_pier
    from blursplit.rig import Rig

    reports = [
        analyse_pier(read_pier(Rig.read(path, set_ or []).setup.pier, path)) for path in setups
    ]
    if out is not None:
        from blursplit.folder import write_text_whole

        write_text_whole(out, _leaflet([path.stem for path in setups], reports))
        say(f"page written: {out}")
    if json:
        texts = [report.to_json() for report in reports]
        typer.echo(texts[0] if len(texts) == 1 else f"[{','.join(texts)}]\n", nl=False)
    elif len(reports) == 1:
        _show(reports[0])
    else:
        _show_beside([path.stem for path in setups], reports)


def _show_beside(names: list[str], reports: list[PierReport]) -> None:
    from rich.console import Console

    console = Console(highlight=False, markup=False)
    console.print(_beside_table(names, reports))
    _show_rest(console, reports[0])


def _beside_table(names: list[str], reports: list[PierReport]) -> Table:
    table = _table("Side by side", "", *names, *(["difference"] if len(names) == 2 else []))  # noqa: PLR2004
    for name, values in _rows_beside(reports):
        cells = ["-" if v is None else _figures(v) for v in values]
        if len(values) == 2:  # noqa: PLR2004 - one difference
            first, second = values
            cells.append("-" if not first or second is None else _percent(second / first))
        table.add_row(name, *cells)
    return table


def _leaflet(names: list[str], reports: list[PierReport]) -> str:
    """Return a page to print: the tables, what was assumed, and the cautions in front of them."""
    from html import escape

    from blursplit.report.page import page_shell

    one = reports[0]
    heading = " and ".join(names)
    parts = [f"<h1>{escape(heading)}: stiffness of the pier</h1>"]
    parts.append(f"<p><strong>{escape(one.statement)}</strong></p>")
    parts += [f"<p>Caution: {escape(line)}</p>" for line in one.cautions]
    if len(reports) > 1:
        tables = [_beside_table(names, reports)]
    else:
        parts.append(f"<p>{escape(_size_text(one))}</p>")
        tables = [_modes_table(one), _stiffness_table(one), _what_if_table(one)]
    parts += [_as_html(table) for table in tables]
    if len(reports) == 1 and one.measured is not None:
        parts.append(f"<p>{escape(_measured_text(one.measured))}</p>")
    parts += [f"<p>Assumed: {escape(line)}</p>" for line in (_tilt_doubt(), *one.assumptions)]
    return page_shell(f"{heading}: pier", "\n".join(parts))


def _as_html(table: Table) -> str:
    from html import escape

    def row(cells: list[str], tag: str) -> str:
        return "<tr>" + "".join(f"<{tag}>{escape(cell)}</{tag}>" for cell in cells) + "</tr>"

    heads = row([str(column.header) for column in table.columns], "th")
    columns = [[str(cell) for cell in column.cells] for column in table.columns]
    rows = "".join(row(list(cells), "td") for cells in zip(*columns, strict=True))
    caption = escape(". ".join(str(part) for part in (table.title, table.caption) if part))
    label = escape(str(table.title), quote=True)
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-label="{label}"><table>'
        f"<caption>{caption}</caption><thead>{heads}</thead><tbody>{rows}</tbody></table></div>"
    )


def _rows_beside(reports: list[PierReport]) -> list[tuple[str, list[float | None]]]:
    def first(kind: str) -> list[float | None]:
        return [
            next((m.frequency_hz for m in report.modes if kind in m.kind), None)
            for report in reports
        ]

    tilts = [report.stiffness for report in reports]
    fitted = [
        report.measured.tilt_at_axis_height_arcsec_n.value if report.measured else None
        for report in reports
    ]
    rows: list[tuple[str, list[float | None]]] = [
        ("column height [m]", [r.height_m for r in reports]),
        ("mass above the ground [kg]", [r.mass_kg for r in reports]),
        ("first bending mode [Hz]", first("bending")),
        ("first torsion mode [Hz]", first("torsion")),
        ("tilt, 1 N at the mount's foot, along x [arcsec]", [t.tilt_x_arcsec_n for t in tilts]),
        (
            "tilt, 1 N at its axes, along x [arcsec]",
            [t.tilt_at_axis_height_x_arcsec_n for t in tilts],
        ),
        (
            "tilt, 1 N at its axes, along y [arcsec]",
            [t.tilt_at_axis_height_y_arcsec_n for t in tilts],
        ),
        ("twist, 1 N m [arcsec]", [t.twist_arcsec_nm for t in tilts]),
        ("the same tilt at the axes after measured modes [arcsec]", fitted),
    ]
    return [row for row in rows if any(value is not None for value in row[1])]


def _show(report: PierReport) -> None:
    from rich.console import Console

    console = Console(highlight=False, markup=False)
    console.print(_size_text(report))
    console.print(_modes_table(report))
    console.print(_stiffness_table(report))
    if report.measured is not None:
        console.print(_measured_text(report.measured))
    console.print(_what_if_table(report))
    _show_rest(console, report)


def _size_text(report: PierReport) -> str:
    return (
        f"Column {report.height_m:.2f} m, {report.mass_kg:.0f} kg above the ground "
        "(footing not counted)."
    )


def _measured_text(found: MeasuredFoot) -> str:
    from blursplit.report.numbers import estimate_text

    modes = ", ".join(
        f"{hz:g} Hz ({kind})" for hz, kind in zip(found.measured_hz, found.modes, strict=True)
    )
    tilt, foot = found.tilt_at_axis_height_arcsec_n, found.base_tilt_nm_rad
    text = (
        f"After the measured {modes}: rocking stiffness of the foot {foot.value:.2g} N m/rad "
        f"({foot.low:.2g} to {foot.high:.2g}, 68 %); tilt for 1 N at the axes "
        f"{estimate_text(tilt, 'arcsec')}, as drawn "
        f"{_figures(found.design_tilt_at_axis_height_arcsec_n)} arcsec."
    )
    if found.misfit_sigmas > 3.0:  # noqa: PLR2004 - no foot explains them
        text += (
            f" No foot explains these frequencies well ({found.misfit_sigmas:.0f} sigmas off): "
            "masses, joints or the drawing differ."
        )
    return text


def _show_rest(console: Console, report: PierReport) -> None:
    console.print(report.statement, style="bold")
    console.print(f"assumed: {_tilt_doubt()}")
    for word, lines in (("assumed", report.assumptions), ("caution", report.cautions)):
        for line in lines:
            console.print(f"{word}: {line}")


def _tilt_percent() -> float:
    from blursplit.constants import PIER_MODEL_SIGMA

    return 200.0 * PIER_MODEL_SIGMA


def _tilt_doubt() -> str:
    return (
        "Tilt goes with the inverse square of a frequency: it carries "
        f"{_tilt_percent():.0f} % where a frequency carries half of that; changes are better known."
    )


def _figures(value: float) -> str:
    from blursplit.report.numbers import number

    return number(value)


def _percent(ratio: float) -> str:
    return f"{100.0 * (ratio - 1.0):+.0f} %".replace("-", "−")


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
    table = _table("Modes", "motion", "Hz", "68 % range [Hz]", "tilt [arcsec/µm]")
    for mode in report.modes:
        tilt = "-" if mode.tilt_arcsec_um is None else _figures(mode.tilt_arcsec_um)
        table.add_row(
            mode.kind,
            f"{mode.frequency_hz:.1f}",
            f"{mode.low_hz:.1f} to {mode.high_hz:.1f}",
            tilt,
        )
    return table


def _stiffness_table(report: PierReport) -> Table:
    title = f"Tilt of the mount for unit loads (± {_tilt_percent():.0f} %)"
    table = _table(title, "load", "along x", "along y", "unit")
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
        ("shift, 1 N at the foot", s.deflection_x_um_n, s.deflection_y_um_n, "µm/N"),
    )
    for name, x, y, unit in pairs:
        table.add_row(name, _figures(x), _figures(y), unit)
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
            _figures(row.tilt_at_axis_height_arcsec_n),
            _percent(row.tilt_ratio),
            f"{row.first_frequency_hz:.1f} Hz ({_percent(row.frequency_ratio)})",
            f"{row.mass_change_kg:+.0f} kg".replace("-", "−"),
            row.note,
        )
    return table
