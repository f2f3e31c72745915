"""Make the results of this folder: what this version says of the tables in ../tracks.

Run it from the top of the project: `python data/golden/make.py`, at a release, and look at what
changed before it is kept: a number that moved by more than its tolerance moved for a reason, which
belongs into docs/changes/.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import blursplit as bs

HERE = Path(__file__).parent
TRACKS = HERE.parent / "tracks"


def golden(table: Path) -> dict[str, Any]:
    """Return what is said of a table of positions: numbers by their key, and codes in order."""
    truth = tomllib.loads(table.with_suffix(".toml").read_text(encoding="utf-8"))
    rig = bs.Rig(aperture_m=truth["aperture_m"], exposure_s=truth["exposure_s"])
    result = bs.measure(table, rig).result
    record = json.loads(result.to_json())
    parts = ("motion", "structure", "tracking", "open", "lines", "events")
    for line in record["lines"]:  # follow from the frequency, and from a power of the line's height
        del line["alias_candidates_hz"], line["false_alarm_probability"]
    numbers = dict(leaf for part in parts for leaf in _numbers(part, record[part]))
    verdict = result.verdict
    facts = [item for item in verdict.headline_facts.items() if isinstance(item[1], float)]
    return {
        "numbers": numbers | {f"verdict.headline_facts.{key}": value for key, value in facts},
        "codes": {
            "headline": [verdict.level, verdict.headline_code],
            "matters": [f"{cure}: {answer}" for cure, answer in verdict.matters.items()],
            "reasons": [one.code for one in verdict.reasons],
            "next": [one.code for one in verdict.next],
            "warnings": [one.code for one in result.warnings],
        },
    }


def _numbers(key: str, value: Any) -> list[tuple[str, float]]:
    """Return every number of a record with the path to it."""
    if isinstance(value, dict):
        return [leaf for name, part in value.items() for leaf in _numbers(f"{key}.{name}", part)]
    if isinstance(value, list):
        return [leaf for k, part in enumerate(value) for leaf in _numbers(f"{key}[{k}]", part)]
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return [(key, float(value))] if is_number else []


def main() -> None:
    """Write one file a table."""
    for table in sorted(TRACKS.glob("*.csv")):
        text = json.dumps(golden(table), indent=1) + "\n"
        (HERE / f"{table.stem}.json").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
