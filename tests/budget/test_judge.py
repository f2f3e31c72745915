"""The verdict: yes, no and open from both readings; what comes first; what to do next."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.budget.answer import Readings, _match_width
from blursplit.budget.findings import _on_one_axis, _saving_parts, _with_cures
from blursplit.budget.judge import Findings, _judge_positions, _judge_widths, _worth_of
from blursplit.constants import FWHM_PER_SIGMA
from blursplit.definitions import CAUSES, CURES, OWNERS, Conditions
from blursplit.estimate import Estimate
from blursplit.report.words import put_in_words, text_of
from blursplit.result import Check, Fwhm, Line, Motion, Open, Remark, Result, SequenceInfo

N = 100
INFO = SequenceInfo(files=1, frames=500, frames_used=500, stars_used=5)
WIDTH = Estimate(value=2.5, low=2.47, high=2.53, low95=2.44, high95=2.56)


def readings(**saved):
    """Return readings of a 2.5 arcsec star; each cure's saving [arcsec] as (low, high)."""
    rng = np.random.default_rng(1)
    saving = {}
    for cure in CURES:
        low, high = saved.get(cure, (0.0, 0.0))
        draws = np.stack(
            [low + 0.01 * rng.standard_normal(N), high + 0.01 * rng.standard_normal(N)]
        )
        saving[cure] = np.sort(draws.T, axis=1) / 2.5
    nothing = np.zeros((N, 2, 2))
    return Readings(
        width_arcsec=np.full(N, 2.5),
        base_arcsec=0.7,
        saving=saving,
        motion_arcsec2=dict.fromkeys(OWNERS, nothing),
        steady_arcsec2=nothing,
        share=dict.fromkeys(CAUSES, 0.0),
        air_arcsec=np.full(N, 2.0),
        optics_arcsec=np.zeros(N),
    )


def verdict(read, worth=0.25, checks=(), lines=(), stars=5, **more):
    found = Findings(
        level="split",
        exposure_s=0.01,
        duration_s=60.0,
        airmass=1.0,
        stars=stars,
        checks=tuple(checks),
        **more,
    )
    result = Result(sequence=INFO, fwhm=Fwhm(recorded_arcsec=WIDTH), lines=list(lines))
    result.verdict = _judge_widths(result, read, found, worth)
    put_in_words(result)
    return result.verdict


def test_worth_is_a_tenth_of_the_width_or_a_tenth_of_an_arcsec():
    assert _worth_of(2.5, None) == 0.25
    assert _worth_of(0.6, None) == _worth_of(None, None) == 0.1
    assert _worth_of(2.5, 0.4) == 0.4


def test_a_cure_that_saves_more_than_worth_in_the_low_reading_is_yes():
    told = verdict(readings(structure=(0.9, 1.2), mechanics=(0.9, 1.2)))
    assert told.matters["structure"] == told.matters["mechanics"] == "yes"
    assert told.matters["tracking"] == "no"
    assert told.headline_code == "cure-matters"
    assert told.headline_facts["cure"] == "structure"
    value, low, high = told.headline_facts["without_arcsec"]
    assert_allclose(value, 1.6, atol=0.01)
    assert low <= value <= high
    assert [step.code for step in told.next][:2] == ["tap-pier", "stiffen"]
    assert all(step.text for step in told.next)


def test_two_cures_that_matter_together_alone_are_called_mechanics():
    told = verdict(
        readings(structure=(0.2, 0.2), tracking=(0.2, 0.2), mechanics=(0.45, 0.45)), worth=0.3
    )
    assert told.matters["structure"] == told.matters["tracking"] == "no"
    assert told.headline_facts["cure"] == "mechanics"


def test_open_motion_leaves_it_open_and_names_the_witness():
    told = verdict(readings(structure=(0.0, 0.5), mechanics=(0.0, 0.5)))
    assert told.matters["mechanics"] == "open"
    assert told.headline_code == "open"
    assert_allclose(told.headline_facts["up_to_arcsec"], 0.5, atol=0.05)
    assert told.next[0].code == "sensor"
    gains = [step.gain_arcsec for step in told.next]
    assert gains == sorted(gains, reverse=True)


def test_near_air_alone_asks_for_no_vibration_sensor():
    told = verdict(readings(near_air=(0.0, 0.5)), stars=2)
    codes = [step.code for step in told.next]
    assert told.matters["near_air"] == "open"
    assert told.matters["mechanics"] == "no"
    assert codes[0] == "second-camera"
    assert "sensor" not in codes
    assert "more-stars" in codes


@pytest.mark.parametrize("stated", [False, True])
def test_open_optics_may_be_stated_where_they_are_not(stated):
    told = verdict(readings(optics=(0.0, 0.5)), optics_stated=stated)
    assert told.matters["optics"] == "open"
    assert ("state-optics" in {step.code for step in told.next}) == (not stated)


def test_a_step_that_frames_lack_something_names_the_exposure_to_try():
    told = verdict(readings(mechanics=(0.0, 0.6)), missing=("long-frames", "shorter-exposure"))
    (step,) = (step for step in told.next if step.code == "shorter-exposure")
    assert "not known" not in step.text
    assert step.facts["exposure_s"] <= 0.01


def test_nothing_to_save_is_said_as_no():
    told = verdict(readings())
    assert told.headline_code == "no-cure-matters"
    assert set(told.matters.values()) == {"no"}


def test_a_fit_that_did_not_converge_gives_no_verdict():
    told = verdict(readings(structure=(1.0, 1.0)), converged=False, r_hat=1.4)
    assert set(told.matters.values()) == {"not asked"}
    assert told.headline_code == "not-converged"


def test_frames_that_hide_motion_void_what_they_touch():
    check = Check(code="frames-recentred", severity="void", facts={"touches": "motion lines"})
    told = verdict(readings(structure=(1.0, 1.0), optics=(0.5, 0.5)), checks=[check])
    assert told.matters["structure"] == told.matters["mechanics"] == "not asked"
    assert told.matters["optics"] == "yes"
    doubt = Check(code="frames-mixed", severity="doubt", facts={"touches": "motion"})
    assert verdict(readings(structure=(1.0, 1.0)), checks=[doubt]).matters["structure"] == "yes"


def test_largest_names_every_cure_that_may_save_most():
    assert verdict(readings(structure=(0.5, 0.5), tracking=(0.1, 0.1))).largest == ["structure"]
    both = verdict(readings(structure=(0.5, 0.5), tracking=(0.5, 0.5))).largest
    assert set(both) == {"structure", "tracking"}


@pytest.mark.parametrize(("limit", "answer"), [(0.02, "no"), (0.1, "open")])
def test_positions_alone_decide_on_what_a_gaussian_path_adds(limit, answer):
    """2.3548 x 0.02 = 0.047 arcsec is below a tenth, 0.235 is not."""
    result = Result(
        sequence=INFO,
        motion=Motion(),
        open=Open(
            motion_rms_major_arcsec=Estimate(value=None, low=0.0, high=limit, high95=limit),
            band_hz=(0.05, 2.6),
        ),
    )
    found = Findings("positions", 0.19, 18.0, 1.0, 24, missing=("raw-frames",))
    told = _judge_positions(result, found, None)
    assert told.matters["mechanics"] == answer
    assert_allclose(told.headline_facts["added_arcsec"], 2.3548 * limit, rtol=1e-4)
    assert told.next


def test_steady_mount_is_worth_it_where_curing_its_shaking_alone_is():
    told = verdict(readings(structure=(0.9, 1.2), mechanics=(0.1, 1.2)))
    assert told.probability_low["mechanics"] < 0.95
    assert told.matters["structure"] == told.matters["mechanics"] == "yes"


def test_positions_alone_beside_a_measured_width_do_not_call_it_unmeasured():
    wide = Estimate(value=5.32, low=4.3, high=6.3, low95=3.4, high95=7.3)
    result = Result(sequence=INFO, motion=Motion(), fwhm=Fwhm(recorded_arcsec=wide))
    found = Findings("positions", 5.0, 17_700.0, 1625.0, 8, missing=("shorter-exposure",))
    verdict = _judge_positions(result, found, None)
    said = text_of(Remark(code=verdict.headline_code, facts=verdict.headline_facts))
    assert said == "What makes your stars 5.3 arcsec wide these frames do not tell."


def test_line_of_the_largest_size_is_named():
    line = Line(
        frequency_hz=Estimate(value=7.0, low=6.9, high=7.1),
        rms_arcsec=Estimate(value=0.5, low=0.4, high=0.6),
        false_alarm_probability=1e-6,
    )
    told = verdict(readings(structure=(0.9, 1.2)), lines=[line])
    named = next(remark for remark in told.reasons if remark.code == "lines-found")
    assert named.facts["strongest_hz"] == [7.0]


def test_all_true_frequencies_that_are_likely_are_named_where_none_is_sure():
    """The frames show 3.9 Hz; 5.8 Hz is likelier, and 13.6 Hz is not worth a name."""
    line = Line(
        frequency_hz=Estimate(value=3.87, low=3.85, high=3.9),
        alias_candidates_hz=[3.87, 5.82, 13.57],
        alias_odds=[0.2, 0.73, 0.07],
        rms_arcsec=Estimate(value=0.5, low=0.4, high=0.6),
        false_alarm_probability=1e-6,
    )
    assert line.likely_hz == [5.82, 3.87]
    told = verdict(readings(structure=(0.9, 1.2)), lines=[line])
    found = next(remark for remark in told.reasons if remark.code == "lines-found")
    assert "at 5.8 Hz or 3.9 Hz (odds 73 % and 20 %), 0.50 arcsec rms" in text_of(found)
    step = next(step for step in told.next if step.code == "tap-pier")
    assert text_of(step).endswith("Does it ring at 5.8 Hz or 3.9 Hz?")


@pytest.mark.parametrize(
    ("odds", "said"),
    [([0.06, 0.94], "at 5.8 Hz (odds 94 %), 0.50"), ([0.002, 0.998], "at 5.8 Hz, 0.50")],
)
def test_a_frequency_that_is_not_sure_is_told_with_its_odds(odds, said):
    line = Line(
        frequency_hz=Estimate(value=5.82, low=5.8, high=5.84),
        alias_candidates_hz=[3.87, 5.82],
        alias_odds=odds,
        rms_arcsec=Estimate(value=0.5, low=0.4, high=0.6),
        false_alarm_probability=1e-6,
    )
    told = verdict(readings(structure=(0.9, 1.2)), lines=[line])
    found = next(remark for remark in told.reasons if remark.code == "lines-found")
    assert said in text_of(found)


def test_estimates_between_readings_take_each_end_from_its_own():
    low, high = np.linspace(0.0, 1.0, 1001), np.linspace(1.0, 2.0, 1001)
    found = Estimate.between(low, high)
    assert_allclose([found.low95, found.high95], [0.025, 1.975], atol=1e-3)
    assert found.low < found.value < found.high


def test_air_is_what_is_left_of_the_width_of_a_long_frame():
    """Modelled widths equal the recorded one in every draw; optics and air trade places."""
    rig = Conditions(0.2, 0.3, 550e-9, 1.5)
    times, segment = 180.0 * np.arange(20), np.zeros(20, dtype=np.int64)
    given = {
        "conditions": rig,
        "time_s": times,
        "segment": segment,
        "paths": [{}] * 30,
        "inside": [{"tracking": np.diag([0.25, 0.0])}] * 30,
        "recorded": Estimate(value=4.0, low=3.96, high=4.04),
        "blur_time_s": 60.0,
        "outer_scale_m": (10.0, 50.0),
        "stated_optics_arcsec": None,
        "narrowest_arcsec": 3.5,
        "seed": 1,
    }
    runs = _match_width(**given)
    widths = np.array([run.in_windows(60.0).width() for run in runs])
    # 1 % is the recorded width's own error, 0.3 % the search's.
    assert_allclose(widths, 4.0, rtol=0.04)
    assert_allclose(widths.std(), 0.04, rtol=0.5)
    strength = np.array([run.strength for run in runs])
    optics = np.array([run.optics_arcsec2[0, 0] for run in runs])
    assert np.corrcoef(strength, optics)[0, 1] < -0.9
    assert optics.max() < (3.5 / 2.3548) ** 2
    # Stated optics leave a vibration that is steady over such frames: neither air nor excluded.
    stated = _match_width(**given | {"stated_optics_arcsec": 1.0})
    optics = FWHM_PER_SIGMA * np.sqrt([run.optics_arcsec2[0, 0] for run in stated])
    # a stated width errs by 5 %: the mean of 30 to 1 %
    assert_allclose(np.log(optics).mean(), 0.0, atol=0.03)
    assert_allclose(np.log(optics).std(), 0.05, rtol=0.4)
    widths = np.array([run.in_windows(60.0).width() for run in stated])
    assert_allclose(widths, 4.0, rtol=0.04)
    most = np.array([run.in_windows(60.0).savings()["structure"][1] for run in stated])
    assert most.min() < 0.03
    assert most.max() > 0.3


def test_error_of_the_measured_width_is_part_of_what_a_cure_saves():
    """A saving is a part of the width: the errors of both add in squares."""
    recorded = Estimate(value=2.0, low=1.8, high=2.2, low95=1.6, high95=2.4)
    half = readings(tracking=(1.25, 1.25))
    # half the width's error; the draws scatter by a hundredth of an arcsec
    saved = _saving_parts(half, "tracking", recorded, shown=True)["saving_arcsec"]
    assert_allclose([saved.value, saved.low, saved.high], [1.0, 0.9, 1.1], atol=0.01)
    left = _with_cures(Fwhm(recorded_arcsec=recorded), half).without_tracking_arcsec
    assert_allclose([left.value, left.low, left.high], [1.0, 0.9, 1.1], atol=0.01)
    part = 0.5 + 0.1 * np.linspace(-1.72, 1.72, 101)  # 68 % within 0.117 of the middle
    wide = replace(half, saving=half.saving | {"tracking": np.stack([part, part], axis=1)})
    saved = _saving_parts(wide, "tracking", recorded, shown=True)["saving_arcsec"]
    assert_allclose(saved.high - saved.value, np.hypot(0.5 * 0.2, 0.117 * 2.0), rtol=0.01)


def test_a_width_without_a_cause_is_never_negative():
    """Two stars of a field that turns, one round, one trailed: the mean width errs by itself."""
    recorded = Estimate(value=2.5, low=0.6, high=4.4, low95=0.0, high95=6.3)
    uneven = readings(tracking=(0.4, 1.4))
    left = _with_cures(Fwhm(recorded_arcsec=recorded), uneven).without_tracking_arcsec
    assert 0.0 == left.low95 <= left.low <= left.value


def test_round_blur_on_one_axis_keeps_the_area_of_the_image():
    """Gaussian ellipses: the width is the root of the product of both axes."""
    rest, line = 0.7, 1.3  # arcsec: one-axis width without the blur, and blur along one axis
    width2 = rest * np.hypot(rest, line)
    each = width2 - rest**2
    readings = SimpleNamespace(
        steady_arcsec2=each * np.eye(2)[None],
        width_arcsec=np.array([FWHM_PER_SIGMA * np.sqrt(width2)]),
        saving={"structure": np.array([[0.0, 1.0 - rest / np.sqrt(width2)]])},
    )
    assert_allclose(_on_one_axis(readings), line**2)
