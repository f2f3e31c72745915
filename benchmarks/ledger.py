"""What benchmarks found, by commit: one CSV file a benchmark, compared with the last commit's.

    from ledger import keep
    keep("speed", "cube, a further frame", 1.29, "plain passes")

A row is a commit, its date, what was measured, the number and its unit. A commit with changes
that are not committed is marked with a plus sign and compared, but leaves no row: nobody could
find again what it measured.
"""

from __future__ import annotations

import csv
import subprocess
from pathlib import Path

FOLDER = Path(__file__).parent / "results"
HEAD = ("commit", "date", "what", "value", "unit")


def keep(benchmark: str, what: str, value: float, unit: str) -> str:
    """Add a number to a benchmark's table; return how it compares with the last commit's."""
    path = FOLDER / f"{benchmark}.csv"
    rows: list[dict[str, str]] = []
    if path.is_file():
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
    now = commit()
    older = [row for row in rows if row["what"] == what and row["commit"] != now]
    same = [row for row in rows if (row["what"], row["commit"]) == (what, now)]
    if not now.endswith("+"):
        date = _git("show", "--no-patch", "--format=%cs", "HEAD")
        new = dict(zip(HEAD, (now, date, what, f"{value:.4g}", unit), strict=True))
        FOLDER.mkdir(exist_ok=True)
        with path.open("w", encoding="utf-8", newline="") as file:
            table = csv.DictWriter(file, HEAD, lineterminator="\n")
            table.writeheader()
            table.writerows([*(row for row in rows if row not in same), new])
    if not older:
        return "first of its kind"
    last = older[-1]
    change = 100.0 * (value / float(last["value"]) - 1.0) if float(last["value"]) else float("nan")
    return f"{change:+.0f} % against {last['value']} {last['unit']} at {last['commit']}"


def commit() -> str:
    """Return the commit at work, with a plus sign where there are changes beside it."""
    return _git("describe", "--always", "--exclude=*", "--dirty=+")


def _git(*words: str) -> str:
    done = subprocess.run(
        ["git", *words], cwd=FOLDER.parent, capture_output=True, text=True, check=True
    )
    return done.stdout.strip()
