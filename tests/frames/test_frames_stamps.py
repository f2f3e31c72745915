"""Times as headers write them, in all their forms."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from blursplit.frames.header import Header
from blursplit.frames.timestamps import Instant, Stamps, _parse_clock, iso_utc


def header(**cards):
    """Return a header; text values get quotes, (value, comment) pairs a comment."""
    lines = []
    for key, value in cards.items():
        text, comment = value if isinstance(value, tuple) else (value, "")
        shown = f"'{text}'" if isinstance(text, str) else repr(text)
        lines.append(f"{key.replace('_', '-'):<8}= {shown} / {comment}".ljust(80)[:80])
    return Header("".join(lines).encode("latin-1"))


def series(count=3, step=0.5, **cards):
    """Return headers in which `{t}` is replaced by the seconds with three decimals."""
    out = []
    for k in range(count):
        filled = {
            key: value.replace("{t}", f"{k * step:06.3f}") if isinstance(value, str) else value
            for key, value in cards.items()
        }
        out.append(header(**filled))
    return out


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-03-01T22:10:05", Instant("2026-03-01", "22:10:05.0", None, 1.0)),
        ("2026-03-01 22:10:05.25Z", Instant("2026-03-01", "22:10:05.25", 0.0, 0.01)),
        ("2017-12-19T18:33:43.317-0700", Instant("2017-12-19", "18:33:43.317", -25200.0, 1e-3)),
        ("2026-03-01T22:10:05+05:30", Instant("2026-03-01", "22:10:05.0", 19800.0, 1.0)),
        ("2026-03-01T22:10:05 UTC", Instant("2026-03-01", "22:10:05.0", 0.0, 1.0)),
        ("2016-12-31T23:59:60.5", Instant("2016-12-31", "23:59:60.5", None, 0.1)),
        ("01/03/99", Instant("1999-03-01", None, None, 86400.0)),
        ("2026-03-01", Instant("2026-03-01", None, None, 86400.0)),
        ("2026-02-30T00:00:00", None),
        ("2026-03-01T25:00:00", None),
        ("yesterday", None),
        ("", None),
    ],
)
def test_instant_is_read_in_every_form(text, expected):
    found = Instant.parse(text)
    if expected is None or found is None:
        assert found is expected
    else:
        assert (found.day, found.clock, found.zone_s) == (
            expected.day,
            expected.clock,
            expected.zone_s,
        )
        assert_allclose(found.resolution_s, expected.resolution_s)


@given(
    when=st.datetimes(dt.datetime(1980, 1, 1), dt.datetime(2099, 1, 1)),  # noqa: DTZ001
    zone=st.integers(-12 * 60, 14 * 60),
)
def test_iso_text_with_zone_survives_the_round_trip(when, zone):
    aware = when.replace(tzinfo=dt.timezone(dt.timedelta(minutes=zone)))
    found = Instant.parse(aware.isoformat())
    assert found is not None
    assert found.zone_s == zone * 60
    assert found.day == when.date().isoformat()
    whole = when.second * 1_000_000 + when.microsecond
    assert round(1e6 * float(found.clock.rpartition(":")[2])) == whole


@given(text=st.text(max_size=40))
def test_no_text_makes_the_parsers_stumble(text):
    Instant.parse(text)
    _parse_clock(text)


@pytest.mark.parametrize(
    ("cards", "keyword", "where", "start"),
    [
        ({"DATE_OBS": "2026-03-01T22:10:{t}"}, "DATE-OBS", "begin", "2026-03-01T22:10:00.000"),
        ({"DATE_AVG": "2026-03-01T22:10:{t}"}, "DATE-AVG", "middle", "2026-03-01T22:10:00.000"),
        (
            {"DATE_OBS": "2026-03-01", "TIME_OBS": "22:10:{t}"},
            "DATE-OBS + TIME-OBS",
            "begin",
            "2026-03-01T22:10:00.000",
        ),
        (
            {"DATE_OBS": "01/03/99", "UT": "22:10:{t}"},
            "DATE-OBS + UT",
            "begin",
            "1999-03-01T22:10:00.000",
        ),
        (
            {"DATE_OBS": "2026-03-01", "UTCSTART": "22:10:{t}"},
            "DATE-OBS + UTCSTART",
            "begin",
            "2026-03-01T22:10:00.000",
        ),
        (
            {"DATE_OBS": "2026-03-01T22:10:00", "DATE_END": "2026-03-01T22:10:{t}"},
            "DATE-END",
            "end",
            "2026-03-01T22:10:00.000",
        ),
        (
            {"TIMESYS": "TAI", "DATE_OBS": "2026-03-01T22:10:{t}"},
            "DATE-OBS",
            "begin",
            "2026-03-01T22:09:23.000",  # TAI - UTC = 37 s since 2017 (IERS Bulletin C 52)
        ),
        (
            {"TIMESYS": "GPS", "DATE_OBS": "2026-03-01T22:10:{t}"},
            "DATE-OBS",
            "begin",
            "2026-03-01T22:09:42.000",  # GPS - UTC = 18 s
        ),
        (
            {"DATE_OBS": "2026-03-01T15:10:{t}-0700"},
            "DATE-OBS",
            "begin",
            "2026-03-01T22:10:00.000",
        ),
    ],
)
def test_times_come_from_the_finest_keyword(cards, keyword, where, start):
    stamps = Stamps.read(series(**cards))
    assert (stamps.keyword, stamps.where) == (keyword, where)
    assert_allclose(stamps.seconds, [0.0, 0.5, 1.0], atol=1e-9)
    assert iso_utc(stamps.first_mjd_utc) == start


def test_whole_seconds_lose_against_a_fine_mjd():
    heads = [
        header(DATE_OBS="2026-03-01T00:00:00", MJD_OBS=round(61100.0 + k * 1e-6, 8))
        for k in range(4)
    ]
    stamps = Stamps.read(heads)
    assert stamps.keyword == "MJD-OBS"
    assert_allclose(stamps.seconds, np.arange(4) * 0.0864, atol=1e-5)


def test_coarse_mjd_loses_against_milliseconds():
    heads = [header(MJD_OBS=58107.065, UT_OBS=f"2017-12-20T01:33:43.{k}17-0000") for k in range(3)]
    assert Stamps.read(heads).keyword == "UT-OBS"


def test_local_time_without_a_zone_gives_intervals_but_no_date():
    heads = [header(DATE_OBS=(f"2026-03-01T22:10:{k:02d}", "local time")) for k in range(3)]
    stamps = Stamps.read(heads)
    assert_allclose(stamps.seconds, [0, 1, 2])
    assert stamps.first_mjd_utc is None
    assert "unknown zone" in stamps.note


def test_comment_may_say_that_a_stamp_is_the_middle():
    heads = [header(DATE_OBS=("2026-03-01T22:10:05.5", "UTC, mid-exposure"))] * 2
    assert Stamps.read(heads).where == "middle"


def test_clock_runs_over_midnight_while_the_date_stays():
    clocks = ["23:59:59.0", "23:59:59.5", "00:00:00.0", "00:00:00.5"]
    heads = [header(DATE_OBS="2026-03-01", TIME_OBS=clock) for clock in clocks]
    stamps = Stamps.read(heads)
    assert_allclose(stamps.seconds, [0, 0.5, 1.0, 1.5], atol=1e-9)
    assert "midnight" in stamps.note


def test_leap_second_is_counted():
    clocks = ["2016-12-31T23:59:59.5", "2016-12-31T23:59:60.5", "2017-01-01T00:00:00.5"]
    stamps = Stamps.read([header(DATE_OBS=clock) for clock in clocks])
    assert_allclose(stamps.seconds, [0, 1, 2], atol=1e-9)


def test_no_time_keyword_gives_nothing():
    assert Stamps.read([header(EXPTIME=1.0)]) is None
    assert Stamps.read([header(DATE_OBS="2026-03-01")]) is None
