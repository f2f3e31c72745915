"""`blursplit simulate` and `blursplit demo`: sequences whose truth is known."""

from __future__ import annotations

import tempfile
from concurrent.futures import ProcessPoolExecutor, as_completed
from json import dumps
from pathlib import Path
from typing import Annotated, Literal, get_args

import typer

from blursplit import constants as const
from blursplit.cli import _common as cli
from blursplit.errors import OutputError

Night = Literal["turbulent", "shaken", "open"]
NIGHTS: tuple[Night, ...] = get_args(Night)
DECIDED = "open-with-sensor"  # the open night again, with the record of the sensor on its mount


@cli.speaks_plainly
def run(
    scene: Annotated[Path, typer.Argument(help="Scene file (TOML).")],
    out: Annotated[Path, typer.Argument(help="Folder to make.")],
    files: Annotated[bool, typer.Option("--files", help="One file a frame, not a cube.")] = False,
    seed: Annotated[int | None, typer.Option(help="Seed instead of the scene's.", min=0)] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the truth as JSON.")] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an older one.")] = False,
) -> None:
    """Make a folder with the frames, truth.json, truth.csv and a setup.toml for `measure`."""
    from blursplit.report import progress
    from blursplit.simulate import Scene, write_sequence

    what = Scene.read(scene)
    with progress("frames") as step:
        truth = write_sequence(what, out, files=files, replace=replace, seed=seed, progress=step)
    if as_json:
        typer.echo(dumps(truth, indent=1))
    cli.say(f"{truth['frames']} frames and their truth written to {out}")


@cli.speaks_plainly
def demo(
    out: Annotated[Path, typer.Argument(help="Folder for the results.")] = Path("blursplit-demo"),
    replace: Annotated[bool, typer.Option("--replace", help="Replace old results.")] = False,
    keep_frames: Annotated[
        bool, typer.Option("--keep-frames", help="Keep the simulated FITS files too.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="The results as JSON.")] = False,
) -> None:
    """Simulate three nights whose long exposures look alike, and measure them.

    All stars are about 2.5 arcsec wide and round. On one night the air is to blame, on another a
    pier that rings in two directions; on the third the frames cannot tell wind in the mount from
    air close by, and the answer says what would: a sensor on the mount, with which the same frames
    are measured again.
    """
    from rich.console import Console

    from blursplit.folder import Measurement, read_result
    from blursplit.report import print_summary, stages

    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(out, f"cannot be made ({error.strerror})", "name another") from error
    targets = [out / night for night in (*NIGHTS, DECIDED)]
    for target in targets:
        Measurement.check_target(target, replace=replace)
    cli.say("simulating and measuring three nights, each on its own processor; some two minutes")
    with ProcessPoolExecutor(max_workers=len(NIGHTS)) as pool, stages() as tell:
        tell("simulating and measuring")
        jobs = [
            pool.submit(_one_night, night, target, keep_frames)
            for night, target in zip(NIGHTS, targets, strict=False)
        ]
        for done, job in enumerate(as_completed(jobs), start=1):
            job.result()
            tell(f"{done} of {len(NIGHTS)} nights measured")
    results = [read_result(target) for target in targets]
    if json:
        typer.echo("[" + ",\n".join(result.to_json().strip() for result in results) + "]")
    else:
        console = Console(highlight=False)
        titles = [f"{night} night" for night in NIGHTS]
        for title, result in zip([*titles, "open night, with a sensor"], results, strict=True):
            console.rule(title)
            print_summary(result, console)
    for target in targets:
        cli.say(f"page: {target / 'index.html'}")


def _one_night(night: Night, target: Path, keep_frames: bool) -> None:
    from blursplit.measure import measure
    from blursplit.simulate import Scene, write_sequence

    scene = Scene.demo(night)
    with tempfile.TemporaryDirectory(prefix="blursplit-") as scratch:
        frames = target.with_name(f"{night}-frames") if keep_frames else Path(scratch) / night
        write_sequence(scene, frames, replace=True)
        records: dict[Path, tuple[str, ...]] = {target: ()}
        if night == "open":
            records[target.with_name(DECIDED)] = (str(frames / "sensor_1.csv"),)
        for folder, sensors in records.items():
            measurement = measure(
                frames / "sequence.fits",
                frames / "setup.toml",
                worth=const.DEMO_OPEN_WORTH_ARCSEC if night == "open" else None,
                sensors=sensors,
                command=f"blursplit demo ({night} night{', with a sensor' if sensors else ''})",
            )
            measurement.save(folder, replace=True)
