"""What all commands share: error lines, exit codes, where text goes, folders in and out."""

from __future__ import annotations

import contextlib
import functools
import os
import signal
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, ParamSpec, TypeVar

import typer

from blursplit import constants as const
from blursplit.errors import BlursplitError, plain

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Iterable, Iterator

    from rich.console import Console

    from blursplit.result import Document

    D = TypeVar("D", bound=Document)

P = ParamSpec("P")
R = TypeVar("R")

# Options that several commands take.
SetupFile = Annotated[Path | None, typer.Option("--setup", help="Setup file (TOML).")]
Overrides = Annotated[list[str] | None, typer.Option("--set", help="Override a key of the setup.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print the record alone, as JSON.")]
ResultFolder = Annotated[Path | None, typer.Option(help="Result folder; default NAME-blursplit.")]
ReplaceResult = Annotated[bool, typer.Option("--replace", help="Replace a result.")]


def page_option(text: str) -> Any:
    """Return the option that names a page to write."""
    return typer.Option("--out", metavar="PAGE.html", help=text)


def say(text: str) -> None:
    """Write a line for people on standard error; standard output is for results."""
    typer.echo("\n".join(plain(line) for line in text.splitlines()), err=True)


def speaks_plainly(command: Callable[P, R]) -> Callable[P, R]:
    """Turn a BlursplitError into one line on standard error and exit code 2."""

    @functools.wraps(command)
    def wrapper(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            with _terminated_like_interrupted(), _reader_may_leave():
                return command(*args, **kwargs)
        except BlursplitError as error:
            say("blursplit: " + " ".join(str(error).split()))
            raise typer.Exit(const.EXIT_INPUT) from error
        except KeyboardInterrupt as error:
            say("blursplit: stopped; nothing was left half-written")
            raise typer.Exit(130) from error

    return wrapper


@contextlib.contextmanager
def _reader_may_leave() -> Iterator[None]:
    """Let `blursplit ... | head` end quietly: whoever reads has what was asked for."""
    code = 0
    try:
        try:
            yield
        except typer.Exit as end:
            code = end.exit_code
            raise
        except SystemExit as end:
            if end.code == 1:  # what rich makes of a closed pipe
                raise BrokenPipeError from end
            raise
        finally:
            sys.stdout.flush()
    except BrokenPipeError as error:
        with contextlib.suppress(OSError):  # else the interpreter flushes once more at its end
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise typer.Exit(code) from error


@contextlib.contextmanager
def _terminated_like_interrupted() -> Iterator[None]:
    """Let SIGTERM, which schedulers send, clean up as Ctrl-C does."""
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread may set handlers
        return
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def give(record: D, as_json: bool, show: Callable[[D, Console], None]) -> None:
    """Print a record: for machines as JSON, for people as `show` says it."""
    from rich.console import Console

    if as_json:
        typer.echo(record.to_json(), nl=False)
    else:
        show(record, Console(highlight=False, markup=False))


def show_table(
    console: Console,
    columns: Iterable[str],
    rows: Iterable[Iterable[object]],
    title: str = "",
    whole: Container[str] = (),
) -> None:
    """Print a table of plain texts; nothing where there is no row.

    Cells of the columns in `whole` are never broken; no text is taken for markup.
    """
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(title=title or None, title_justify="left", box=box.SIMPLE)
    for column in columns:
        table.add_column(Text(column), overflow="fold", no_wrap=column in whole)
    for row in rows:
        table.add_row(*(Text(str(cell)) for cell in row))
    if table.row_count:
        console.print(table)


def write_page(path: Path, text: str) -> None:
    """Write a page, whole or not at all, and say so."""
    from blursplit.folder import write_text_whole

    write_text_whole(path, text)
    say(f"page written: {path}")
