"""Before against after."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit import constants as const
from blursplit.campaign import compare, split_alternating
from blursplit.campaign.compare import _model_fwhm_arcsec
from blursplit.errors import InputError
from blursplit.estimate import Estimate
from blursplit.rig import Setting


def test_clear_improvement_is_told_with_its_size(make) -> None:
    found = compare(
        [make.result(name="a", structure=make.estimate(0.8, 0.04))],
        [make.result(name="b", structure=make.estimate(0.2, 0.02))],
    )
    change = found.changes["structure.rms_major_arcsec"]
    assert change is not None
    assert change.difference.low95 < -0.6 < change.difference.high95 < 0
    assert found.probability_structure_improved > 0.99
    assert "became smaller" in found.statement


def test_same_results_give_even_odds(make) -> None:
    found = compare([make.result(name="a")], [make.result(name="b")])
    # 10,000 draws: 0.5 % per standard deviation; four of them.
    assert_allclose(found.probability_structure_improved, 0.5, atol=0.02)
    assert "Undecided" in found.statement


def test_smallest_change_follows_from_the_interval_of_the_difference(make) -> None:
    found = compare([make.result(name="a")] * 1, [make.result(name="b")])
    change = found.changes["structure.rms_major_arcsec"]
    half = 0.5 * (change.difference.high95 - change.difference.low95)
    assert_allclose(change.smallest_change, half * 2.8016 / 1.95996, rtol=1e-3)


def test_more_repeats_show_smaller_changes(make) -> None:
    rng = np.random.default_rng(3)
    runs = [make.result(name=str(i), structure=make.estimate(0.5 * rng.lognormal(0, 0.1), 0.03))
            for i in range(12)]  # fmt: skip
    few = compare(runs[:1], runs[6:7], n_draws=2000).changes["structure.rms_major_arcsec"]
    many = compare(runs[:6], runs[6:], n_draws=2000).changes["structure.rms_major_arcsec"]
    assert many.smallest_change < 0.6 * few.smallest_change


def test_two_upper_limits_give_no_probability(make) -> None:
    found = compare(
        [make.result(name="a", structure=make.limit(0.1))],
        [make.result(name="b", structure=make.limit(0.05))],
    )
    assert found.probability_structure_improved is None
    assert "No structure was shown" in found.statement


def test_value_before_and_limit_after_is_an_improvement(make) -> None:
    found = compare(
        [make.result(name="a", structure=make.estimate(0.5, 0.05))],
        [make.result(name="b", structure=make.limit(0.1))],
    )
    assert found.probability_structure_improved > 0.97
    assert found.changes["structure.rms_major_arcsec"].after.is_limit


def test_missing_quantity_is_null_not_zero(make) -> None:
    found = compare([make.result(name="a", structure=None)], [make.result(name="b")])
    assert found.changes["structure.rms_major_arcsec"] is None
    assert "not measured on both sides" in found.statement


def test_different_blur_times_leave_slow_quantities_out(make) -> None:
    found = compare(
        [make.result(name="a", blur_time_s=30.0)], [make.result(name="b", blur_time_s=60.0)]
    )
    assert found.changes["tracking.rms_major_arcsec"] is None
    assert found.changes["structure.rms_major_arcsec"] is not None
    assert found.common_air is None
    assert "blur-times-differ" in {w.code for w in found.warnings}


def test_better_air_alone_is_not_taken_for_a_cure(make) -> None:
    """Same telescope in 2.0 and 1.0 arcsec seeing: as recorded better, in common air the same."""
    sides = []
    for name, seeing in (("bad", 2.0), ("good", 1.0)):
        run = make.result(name=name, seeing=make.estimate(seeing, 0.05))
        width = _model_fwhm_arcsec(run, seeing)
        run.fwhm.recorded_arcsec = make.estimate(width, 0.01 * width)
        sides.append([run])
    found = compare(*sides)
    assert found.changes["fwhm.recorded_arcsec"].difference.high95 < 0
    assert "air-changed" in {w.code for w in found.warnings}
    air = found.common_air
    assert_allclose(air.seeing_500nm_zenith_arcsec, np.sqrt(2.0), rtol=1e-6)
    # Both predicted widths agree within the error that 5 % and 10 % of seeing leave (about 5 %).
    assert_allclose(air.before_arcsec.value, air.after_arcsec.value, rtol=0.05)
    assert 0.2 < air.probability_smaller < 0.8


@pytest.mark.parametrize(("aperture", "r0", "outer", "published"),
                         [(0.2, 0.1, 20.0, 1.005), (0.4, 0.05, 20.0, 1.797),
                          (0.1, 0.15, 50.0, 1.220)])  # fmt: skip
def test_modelled_width_is_that_of_the_table_of_long_exposures(
    make, aperture: float, r0: float, outer: float, published: float
) -> None:
    """Table of the method notes: two independent transforms; ours samples to 0.3 %."""
    run = make.result(structure=None)
    run.structure.rms_minor_arcsec = None
    run.tracking.rms_major_arcsec = None
    run.instrument.optics_fwhm_arcsec = None
    run.setup.pop("pixel_scale_arcsec", None)
    run.sequence.wavelength_m = 500e-9
    run.setup["aperture_m"] = Setting(aperture, "setup file")
    run.setup["outer_scale_m"] = Setting([outer, outer], "setup file")
    seeing = 0.975863 * 500e-9 / r0 * 206264.806
    assert_allclose(_model_fwhm_arcsec(run, seeing), published, rtol=0.004)


def test_alternating_runs_are_split_and_recognised(make) -> None:
    starts = [f"2026-03-01T20:{m:02d}:00" for m in (0, 5, 10, 15)]
    runs = [make.result(name=s, start_utc=s) for s in starts]
    a, b = split_alternating([runs[2], runs[0], runs[3], runs[1]])
    assert [r.name for r in (x.sequence for x in a)] == [starts[0], starts[2]]
    found = compare(a, b)
    assert found.design == "alternating"
    assert "not-alternating" not in {w.code for w in found.warnings}
    assert compare(runs[:2], runs[2:]).design == "before-after"


def test_same_run_on_both_sides_is_refused(make) -> None:
    with pytest.raises(InputError, match="both sides"):
        compare([make.result()], [make.result()])


def test_empty_side_is_refused(make) -> None:
    with pytest.raises(InputError, match="no result given"):
        compare([], [make.result()])


def test_order_of_repeats_does_not_matter_beyond_the_draws(make) -> None:
    runs = [make.result(name=str(i), structure=make.estimate(0.4 + 0.05 * i, 0.03))
            for i in range(6)]  # fmt: skip
    a = (
        compare(runs[:3], runs[3:], n_draws=2000)
        .changes["structure.rms_major_arcsec"]
        .difference.value
    )
    b = (
        compare(runs[2::-1], runs[:2:-1], n_draws=2000)
        .changes["structure.rms_major_arcsec"]
        .difference.value
    )
    assert_allclose(a, b, atol=0.02)


def test_record_is_valid_json_under_its_schema_name(make) -> None:
    text = compare([make.result(name="a")], [make.result(name="b")]).to_json()
    assert json.loads(text)["schema"] == "blursplit-compare/1"


def test_motion_is_compared_in_pixels_where_no_scale_is_known(make) -> None:
    def unscaled(px, name):
        run = make.result(recorded=None, structure=None, name=name)
        run.motion.common_rms_x_px = run.motion.common_rms_y_px = make.estimate(px, 0.1)
        run.fwhm.recorded_px = make.estimate(3.0 * px, 0.1)
        return run

    before = [unscaled(px, f"b{px}") for px in (2.0, 2.1, 1.9)]
    after = [unscaled(px, f"a{px}") for px in (0.5, 0.52, 0.48)]
    found = compare(before, after)
    change = found.changes["motion.common_rms_px"]
    assert change.before.value == pytest.approx(2.0, rel=0.1)
    assert change.probability_smaller > 0.99
    assert "motion that all stars share became smaller" in found.statement
    assert "px rms" in found.statement
    assert "motion.common_rms_px" not in compare([make.result()], [make.result(name="b")]).changes


def _change_of_motion(make, size):
    """Return how a shared motion of this size on both axes compares with the same."""
    runs = [make.result(recorded=None, structure=None, name=name) for name in "ab"]
    for run in runs:
        run.motion.common_rms_x_px = run.motion.common_rms_y_px = size
        run.fwhm.recorded_px = make.estimate(3.0, 0.1)
    return compare(runs[:1], runs[1:]).changes["motion.common_rms_px"]


def _width(estimate):
    return estimate.high95 - estimate.low95


def test_motion_is_compared_with_the_interval_that_each_run_states(make) -> None:
    judged = _change_of_motion(make, Estimate(value=2.0, low=None, high=None))
    sharp, alike, wide = (
        _change_of_motion(make, make.estimate(2.0, 2.0 * share)) for share in (0.01, 0.1, 0.4)
    )
    assert _width(sharp.ratio) < _width(judged.ratio) < _width(wide.ratio)
    # a stated tenth is the judged tenth
    assert_allclose(_width(alike.ratio), _width(judged.ratio), rtol=0.02)


def test_a_sharp_interval_of_motion_is_no_smaller_than_the_scatter_of_repeats(make) -> None:
    """One run a side knows nothing of repeats: their assumed scatter stays in the change."""
    sharp = _change_of_motion(make, make.estimate(2.0, 1e-4))
    assert _width(sharp.ratio) > const.BETWEEN_RUNS


def test_sizes_are_never_negative(make) -> None:
    small = [make.result(structure=make.limit(0.1), name=f"r{i}") for i in range(2)]
    change = compare(small[:1], small[1:]).changes["structure.rms_major_arcsec"]
    ends = [change.before.low95, change.before.low, change.after.low95, change.after.low]
    assert min(end for end in ends if end is not None) >= 0.0


def test_comparison_leads_with_both_widths_in_the_same_air_and_names_lines_gone(make) -> None:
    before = make.result(lines=[make.line(9.0, 0.5)], recorded=make.estimate(2.6, 0.02))
    after = make.result(name="after", recorded=make.estimate(1.6, 0.02), noise=0.01)
    found = compare([before], [after])
    number = r"\d\.\d+ arcsec \(\d\.\d+ to \d\.\d+, 95 %\)"
    assert re.fullmatch(rf"In the same air {number} would have become {number}\.", found.headline)
    assert "The line at 9.000 Hz is gone" in found.statement
