"""`blursplit simulate`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from blursplit.cli._common import say, speaks_plainly


@speaks_plainly
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
    from blursplit.simulate import read_scene, write_sequence

    what = read_scene(scene)
    with progress("frames") as step:
        truth = write_sequence(what, out, files=files, replace=replace, seed=seed, progress=step)
    if as_json:
        typer.echo(json.dumps(truth, indent=1))
    say(f"{truth['frames']} frames and their truth written to {out}")
