"""Numbers in words: units, intervals, limits, and texts from files."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blursplit.errors import plain
from blursplit.estimate import Estimate
from blursplit.report.numbers import (
    estimate_cells,
    estimate_text,
    label_of_key,
    number,
    setting,
    setup_text,
)


def numbers_in(text: str) -> list[float]:
    return [float(hit) for hit in re.findall(r"-?\d+(?:\.\d+)?", text.replace("−", "-"))]


def test_estimate_has_unit_and_interval() -> None:
    estimate = Estimate(value=2.5101, low=2.4402, high=2.5811)
    assert estimate_text(estimate, "arcsec") == "2.51 arcsec (2.44 to 2.58)"


def test_half_width_of_ten_to_twenty_nine_keeps_two_digits() -> None:
    estimate = Estimate(value=8.3142, low=8.2992, high=8.3292)
    assert estimate_text(estimate, "Hz") == "8.314 Hz (8.299 to 8.329)"


def test_upper_limit_says_at_which_probability() -> None:
    limit = Estimate(value=None, low=0.0, high=0.123)
    assert estimate_text(limit, "arcsec") == "< 0.13 arcsec at 95 %"  # up, so that it holds


def test_missing_interval_is_said() -> None:
    estimate = Estimate(value=1.0, low=None, high=None)
    assert estimate_text(estimate, "m").endswith("m (interval not known)")


def test_unknown_is_not_a_number() -> None:
    assert estimate_text(None, "arcsec") == "not known"
    assert estimate_text(Estimate(value=None, low=0.0, high=None), "m") == "not known"


def test_share_is_scaled_to_percent() -> None:
    cells = estimate_cells(
        Estimate(value=0.47, low=0.42, high=0.52, low95=0.37, high95=0.57), "%", 100.0
    )
    assert cells == {"value": "47 %", "range68": "42 to 52 %", "range95": "37 to 57 %"}


def test_negative_zero_is_zero() -> None:
    text = estimate_text(Estimate(value=-0.001, low=-0.5, high=0.5), "arcsec")
    assert text == "0.0 arcsec (−0.5 to 0.5)"


@settings(deadline=None)  # a busy machine is no fault of the text
@given(
    st.floats(-1e4, 1e4),
    st.floats(1e-5, 1e3),
)
def test_rounding_moves_no_number_by_more_than_a_sixth_of_the_half_width(
    centre: float, half: float
) -> None:
    estimate = Estimate(value=centre, low=centre - half, high=centre + half)
    shown = numbers_in(estimate_text(estimate, "m"))
    assert len(shown) == 3
    for text, exact in zip(shown, (centre, centre - half, centre + half), strict=True):
        # half a unit of the last place is at most 0.5/2.95 of a half-width whose digit is 3
        assert math.isclose(text, exact, abs_tol=half * 0.5 / 2.9 + 1e-9)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (1234.6, "1235"),
        (0.03456, "0.0346"),
        (9.996, "10.0"),
        (-2.5, "−2.50"),
        (1.23e-9, "1.23 × 10⁻⁹"),
        (math.nan, "not known"),
        (None, "not known"),
    ],
)
def test_number_is_readable(value: float | None, text: str) -> None:
    assert number(value) == text


def test_setting_has_no_trailing_zeros() -> None:
    assert setting(0.0080) == "0.008"
    assert setting(60.0) == "60"


@pytest.mark.parametrize(
    ("key", "value", "text"),
    [
        ("aperture_m", 0.2, "0.2 m"),
        ("pixel_scale_arcsec", 0.612345, "0.612345 arcsec/px"),
        ("outer_scale_m", [10.0, 50.0], "10 to 50 m"),
        ("worm_period_s", [480.0, 240.0], "480, 240 s"),
        ("wind_m_s", [2.0, 30.0], "2 to 30 m/s"),
        ("gain_e_per_adu", 1.02, "1.02 e⁻/ADU"),
        ("row_time_us", 0.0, "0 µs"),
        ("latitude_deg", -33.5, "−33.5 deg"),
        ("flip", True, "yes"),
        ("object", "M 67", "M 67"),
        ("obstruction", 0.33, "0.33"),
        ("filter", None, "not known"),
    ],
)
def test_setup_value_carries_the_unit_of_its_key(key: str, value: object, text: str) -> None:
    assert setup_text(key, value) == text


def test_label_drops_the_unit() -> None:
    assert label_of_key("focal_length_m") == "focal length"


def test_control_and_direction_characters_are_shown_not_obeyed() -> None:
    assert plain("M\x1b[31m 67\u202e\n") == "M\ufffd[31m 67\ufffd "
