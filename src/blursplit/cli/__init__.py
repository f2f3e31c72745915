"""The command line: one thin function a command, `run` in the module of its name."""

from __future__ import annotations

import difflib
import importlib
import os
from inspect import cleandoc
from typing import Any

import typer
from typer.core import TyperGroup
from typer.main import get_command

__all__ = ["app"]

# All matrices here are small: the threads of the linear algebra would spend their time waiting
# for each other. Set before numpy is first imported; a user's own setting is respected.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

COMMANDS: dict[str, str] = {
    "demo": "Three nights of the same width, three answers: make, measure, show the pages.",
    "inspect": "Frames, timing, headers found and missing, and what can be told from them.",
    "measure": "The main job: how much of the star's width is air, drive, structure, instrument.",
    "watch": "The verdict while frames arrive, marked as provisional; then the whole measurement.",
    "tap": "Ring-down after a tap on the pier: frequency, damping ratio, settling time.",
    "pier": "Resonances and tilt stiffness of a declared pier and mount; what changes if ...",
    "plan": "Exposure, rate, length and stars needed; the smallest vibration that would be seen.",
    "compare": "Did the change help? Effect, interval and probability, before against after.",
    "accept": "Judge a result against limits: pass, fail or not shown.",
    "archive": "Measure every sequence under a folder into a store; resumable.",
    "simulate": "Write a FITS sequence whose truth is known.",
    "report": "Render the page of a result again.",
}

_ELSEWHERE = {"demo": "simulate", "report": "measure"}  # commands that stand in another's module

# What an option takes, as the help names it, where the command does not say so itself.
VALUES: dict[str, str] = {
    **dict.fromkeys(("after", "against", "before", "result"), "RESULT"),
    **dict.fromkeys(("bias", "dark", "flat"), "FILES"),
    **dict.fromkeys(("blur_time", "gap", "idle", "length"), "SECONDS"),
    **dict.fromkeys(("page", "parquet", "setup", "store", "write_setup"), "FILE"),
    **dict.fromkeys(("folder", "out", "results"), "FOLDER"),
    **dict.fromkeys(("reference", "seeing", "settle", "worth"), "ARCSEC"),
    **dict.fromkeys(("seed", "stars", "workers"), "NUMBER"),
    "centroid": "METHOD",
    "damping": "RATIO",
    "date": "UTC",
    "focus_run": "PATH@POSITION",
    "limits": "LIMITS",
    "path": "PATH",
    "scale": "TELESCOPE=ARCSEC",
    "scene": "SCENE.toml",
    "scheduler": "ADDRESS",
    "second_camera": "SEQUENCE[@SETUP]",
    "sensor": "FILE[@KIND]",
    "sequence": "SEQUENCE",
    "set_": "SECTION.KEY=VALUE",
    "tap": "TAP.json",
    "until": "WHEN",
}


class _LazyGroup(TyperGroup):
    """Imports a command's module only when that command is called or asked for help."""

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ARG002
        return list(COMMANDS)

    def get_command(self, ctx: Any, name: str) -> Any:  # noqa: ARG002
        return _load(name) if name in COMMANDS else None

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        near = [] if args[0] in COMMANDS else difflib.get_close_matches(args[0], COMMANDS, n=1)
        if near:
            ctx.fail(f"no command '{args[0]}'; did you mean '{near[0]}'?")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: Any, formatter: Any) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


def _load(name: str) -> Any:
    module = importlib.import_module(f"blursplit.cli.{_ELSEWHERE.get(name, name)}")
    function = getattr(module, name if name in _ELSEWHERE else "run")
    one = typer.Typer(add_completion=False, rich_markup_mode=None)
    help_text = COMMANDS[name] + "\n\n" + cleandoc(function.__doc__ or "")
    one.command(name, help=help_text)(function)
    command = get_command(one)
    for option in command.params:
        if option.metavar is None and not getattr(option, "is_flag", False):
            option.metavar = VALUES.get(option.name or "")
    return command


app = typer.Typer(
    cls=_LazyGroup,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Say how much of a star's width is atmosphere, tracking, structure and instrument.",
)


@app.callback(invoke_without_command=True)
def _version(version: bool = typer.Option(False, "--version", help="Show the version.")) -> None:
    if version:
        from importlib.metadata import version as package_version

        typer.echo(f"blursplit {package_version('blursplit')}")
        raise typer.Exit
