"""The mask in the main job, on tracks: what is recognised, what is refused and in which words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.budget.air_data import AirTable, Axis, _OneStar
from blursplit.evidence.mask import _MaskReading, _read_mask
from blursplit.facts import Facts
from blursplit.measure import Source, measure_tracks
from blursplit.report.words import text_of
from blursplit.result import Remark
from blursplit.rig import Rig
from blursplit.stars.tracks import StarTracks
from blursplit.turbulence.conversions import r0_m
from blursplit.turbulence.tilt import pair_kernels, tilt_coefficient, tilt_spectra

OPENING_M, SEPARATION_M, SPLIT_ARCSEC, FRAMES = 0.08, 0.2, 40.0, 900
SEEING_ARCSEC = 1.5
MASK = (
    f"mask.opening_m={OPENING_M}",
    f"mask.separation_m={SEPARATION_M}",
    "mask.angle_deg=0.0",
    f"mask.split_arcsec={SPLIT_ARCSEC}",
)
PLAIN = (
    "telescope.aperture_m=0.3",
    "camera.pixel_scale_arcsec=0.5",
    "air.wavelength_nm=500.0",
    "air.outer_scale_m=[20.0,20.0]",
)


def image_tracks(*, shake_arcsec=0.0, extra=0, flux=(1.0, 1.0), seed=5):
    """Return two images whose difference has the variance of that seeing, frame by frame."""
    rng = np.random.default_rng(seed)
    strength = float(r0_m(SEEING_ARCSEC, 500e-9)) ** (-5 / 3)
    unit = (500e-9 * 206264.8) ** 2 * strength * OPENING_M ** (-1 / 3)
    along, across = pair_kernels(SEPARATION_M / OPENING_M, OPENING_M / 20.0, 0.0, "Z")
    n = 2 + extra
    x, y = 0.1 * rng.standard_normal((2, FRAMES, n))
    half = 0.5 * np.sqrt(unit) / 0.5  # arcsec to px of half an arcsec
    for values, kernel in ((x, along), (y, across)):
        values[:, 1] = 0.0
        values[:, 0] = 0.0
        part = half * np.sqrt(float(np.ravel(kernel)[0])) * rng.standard_normal(FRAMES)
        values[:, 0] -= part
        values[:, 1] += part
        values[:] += shake_arcsec / 0.5 * rng.standard_normal((FRAMES, 1))
    x += np.array([60.0, 60.0 + SPLIT_ARCSEC / 0.5, 30.0, 111.0][:n])
    y += np.array([50.0, 50.0, 120.0, 90.0][:n])
    one = np.ones((FRAMES, n))
    light = np.array([*flux, 0.9, 0.8][:n])
    return StarTracks(
        time_s=0.02 * np.arange(FRAMES),
        segment=np.zeros(FRAMES, dtype=np.int64),
        row_time_s=0.0 * one,
        x_px=x,
        y_px=y,
        sigma_px=0.01 * one,
        flux_adu=1e5 * light * one,
        width_px=1.5 * one,
        e1=0.0 * one,
        e2=0.0 * one,
        peak_adu=3e3 * one,
        good=one > 0,
        exposure_s=1e-4,
        cadence_s=0.02,
        frame=np.arange(FRAMES),
    )


def instrument_of(*options):
    """Return the instrument that these options describe."""
    return Rig.read(None, options).with_header({})


def reading_of(tracks, *options):
    """Read the mask of these tracks."""
    instrument = instrument_of(*PLAIN, *options)
    return _read_mask(tracks, instrument, Facts.of(tracks, instrument, None))


def test_no_mask_is_none():
    """Without mask keys nothing is looked for, however the stars stand."""
    assert reading_of(image_tracks()) is None


def test_declared_mask_pairs_the_images_and_measures():
    """900 independent frames on two axes: 0.6 sqrt(2/1800) = 2 percent of r0; three of them."""
    reading = reading_of(image_tracks(extra=2), *MASK)
    assert isinstance(reading, _MaskReading)
    assert set(reading.columns) == {0, 1}
    assert_allclose(reading.result.r0_m, r0_m(SEEING_ARCSEC, 500e-9), rtol=0.06)
    assert reading.facts.optics.aperture_m == OPENING_M
    assert reading.facts.optics.obstruction == 0.0
    assert reading.tracks.n_stars == 1


def test_shake_of_both_images_leaves_the_reading_as_it_is():
    """What both do together is no air."""
    still = reading_of(image_tracks(), *MASK)
    shaken = reading_of(image_tracks(shake_arcsec=1.0), *MASK)
    assert_allclose(shaken.result.r0_m, still.result.r0_m, rtol=1e-6)
    # 900 frames: 1/sqrt(1800) = 2.4 percent, beside an air of 0.4 arcsec expected and not put in
    seen, expected = shaken.result.common_variance_arcsec2, shaken.result.expected_common_arcsec2
    assert_allclose(np.sqrt(np.subtract(seen, expected)), 0.9, atol=0.12)


def test_prior_of_the_fit_is_the_reading():
    """The fit is told ln J = -5/3 ln r0, its error that of sampling and systematics together."""
    reading = reading_of(image_tracks(), *MASK)
    mean, sigma = reading.strength.ln_j
    assert_allclose(np.exp(mean), reading.result.r0_m ** (-5 / 3))
    assert_allclose(sigma, 5 / 3 * reading.log_r0_error)


def test_mean_of_the_images_moves_as_the_kernels_say():
    """The fit's spectrum of the mean holds K1 - K/4 (mean of both axes) in all, not K1.

    Two percent: the table leaves out what two beams share beyond a phase of 30.
    """
    reading = reading_of(image_tracks(), *MASK)
    ratio = OPENING_M / 20.0
    x = np.geomspace(1e-6, 30.0, 1200)
    one = np.log(np.maximum(np.stack(tilt_spectra(x, ratio, 0.0, "Z")), 1e-300))
    wind = 8.0
    star = _OneStar(
        wind=Axis(np.log([wind])),
        outer=Axis(np.log([20.0])),
        bins=one[None, None],
        fine=one[None, None],
        variance=np.zeros((1, 1, 2)),
        structure=np.zeros((1, 1)),
    )
    nothing = np.zeros((0, 1, 1, 1), dtype=np.float32)
    at_hz = x * wind / OPENING_M
    table = AirTable(
        near=star,
        outside=star,
        height_m=np.zeros(0),
        high_wind=star.wind,
        high=nothing[..., None],
        fine_hz=at_hz,
        high_fine=nothing,
        baseline_m=np.zeros(1),
    )
    optics = reading.facts.optics
    out = table.mean_of_openings(optics, at_hz, reading.strength.separation_m).outside
    total = np.trapezoid(np.exp(out.fine[0, 0]).mean(axis=0), x)
    along, across = pair_kernels(SEPARATION_M / OPENING_M, ratio, 0.0, "Z")
    expected = tilt_coefficient("Z", 0.0, ratio) - 0.125 * float(np.ravel(along + across)[0])
    assert_allclose(total, expected, rtol=0.02)
    assert_allclose(out.bins, out.fine)
    assert table.outside is star


@pytest.mark.parametrize(
    ("tracks", "options", "code"),
    [
        (image_tracks(), MASK[3:], "mask-openings-unknown"),
        (image_tracks(), (*MASK[:3], "mask.split_arcsec=90.0"), "mask-no-pair"),
        (image_tracks(flux=(1.0, 0.2)), MASK, "mask-no-pair"),
        (image_tracks(extra=1), MASK[:3], "mask-no-pair"),
        (image_tracks(), ("mask.opening_m=0.3", *MASK[1:]), "mask-overlap"),
        (replace(image_tracks(), exposure_s=None), MASK, "mask-exposure-unknown"),
        (replace(image_tracks(), sigma_px=np.full((FRAMES, 2), 9.0)), MASK, "mask-noise"),
    ],
)
def test_mask_that_cannot_be_read_says_why(tracks, options, code):
    """A failure with its code, never a guess."""
    failure = reading_of(tracks, *options)
    assert isinstance(failure, Remark)
    assert failure.code == code
    assert "not known" not in text_of(failure)


def test_split_alone_means_nothing_among_many_stars():
    """Two stars of a field may stand apart by the split by chance."""
    assert reading_of(image_tracks(extra=2), MASK[3]) is None


def test_images_of_unequal_light_and_an_assumed_direction_are_said():
    """Doubts go with the numbers."""
    reading = reading_of(image_tracks(flux=(1.0, 0.5)), *MASK[:2])
    codes = {remark.code for remark in reading.doubts}
    assert {"mask-images-unequal", "mask-angle-assumed"} <= codes
    assert_allclose(np.sin(np.radians(reading.geometry.angle_deg)), 0.0, atol=0.01)


def test_result_carries_the_mask_without_a_star_image():
    """Tracks alone give r0, its bound and the reasons; the widths stay open."""
    tracks = image_tracks(shake_arcsec=0.3)
    source = Source(tracks, instrument_of(*PLAIN, *MASK), "mask", 1, FRAMES)
    measurement = measure_tracks(source)
    result = measurement.result
    air = result.atmosphere
    assert air.evidence == ["two-aperture mask"]
    seeing = air.seeing_500nm_zenith_arcsec
    assert seeing.low95 < SEEING_ARCSEC < seeing.high95
    assert air.lower_seeing_arcsec.value <= 1.02 * seeing.value
    assert "mask" in {remark.code for remark in result.verdict.reasons}
    assert_allclose(measurement.series.arrays["star_x_px"], [60.0, 140.0], atol=0.2)


def test_failed_mask_bars_the_air_and_says_so():
    """With the whole aperture the numbers would be wrong, so there are none."""
    tracks = image_tracks()
    source = Source(tracks, instrument_of(*PLAIN, MASK[3]), "mask", 1, FRAMES)
    result = measure_tracks(source).result
    assert result.atmosphere.seeing_500nm_zenith_arcsec is None
    assert result.atmosphere.lower_seeing_arcsec is None
    assert "mask-openings-unknown" in {warning.code for warning in result.warnings}
    assert "mask.opening_m" in result.verdict.reasons[0].text
