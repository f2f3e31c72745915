"""Plans: what to record, what it would show, which field."""

from __future__ import annotations

import json
from datetime import date

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.campaign import plan
from blursplit.campaign.fields import FIELDS, FieldTonight
from blursplit.campaign.plan import _centroid_noise_px, _peak_electrons, _star_electrons
from blursplit.errors import InputError
from blursplit.report.words import sentence
from blursplit.rig import Rig, Setup


def setup(**tables: dict[str, object]) -> Rig:
    """Return a 0.2 m telescope with a common camera."""
    base: dict[str, dict[str, object]] = {
        "telescope": {"aperture_m": 0.2, "focal_length_m": 1.6},
        "camera": {"pixel_um": 3.76},
    }
    for name, table in tables.items():
        base[name] = base.get(name, {}) | table
    return Rig.of_setup(Setup.model_validate(base))


def codes(made) -> set[str]:
    """Return the warning codes."""
    return {w.code for w in made.warnings}


def test_heights_seen_by_a_pair_are_those_of_the_table() -> None:
    """Method notes, section 4: D 0.2 m, 120 arcsec, L0 25 m: 105.2 m (10 %), 388.8 m (50 %)."""
    made = plan(setup(air={"outer_scale_m": [25.0, 25.0]}))
    pair = next(p for p in made.pairs if p.separation_arcsec == 120.0)
    # 400 logarithmic steps from 0.02 to 60 D: 2 %.
    assert_allclose([pair.tenth_seen_above_m, pair.half_seen_above_m], [105.2, 388.8], rtol=0.025)


def test_stated_exposure_and_rate_are_kept() -> None:
    made = plan(setup(camera={"exposure_s": 0.004, "frame_interval_s": 0.01}))
    assert made.recording.exposure_s == 0.004
    assert made.recording.nyquist_hz == 50.0


def test_worse_seeing_hides_more_and_a_longer_run_shows_more() -> None:
    base = plan(setup()).smallest_structure_arcsec
    assert plan(setup(), seeing_arcsec=4.0).smallest_structure_arcsec > 1.3 * base
    assert plan(setup(), duration_s=240.0).smallest_structure_arcsec < 0.8 * base


def test_bigger_telescope_sees_smaller_lines() -> None:
    small = plan(setup(telescope={"aperture_m": 0.1})).smallest_line_arcsec
    large = plan(setup(telescope={"aperture_m": 0.4})).smallest_line_arcsec
    assert large < small


def test_mains_folds_where_arithmetic_says() -> None:
    made = plan(setup(camera={"frame_interval_s": 0.02}))
    folded = {m.true_hz: m.apparent_hz for m in made.mains}
    assert_allclose([folded[60.0], folded[100.0], folded[50.0]], [10.0, 0.0, 0.0], atol=1e-9)
    assert "mains-alias" in codes(made)
    assert "mains-alias" not in codes(plan(setup(camera={"frame_interval_s": 1 / 46.5})))


def test_worm_turns_follow_from_the_teeth() -> None:
    made = plan(setup(mount={"wheel_teeth": [180]}), duration_s=240.0)
    assert_allclose(made.turns[0].period_s, 478.69, atol=0.01)
    assert_allclose(made.turns[0].turns_in_run, 240.0 / 478.69, rtol=1e-4)


def test_warnings_name_what_may_spoil_the_run() -> None:
    assert {"row-time-unknown", "saturation-unknown"} <= codes(plan(setup()))
    assert "rolling-shutter" in codes(plan(setup(camera={"row_time_us": 25.0})))
    assert "undersampled" in codes(plan(setup(camera={"pixel_um": 15.0}), seeing_arcsec=1.5))
    low = {"saturation_adu": 255.0, "gain_e_per_adu": 0.02, "exposure_s": 0.001}
    assert "saturation" in codes(plan(setup(camera=low)))
    late = {"exposure_s": 0.02, "frame_interval_s": 0.01}
    assert "interval-below-exposure" in codes(plan(setup(camera=late)))


@pytest.mark.parametrize("missing", ["telescope", "camera"])
def test_missing_optics_are_named(missing: str) -> None:
    tables = {"telescope": {"aperture_m": 0.2}, "camera": {"pixel_scale_arcsec": 0.5}}
    del tables[missing]
    with pytest.raises(InputError, match=f"{missing}\\."):
        plan(Rig.of_setup(Setup.model_validate(tables)))


@pytest.mark.parametrize("bad", [{"seeing_arcsec": 0.0}, {"stars": 0}, {"duration_s": 0.1}])
def test_senseless_arguments_are_refused(bad: dict[str, float]) -> None:
    with pytest.raises(InputError, match="makes no sense"):
        plan(setup(), **bad)


def test_centroid_noise_is_that_of_the_simulated_table() -> None:
    """Section 7: sigma 1.5, N 20000, B 100: 0.0157; sigma 2.5, N 2000, B 25: 0.1095 (theory)."""
    # The table rounds to half a unit of its last digit.
    assert_allclose(_centroid_noise_px(20000, 100, 1.5), 0.0157, atol=5e-5)
    assert_allclose(_centroid_noise_px(2000, 25, 2.5), 0.1095, atol=5e-4)


def test_five_magnitudes_are_a_factor_of_a_hundred_and_the_peak_is_a_share() -> None:
    bright, faint = (_star_electrons(m, 0.2, 0.3, 0.3, 0.01) for m in (5.0, 10.0))
    assert_allclose(bright / faint, 100.0)
    # A wide Gaussian: peak = N/(2 pi sigma^2).
    assert_allclose(_peak_electrons(1.0, 20.0), 1 / (2 * np.pi * 400.0), rtol=1e-3)


def test_fields_culminate_at_90_minus_latitude_plus_declination() -> None:
    """A field that culminates in the dark: altitude 90 - |latitude - declination|."""
    found = {v.name: v for v in FieldTonight.highest(date(2026, 11, 25), 48.0, 11.0)}
    # Steps of 15 minutes: 0.1 deg off the meridian; precession since 2000: 0.15 deg.
    assert_allclose(found["M 34"].highest_deg, 90 - abs(48.0 - 42.7), atol=0.4)
    assert_allclose(found["NGC 1981"].highest_deg, 90 - 48.0 - 4.4, atol=0.4)
    assert "NGC 3532" not in found
    highest = [v.highest_deg for v in FieldTonight.highest(date(2026, 11, 25), 48.0, 11.0)]
    assert highest == sorted(highest, reverse=True)


def test_there_is_no_dark_hour_at_midsummer_in_the_far_north() -> None:
    assert FieldTonight.highest(date(2026, 6, 21), 69.0, 18.0) == []


def test_every_season_and_both_hemispheres_have_a_field() -> None:
    for latitude in (55.0, -35.0):
        for month in (1, 4, 7, 10):
            found = FieldTonight.highest(date(2026, month, 15), latitude, 0.0)
            assert found
            assert found[0].highest_deg > 45


def test_field_list_is_sane() -> None:
    assert len({f.name for f in FIELDS}) == len(FIELDS)
    assert all(0 <= f.ra_deg < 360 and -90 < f.dec_deg < 90 for f in FIELDS)


def test_record_is_json_with_its_schema() -> None:
    made = plan(setup(site={"latitude_deg": 48.0, "longitude_deg": 11.0}), night=date(2026, 3, 1))
    record = json.loads(made.to_json())
    assert record["schema"] == "blursplit-plan/1"
    assert record["setup"]["aperture_m"]["origin"] == "setup file"
    assert record["fields"]


def test_fields_without_a_site_are_a_warning() -> None:
    assert "site-unknown" in codes(plan(setup(), night=date(2026, 3, 1)))


def needs(text: str, tmp_path, **how):
    """Return what limits take with the example's telescope, by key."""
    from blursplit.campaign.limits import Limits

    (tmp_path / "limits.toml").write_text(text)
    made = plan(setup(), limits=Limits.read(tmp_path / "limits.toml"), **how)
    return {need.key: need for need in made.limits}


LINES = "[[lines]]\nno_shared_line_above_arcsec = {}\nbetween_hz = [5, 20]\n"


def test_a_limit_half_the_size_takes_four_to_sixteen_times_the_length(tmp_path) -> None:
    # amplitudes shrink with the root of the length, in long records, which are searched in
    # pieces, with its fourth root; lengths go in steps of a quarter
    large, small = (
        needs(LINES.format(v), tmp_path)["lines between 5 and 20 Hz"].length_s for v in (0.1, 0.05)
    )
    assert 4.0 / 1.25 <= small / large <= 16.0 * 1.25


def test_lines_above_half_the_rate_take_a_second_run_at_another_rate(tmp_path) -> None:
    text = "[[lines]]\nno_shared_line_above_arcsec = 2\nbetween_hz = [5, 40]"
    need = needs(text, tmp_path)["lines between 5 and 40 Hz"]
    assert need.runs == 2
    assert "parts aliases" in need.how


def test_limits_that_no_frames_show_say_what_would(tmp_path) -> None:
    text = LINES.format(1e-5) + (
        "[[after_slew]]\nrms_at_most_arcsec = 0.01\nover_s = 15\nwithin_s = 4\n"
    )
    for need in needs(text, tmp_path).values():
        assert need.length_s is None
        assert "sensor" in need.how


def test_other_limits_take_repeats_taps_or_any_run(tmp_path) -> None:
    text = (
        "blur_time_s = 90\n[limits]\n'tap.settling_s' = {at_most = 1}\n"
        "'sequence.stars_used' = {at_least = 4}\n'fwhm.recorded_arcsec' = {at_most = 2}\n"
        "'structure.rms_major_arcsec' = {at_most = 0.2}\n"
        "'tracking.drift_arcsec_per_min' = {at_most = 1}\n"
    )
    found = needs(text, tmp_path)
    assert found["fwhm.recorded_arcsec"].length_s == 90.0
    assert found["fwhm.recorded_arcsec"].runs == 3
    assert "taps" in found["tap.settling_s"].how
    assert found["sequence.stars_used"].how == sentence("needs-any-run")
    assert found["structure.rms_major_arcsec"].length_s >= 90.0
    assert found["tracking.drift_arcsec_per_min"].length_s >= 90.0


def test_limits_of_another_telescope_are_refused_in_a_plan(tmp_path) -> None:
    with pytest.raises(InputError, match="the setup is of an aperture"):
        needs("aperture_m = 2.0\n" + LINES.format(0.1), tmp_path)


def test_witnesses_are_named_with_what_they_must_be():
    """Shaking of sigma adds 2.355 sigma in squares: the one that costs 10 % of 2 arcsec is 0.39."""
    sensor, second, mask = plan(setup(), seeing_arcsec=2.0).witnesses
    assert [w.kind for w in (sensor, second, mask)] == ["sensor", "second-camera", "mask"]
    assert_allclose(np.hypot(2.0, 2.3548 * sensor.shake_arcsec), 2.2, rtol=1e-4)
    # twice the motion may hide twice the noise: the density goes with the square
    steadier = plan(setup(), seeing_arcsec=1.0).witnesses[0]
    assert_allclose(sensor.noise_ug / steadier.noise_ug, 2.0, rtol=1e-6)
    assert f"{second.baseline_m:.2g} m" in second.text
    assert mask.opening_m < mask.separation_m < 0.25
