"""The house stays small: numbers have one home, a source and a unit; rooms and files a size."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

# Numbers at module level that still stand outside constants.py, by room: it may only shrink.
STILL_BARE = {
    "(top)": 1,  # the default seed
    "budget": 3,  # where a bin is sampled, bends of a path, a perfect telescope
    "campaign": 1,  # sizes of a picture
    "compiled": 2,  # pieces of a border, and the order of its moments
    "frames": 6,  # units of words, bytes of types, full scales by bits, an epoch
    "report": 2,
    "simulate": 1,
    "stars": 2,  # a differencing filter, lags
}


@pytest.fixture(scope="module")
def counted():
    spec = importlib.util.spec_from_file_location("house", ROOT / "benchmarks" / "house.py")
    house = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(house)
    return house.count()


def test_numbers_stand_in_the_file_of_numbers(counted):
    rooms = {room: counter.get("bare", 0) for room, counter in counted["rooms"].items()}
    more = {room: n for room, n in rooms.items() if n > STILL_BARE.get(room, 0)}
    named = [name for name in counted["bare"] if name.partition("/")[0] in more or "(top)" in more]
    assert not more, f"move them to constants.py, with unit and source: {named}"


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
