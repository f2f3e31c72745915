"""`blursplit pier`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from blursplit import constants as const
from blursplit.cli import _common as cli
from blursplit.types import sure

if TYPE_CHECKING:
    from blursplit.pier.report import PierReport

    Table = tuple[list[str], list[list[str]], str]  # heads, rows, title


@cli.speaks_plainly
def run(
    setups: Annotated[
        list[Path],
        typer.Argument(metavar="SETUP...", help="Setup file of a pier; two for side by side."),
    ],
    set_: cli.Overrides = None,
    json: cli.AsJson = False,
    out: Annotated[Path | None, cli.page_option("Write a page for a leaflet as well.")] = None,
) -> None:
    """Compute the natural frequencies and the tilt for unit loads of the declared pier.

    A model for naming peaks and comparing options; not a structural certification.
    """
    from blursplit.pier.report import PierReport
    from blursplit.pier.setup import PierSetup
    from blursplit.report.words import sentence
    from blursplit.rig import Rig

    piers = [PierSetup.read(Rig.read(path, set_ or []).setup.pier, path) for path in setups]
    reports = [PierReport.of(pier) for pier in piers]
    names, one = [path.stem for path in setups], reports[0]
    tables = [_modes(one), _stiffness(one), _what_if(one)]
    size = sentence("pier-size", height_m=one.height_m, mass_kg=one.mass_kg)
    measured = _measured_text(one)
    if len(reports) > 1:
        tables, size, measured = [_beside(names, reports)], "", ""
    if out is not None:
        from blursplit.report.page import page_of

        heading = " and ".join(names)
        parts: dict[str, Any] = {"texts": [size, measured], "tables": tables, "one": one}
        parts |= {"heading": heading, "doubt": _tilt_doubt()}
        cli.write_page(out, page_of("pier.html", f"{heading}: pier", **parts))
    if json:
        texts = [report.to_json() for report in reports]
        typer.echo(texts[0] if len(texts) == 1 else f"[{','.join(texts)}]\n", nl=False)
        return
    from rich.console import Console

    console = Console(highlight=False, markup=False)
    for line in filter(None, (size, measured)):
        console.print(line)
    for table in tables:
        cli.show_table(console, *table, whole=("first mode", "mass"))
    console.print(one.statement, style="bold")
    for word, lines in (("assumed", [_tilt_doubt(), *one.assumptions]), ("caution", one.cautions)):
        for line in lines:
            console.print(f"{word}: {line}")


def _beside(names: list[str], reports: list[PierReport]) -> Table:
    rows = []
    for name, values in _rows_beside(reports):
        cells = [_figures(v) for v in values]
        if len(values) == 2:  # noqa: PLR2004 - one difference
            first, second = values
            cells.append("-" if not first or second is None else _percent(second / first))
        rows.append([name, *cells])
    return ["", *names, *(["difference"] if len(names) == 2 else [])], rows, "Side by side"  # noqa: PLR2004


def _rows_beside(reports: list[PierReport]) -> list[tuple[str, list[float | None]]]:
    def first(kind: str) -> list[float | None]:
        return [next((m.frequency_hz for m in r.modes if kind in m.kind), None) for r in reports]

    tilts, fits = [r.stiffness for r in reports], [r.measured for r in reports]
    fitted = [fit.tilt_at_axis_height_arcsec_n.value if fit else None for fit in fits]
    at_axes = "tilt, 1 N at its axes, along"
    rows: list[tuple[str, list[float | None]]] = [
        ("column height [m]", [r.height_m for r in reports]),
        ("mass above the ground [kg]", [r.mass_kg for r in reports]),
        ("first bending mode [Hz]", first("bending")),
        ("first torsion mode [Hz]", first("torsion")),
        ("tilt, 1 N at the mount's foot, along x [arcsec]", [t.tilt_x_arcsec_n for t in tilts]),
        (f"{at_axes} x [arcsec]", [t.tilt_at_axis_height_x_arcsec_n for t in tilts]),
        (f"{at_axes} y [arcsec]", [t.tilt_at_axis_height_y_arcsec_n for t in tilts]),
        ("twist, 1 N m [arcsec]", [t.twist_arcsec_nm for t in tilts]),
        ("the same tilt at the axes after measured modes [arcsec]", fitted),
    ]
    return [row for row in rows if any(value is not None for value in row[1])]


def _measured_text(report: PierReport) -> str:
    from blursplit.report.numbers import estimate_text
    from blursplit.report.words import sentence

    found = report.measured
    if found is None:
        return ""
    modes = zip(found.measured_hz, found.modes, strict=True)
    return sentence(
        "pier-measured",
        modes=", ".join(f"{hz:g} Hz ({kind})" for hz, kind in modes),
        foot=estimate_text(found.base_tilt_nm_rad, "MN m/rad", 1e-6),
        tilt=estimate_text(found.tilt_at_axis_height_arcsec_n, "arcsec"),
        drawn_arcsec=found.design_tilt_at_axis_height_arcsec_n,
        # no foot explains them
        sigmas=found.misfit_sigmas if found.misfit_sigmas > 3.0 else None,  # noqa: PLR2004
    )


def _tilt_doubt() -> str:
    from blursplit.report.words import sentence

    return sentence("pier-doubt", share=2.0 * const.PIER_MODEL_SIGMA)


def _figures(value: float | None) -> str:
    from blursplit.report.numbers import number

    return "-" if value is None else number(value)


def _percent(ratio: float) -> str:
    return f"{100.0 * (ratio - 1.0):+.0f} %".replace("-", "−")


def _modes(report: PierReport) -> Table:
    rows = []
    for m in report.modes:
        hertz = f"{m.frequency_hz:.1f}", f"{m.low_hz:.1f} to {m.high_hz:.1f}"
        rows.append([m.kind, *hertz, _figures(m.tilt_arcsec_um)])
    heads = ["motion", "Hz", "68 % range [Hz]", "tilt [arcsec/µm]"]
    return heads, rows, f"Modes{_as_drawn(report)}"


def _as_drawn(report: PierReport) -> str:
    """Say that measured frequencies do not enter a table."""
    return ", as drawn" if report.measured else ""


def _stiffness(report: PierReport) -> Table:
    s = report.stiffness
    at_axes = s.tilt_at_axis_height_x_arcsec_n, s.tilt_at_axis_height_y_arcsec_n
    loads = (
        ("1 N at the mount's foot", s.tilt_x_arcsec_n, s.tilt_y_arcsec_n, "arcsec/N"),
        ("1 N at the height of its axes", *at_axes, "arcsec/N"),
        ("1 N m in the plane", s.tilt_x_arcsec_nm, s.tilt_y_arcsec_nm, "arcsec/(N m)"),
        ("1 N m about the vertical", s.twist_arcsec_nm, s.twist_arcsec_nm, "arcsec/(N m)"),
        ("shift, 1 N at the foot", s.deflection_x_um_n, s.deflection_y_um_n, "µm/N"),
    )
    shares = ", ".join(f"{name} {100 * share:.0f} %" for name, share in s.tilt_shares.items())
    title = f"Tilt of the mount for unit loads{_as_drawn(report)}, "
    title += f"± {200.0 * const.PIER_MODEL_SIGMA:.0f} % (of the tilt for 1 N at the axes: {shares})"
    rows = [[name, _figures(x), _figures(y), unit] for name, x, y, unit in loads]
    return ["load", "along x", "along y", "unit"], rows, title


def _what_if(report: PierReport) -> Table:
    rows = []
    for row in report.what_if:
        if row.tilt_ratio is None:
            rows.append([row.change, "-", "-", "-", "-", f"does not apply: {row.note}"])
            continue
        mode = f"{sure(row.first_frequency_hz):.1f} Hz ({_percent(sure(row.frequency_ratio))})"
        mass = f"{sure(row.mass_change_kg):+.0f} kg".replace("-", "−")
        tilt = _figures(row.tilt_at_axis_height_arcsec_n), _percent(row.tilt_ratio)
        rows.append([row.change, *tilt, mode, mass, row.note])
    title = f"What would change{_as_drawn(report)} (1 N at the height of the axes, worse direction)"
    return ["if", "arcsec/N", "tilt", "first mode", "mass", "note"], rows, title
