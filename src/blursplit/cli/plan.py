"""`blursplit plan`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from blursplit import constants as const
from blursplit.cli import _common as cli
from blursplit.errors import InputError

if TYPE_CHECKING:
    from datetime import date as Date  # noqa: N812 - `date` is the option

    from rich.console import Console

    from blursplit.campaign.plan import Plan


@cli.speaks_plainly
def run(
    setup: Annotated[Path, typer.Argument(help="Setup file (TOML).")],
    set_: cli.Overrides = None,
    seeing: Annotated[float, typer.Option(help="At 500 nm and zenith.")] = 2.0,
    stars: Annotated[int, typer.Option(help="Stars to be used.")] = 4,
    length: Annotated[float, typer.Option(help="Length of the run.")] = 60,
    damping: Annotated[
        float, typer.Option(help="Damping ratio of the structure looked for.")
    ] = const.PLAN_DAMPING,
    date: Annotated[
        str | None, typer.Option(help="Evening, e.g. 2026-11-25; default today.")
    ] = None,
    limits: Annotated[Path | None, typer.Option(help="How long a run each limit takes.")] = None,
    json: cli.AsJson = False,
) -> None:
    """Plan a run with the measurement's own model of air, noise and line search."""
    from blursplit.campaign import plan
    from blursplit.campaign.limits import Limits
    from blursplit.rig import Rig

    made = plan(
        Rig.read(setup, set_ or []),
        seeing_arcsec=seeing,
        stars=stars,
        duration_s=length,
        damping_ratio=damping,
        night=_night(date),
        limits=None if limits is None else Limits.read(limits),
    )
    cli.give(made, json, _show)


def _night(text: str | None) -> Date:
    from datetime import UTC, datetime

    if text is None:
        return datetime.now(UTC).date()
    try:
        return datetime.fromisoformat(text.rstrip("Zz")).date()
    except ValueError as error:
        raise InputError("--date", f"'{text}' is no date", "write e.g. 2026-11-25") from error


def _show(plan: Plan, console: Console) -> None:
    from blursplit.report.numbers import setup_text

    console.print(plan.statement, style="bold")
    r = plan.recording
    console.print(f"Exposure {r.exposure_s * 1000:.3g} ms: {r.exposure_reason}.")
    console.print(f"Rate {r.rate_hz:.3g} frames/s: {r.rate_reason}.")
    console.print(f"Length {r.duration_s:g} s: {r.duration_reason}.")
    bright = "" if r.brightest_mag is None else f", saturating from {r.brightest_mag:.1f}"
    console.print(
        f"Stars to magnitude {r.faintest_mag:.1f}{bright}: one star's noise "
        f"{r.star_noise_arcsec:.2g} arcsec, {r.stars} stars {r.shared_noise_arcsec:.2g} arcsec."
    )
    _tables(plan, console)
    for witness in plan.witnesses:
        console.print(witness.text)
    for turn in plan.turns:
        console.print(
            f"Drive period {turn.period_s:.1f} s: {turn.turns_in_run:.2f} turns in this run; two "
            f"turns, which part drift and period, take {turn.two_turns_s / 60:.1f} min."
        )
    for key in sorted(k for k, e in plan.setup.items() if e.origin == "default"):
        console.print(f"assumed: {key} = {setup_text(key, plan.setup[key].value)}")
    for warning in plan.warnings:
        cli.say(f"{warning.code}: {warning.text}")


def _time(seconds: float) -> str:
    return f"{seconds:.3g} s" if seconds < 120 else f"{seconds / 60:.2g} min"  # noqa: PLR2004


def _tables(plan: Plan, console: Console) -> None:
    from blursplit.report.numbers import number

    heads: tuple[str, ...] = ("limit on", "length of a run", "runs", "how")
    rows: list[tuple[object, ...]] = [
        (n.name or n.key, "-" if n.length_s is None else _time(n.length_s), n.runs, n.how)
        for n in plan.limits
    ]
    cli.show_table(console, heads, rows, "What each limit takes")
    heads, rows = ("Hz", "steady line", f"mode, damping {100 * plan.damping_ratio:g} %"), []
    for d in plan.detectable:
        line = _range(d.line_rms_arcsec, d.line_low_arcsec, d.line_high_arcsec)
        mode = _range(d.mode_rms_arcsec, d.mode_low_arcsec, d.mode_high_arcsec)
        rows.append((f"{d.frequency_hz:g}", line, mode))
    title = "Found 19 times in 20 from, arcsec rms (range of winds)"
    cli.show_table(console, heads, rows, title)
    heads = ("stars apart [arcsec]", "a tenth of it, above [m]", "half of it, above [m]")
    rows = []
    for s in plan.pairs:
        seen = number(s.tenth_seen_above_m, 2), number(s.half_seen_above_m, 2)
        rows.append((f"{s.separation_arcsec:g}", *seen))
    title = "How high the air must be for a pair of stars to see it"
    cli.show_table(console, heads, rows, title)
    heads, rows = ("field", "size [arcmin]", "mag", "highest [deg]", "at UTC"), []
    for f in plan.fields[: const.FIELDS_SHOWN]:
        name = f.name if f.kind == "cluster" else f"{f.name} ({f.kind})"
        sizes = f"{f.size_arcmin:g}", f"{f.brightest_mag:.1f}", f"{f.highest_deg:.0f}"
        # the day is that of the night or the next; the hour is what an observer needs
        rows.append((name, *sizes, f.best_utc.partition("T")[2][:5]))
    title = f"Fields, night of {plan.night} (mag: brightest star of a cluster, fainter of a pair)"
    cli.show_table(console, heads, rows, title)


def _range(value: float | None, low: float | None, high: float | None) -> str:
    from blursplit.report.numbers import number

    if value is None or low is None or high is None:
        return "hidden"
    return f"{number(value, 2)} ({number(low, 2)} to {number(high, 2)})"
