"""`blursplit archive`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from blursplit.cli import _common as cli
from blursplit.errors import InputError, plain

if TYPE_CHECKING:
    from rich.console import Console

    from blursplit.campaign.archive import ArchiveRun
    from blursplit.campaign.store import ArchiveSummary

STORE = Path("blursplit-archive.sqlite")
_SHOWN = {
    "recorded_fwhm_arcsec": "FWHM",
    "seeing_500nm_zenith_arcsec": "seeing",
    "structure_rms_arcsec": "structure rms",
    "tracking_rms_arcsec": "tracking rms",
}


@cli.speaks_plainly
def run(
    folder: Annotated[Path, typer.Argument(help="Folder to walk; it is only read.")],
    store: Annotated[Path, typer.Option(help="Store (SQLite), made when absent.")] = STORE,
    setup: cli.SetupFile = None,
    set_: cli.Overrides = None,
    blur_time: Annotated[
        float | None, typer.Option(min=0, help="Exposure for which the budget holds.")
    ] = None,
    gap: Annotated[
        float | None, typer.Option(min=0, help="Pause that starts a new sequence.")
    ] = None,
    workers: Annotated[int, typer.Option(min=0, max=64, help="Processes of this machine.")] = 2,
    scheduler: Annotated[str | None, typer.Option(help="Existing Dask cluster, tcp://...")] = None,
    retry: Annotated[
        bool, typer.Option("--retry", help="Try again what failed in an earlier run.")
    ] = False,
    scale: Annotated[
        list[str] | None,
        typer.Option(help="Pixel scale of all sequences of a telescope, as headers name it."),
    ] = None,
    results: Annotated[
        Path | None, typer.Option(help="Keep whole results; the page links.")
    ] = None,
    parquet: Annotated[
        Path | None, typer.Option(help="Write the measurements as Parquet too.")
    ] = None,
    out: Annotated[Path | None, cli.page_option("Summary page; default beside the store.")] = None,
    json: cli.AsJson = False,
) -> None:
    """Stop it at any time; run it again and only what is new is measured."""
    from blursplit.campaign import Store, archive
    from blursplit.campaign.pages import archive_page
    from blursplit.report import progress
    from blursplit.rig import Rig

    if parquet is not None:
        Store.check_parquet()
    rig = Rig.read(setup, set_ or [])
    with progress("files seen, then sequences measured") as step:
        done = archive(
            folder,
            store,
            rig=rig,
            blur_time_s=blur_time,
            gap_s=gap,
            workers=workers,
            scheduler=scheduler,
            retry_failed=retry,
            scales=dict(_scale(text) for text in scale or ()),
            results=results,
            on_walk=lambda seen: step(seen, None),
            on_sequence=step,
        )
    _tell(done)
    with Store(store) as opened:
        summary = opened.summary(done.settings, done.superseded)
        rows = opened.rows("measurements", done.settings, done.superseded)
        if parquet is not None:
            written = opened.write_parquet(parquet, done.settings, done.superseded)
            cli.say(f"table written: {parquet} (sequences: {written})")
    page = out or store.with_suffix(".html")
    title = plain(f"Archive {folder.resolve().name}")
    cli.write_page(page, archive_page(summary, rows, title, results))
    cli.give(summary, json, _show)


def _scale(text: str) -> tuple[str, float]:
    name, _, size = text.rpartition("=")
    try:
        scale = float(size)
    except ValueError:
        scale = 0.0
    if not 0.0 < scale < 100.0:  # noqa: PLR2004 - coarser pixels show no star's shape
        raise InputError(f"--scale {text}", "is no TELESCOPE=ARCSEC", "write e.g. 'T1=0.8'")
    return name.strip(), scale


def _tell(run: ArchiveRun) -> None:
    if run.sequences == 0:
        why = "nothing under the folder is a readable FITS file of the sky"
        cli.say(f"no sequence was found: {why}")
    cli.say(
        f"{run.sequences} sequences: {run.known} known already, {run.done} measured now, "
        f"{run.failed} failed, {run.too_short} too short"
    )
    if run.refused_files:
        cli.say(f"files that could not be read: {run.refused_files} (table refused_files)")
    for reason, count in run.skipped_files.items():
        cli.say(f"files left out: {count} ({reason})")


def _show(summary: ArchiveSummary, console: Console) -> None:
    console.print(summary.headline, style="bold")
    names = [n for n in _SHOWN if n in summary.overall.spreads]
    if names:
        rows = (
            (g.label, g.sequences, *(s.text if (s := g.spreads.get(n)) else "-" for n in names))
            for g in (*summary.nights, summary.overall)
        )
        title = "Medians and spreads (middle 68 % of the sequences) [arcsec]"
        heads = ("night", "sequences", *(_SHOWN[n] for n in names))
        cli.show_table(console, heads, rows, title, whole=("night",))
    for telescope, count in summary.without_scale.items():
        console.print(
            f"widths in pixels alone: {count} sequence{'s' * (count != 1)} of "
            f"{telescope or 'an unnamed telescope'}; give its pixel scale and run "
            f"again: --scale '{telescope}=ARCSEC'"
        )
    for pick in summary.worth_opening:
        console.print(f"worth opening: {pick.name}: {'; '.join(pick.reasons)}")
    for reason, count in summary.failures.items():
        console.print(f"failed ({count}): {reason}")
