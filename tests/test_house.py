"""The house stays small: numbers have one home, a source and a unit; rooms and files a size."""

from __future__ import annotations

import ast
import importlib.util
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def counted():
    spec = importlib.util.spec_from_file_location("house", ROOT / "benchmarks" / "house.py")
    house = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(house)
    return house.count()


def test_numbers_stand_in_the_file_of_numbers(counted):
    assert not counted["bare"], "move them to constants.py, with unit and source"


def test_what_is_private_stays_in_its_file():
    """A name with an underscore belongs to its module; only a module of a room may have one."""
    taken = [
        f"{path.name}: {alias.name}"
        for path in (ROOT / "src").rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("blursplit")
        for alias in node.names
        if alias.name.startswith("_")
        and not alias.name.startswith("__")
        and not (ROOT / "src" / node.module.replace(".", "/") / f"{alias.name}.py").exists()
    ]
    assert not taken


def test_every_number_has_a_unit_and_a_source(counted):
    assert not counted["unsourced_names"], "write `# unit | source` behind each"


def test_benchmarks_are_kept_by_commit_and_compared_with_the_last(tmp_path, monkeypatch):
    spec = importlib.util.spec_from_file_location("ledger", ROOT / "benchmarks" / "ledger.py")
    ledger = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(ledger)
    said = {"describe": "aaa", "show": "2026-01-02"}
    monkeypatch.setattr(ledger, "_git", lambda *words: said[words[0]])
    monkeypatch.setattr(ledger, "FOLDER", tmp_path / "results")
    assert ledger.keep("speed", "a pass", 2.0, "s") == "first of its kind"
    assert ledger.keep("speed", "a pass", 2.2, "s") == "first of its kind"  # this commit, again
    said["describe"] = "bbb"
    assert ledger.keep("speed", "a pass", 1.1, "s") == "-50 % against 2.2 s at aaa"
    said["describe"] = "ccc+"
    assert ledger.keep("speed", "a pass", 2.2, "s") == "+100 % against 1.1 s at bbb"
    kept = (tmp_path / "results" / "speed.csv").read_text().splitlines()
    assert kept == [
        "commit,date,what,value,unit",
        "aaa,2026-01-02,a pass,2.2,s",
        "bbb,2026-01-02,a pass,1.1,s",
    ]
