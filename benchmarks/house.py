"""Count the house: lines, files, public names, numbers without a source, words for people.

Run from the top of the project: `python benchmarks/house.py [--json] [--rooms] [--keep]`.

* lines: all lines of src; files: its modules.
* public names: functions and classes at module level without a leading underscore.
* bare numbers: names at module level outside constants.py whose value is made of numbers alone.
* unsourced: those of constants.py that state no unit and source (`# unit | source`).
* words: of text for people, in strings of three words and more that are no docstrings.
* repeated: numbers of four digits and more that stand in more than one module.
"""

from __future__ import annotations

import argparse
import ast
import json
import sys
from collections import Counter, defaultdict
from pathlib import Path
from typing import Any

SRC = Path(__file__).parents[1] / "src" / "blursplit"
FEWEST_WORDS = 3


def is_number(node: ast.AST) -> bool:
    """Return whether an expression is made of numbers alone."""
    parts: list[ast.expr] = []
    if isinstance(node, ast.Constant):
        return isinstance(node.value, int | float) and not isinstance(node.value, bool)
    if isinstance(node, ast.UnaryOp):
        parts = [node.operand]
    elif isinstance(node, ast.BinOp):
        parts = [node.left, node.right]
    elif isinstance(node, ast.Tuple | ast.List | ast.Set):
        parts = node.elts
    elif isinstance(node, ast.Dict):
        parts = node.values
    elif isinstance(node, ast.Call):
        parts = node.args
    return bool(parts) and all(is_number(part) for part in parts)


def module_numbers(tree: ast.Module) -> list[tuple[str, ast.stmt]]:
    """Return the names at module level that are numbers, and their statements."""
    found = []
    for node in tree.body:
        targets: list[Any] = []
        if isinstance(node, ast.Assign):
            targets, value = node.targets, node.value
        elif isinstance(node, ast.AnnAssign) and node.value is not None:
            targets, value = [node.target], node.value
        for target in targets:
            names = target.elts if isinstance(target, ast.Tuple) else [target]
            if is_number(value):
                found += [(name.id, node) for name in names if isinstance(name, ast.Name)]
    return found


def words_of(tree: ast.Module) -> int:
    """Return the number of words in strings for people."""
    docs = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    bare = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    total = 0
    for node in ast.walk(tree):
        if not isinstance(node, ast.Constant) or not isinstance(node.value, str):
            continue
        if id(node) in docs or id(node) in bare:
            continue
        count = sum(any(c.isalpha() for c in word) for word in node.value.split())
        total += count if count >= FEWEST_WORDS else 0
    return total


def count() -> dict[str, Any]:
    """Return all counts."""
    rooms: dict[str, Counter[str]] = defaultdict(Counter)
    bare, unsourced, publics = [], [], []
    seen: dict[str, set[str]] = defaultdict(set)
    longest = ("", 0)
    for path in sorted(SRC.rglob("*.py")):
        place = path.relative_to(SRC)
        room = place.parts[0] if len(place.parts) > 1 else "(top)"
        text = path.read_text(encoding="utf-8")
        lines = text.splitlines()
        tree = ast.parse(text)
        longest = max(longest, (str(place), len(lines)), key=lambda pair: pair[1])
        names = [
            node.name
            for node in tree.body
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)
            and not node.name.startswith("_")
        ]
        publics += [f"{place}:{name}" for name in names]
        rooms[room] += Counter(lines=len(lines), files=1, public=len(names), words=words_of(tree))
        for name, node in module_numbers(tree):
            if place.name != "constants.py":
                bare.append(f"{place}:{name}")
                rooms[room]["bare"] += 1
                continue
            said = "\n".join(lines[node.lineno - 1 : node.end_lineno])
            before = lines[node.lineno - 2] if node.lineno > 1 else ""
            if "|" not in said.partition("#")[2] and "|" not in before.partition("#")[2]:
                unsourced.append(name)
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, float):
                digits = repr(node.value).replace(".", "").replace("-", "").strip("0")
                if len(digits.partition("e")[0]) >= 4:
                    seen[repr(node.value)].add(str(place))
    total: Counter[str] = Counter()
    for counter in rooms.values():
        total += counter
    return {
        "lines": total["lines"],
        "files": total["files"],
        "public_names": total["public"],
        "bare_numbers": len(bare),
        "unsourced": len(unsourced),
        "words": total["words"],
        "longest_file": longest,
        "repeated_numbers": {n: sorted(p) for n, p in sorted(seen.items()) if len(p) > 1},
        "rooms": {name: dict(counter) for name, counter in sorted(rooms.items())},
        "bare": bare,
        "unsourced_names": unsourced,
    }


def main() -> None:
    """Print the counts."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--keep", action="store_true", help="note them for this commit")
    parser.add_argument("--rooms", action="store_true", help="a line for each room")
    asked = parser.parse_args()
    found = count()
    if asked.json:
        json.dump(found, sys.stdout, indent=1)
        return
    from ledger import keep

    for key in ("lines", "files", "public_names", "bare_numbers", "unsourced", "words"):
        before = keep("house", key, found[key], "") if asked.keep else ""
        print(f"{key:14s} {found[key]:7d}  {before}".rstrip())
    print(f"{'longest file':14s} {found['longest_file'][1]:7d}  {found['longest_file'][0]}")
    for number, places in found["repeated_numbers"].items():
        print(f"{number} stands in {', '.join(places)}")
    if asked.rooms:
        for name, counter in found["rooms"].items():
            print(name, counter)


if __name__ == "__main__":
    main()
