"""Limits, and what a result says of each."""

from __future__ import annotations

import json

import numpy as np
import pytest

from blursplit.campaign import Acceptance
from blursplit.campaign.accept import _mount_rms_arcsec, _worst
from blursplit.campaign.limits import Limits
from blursplit.errors import InputError
from blursplit.estimate import Estimate
from blursplit.rig import Setting


def judge(run, rule, *, tap=None):
    return Acceptance.of([(run, None)], rule, tap=tap)


def limits(**tables: object) -> Limits:
    """Return limits for a blur time of 30 s."""
    return Limits.model_validate({"blur_time_s": 30.0} | tables)


def one(make, at_most: float, estimate: object):
    """Judge one limit on the structure."""
    rule = limits(limits={"structure.rms_major_arcsec": {"at_most": at_most}})
    return judge(make.result(structure=estimate), rule).judgements[0]


@pytest.mark.parametrize(
    ("at_most", "state"), [(0.61, "pass"), (0.55, "not shown"), (0.45, "not shown"), (0.39, "fail")]
)
def test_only_the_whole_95_percent_interval_passes_or_fails(
    make, at_most: float, state: str
) -> None:
    # 0.5 +- 0.05: the 95 % interval is 0.402 to 0.598.
    assert one(make, at_most, make.estimate(0.5, 0.05)).state == state


def test_upper_limit_passes_inside_and_never_fails(make) -> None:
    assert one(make, 0.2, make.limit(0.15)).state == "pass"
    assert one(make, 0.1, make.limit(0.15)).state == "not shown"


def test_missing_value_is_not_shown_with_the_reason(make) -> None:
    judged = one(make, 0.2, None)
    assert judged.state == "not shown"
    assert "not measured" in judged.reason


def test_interval_known_to_68_percent_only_is_widened_before_judging(make) -> None:
    e = Estimate(value=0.2, low=0.15, high=0.25)
    assert one(make, 0.26, e).state == "not shown"


def test_value_without_interval_shows_nothing_but_a_count_does(make) -> None:
    rule = limits(
        limits={
            "instrument.diffraction_arcsec": {"at_most": 9.0},
            "sequence.stars_used": {"at_least": 4},
        }
    )
    run = make.result()
    run.instrument.diffraction_arcsec = 0.5
    states = {j.key: j.state for j in judge(run, rule).judgements}
    assert states == {"instrument.diffraction_arcsec": "not shown", "sequence.stars_used": "pass"}


def test_other_blur_time_is_not_shown_and_names_the_remedy(make) -> None:
    rule = limits(
        limits={
            "structure.rms_major_arcsec": {"at_most": 9.0},
            "tracking.drift_arcsec_per_min": {"at_most": 9.0},
        }
    )
    structure, drift = judge(make.result(blur_time_s=60.0), rule).judgements
    assert structure.state == "not shown"
    assert "--blur-time 30" in structure.shown_by
    assert drift.state == "pass"


def test_record_shorter_than_the_blur_time_is_told_to_be_repeated(make) -> None:
    rule = limits(limits={"structure.rms_major_arcsec": {"at_most": 9.0}})
    judged = judge(make.result(blur_time_s=20.0, duration_s=20.0), rule).judgements[0]
    assert judged.state == "not shown"
    assert "record of 30 s or more" in judged.shown_by
    assert "--blur-time" not in judged.shown_by


def test_tap_is_judged_by_its_own_file(make) -> None:
    rule = limits(limits={"tap.settling_s": {"at_most": 1.5}})
    run = make.result()
    assert "--tap" in judge(run, rule).judgements[0].reason
    assert "blursplit tap" in judge(run, rule).judgements[0].shown_by
    tap = {"settling_s": {"value": 1.0, "low": 0.9, "high": 1.1, "low95": 0.8, "high95": 1.2}}
    assert judge(run, rule, tap=tap).state == "pass"
    tap["settling_s"] |= {"value": 2.0, "low": 1.9, "high": 2.1, "low95": 1.8, "high95": 2.2}
    assert judge(run, rule, tap=tap).state == "fail"
    assert judge(run, rule, tap={"settling_s": 1.0}).state == "not shown"
    assert judge(run, rule, tap={}).state == "not shown"


RULE = [{"no_shared_line_above_arcsec": 0.3, "between_hz": [2.0, 20.0]}]


def lines_state(make, *lines: object, **more: object) -> tuple[str, str]:
    """Judge the rule on lines."""
    judged = judge(make.result(lines=list(lines), **more), limits(lines=RULE)).judgements[0]
    return judged.state, judged.reason


def test_no_line_passes_where_one_would_have_been_found(make) -> None:
    assert lines_state(make, noise=0.01, seeing=make.estimate(1.0, 0.05)) == (
        "pass", "no line above the limit"
    )  # fmt: skip


def test_no_line_is_not_shown_where_one_could_hide(make) -> None:
    state, reason = lines_state(make, noise=5.0)
    assert state == "not shown"
    assert "could have stayed unseen" in reason


def test_strong_shared_line_in_the_band_fails(make) -> None:
    assert lines_state(make, make.line(8.0, 0.6))[0] == "fail"
    assert lines_state(make, make.line(1.0, 0.6), noise=0.01)[0] != "fail"
    assert lines_state(make, make.line(8.0, 0.6, shared_probability=0.1), noise=0.01)[0] != "fail"


def test_line_that_may_be_an_alias_does_not_fail(make) -> None:
    odd = {"alias_candidates_hz": [8.0, 42.0], "alias_odds": [0.5, 0.5]}
    state, reason = lines_state(make, make.line(8.0, 0.6, **odd), noise=0.01)
    assert state == "not shown"
    assert "alias" in reason
    sure = {"alias_candidates_hz": [8.0, 42.0], "alias_odds": [0.97, 0.03]}
    assert lines_state(make, make.line(8.0, 0.6, **sure))[0] == "fail"


def test_line_that_may_be_an_alias_is_shown_with_its_odds(make) -> None:
    line = make.line(9.15, 0.56, alias_candidates_hz=[9.15, 57.5], alias_odds=[0.87, 0.13])
    judged = judge(make.result(lines=[line]), limits(lines=RULE)).judgements[0]
    assert judged.state == "not shown"
    # the line itself is what was measured, not the smallest that would have been found
    assert judged.measured.startswith("9.15 Hz, 0.505 to 0.615 arcsec rms")
    assert "87 %" in judged.reason


def test_count_is_judged_without_talk_of_an_interval(make) -> None:
    rule = limits(limits={"sequence.stars_used": {"at_least": 4}})
    acceptance = judge(make.result(), rule)
    assert "interval" not in acceptance.judgements[0].reason
    run = acceptance.runs[0]
    assert (run.stars_used, run.frames_used, run.duration_s) == (5, 1500, 30.0)


def test_band_beyond_nyquist_has_a_blind_strip_at_the_frame_rate(make) -> None:
    rule = limits(lines=[{"no_shared_line_above_arcsec": 5.0, "between_hz": [2.0, 60.0]}])
    judged = judge(make.result(noise=0.01), rule).judgements[0]
    assert judged.state == "not shown"
    assert "any size" in judged.reason


def test_failure_outranks_doubt_and_doubt_a_pass() -> None:
    assert _worst(["pass", "not shown", "fail"]) == "fail"
    assert _worst(["pass", "not shown"]) == "not shown"
    assert _worst(["pass"]) == "pass"


def test_exit_codes_are_those_of_the_design(make) -> None:
    good, doubt, bad = (
        judge(make.result(), limits(limits={"structure.rms_major_arcsec": {"at_most": m}}))
        for m in (0.7, 0.5, 0.1)
    )
    assert (good.exit_code, doubt.exit_code, bad.exit_code) == (0, 4, 3)
    assert json.loads(good.to_json())["schema"] == "blursplit-accept/2"


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("blur_time_s = 30\n[limits]\n'structure.rms_majr_arcsec' = {at_most = 1}", "rms_majr"),
        ("[limits]\n'structure.rms_major_arcsec' = {at_most = 1}", "blur_time_s"),
        ("blur_time_s = 30\n[limits]\n'structure.rms_major_arcsec' = {at_mots = 1}", "at_mots"),
        ("blur_time_s = 30\n[limits]\n'structure.rms_major_arcsec' = {}", "structure.rms_major"),
        ("blur_time_s = 30\n[limits]\n'structure.rms_major_arcsec' = {at_most = nan}", "at_most"),
        ("blur_time_s = -1\n", "blur_time_s"),
        ("[[lines]]\nno_shared_line_above_arcsec = 0.1\nbetween_hz = [60, 2]", "lines.0"),
        ("[[lines]]\nno_shared_line_above_arcsec = 0.1", "between_hz"),
        ("[limits]\n'tap.setling_s' = {at_most = 1}", "did you mean 'tap.settling_s'"),
        ("title = 'empty'", "holds no limit"),
        ("title = ", "TOML"),
    ],
)
def test_bad_limits_file_names_the_key(tmp_path, text: str, key: str) -> None:
    path = tmp_path / "limits.toml"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        Limits.read(path)
    assert key in str(caught.value)
    assert "\n" not in str(caught.value)


def test_misspelt_path_gets_a_suggestion(tmp_path) -> None:
    path = tmp_path / "limits.toml"
    path.write_text("blur_time_s = 30\n[limits]\n'structure.rms_majr_arcsec' = {at_most = 1}")
    with pytest.raises(InputError, match=r"did you mean 'structure\.rms_major_arcsec'"):
        Limits.read(path)


def test_example_in_the_repository_is_valid() -> None:
    from pathlib import Path

    example = Path(__file__).parents[2] / "examples" / "limits.toml"
    assert Limits.read(example).blur_time_s == 30.0


def test_several_runs_are_judged_by_their_mean_and_the_run_that_shows_most(make):
    """Their own errors join to 0.014; how far two runs lie apart widens that by Student's t (1)."""
    rules = limits(limits={"structure.rms_major_arcsec": {"at_most": 0.5}})
    runs = [make.result(structure=make.estimate(v, 0.01)) for v in (0.20, 0.22)]
    both = Acceptance.of([(run, None) for run in runs], rules)
    row = both.judgements[0]
    assert (both.state, len(both.runs)) == ("pass", 2)
    # 12.7 x 0.01: standard error of the mean of two, at 97.5 %
    assert row.low95 == pytest.approx(0.21 - 0.128, abs=0.002)
    assert row.high95 == pytest.approx(0.21 + 0.128, abs=0.002)


def test_runs_of_two_telescopes_are_not_judged_together(make):
    one, other = make.result(), make.result()
    other.setup["aperture_m"] = Setting(0.4, "setup file")
    with pytest.raises(InputError, match="apertures of"):
        Acceptance.of([(one, None), (other, None)], limits())


def test_counts_are_those_of_the_worst_run(make):
    rule = limits(limits={"sequence.stars_used": {"at_least": 5}})
    runs = [make.result(), make.result()]
    runs[1].sequence.stars_used = 4
    row = Acceptance.of([(run, None) for run in runs], rule).judgements[0]
    assert (row.state, row.value) == ("fail", 4.0)


def test_upper_limits_of_several_runs_stay_limits(make):
    rules = limits(limits={"structure.rms_major_arcsec": {"at_most": 0.2}})
    runs = [(make.result(structure=make.limit(v)), None) for v in (0.15, 0.19)]
    row = Acceptance.of(runs, rules).judgements[0]
    assert (row.state, row.value, row.low95) == ("pass", None, 0.0)
    assert row.high95 == pytest.approx(0.17)


@pytest.mark.parametrize(
    "named", [{"telescope": "0.4 m telescope"}, {"telescope": "the 400 mm"}, {"aperture_m": 0.4}]
)
def test_limits_of_another_telescope_are_refused(make, named):
    rule = limits(limits={"sequence.stars_used": {"at_least": 1}}, **named)
    with pytest.raises(InputError, match=r"aperture of 0\.2 m, the limits of 0\.4 m"):
        judge(make.result(), rule)


def test_limits_of_the_same_telescope_are_judged_and_the_runs_name_it(make):
    rule = limits(limits={"sequence.stars_used": {"at_least": 1}}, telescope="200 mm, f = 1 m")
    acceptance = judge(make.result(), rule)  # two sizes: the text names no aperture
    assert acceptance.telescope == "aperture 0.2 m (setup file)"
    assert judge(make.result(), rule.model_copy(update={"aperture_m": 0.203})).state == "pass"


def test_what_is_not_shown_says_what_would_show_it(make):
    # interval 0.402 to 0.598 about 0.5; its half, 0.098, has to shrink to the gap of 0.05: 3.8
    doubt = one(make, 0.55, make.estimate(0.5, 0.05))
    assert doubt.shown_by == "some 4 such runs together; a pass is the likelier"
    assert "lies at the limit" in one(make, 0.501, make.estimate(0.5, 0.05)).shown_by
    # (0.15/0.1)^2 = 2.25
    assert "2.2 times as long" in one(make, 0.1, make.limit(0.15)).shown_by


def test_bands_of_a_rule_say_where_lines_show_and_what_would_show_the_rest(make):
    rule = limits(lines=[{"no_shared_line_above_arcsec": 5.0, "between_hz": [0.1, 60.0]}])
    bands = judge(make.result(noise=0.01), rule).judgements[0].bands
    assert [band.shown for band in bands] == [False, True, False, True]
    # fifteen cycles: from 0.5 Hz in 30 s; and about the frame rate of 50 a second
    assert bands[1].between_hz[0] == pytest.approx(0.5, abs=0.05)
    assert "150 s or more" in bands[0].shown_by
    assert bands[2].between_hz == pytest.approx((49.5, 50.5), abs=0.1)
    assert "another frame rate" in bands[2].shown_by


def test_a_run_at_another_rate_shows_what_one_is_blind_to(make):
    rule = limits(lines=[{"no_shared_line_above_arcsec": 5.0, "between_hz": [2.0, 60.0]}])
    slow, fast = make.result(noise=0.01), make.result(noise=0.01, cadence_s=1 / 46)
    assert Acceptance.of([(slow, None), (fast, None)], rule).state == "pass"


def test_an_alias_is_settled_by_a_run_at_another_rate_that_shows_nothing_there(make):
    odd = {"alias_candidates_hz": [8.0, 42.0], "alias_odds": [0.5, 0.5]}
    first = make.result(lines=[make.line(8.0, 0.6, **odd)], noise=0.01)
    clear = make.result(noise=0.01, cadence_s=1 / 46)
    rule = limits(lines=RULE)
    assert Acceptance.of([(first, None), (first, None)], rule).state == "not shown"
    assert Acceptance.of([(first, None), (clear, None)], rule).state == "pass"


def slew(rms_arcsec: float, settle_s: float, air: float, *, seed: int, seconds: float = 60.0):
    """Return a series in which the mount rings down from 1 arcsec to a rms within air."""
    from blursplit.series import Series

    rng, rate = np.random.default_rng(seed), 20.0
    t = np.arange(int(seconds * rate)) / rate
    # ten settling times of a fifth each leave e^-5 of 1.4 arcsec at the end of `settle_s`
    ring = np.exp(-5.0 * t / settle_s) * np.sqrt(2.0) * np.sin(2 * np.pi * 3.1 * t)
    x = ring + (rms_arcsec * rng.standard_normal(t.size)) + air * rng.standard_normal(t.size)
    frequency = np.linspace(0.0, rate / 2, 400)
    density = np.full(400, 2 * air**2 / (rate / 2))  # both axes, white: its integral is 2 air^2
    arrays = {"time_s": t, "common_x_arcsec": x}
    arrays["common_y_arcsec"] = air * rng.standard_normal(t.size)
    arrays |= {"frequency_hz": frequency, "air_psd_arcsec2_hz": density}
    return Series(arrays, {}, None)


SETTLES = {"rms_at_most_arcsec": 0.1, "over_s": 15.0, "within_s": 4.0}


@pytest.mark.parametrize(
    ("rms", "settle_s", "air", "state"),
    [
        (0.02, 3.0, 0.02, "pass"),
        (0.02, 60.0, 0.02, "fail"),
        (0.3, 3.0, 0.02, "fail"),
        (0.02, 3.0, 0.5, "not shown"),
    ],
)
def test_stillness_after_a_slew(make, rms, settle_s, air, state):
    rule = limits(after_slew=[SETTLES])
    row = Acceptance.of([(make.result(), slew(rms, settle_s, air, seed=3))], rule).judgements[0]
    assert row.state == state
    assert bool(row.shown_by) == (state == "not shown")


def test_every_slew_counts(make):
    rule = limits(after_slew=[SETTLES])
    runs = [(make.result(), slew(0.02, s, 0.02, seed=4)) for s in (3.0, 60.0)]
    assert Acceptance.of(runs, rule).state == "fail"
    assert Acceptance.of([(make.result(), None)], rule).state == "not shown"


def test_rms_after_a_slew_holds_the_truth_in_its_interval():
    """White mount and air of 0.1 arcsec each: 95 % ends hold 0.1 in all but some of 100 draws."""
    held = 0
    for seed in range(100):
        _, low, high = _mount_rms_arcsec(slew(0.1, 0.1, 0.1, seed=100 + seed), 15.0, 5.0)
        held += bool(low[0] <= 0.1 <= high[0])
    assert held >= 90  # binomial of 0.95: 90 or fewer on 1 % of such hundreds
