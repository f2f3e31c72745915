"""What is only a limit is shown as one in every column, and no probability as certainty."""

from __future__ import annotations

import io

import pytest
from numpy.testing import assert_allclose
from rich.console import Console

from blursplit.estimate import Estimate
from blursplit.report import figures, print_summary, summarize
from blursplit.report.figures.motion import mark_labels
from blursplit.report.line_rows import line_row
from blursplit.report.notebook import budget_table
from blursplit.report.wording import probability, setting
from blursplit.result import Line


def limited(full, share, width=None):
    """Return the full case with a structure of which only a limit of 0.4 arcsec is known."""
    structure = full.result.structure.model_copy(
        update={
            "rms_major_arcsec": Estimate(value=None, low=0.0, high=0.4),
            "rms_minor_arcsec": Estimate(value=0.0, low=0.0, high=0.0),
            "gaussian_equivalent_fwhm_arcsec": width,
            "saved_arcsec": None,
        }
    )
    shares = dict(full.result.verdict.shares) | {"structure": share}
    verdict = full.result.verdict.model_copy(update={"shares": shares})
    return full.result.model_copy(update={"structure": structure, "verdict": verdict})


def structure_row(result):
    return next(row for row in summarize(result)["budget"] if row["name"] == "structure")


def test_share_of_exactly_nothing_is_none_found_not_zero(full):
    row = structure_row(limited(full, Estimate(value=0.0, low=0.0, high=0.0, low95=0, high95=0)))
    assert row["share"] == {"value": "none found", "range68": "", "range95": ""}
    assert row["basis"] == "limit"


def test_width_of_limited_motion_is_its_gaussian_equivalent_limit(full):
    # 2.3548 x 0.4 arcsec
    assert structure_row(limited(full, None))["width"]["value"] == "< 0.94 arcsec at 95 %"


def test_limited_contribution_has_limits_in_all_columns(full):
    share = Estimate(value=0.02, low=0.01, high=0.03, low95=0.0, high95=0.06)
    width = Estimate(value=0.2, low=0.1, high=0.3, low95=0.0, high95=0.42)
    row = structure_row(limited(full, share, width))
    assert row["share"]["value"] == "< 6.0 % at 95 %"
    assert row["width"]["value"] == "< 0.42 arcsec at 95 %"
    assert row["motion"] == "< 0.40 arcsec at 95 %"


def test_table_gives_the_same_limit(full):
    table = budget_table(limited(full, None))
    at = list(table["contribution"]).index("structure")
    assert str(table["fwhm"][at].value) == "nan"
    assert_allclose(table["fwhm_high"][at].value, 2.35482 * 0.4, rtol=1e-9)


def test_split_contributions_are_inferred(full):
    rows = {row["name"]: row["basis"] for row in summarize(full.result)["budget"]}
    assert "measured" not in rows.values()


@pytest.mark.parametrize(
    ("value", "text"),
    [(1.0, "> 99 %"), (0.995, "> 99 %"), (0.987, "99 %"), (0.5, "50 %"), (0.0, "< 1 %")],
)
def test_no_probability_is_certainty(value, text):
    assert probability(value) == text


def test_long_times_have_no_exponent():
    assert setting(12566.4) == "12566"


LINE = Line(
    frequency_hz=Estimate(value=9.15, low=9.1, high=9.2),
    rms_arcsec=Estimate(value=0.56, low=0.55, high=0.68),
    false_alarm_probability=8e-26,
    shared_probability=1.0,
    alias_candidates_hz=[9.15, 57.5, 75.8, 124.2],
    alias_odds=[0.87, 0.13, 1e-13, 1e-198],
    cause_odds={"unknown": 1.0},
)


def test_aliases_worth_naming_are_named_and_the_rest_counted():
    row = line_row(1, LINE)
    assert row["aliases"] == "9.150 Hz (87 %), 57.50 Hz (13 %), 2 more at < 1 % each"
    assert row["chance"] == "< 10⁻⁶"
    assert row["shared"] == "> 99 %"
    assert row["cause"] == "unknown"


def test_terminal_names_the_other_frequency_that_a_line_may_have(full):
    stream = io.StringIO()
    result = full.result.model_copy(update={"lines": [LINE]})
    print_summary(result, Console(file=stream, width=120))
    assert "or 57.5 Hz (13 %)" in stream.getvalue()


def test_terminal_tells_findings_and_motion_where_there_is_no_split(cases):
    stream = io.StringIO()
    result = cases["px-only"].result
    print_summary(result, Console(file=stream, width=120))
    assert f"Shared motion along x, rms per frame: {result.motion.common_rms_x_px:.3g}" in (
        stream.getvalue()
    )


def test_labels_that_would_touch_are_joined():
    # 6.3 and 7.4 Hz are 0.07 apart in the logarithm, 0.3 Hz far away
    assert mark_labels([(0.869, "2"), (0.799, "1"), (-0.52, "3")]) == [
        (-0.52, "3"),
        (pytest.approx(0.834), "1, 2"),
    ]


def test_nearly_round_motion_without_direction_is_a_circle(full):
    structure = full.result.structure.model_copy(
        update={
            "rms_major_arcsec": Estimate(value=0.9, low=0.8, high=1.0),
            "rms_minor_arcsec": Estimate(value=0.8, low=0.7, high=0.9),
            "angle_deg": None,
        }
    )
    drawn = figures.half_axes(full.result.model_copy(update={"structure": structure}))
    # the circle has the same sum of squares: sqrt((0.81 + 0.64) / 2)
    assert_allclose(drawn["structure"], (0.851469, 0.851469, 0.0), rtol=1e-5)


def test_elongated_motion_without_direction_is_not_drawn(full):
    structure = full.result.structure.model_copy(
        update={
            "rms_major_arcsec": Estimate(value=0.9, low=0.8, high=1.0),
            "rms_minor_arcsec": None,
            "angle_deg": None,
        }
    )
    drawn = figures.half_axes(full.result.model_copy(update={"structure": structure}))
    assert "structure" not in drawn
