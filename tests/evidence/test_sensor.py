"""What of a shared motion moved with a sensor: truth, chance, offsets, refusal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.evidence.sensor import SensorEvidence
from blursplit.evidence.sensor_record import nominal_rotation
from blursplit.simulate.motion import Shared, _mode_density, _noise_series, _shake_density
from blursplit.simulate.scene import SceneSensor
from blursplit.simulate.write import _draw_sensor

MICRO_G = 9.80665e-6
FINE_HZ, FRAME_HZ, EXPOSURE_S = 200.0, 25.0, 0.01


def air(n, rng):
    """Return 0.4 arcsec of slow air and centroid noise, shape (n, 2)."""

    def density(f):
        return 0.16 * _shake_density(f, 0.8)

    return np.stack(
        [_noise_series(n, FRAME_HZ, density, rng) for _ in range(2)], axis=1
    ) + 0.03 * rng.standard_normal((n, 2))


def shake(rms, duration_s, rng):
    """Return a swaying and ringing column on the fine grid: (x, y) of that rms each."""
    n = int(duration_s * FINE_HZ)
    parts = (
        (0.25, lambda f: _shake_density(f, 0.7)),
        (0.50, lambda f: _mode_density(f, 5.3, 0.02)),
        (0.25, lambda f: _mode_density(f, 7.9, 0.015)),
    )
    return np.stack(
        [
            rms * sum(np.sqrt(w) * _noise_series(n, FINE_HZ, d, rng) for w, d in parts)
            for _ in range(2)
        ],
        axis=1,
    )


def night(seed, rms, duration_s=60.0, **sensor):
    """Return times, motion, the sensor's record and the true shake at the frames."""
    rng = np.random.default_rng([8, seed])
    shared = Shared(
        0.0, FINE_HZ, {"given": shake(rms, duration_s + 2, rng)}, owners={"structure": ("given",)}
    )
    middle = np.arange(0.02, duration_s, 1 / FRAME_HZ)
    inside = middle[:, None] + (np.arange(6) - 2.5) / 6 * EXPOSURE_S
    true = shared.at(inside, shared.total()).mean(axis=1)
    spec = SceneSensor(**{"noise": MICRO_G, **sensor})
    record = _draw_sensor(spec, shared, duration_s, rng)
    return middle, true + air(middle.size, rng), record, true


def in_band(found, middle, true, axis):
    """Return the rms of the true shake in the blocks that the sensor sees."""
    line = np.polynomial.polynomial.polyfit(middle, true[:, axis], 3)
    rest = true[:, axis] - np.polynomial.polynomial.polyval(middle, line)
    power = 2 * np.abs(np.fft.rfft(rest)) ** 2 / rest.size**2
    f = np.fft.rfftfreq(rest.size, 1 / FRAME_HZ)
    inside = np.zeros(f.size, dtype=bool)
    for centre, width, seen in zip(
        found.frequency_hz, found.width_hz, found.seen[:, axis], strict=True
    ):
        inside |= seen & (abs(f - centre) <= width / 2)
    return np.sqrt(power[inside].sum())


def explain(night_of):
    """Return what the sensor explains."""
    middle, motion, record, _ = night_of
    return SensorEvidence.of(middle, motion, EXPOSURE_S, record)


@pytest.mark.slow
def test_shake_is_recovered_without_bias_within_its_interval():
    """16 records of 0.2 arcsec: bias, scatter and the stated interval against the truth."""
    errors, sigmas, held = [], [], []
    for seed in range(8):
        drawn = night(seed, 0.2)
        found = explain(drawn)
        assert found.coherent
        for axis, rms in enumerate(found.rms_arcsec):
            true = in_band(found, drawn[0], drawn[3], axis)
            errors.append(rms.value - true)
            sigmas.append((rms.high - rms.low) / 2)
            held.append(rms.low95 <= true <= rms.high95)
    errors = np.array(errors)
    # 16 values: the mean to a quarter of the scatter
    assert abs(errors.mean()) < 0.008
    assert np.sqrt(np.mean(errors**2)) < 0.02
    assert_allclose(errors.std(), np.mean(sigmas), rtol=0.6)
    assert np.mean(held) > 0.8


def test_path_is_the_shake():
    """The path differs from the truth by less than 0.6 of it."""
    drawn = night(3, 0.4)
    found = explain(drawn)
    rest = found.path_arcsec - drawn[3]
    rest = rest[np.isfinite(rest).all(axis=1)]
    rest = rest - rest.mean(axis=0)
    assert np.all(rest.std(axis=0) < 0.6 * drawn[3].std(axis=0))


def test_offset_of_the_clock_is_found_with_its_error():
    """The sensor's clock is 0.37 s behind."""
    found = explain(night(4, 0.3, offset_s=0.37))
    sigma = (found.offset_s.high - found.offset_s.low) / 2
    assert sigma < 0.003
    assert_allclose(found.offset_s.value, 0.37, rtol=0, atol=5 * sigma)


def test_still_column_gets_a_limit_and_no_path():
    """Nothing shakes: nothing is claimed, and the limit is below a tenth of an arcsec."""
    found = explain(night(5, 0.0))
    assert not found.coherent
    assert all(rms.is_limit and rms.high < 0.1 for rms in found.rms_arcsec)
    assert not np.isfinite(found.path_arcsec).any()


@pytest.mark.parametrize("seed", [6, 7, 8])
def test_sensor_of_another_night_is_refused(seed):
    """The same column on another night: the same lines, no common phase."""
    middle, motion, _, _ = night(seed, 0.3)
    _, _, other, _ = night(seed + 100, 0.3)
    assert not SensorEvidence.of(middle, motion, EXPOSURE_S, other).coherent


def test_what_swells_together_is_not_coherent():
    """A gust raises air and sensor alike, which tables of chance coherence would alarm at."""
    middle, motion, _, _ = night(10, 0.0)
    _, _, other, _ = night(11, 0.3)
    gust = np.exp(1.2 * np.sin(2 * np.pi * middle / 17.0))[:, None]
    strength = np.exp(1.2 * np.sin(2 * np.pi * other.time_s / 17.0))[:, None]
    swollen = replace(other, values=other.values * strength)
    found = SensorEvidence.of(
        middle, motion * gust, EXPOSURE_S, replace(swollen, offset_s=(0.0, 0.0))
    )
    assert found.chance > 0.01


def test_motion_above_half_the_frame_rate_is_explained_where_it_folds():
    """A ring at 31 Hz, seen at 6 Hz in 25 frames a second."""
    rng = np.random.default_rng(12)
    n = 62 * 400
    ring = 0.15 * _noise_series(n, 400.0, lambda f: _mode_density(f, 31.0, 0.01), rng)
    shared = Shared(
        0.0, 400.0, {"given": np.stack([ring, 0 * ring], axis=1)}, owners={"structure": ("given",)}
    )
    middle = np.arange(0.02, 60.0, 1 / FRAME_HZ)
    inside = middle[:, None] + (np.arange(8) - 3.5) / 8 * EXPOSURE_S
    true = shared.at(inside, shared.total()).mean(axis=1)
    record = _draw_sensor(SceneSensor(noise=MICRO_G, rate_hz=400.0), shared, 60.0, rng)
    found = SensorEvidence.of(
        middle, true + air(middle.size, rng), EXPOSURE_S, replace(record, offset_s=(0.0, 0.0))
    )
    assert found.coherent
    at = int(np.argmax(found.explained[:, 0]))
    assert abs(found.frequency_hz[at] - 6.0) < found.width_hz[at]
    assert_allclose(found.rms_arcsec[0].value, true[:, 0].std(), rtol=0.15)


def test_a_sensor_that_sees_only_its_noise_is_blind():
    """150 micro-g cannot see 0.1 arcsec of slow sway: the blind band says so."""
    found = explain(night(13, 0.1, noise=150 * MICRO_G))
    assert found.blind_band_hz
    assert found.blind_band_hz[0][0] < 0.3
    # no limit from a record that could not have seen it
    for axis, rms in enumerate(found.rms_arcsec):
        assert found.seen[:, axis].any() or (rms.value is None and rms.high is None)


def test_gaps_leave_frames_out_and_the_rest_agrees():
    """Half a second lost every twenty: the motion found is the same within its error."""
    whole, holed = explain(night(16, 0.3)), explain(night(16, 0.3, gap_every_s=20.0))
    assert np.isnan(holed.path_arcsec).any()
    for a, b in zip(whole.rms_arcsec, holed.rms_arcsec, strict=True):
        assert_allclose(a.value, b.value, rtol=0.15)


def test_gravity_by_tilt_dominates_below_half_a_hertz():
    """sqrt(g kappa)/(2 pi) = 0.61 Hz at kappa 1.5/m: there both terms are equal."""
    ratio = abs(nominal_rotation("acceleration", np.array([0.0, 0.6104])))
    assert_allclose(ratio[1] / ratio[0], 0.5, rtol=1e-3)
    # 1 micro-g at rest is a micro-radian
    assert_allclose(ratio[0] * MICRO_G, 0.2063, rtol=1e-3)


def test_too_short_an_overlap_is_an_error():
    """Fewer than a hundred frames in the sensor's record prove nothing."""
    middle, motion, record, _ = night(17, 0.3)
    short = replace(
        record, time_s=record.time_s[:900], values=record.values[:900], good=record.good[:900]
    )
    with pytest.raises(ValueError, match="frames lie within"):
        SensorEvidence.of(middle, motion, EXPOSURE_S, short)
