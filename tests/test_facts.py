"""Blur time rules and where numbers come from."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.errors import InputError
from blursplit.facts import Facts
from blursplit.rig import Rig, Setup
from blursplit.stars.tracks import StarTracks


def tracks_of(n: int, cadence: float, exposure: float) -> StarTracks:
    blank = np.zeros((n, 1))
    return StarTracks(
        time_s=np.arange(n) * cadence,
        segment=np.zeros(n, dtype=np.int64),
        row_time_s=blank,
        x_px=blank,
        y_px=blank,
        sigma_px=blank + 0.01,
        flux_adu=blank + 1,
        width_px=blank + 1,
        e1=blank,
        e2=blank,
        peak_adu=blank + 1,
        good=np.ones((n, 1), bool),
        exposure_s=exposure,
        cadence_s=cadence,
    )


def instrument(**telescope: float) -> Rig:
    setup = Setup.model_validate({"telescope": telescope, "camera": {"pixel_scale_arcsec": 0.6}})
    return Rig.of_setup(setup).with_header({})


def test_blur_time_is_the_duration_up_to_a_minute() -> None:
    short = Facts.of(tracks_of(1000, 0.02, 0.01), instrument(aperture_m=0.2), None)
    assert_allclose(short.blur_time_s, 20.0)
    long = Facts.of(tracks_of(6000, 0.02, 0.01), instrument(aperture_m=0.2), None)
    assert long.blur_time_s == 60.0


def test_blur_time_of_long_frames_is_one_frame() -> None:
    facts = Facts.of(tracks_of(30, 65.0, 60.0), instrument(aperture_m=0.2), None)
    assert facts.blur_time_s == 60.0
    assert facts.is_long


def test_blur_time_below_the_exposure_is_refused() -> None:
    with pytest.raises(InputError, match="shorter than the exposure"):
        Facts.of(tracks_of(100, 0.02, 0.01), instrument(aperture_m=0.2), 0.005)


def test_blur_time_beyond_the_record_is_marked() -> None:
    facts = Facts.of(tracks_of(100, 0.02, 0.01), instrument(aperture_m=0.2), 100.0)
    assert not facts.within_record


def test_no_optics_without_an_aperture() -> None:
    facts = Facts.of(tracks_of(100, 0.02, 0.01), instrument(), None)
    assert facts.optics is None
    assert facts.scale_arcsec == 0.6


def test_dispersion_lies_along_the_vertical() -> None:
    known = instrument(aperture_m=0.2)
    for key, value in (
        ("band_nm", [400.0, 700.0]),
        ("altitude_deg", 30.0),
        ("parallactic_angle_deg", 0.0),
        ("position_angle_deg", 0.0),
    ):
        known = known.with_setting(key, value, "option")
    facts = Facts.of(tracks_of(100, 0.02, 0.01), known, None)
    # North up and zenith toward north: the spread is along y.
    assert facts.dispersion[1, 1] > 100 * facts.dispersion[0, 0]
    assert facts.dispersion_known
    without = replace(known, settings={k: v for k, v in known.settings.items() if k != "band_nm"})
    assert not Facts.of(tracks_of(100, 0.02, 0.01), without, None).dispersion_known


def test_position_angles_run_from_north_through_east() -> None:
    """North up, east left (not mirrored): +y is north, -x is east."""
    known = instrument(aperture_m=0.2).with_setting("position_angle_deg", 0.0, "option")
    facts = Facts.of(tracks_of(100, 0.02, 0.01), known, None)
    assert_allclose(facts.position_angle_deg(np.array([90.0, 180.0, 45.0])), [0.0, 90.0, 135.0])
    mirrored = Facts.of(
        tracks_of(100, 0.02, 0.01), known.with_setting("flip", value=True, origin="option"), None
    )
    assert_allclose(mirrored.position_angle_deg(np.array([0.0, 45.0])), [90.0, 45.0])
