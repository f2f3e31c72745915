"""`blursplit watch`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from blursplit import constants as const
from blursplit.cli import _common as cli
from blursplit.errors import InputError, plain

if TYPE_CHECKING:
    from blursplit.campaign.live import Update
    from blursplit.campaign.watch import Watch


@cli.speaks_plainly
def run(
    path: Annotated[
        Path, typer.Argument(help="Folder that fills, or a cube or SER file that grows.")
    ],
    setup: cli.SetupFile = None,
    set_: cli.Overrides = None,
    against: Annotated[
        Path | None, typer.Option(help="An earlier result: its modes before and now.")
    ] = None,
    until: Annotated[str, typer.Option(help="stopped or decided: when to end.")] = "stopped",
    idle: Annotated[
        float, typer.Option(help="End after so long without a new frame [s].", min=1.0)
    ] = 60.0,
    page: Annotated[
        Path | None, typer.Option(help="Page that renews itself; default NAME-watch.html.")
    ] = None,
    out: cli.ResultFolder = None,
    replace: cli.ReplaceResult = False,
) -> None:
    """Say what the frames show while they arrive; measure them all at the end.

    Numbers on the way are provisional. Ctrl-C ends the watch and measures; a second one stops.
    """
    from blursplit.campaign.live import Update
    from blursplit.campaign.live_fit import Fits
    from blursplit.campaign.watch import Watch
    from blursplit.cli import measure
    from blursplit.folder import Measurement
    from blursplit.report.words_campaign import LIVE_CAUTIONS
    from blursplit.rig import Rig

    if until not in {"stopped", "decided"}:
        raise InputError(f"--until {until}", "is no way to end", "use stopped or decided")
    name = plain(path.resolve().stem if path.suffix else path.resolve().name) or "watch"
    target = Measurement.default_folder(name) if out is None else out
    Measurement.check_target(target, replace=replace)
    rig = Rig.read(setup, set_ or [])
    before = None
    cautions: tuple[str, ...] = ()
    if against is not None:
        before = Measurement.read(against, with_tracks=True).tracks
        if before is None:
            raise InputError(against, "holds no star tracks", "measure the frames again")
        cautions = LIVE_CAUTIONS
        for caution in cautions:
            cli.say(f"caution: {caution}")
    place = Path(f"{name}-watch.html") if page is None else page
    teller = _Teller(Watch(path, rig), name, place, cautions, Update())
    teller.write()
    cli.say(f"watching {path}; page: {place}")
    fits = Fits()
    try:
        how: dict[str, Any] = {"idle_s": idle, "until_decided": until == "decided", "fits": fits}
        for update in teller.watch.updates(before=before, **how):
            teller.tell(update)
    except KeyboardInterrupt:
        cli.say("the watch has ended; what came is measured now (Ctrl-C again stops)")
    finally:
        fits.close()
    files = teller.watch.run_files
    teller.end("stopped by hand")
    if not files:
        problem = teller.watch.problem or "no whole frames came"
        raise InputError(path, problem, "check that the camera writes FITS or SER there")
    measure.run(
        sequence=[str(file) for file in files], setup=setup, set_=set_, out=target, replace=replace
    )
    teller.write(str(target / "index.html"))


@dataclass
class _Teller:
    """Says on the terminal and on the page what a watch knows."""

    watch: Watch
    name: str
    place: Path
    cautions: tuple[str, ...]
    last: Update
    _told: int = 0

    def tell(self, update: Update) -> None:
        is_new = update.found is not self.last.found
        self.last = update
        for note in self.watch.notes[self._told :]:
            cli.say(f"note: {note}")
        self._told = len(self.watch.notes)
        if update.found is not None:  # where only a fit came late, only that is said
            lines = update.lines()
            for line in lines if is_new else lines[: len(update.fits)]:
                typer.echo(line)
            typer.echo("")
        if self.watch.problem:
            cli.say(f"waiting: {self.watch.problem}")
        if update.ended:
            cli.say(f"the watch has ended: {update.ended}")
        self.write()

    def end(self, why: str) -> None:
        self.last = replace(self.last, ended=self.last.ended or why)
        self.write()

    def write(self, result_page: str = "") -> None:
        from blursplit.campaign.pages import live_page
        from blursplit.folder import write_text_whole

        text = live_page(
            f"Watching {self.name}",
            self.last,
            self.watch.notes,
            renew_s=None if self.last.ended else const.WATCH_EVERY_S,
            result_page=result_page,
            cautions=self.cautions,
        )
        write_text_whole(self.place, text)
