"""`blursplit report`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from blursplit.cli._common import say, speaks_plainly


@speaks_plainly
def run(
    result: Annotated[Path, typer.Argument(help="Result folder.")],
    json: Annotated[bool, typer.Option("--json", help="The result as JSON too.")] = False,
) -> None:
    """Read the result folder and write its index.html anew."""
    from blursplit.folder import read_result_folder, write_page

    measurement = read_result_folder(result)
    say(f"page written: {write_page(measurement, result)}")
    if json:
        typer.echo(measurement.result.to_json(), nl=False)
