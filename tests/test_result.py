"""The result record: written and read without loss, newer files too, never with NaN."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from blursplit.estimate import Estimate
from blursplit.result import SCHEMA, Remark, Result, SequenceInfo, Structure

NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
INFO = {"files": 1, "frames": 20, "frames_used": 19, "stars_used": 2}


def make(**parts):
    return Result(version="0.1", sequence=SequenceInfo(**INFO), **parts)


@settings(max_examples=100, deadline=None)
@given(numbers=st.lists(NUMBERS, min_size=5, max_size=5), text=st.text(max_size=80))
def test_what_is_written_is_read_back(numbers, text):
    names = ("low95", "low", "value", "high", "high95")
    estimate = Estimate(**dict(zip(names, sorted(map(abs, numbers)), strict=True)))
    result = make(command=text.encode("utf-8", "replace").decode())
    result.fwhm.recorded_arcsec = estimate
    result.warnings.append(Remark(code="few-frames", text="ü\n<b>"))
    again = Result.from_json(result.to_json())
    assert again == result


def test_the_schema_is_named_first():
    record = json.loads(make().to_json())
    assert next(iter(record)) == "schema"
    assert record["schema"] == SCHEMA == "blursplit-result/2"


def test_keys_of_later_versions_are_ignored():
    record = json.loads(make().to_json())
    record["sequence"]["moon"] = "full"
    record["telepathy"] = {"value": 1}
    assert Result.from_json(json.dumps(record)) == make()


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_no_number_is_nan_or_infinite(value):
    with pytest.raises(ValidationError):
        Estimate(value=value, low=0, high=1)


def test_a_limit_is_an_estimate_without_a_value():
    assert Estimate(value=None, low=0.0, high=0.3).is_limit
    assert not Estimate(value=0.1, low=0.0, high=0.3).is_limit


def test_a_fresh_result_knows_nothing_and_asks_nothing():
    result = make()
    assert result.verdict.matters == {}
    assert result.atmosphere.fwhm_arcsec is None
    assert result.structure.rms_major_arcsec is None


def test_ends_of_an_estimate_that_are_out_of_order_are_refused():
    with pytest.raises(ValidationError, match="not in order"):
        Estimate(value=1.0, low=1.1, high=1.2)
    with pytest.raises(ValidationError, match="not in order"):
        Estimate(value=1.0, low=0.9, high=1.1, low95=0.95, high95=1.2)


def test_a_size_below_zero_is_refused_and_a_saving_below_zero_is_not():
    below = Estimate(value=-0.1, low=-0.2, high=0.1, low95=-0.3, high95=0.2)
    with pytest.raises(ValidationError, match="cannot be negative"):
        make(structure=Structure(rms_major_arcsec=below))
    assert make(structure=Structure(saving_arcsec=below)).structure.saving_arcsec == below


@pytest.mark.parametrize("gone", ["sequence", "schema"])
def test_a_record_without_its_core_is_refused_or_named(gone):
    record = json.loads(make().to_json())
    del record[gone]
    if gone == "sequence":
        with pytest.raises(ValidationError):
            Result.from_json(json.dumps(record))
    else:
        assert Result.from_json(json.dumps(record)).schema_ == SCHEMA
