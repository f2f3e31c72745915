"""`blursplit accept`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from blursplit.cli import _common as cli
from blursplit.errors import InputError

if TYPE_CHECKING:
    from rich.console import Console

    from blursplit.campaign.accept import Acceptance


@cli.speaks_plainly
def run(
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="RESULT... LIMITS", help="Result folders, or their result.json; limits (TOML)."
        ),
    ],
    tap: Annotated[Path | None, typer.Option(help="Result of `tap --json`.")] = None,
    json: cli.AsJson = False,
    out: Annotated[Path | None, cli.page_option("Write a page to print, sign and file.")] = None,
) -> None:
    """Exit code 0: all passed; 3: a limit failed; 4: not shown; 2: a file cannot be used."""
    import hashlib
    from datetime import UTC, datetime

    from blursplit.campaign import Acceptance
    from blursplit.campaign.limits import Limits
    from blursplit.folder import Measurement

    *results, limits = files
    if not results:
        raise InputError(str(limits), "no result is given", "name RESULT... and LIMITS")
    rules = Limits.read(limits)
    files_read = {"limits": limits} | ({} if tap is None else {"tap": tap})
    acceptance = Acceptance.of(
        [Measurement.read_parts(path) for path in results],
        rules,
        tap=_read_tap(tap),
        judged_utc=datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"),
        digests={k: hashlib.sha256(p.read_bytes()).hexdigest() for k, p in files_read.items()},
    )
    if out is not None:
        from blursplit.campaign.pages import acceptance_page

        cli.write_page(out, acceptance_page(acceptance))
    try:
        cli.give(acceptance, json, _show)
    finally:  # the answer stands even where nobody reads on
        raise typer.Exit(acceptance.exit_code)


def _read_tap(path: Path | None) -> dict[str, Any] | None:
    import json

    if path is None:
        return None
    remedy = "give what `blursplit tap --json` printed"
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(path, "cannot be read", f"check the path ({error.strerror})") from error
    except (ValueError, RecursionError) as error:
        raise InputError(path, "is not JSON", remedy) from error
    if not isinstance(record, dict) or "tap" not in str(record.get("schema", "")):
        raise InputError(path, "is no tap result", remedy)
    return record


def _show(acceptance: Acceptance, console: Console) -> None:
    console.print(f"{acceptance.state.upper()}: {acceptance.title}", style="bold")
    if acceptance.telescope:
        console.print(f"telescope of the runs: {acceptance.telescope}")
    rows = []
    for j in acceptance.judgements:
        measured = "nothing to compare" if j.measured == "-" else j.measured
        told = f"{j.name or j.key}: {measured}; limit: {j.limit}"
        if j.state != "pass":
            told += f"\n{j.reason}" + (f"; shown by {j.shown_by}" if j.shown_by else "")
        rows.append((j.state.upper(), told))
    cli.show_table(console, ("judged", "limit on: measured; limit"), rows, whole=("judged",))
