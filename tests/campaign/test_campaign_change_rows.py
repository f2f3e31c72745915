"""A comparison in words: decimals, limits, and what is not told."""

from __future__ import annotations

import pytest

from blursplit.campaign.compare import COMPARED, IN_PIXELS
from blursplit.campaign.compare_record import NAMES, Change, Comparison, Side, cell95, probability95
from blursplit.campaign.pages import _side_texts
from blursplit.estimate import Estimate

LIMIT = Estimate(value=None, low=0.0, high=0.1, high95=0.1)
OPEN = Estimate(value=0.013, low=-0.03, high=0.06, low95=-0.071, high95=0.112)


def comparison(**changes: Change | None) -> Comparison:
    side = Side(names=["sequence"], start_utc=["2026-03-04T21:30:00.003"])
    named = {key.replace("__", "."): change for key, change in changes.items()}
    return Comparison(before=side, after=side, changes=named)


def both_limits() -> Change:
    return Change(
        key="tracking.rms_major_arcsec",
        before=LIMIT,
        after=LIMIT,
        difference=OPEN,
        probability_smaller=None,
        smallest_change=0.13,
        between_runs=OPEN,
        between_runs_unit="share",
        runs=(1, 1),
    )


def test_every_compared_quantity_has_a_name_and_a_unit() -> None:
    assert set(NAMES) == {*COMPARED, *IN_PIXELS}
    assert all(name and unit for name, unit in NAMES.values())


def test_change_between_two_limits_has_an_interval_and_no_value() -> None:
    (row,), _ = comparison(tracking__rms_major_arcsec=both_limits()).rows()
    assert row.change == ("", "−0.07 to +0.11")
    assert str(row.before) == "< 0.10"
    assert row.probability == "-"


def test_what_was_not_compared_is_named() -> None:
    rows, absent = comparison(structure__saving_arcsec=None).rows()
    assert rows == []
    assert absent == ["FWHM that curing the structure saves"]


@pytest.mark.parametrize(
    ("value", "text"), [(1.0, "> 0.999"), (0.998, "0.998"), (0.0, "< 0.001"), (None, "-")]
)
def test_no_probability_of_a_change_is_certainty(value: float | None, text: str) -> None:
    assert probability95(value) == text


def test_decimals_follow_the_interval() -> None:
    estimate = Estimate(value=1.7654, low=1.7, high=1.83, low95=1.6612, high95=1.9077)
    assert str(cell95(estimate)) == "1.77 (1.66 to 1.91)"


def test_runs_are_told_by_name_and_start() -> None:
    side = Side(names=["sequence", ""], start_utc=["2026-03-04T21:30:00.003", None])
    assert _side_texts(side) == ["sequence, 2026-03-04 21:30:00 UTC", "unnamed"]
