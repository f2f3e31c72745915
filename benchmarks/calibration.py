"""Calibration study: whether stated intervals hold the truth as often as they say.

    python benchmarks/calibration.py run OUT.jsonl --first 0 --last 1000 [--step 2]
    python benchmarks/calibration.py keep OUT.jsonl ...
    python benchmarks/calibration.py table --out docs/calibration.md

Scenes are made, measured and forgotten one by one; the run can be stopped and taken up again,
and several may write into files of their own. Truth is the realised motion of each record and
the widths of its mean images; for this project's own scenes the realised r0. What is scored of
them is kept in `data/calibration/scenes.jsonl.xz`, with the version of the code that measured it,
so that the study grows and everybody can score it anew; numbers kept there are not made again.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
import traceback
from dataclasses import asdict
from pathlib import Path
from typing import Any

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(threads, "1")
sys.path.insert(0, str(Path(__file__).parent))

from calibration_scenes import Draw, draw_scene, make  # noqa: E402
from calibration_table import KEPT, keep, read_rows, write_table  # noqa: E402
from ledger import commit  # noqa: E402


def measure_scene(draw: Draw, scratch: Path, cache: Path) -> dict:
    """Make and measure one scene; returns a row of the study."""
    from blursplit.errors import BlursplitError
    from blursplit.measure import measure
    from blursplit.rig import Rig

    begin = time.process_time()
    what, known, truth = make(draw, scratch, cache)
    made = time.process_time()
    row: dict[str, Any] = {"draw": asdict(draw), "truth": truth, "make_s": made - begin}
    try:
        result = measure(what, Rig.read(None, known)).result
    except BlursplitError as refused:
        return {**row, "refused": str(refused)}
    row["measure_s"] = time.process_time() - made
    row["result"] = json.loads(result.to_json())
    for bulky in ("setup", "warnings"):
        row["result"].pop(bulky)
    row["warnings"] = [warning.code for warning in result.warnings]
    return row


def run(out: Path, first: int, last: int, step: int) -> None:
    """Measure the scenes that neither the file nor the kept ones hold yet."""
    done = {row["draw"]["number"] for row in read_rows(p for p in (KEPT, out) if p.exists())}
    cache = out.parent / "screens"
    cache.mkdir(exist_ok=True)
    for number in range(first, last, step):
        if number in done:
            continue
        with tempfile.TemporaryDirectory(prefix="calibration-") as scratch:
            draw = draw_scene(number)
            try:
                row = measure_scene(draw, Path(scratch), cache)
            except Exception:  # noqa: BLE001 - a crash is a finding of the study, and is counted
                row = {"draw": asdict(draw), "crash": traceback.format_exc()}
        row["code"] = commit()
        with out.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")
        took = f"{row.get('make_s', 0):.0f} + {row.get('measure_s', 0):.0f} s"
        print(
            number, draw.maker, draw.regime, took, row.get("refused", row.get("crash", ""))[-200:]
        )
        sys.stdout.flush()


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    runner = commands.add_parser("run")
    runner.add_argument("out", type=Path)
    runner.add_argument("--first", type=int, default=0)
    runner.add_argument("--last", type=int, default=1000)
    runner.add_argument("--step", type=int, default=1)
    keeper = commands.add_parser("keep")
    keeper.add_argument("rows", type=Path, nargs="+")
    table = commands.add_parser("table")
    table.add_argument("rows", type=Path, nargs="*", default=[KEPT])
    table.add_argument("--out", type=Path)
    given = parser.parse_args()
    if given.command == "run":
        run(given.out, given.first, given.last, given.step)
    elif given.command == "keep":
        keep(given.rows)
    else:
        write_table(given.rows, given.out)


if __name__ == "__main__":
    main()
