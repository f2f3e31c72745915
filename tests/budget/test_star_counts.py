"""What 1, 2, 3 and 4 or more stars allow, on tracks made without pixels."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.measure import Source, measure_tracks
from blursplit.rig import Rig
from blursplit.simulate.motion import _mode_density, _noise_series
from blursplit.stars.tracks import StarTracks
from blursplit.turbulence.conversions import r0_m
from blursplit.turbulence.tilt import tilt_coefficient

CADENCE_S, EXPOSURE_S, FRAMES = 0.02, 0.002, 1500
NOISE_PX, APERTURE_M, SEEING_ARCSEC = 0.05, 0.25, 1.5
X0, Y0 = np.array([50.0, 350.0, 120.0, 260.0, 310.0]), np.array([60.0, 90.0, 330.0, 210.0, 380.0])


def air_rms_arcsec():
    """One-axis Z-tilt of one star at 500 nm: var = K lambda^2 r0^(-5/3) D^(-1/3)."""
    strength = float(r0_m(SEEING_ARCSEC, 500e-9)) ** (-5 / 3)
    variance = tilt_coefficient("Z", 0.0, APERTURE_M / 25.0) * 500e-9**2 * strength
    return 206264.8 * np.sqrt(variance * APERTURE_M ** (-1 / 3))


def air_density(f):
    """Tilt of frozen flow: f^(-2/3), then f^(-8/3) (Conan et al. 1995), knee at 3 Hz."""
    f = np.maximum(f, 0.05)
    return np.where(f < 3.0, (f / 3.0) ** (-2 / 3), (f / 3.0) ** (-8 / 3))


def star_tracks(n_stars, *, seed=1, rotation_rad=0.0, notes=()):
    """Return stars with air of their own (a very high layer) on a pier that rings at 7 Hz."""
    rng = np.random.default_rng(seed)
    rate = 1 / CADENCE_S
    shape = (FRAMES, n_stars)
    ring = 0.5 * _noise_series(FRAMES, rate, lambda f: _mode_density(f, 7.0, 0.015), rng)
    air = np.stack(
        [_noise_series(FRAMES, rate, air_density, rng) for _ in range(2 * n_stars)]
    ).reshape(2, n_stars, FRAMES)
    air *= air_rms_arcsec() / air.std(axis=-1, keepdims=True)
    turn = rotation_rad * rng.standard_normal((FRAMES, 1))
    dx, dy = X0[:n_stars] - X0[:n_stars].mean(), Y0[:n_stars] - Y0[:n_stars].mean()
    noise = NOISE_PX * rng.standard_normal((2, *shape))
    one = np.ones(shape)
    return StarTracks(
        time_s=CADENCE_S * np.arange(FRAMES),
        segment=np.zeros(FRAMES, dtype=np.int64),
        row_time_s=np.zeros(shape),
        x_px=X0[:n_stars] + ring[:, None] + air[0].T - turn * dy + noise[0],
        y_px=Y0[:n_stars] + air[1].T + turn * dx + noise[1],
        sigma_px=NOISE_PX * one,
        flux_adu=1e5 * one,
        width_px=1.5 * one,
        e1=0.0 * one,
        e2=0.0 * one,
        peak_adu=3e3 * one,
        good=one > 0,
        exposure_s=EXPOSURE_S,
        cadence_s=CADENCE_S,
        frame=np.arange(FRAMES),
        notes=notes,
    )


def measured(n_stars, **how):
    """Measure such tracks: one pixel is one arcsec."""
    options = [
        f"telescope.aperture_m={APERTURE_M}",
        "camera.pixel_scale_arcsec=1.0",
        "air.wavelength_nm=500.0",
    ]
    rig = Rig.read(None, options).with_header({})
    tracks = star_tracks(n_stars, **how)
    source = Source(tracks, rig, "stars", 1, FRAMES)
    return measure_tracks(source).result


def test_one_star_gives_lines_and_no_bound_on_the_air():
    """Its spectrum still names the ring of the pier; the air stays unbounded, in words too."""
    result = measured(1)
    assert result.atmosphere.lower_seeing_arcsec is None
    assert result.motion.pairs == []
    frequency = [line.frequency_hz.value for line in result.lines]
    # half bandwidth of the mode 7 zeta = 0.1 Hz over the root of some ten independent draws
    assert_allclose(frequency, [7.0], atol=0.15)
    assert "one-star" in {remark.code for remark in result.verdict.reasons}
    assert "pairs-show-air" not in {remark.code for remark in result.verdict.reasons}
    assert result.verdict.matters["atmosphere"] == "open"


@pytest.mark.parametrize("n_stars", [2, 3, 5])
def test_pairs_bound_the_air_from_below(n_stars):
    """The bound takes the largest kernel, so it lies below the truth and not far below.

    Fully parted beams: K tends to twice that of one star, the kernel's largest value, so the
    bound falls short by tilt kinds (up to 8 % in J) and the exposure only; 30 s of air scatter
    by some 10 %.
    """
    result = measured(n_stars)
    lower = result.atmosphere.lower_seeing_arcsec
    assert lower.low95 < SEEING_ARCSEC
    assert 0.75 * SEEING_ARCSEC < lower.value < 1.1 * SEEING_ARCSEC
    assert "pairs-show-air" in {remark.code for remark in result.verdict.reasons}
    assert result.atmosphere.evidence == ["motion of pairs"]
    assert result.verdict.level == "positions"
    assert [round(line.frequency_hz.value) for line in result.lines] == [7]


def test_turning_field_does_not_raise_the_bound_of_two_stars():
    """A trembling rotation moves two stars across their line; the bound uses that along it."""
    still = measured(2).atmosphere.lower_seeing_arcsec
    turning = measured(2, rotation_rad=0.01)
    # 0.01 rad over 300 arcsec is 3 arcsec rms across the pair, four times the air
    assert turning.motion.pairs[0].across_rms_arcsec.value > 2.5
    assert_allclose(turning.atmosphere.lower_seeing_arcsec.value, still.value, rtol=0.03)


def test_stars_of_a_space_telescope_are_never_given_an_atmosphere():
    """Their differences are pixels and pointing: said in words, no number, lines still found."""
    result = measured(5, notes=(("target-pixels", {"tables": 5}),))
    air = result.atmosphere
    assert air.seeing_500nm_zenith_arcsec is None
    assert air.lower_seeing_arcsec is None
    assert air.evidence == []
    assert "above-the-air" in {remark.code for remark in result.verdict.reasons}
    assert "pairs-show-air" not in {remark.code for remark in result.verdict.reasons}
    assert "above-the-air" in {warning.code for warning in result.warnings}
    assert "no-aperture" not in {warning.code for warning in result.warnings}
    assert "state-aperture" not in {step.code for step in result.verdict.next}
    assert [round(line.frequency_hz.value) for line in result.lines] == [7]
