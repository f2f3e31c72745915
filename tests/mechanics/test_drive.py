"""Drift and periodic error from simulated motion under white, airy and slow noise."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.mechanics.drive import fit_drive
from blursplit.mechanics.phase_curve import fold_on_period

RA_DEG = 30.0


def coloured(rng: np.random.Generator, n: int, step_s: float, kind: str) -> np.ndarray:
    """Return two series of unit rms with the slopes of air or of slow currents."""
    longer = 4 * n
    f = np.fft.rfftfreq(longer, step_s)
    f[0] = f[1]
    density = {
        "white": np.ones_like(f),
        # Tilt of frozen air: flat below V/L0 = 0.1 Hz, -2/3 up to a knee at 3 Hz, then -11/3.
        "air": (f**2 + 0.1**2) ** (-1 / 3) * (1 + (f / 3.0) ** 2) ** -1.5,
        "slow": 1.0 / (f**2 + 0.03**2),
    }[kind]
    density /= density.sum() * f[1]
    noise = rng.standard_normal((2, f.size)) + 1j * rng.standard_normal((2, f.size))
    scale = longer * np.sqrt(density * f[1]) / 2.0
    return np.fft.irfft(noise * scale, n=longer, axis=1)[:, :n]


def tracked(
    time_s: np.ndarray, *, drift: tuple[float, float], worm: float, period_s: float, phase: float
) -> np.ndarray:
    """Return drift [arcsec/min] and a worm along right ascension, shape (2, sample)."""
    toward = np.array([np.cos(np.radians(RA_DEG)), np.sin(np.radians(RA_DEG))])
    error = worm * np.cos(2 * np.pi * (time_s - time_s[0]) / period_s + phase)
    return np.outer(np.array(drift) / 60.0, time_s) + np.outer(toward, error)


def test_noise_generator_has_unit_rms():
    rng = np.random.default_rng(0)
    # Mean square of 40 draws of 400 s: slow noise of 5 s correlation has 40 independent pieces
    # each, so the mean square is known to sqrt(2/(40*2*40)) = 2.5 %; 4 sigmas.
    for kind in ("white", "air", "slow"):
        square = np.mean([np.mean(coloured(rng, 800, 0.5, kind) ** 2) for _ in range(40)])
        assert_allclose(square, 1.0, atol=0.10)


def test_noiseless_drift_and_worm_come_back():
    t = np.arange(0.0, 960.0, 0.5)
    x, y = tracked(t, drift=(1.2, -0.7), worm=5.0, period_s=240.0, phase=0.8)
    fit = fit_drive(t, x, y, rng=np.random.default_rng(1), worm_period_s=[240.0])
    assert fit is not None
    assert_allclose(fit.drift_rate.x_arcsec_min.value, 1.2, atol=1e-3)
    assert_allclose(fit.drift_rate.y_arcsec_min.value, -0.7, atol=1e-3)
    first = fit.terms[0]
    assert_allclose(first.amplitude_arcsec.value, 5.0, rtol=1e-3)
    assert_allclose(first.angle_deg, RA_DEG, atol=0.1)
    assert_allclose(first.phase_deg, np.degrees(0.8), atol=0.2)
    assert first.is_separable
    assert_allclose(first.turns_covered, 959.5 / 240.0)
    assert fit.ra is not None
    assert fit.ra.source == "periodic error"
    assert_allclose(fit.ra.angle_deg, RA_DEG, atol=0.1)
    assert_allclose(fit.tracking_x_arcsec - fit.tracking_x_arcsec[0], x - x[0], atol=5e-3)


def test_straight_drift_blurs_by_its_length_over_root_twelve():
    t = np.arange(0.0, 60.0, 0.05)
    fit = fit_drive(t, 6.0 / 60.0 * t, 0.0 * t, rng=np.random.default_rng(1), blur_time_s=20.0)
    assert fit is not None
    assert fit.drift_blur_covariance_arcsec2 is not None
    # 6 arcsec/min over 20 s is 2 arcsec; 96 midpoints a window leave 1e-4.
    assert_allclose(fit.drift_blur_covariance_arcsec2[0, 0], 2.0**2 / 12.0, rtol=3e-4)
    assert_allclose(fit.drift_blur_covariance_arcsec2[1, 1], 0.0, atol=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "sigma", "duration", "step", "period"),
    [
        ("air", 0.5, 60.0, 0.05, None),
        ("air", 0.5, 60.0, 0.05, 480.0),
        ("air", 0.5, 600.0, 0.5, 240.0),
        ("slow", 0.3, 60.0, 0.05, None),
    ],
)
def test_rate_and_amplitude_lie_inside_their_intervals(
    kind: str, sigma: float, duration: float, step: float, period: float | None
):
    rng = np.random.default_rng(11)
    t = np.arange(0.0, duration, step)
    inside68, inside95, pull, amplitude68 = [], [], [], []
    for _ in range(30):
        truth = tracked(
            t,
            drift=(1.2, -0.7),
            worm=5.0 if period else 0.0,
            period_s=period or 1.0,
            phase=rng.uniform(0.0, 2 * np.pi),
        )
        x, y = truth + sigma * coloured(rng, t.size, step, kind)
        fit = fit_drive(t, x, y, rng=rng, harmonics=1, worm_period_s=[period] if period else None)
        assert fit is not None
        for axis, rate in enumerate((fit.mean_rate.x_arcsec_min, fit.mean_rate.y_arcsec_min)):
            slope = 60.0 * np.polyfit(t, truth[axis], 1)[0]
            inside68.append(rate.low <= slope <= rate.high)
            inside95.append(rate.low95 <= slope <= rate.high95)
            pull.append((rate.value - slope) / (0.5 * (rate.high - rate.low)))
        if period:
            size = fit.terms[0].amplitude_arcsec
            amplitude68.append(size.low <= 5.0 <= size.high)
    # 60 rates: binomial error of 68 % is 6 %, of 95 % 2.8 %; two sigmas below. Above, the
    # interval may be wide, because the run does not know its own noise; wider than twice is
    # refused by the pull.
    assert np.mean(inside68) > 0.56
    assert np.mean(inside95) > 0.89
    assert abs(np.mean(pull)) < 3.0 / np.sqrt(60)
    assert 0.5 < np.std(pull) < 1.4
    if period:
        assert np.mean(amplitude68) > 0.50  # 30 amplitudes: 8.5 %


@pytest.mark.slow
def test_air_alone_is_rarely_called_tracking():
    rng = np.random.default_rng(21)
    t = np.arange(0.0, 60.0, 0.05)
    shown = []
    for _ in range(60):
        x, y = 0.5 * coloured(rng, t.size, 0.05, "air")
        fit = fit_drive(t, x, y, rng=rng, worm_period_s=[480.0])
        assert fit is not None
        shown.append(fit.mean_rate.size_arcsec_min.value is not None)
    # Nominal 5 %; binomial 99.5 % bound of 60 draws is 13 %.
    assert np.mean(shown) < 0.14


def test_less_than_one_turn_is_honest():
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 60.0, 0.05)
    x, y = tracked(t, drift=(0.5, 0.2), worm=8.0, period_s=480.0, phase=1.0)
    noise = 0.3 * coloured(rng, t.size, 0.05, "air")
    fit = fit_drive(t, x + noise[0], y + noise[1], rng=rng, worm_period_s=[480.0], harmonics=1)
    assert fit is not None
    term = fit.terms[0]
    assert not term.is_separable
    assert not term.is_determined
    assert_allclose(term.turns_covered, 59.95 / 480.0)
    assert term.amplitude_arcsec.value is None
    assert term.amplitude_arcsec.high > 8.0
    drift, mean = fit.drift_rate.x_arcsec_min, fit.mean_rate.x_arcsec_min
    # Drift alone is unknown by the worm's own slope, their sum is not.
    assert drift.high - drift.low > 5.0 * (mean.high - mean.low)
    slope = 60.0 * np.polyfit(t, x, 1)[0]
    assert mean.low95 <= slope <= mean.high95
    assert "drive-not-separable" in dict(fit.notes)
    assert "less than one turn" in dict(fit.notes)["drive-not-separable"]


def test_known_right_ascension_keeps_the_worm_out_of_declination():
    rng = np.random.default_rng(4)
    t = np.arange(0.0, 120.0, 0.1)
    across = np.array([-np.sin(np.radians(RA_DEG)), np.cos(np.radians(RA_DEG))])
    truth = tracked(t, drift=(0.0, 0.0), worm=8.0, period_s=480.0, phase=1.0)
    truth = truth + np.outer(across, 0.26252 * 20.0 / 60.0 * t)  # 20 arcmin off the pole
    x, y = truth + 0.2 * coloured(rng, t.size, 0.1, "air")
    fit = fit_drive(
        t,
        x,
        y,
        rng=rng,
        worm_period_s=[480.0],
        mount_kind="equatorial",
        ra_angle_deg=RA_DEG,
    )
    assert fit is not None
    assert fit.polar is not None
    assert fit.polar.low95_arcmin < 20.0 < fit.polar.high95_arcmin
    assert fit.polar.sigma_arcmin < 10.0
    assert "at least" in fit.polar.text


def test_guided_run_says_nothing_of_the_pole():
    t = np.arange(0.0, 60.0, 0.1)
    fit = fit_drive(
        t,
        0.01 * t,
        0.02 * t,
        rng=np.random.default_rng(0),
        mount_kind="equatorial",
        ra_angle_deg=0.0,
        guide_period_s=2.0,
    )
    assert fit is not None
    assert fit.polar is None
    assert "guided" in dict(fit.notes)


def test_stopped_drive_shows_right_ascension():
    rng = np.random.default_rng(5)
    t = np.arange(0.0, 20.0, 0.05)
    speed = 15.041 * np.cos(np.radians(20.0))
    noise = 0.4 * coloured(rng, t.size, 0.05, "air")
    x = -speed * np.cos(np.radians(70.0)) * t + noise[0]
    y = -speed * np.sin(np.radians(70.0)) * t + noise[1]
    fit = fit_drive(t, x, y, rng=rng, mount_kind="equatorial")
    assert fit is not None
    assert fit.ra is not None
    assert fit.ra.source == "drift with the drive off"
    assert_allclose(fit.ra.angle_deg, 70.0, atol=max(4 * fit.ra.sigma_deg, 0.05))
    assert fit.ra.sigma_deg < 1.0
    assert fit.polar is None


def test_altazimuth_drives_may_err_along_both_axes():
    t = np.arange(0.0, 600.0, 0.5)
    x = 3.0 * np.cos(2 * np.pi * t / 100.0)
    y = 2.0 * np.cos(2 * np.pi * t / 140.0)
    fit = fit_drive(
        t,
        x,
        y,
        rng=np.random.default_rng(0),
        mount_kind="altazimuth",
        worm_period_s=[100.0, 140.0],
        ra_angle_deg=0.0,
        harmonics=1,
    )
    assert fit is not None
    found = {term.period_s: term for term in fit.terms}
    assert_allclose(found[100.0].amplitude_arcsec.value, 3.0, rtol=1e-3)
    assert_allclose(found[140.0].amplitude_arcsec.value, 2.0, rtol=1e-3)
    assert_allclose(found[140.0].angle_deg, 90.0, atol=0.1)
    assert fit.polar is None


def test_segments_have_their_own_offsets_and_lost_samples_are_no_harm():
    rng = np.random.default_rng(6)
    t = np.concatenate([np.arange(0.0, 30.0, 0.05), np.arange(40.0, 70.0, 0.05)])
    segment = (t > 35.0).astype(np.intp)
    noise = 0.2 * coloured(rng, t.size, 0.05, "air")
    x = 0.02 * t + 15.0 * segment + noise[0]
    y = -0.01 * t - 9.0 * segment + noise[1]
    x[rng.random(t.size) < 0.1] = np.nan
    fit = fit_drive(t, x, y, rng=rng, segment=segment, blur_time_s=20.0)
    assert fit is not None
    rate = fit.mean_rate
    assert rate.x_arcsec_min.low95 < 1.2 < rate.x_arcsec_min.high95
    assert rate.y_arcsec_min.low95 < -0.6 < rate.y_arcsec_min.high95
    assert np.isfinite(fit.tracking_x_arcsec).all()
    assert fit.blur_covariance_arcsec2 is not None
    assert np.trace(fit.blur_covariance_arcsec2) < 1.0  # the dither is not blur


def test_dither_after_every_frame_leaves_nothing_to_fit():
    t = np.arange(0.0, 6000.0, 60.0)
    fit = fit_drive(t, t, t, rng=np.random.default_rng(0), segment=np.arange(t.size))
    assert fit is None


def test_many_short_segments_still_give_the_drift():
    rng = np.random.default_rng(12)
    t = np.arange(0.0, 3000.0, 5.0)
    segment = (t // 50.0).astype(np.intp)
    jumps = rng.normal(0.0, 20.0, size=(2, segment.max() + 1))
    x = 0.02 * t + jumps[0, segment] + 0.1 * rng.standard_normal(t.size)
    y = jumps[1, segment] + 0.1 * rng.standard_normal(t.size)
    fit = fit_drive(t, x, y, rng=rng, segment=segment, blur_time_s=30.0)
    assert fit is not None
    assert len(fit.columns.segments) == 40
    rate = fit.mean_rate.x_arcsec_min
    assert rate.low95 < 1.2 < rate.high95
    assert rate.high95 - rate.low95 < 0.6


def test_blur_time_longer_than_any_segment_gives_no_number():
    t = np.arange(0.0, 30.0, 0.1)
    fit = fit_drive(t, 0.01 * t, 0.0 * t, rng=np.random.default_rng(0), blur_time_s=60.0)
    assert fit is not None
    assert fit.blur_covariance_arcsec2 is None
    assert "blur-time-too-long" in dict(fit.notes)


def test_too_few_samples_give_nothing_and_bad_times_are_refused():
    rng = np.random.default_rng(0)
    t = np.arange(9.0)
    assert fit_drive(t, t, t, rng=rng) is None
    with pytest.raises(ValueError, match="rise"):
        fit_drive(np.zeros(20), np.zeros(20), np.zeros(20), rng=rng)
    with pytest.raises(ValueError, match="one length"):
        fit_drive(np.arange(20.0), np.zeros(19), np.zeros(19), rng=rng)


def test_rotating_the_image_rotates_the_answer():
    rng = np.random.default_rng(7)
    t = np.arange(0.0, 600.0, 0.5)
    motion = tracked(t, drift=(1.0, 0.0), worm=4.0, period_s=200.0, phase=0.0)
    motion = motion + 0.2 * coloured(rng, t.size, 0.5, "air")
    turn = np.radians(40.0)
    turned = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ motion
    first = fit_drive(t, *motion, rng=np.random.default_rng(0), worm_period_s=[200.0])
    second = fit_drive(t, *turned, rng=np.random.default_rng(0), worm_period_s=[200.0])
    assert first is not None
    assert second is not None
    # Each axis weighs its own noise, so the turn is exact only to a part of the interval.
    width = first.terms[0].amplitude_arcsec.high - first.terms[0].amplitude_arcsec.low
    assert_allclose(
        second.terms[0].amplitude_arcsec.value,
        first.terms[0].amplitude_arcsec.value,
        atol=0.3 * width,
    )
    assert_allclose(second.terms[0].angle_deg, first.terms[0].angle_deg + 40.0, atol=0.5)


def test_recognised_period_faster_than_the_blocks_is_left_to_the_lines():
    t = np.arange(0.0, 600.0, 0.5)
    fit = fit_drive(
        t, 0.01 * t, 0.0 * t, rng=np.random.default_rng(0), worm_period_s=[6.0], harmonics=2
    )
    assert fit is not None
    assert "drive-too-fast" in dict(fit.notes)


def test_folded_curve_covers_only_the_phases_seen():
    rng = np.random.default_rng(8)
    t = np.arange(0.0, 120.0, 0.1)
    x, y = tracked(t, drift=(0.0, 0.0), worm=6.0, period_s=240.0, phase=0.5)
    y = y + 0.1 * coloured(rng, t.size, 0.1, "air")[1]
    fit = fit_drive(t, x, y, rng=rng, worm_period_s=[240.0], ra_angle_deg=RA_DEG, harmonics=2)
    assert fit is not None
    curve = fold_on_period(fit, t, x, y, None, "drive 240 s")
    assert_allclose(curve.turns_covered, 119.9 / 240.0)
    assert_allclose(curve.phase_covered, 0.5, atol=0.03)
    seen = np.isfinite(curve.data_arcsec)
    assert not seen[-1]
    assert_allclose(curve.data_arcsec[seen], curve.model_arcsec[seen], atol=0.5)
    width = curve.high_arcsec - curve.low_arcsec
    assert np.median(width[~seen]) > np.median(width[seen])
    with pytest.raises(ValueError, match="no drive term"):
        fold_on_period(fit, t, x, y, None, "other")
