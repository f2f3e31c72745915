"""Headers in the habits of many writers (data/headers) say what they are known to say."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from blursplit.frames.facts import read_facts
from blursplit.frames.header import Header
from blursplit.frames.timestamps import Stamps, iso_utc

ZOO = Path(__file__).parents[2] / "data" / "headers"
EXPECTED = tomllib.loads((ZOO / "expected.toml").read_text(encoding="utf-8"))


def read(name: str) -> Header:
    """Return the header of a text file with one card a line."""
    lines = (ZOO / f"{name}.txt").read_text(encoding="ascii").splitlines()
    assert all(len(line) <= 80 for line in lines)
    return Header(b"".join(line.encode("ascii").ljust(80) for line in lines))


def test_every_header_is_expected_and_every_expectation_has_a_header():
    assert {path.stem for path in ZOO.glob("*.txt")} == set(EXPECTED)


@pytest.mark.parametrize("name", EXPECTED)
def test_a_header_says_what_it_is_known_to_say(name):
    header, expected = read(name), dict(EXPECTED[name])
    known = read_facts(header)
    exposure, stamps = header.exposure, Stamps.read([header])
    if "exposure_s" in expected:
        assert exposure.value == pytest.approx(expected.pop("exposure_s"))
    if "time" in expected:
        # Julian days of a double are good to 40 microseconds; times are written in milliseconds.
        assert iso_utc(stamps.first_mjd_utc) == expected.pop("time")
    for key in ("keyword", "where"):
        if key in expected:
            assert getattr(stamps, key) == expected.pop(key)
    assert not set(expected.pop("absent", ())) & set(known)
    for key, value in expected.items():
        about = value if isinstance(value, str | bool) else pytest.approx(value, rel=1e-3)
        assert known[key].value == about, key
        assert known[key].origin == "header"
