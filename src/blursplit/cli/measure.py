"""`blursplit measure`, and `blursplit report`, which makes its page again."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from blursplit.cli import _common as cli
from blursplit.errors import InputError, plain


@cli.speaks_plainly
def run(
    sequence: Annotated[
        list[str], typer.Argument(help="Folder, files, pattern, cube, or a result (its tracks).")
    ],
    setup: cli.SetupFile = None,
    set_: cli.Overrides = None,
    blur_time: Annotated[
        float | None, typer.Option(help="Exposure for which the budget holds [s].", min=0.0)
    ] = None,
    worth: Annotated[
        float | None,
        typer.Option(
            help="Saving that is worth a cure [arcsec]; else 0.1 or 10 % of the width.", min=0.0
        ),
    ] = None,
    centroid: Annotated[str, typer.Option(help="windowed, com, quadratic or 2dg.")] = "windowed",
    bias: Annotated[list[Path] | None, typer.Option(help="Bias frames.")] = None,
    dark: Annotated[list[Path] | None, typer.Option(help="Dark frames.")] = None,
    flat: Annotated[list[Path] | None, typer.Option(help="Flat fields.")] = None,
    focus_run: Annotated[
        list[str] | None,
        typer.Option(help="PATH or PATH@POSITION: the same telescope at another focus."),
    ] = None,
    sensor: Annotated[
        list[str] | None,
        typer.Option(
            help="FILE or FILE@KIND: a record (CSV, ECSV) taken beside the frames. Keep cables "
            "and sensors clear of moving parts and mains."
        ),
    ] = None,
    second_camera: Annotated[
        str | None,
        typer.Option(
            help="SEQUENCE or SEQUENCE@SETUP: another camera through another tube on the same "
            "mount, at the same time. Hang nothing where it can fall; keep cables clear of moving "
            "parts."
        ),
    ] = None,
    out: cli.ResultFolder = None,
    replace: cli.ReplaceResult = False,
    json: cli.AsJson = False,
) -> None:
    """Write a result folder: result.json, tracks, series, images and a page."""
    from rich.console import Console

    from blursplit.evidence.sensor_record import SensorRecord
    from blursplit.folder import Measurement
    from blursplit.measure import measure_tracks
    from blursplit.report import print_summary, progress, stages
    from blursplit.rig import Rig
    from blursplit.sources import Source

    if centroid not in {"windowed", "com", "quadratic", "2dg"}:
        raise InputError(
            f"--centroid {centroid}", "is no centroid method", "use windowed, com, quadratic or 2dg"
        )
    rig = Rig.read(setup, set_ or [])
    if out is not None:
        Measurement.check_target(out, replace=replace)
    calibration = None
    if bias or dark or flat:
        from blursplit.frames import Calibration

        calibration = Calibration.read(bias or (), dark or (), flat or ())
    how: dict[str, Any] = {"rig": rig, "centroid": centroid, "calibration": calibration}
    with progress("reading frames") as step:
        source = Source.read(list(sequence), **how, progress=step)
    sensors = SensorRecord.read_all(rig, sensor or ())
    other = None
    if second_camera is not None:
        with progress("reading the second camera") as step:
            other = Source.read_second_camera(second_camera, **how, progress=step)
    others = []
    for text in focus_run or ():
        with progress(f"reading {text}") as step:
            others.append(Source.read_focus(text, **how, progress=step))
    target = Measurement.default_folder(source.name) if out is None else out
    Measurement.check_target(target, replace=replace)
    command = plain("blursplit " + shlex.join(sys.argv[1:]))
    with stages() as tell:
        measurement = measure_tracks(
            source,
            blur_time_s=blur_time,
            worth_arcsec=worth,
            command=command,
            focus_runs=others,
            sensors=sensors,
            second_camera=other,
            tell=tell,
        )
        tell("page")
        measurement.save(target, replace=replace)
    if json:
        typer.echo(measurement.result.to_json(), nl=False)
    else:
        print_summary(measurement.result, Console(highlight=False))
    cli.say(f"page: {target / 'index.html'}")


@cli.speaks_plainly
def report(
    result: Annotated[Path, typer.Argument(help="Result folder.")],
    json: Annotated[bool, typer.Option("--json", help="The result as JSON too.")] = False,
) -> None:
    """Read the result folder and write its index.html anew."""
    from blursplit.folder import Measurement

    measurement = Measurement.read(result)
    cli.say(f"page written: {measurement.write_page(result)}")
    if json:
        typer.echo(measurement.result.to_json(), nl=False)
