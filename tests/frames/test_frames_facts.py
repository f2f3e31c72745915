"""Facts from headers, with the traps of real cameras and observatories."""

from __future__ import annotations

import math

import pytest
from astropy import units as u
from astropy.io import fits
from astropy.wcs import WCS
from astropy.wcs.utils import proj_plane_pixel_scales
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from blursplit.frames.facts import (
    _airmass_of,
    _horizontal,
    _parallactic_angle_deg,
    _read_passband,
    _sexagesimal,
    complete_pointing,
    read_facts,
)
from blursplit.frames.header import Header


def read(**cards):
    """Return the facts of a header that astropy wrote."""
    return read_facts(head(**cards))


def head(**cards):
    """Return a header that astropy wrote; (value, comment) pairs are allowed."""
    header = fits.Header()
    for key, value in cards.items():
        header[key.replace("_", "-")] = value
    return Header(header.tostring(endcard=False, padding=False).encode("latin-1"))


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 137.0, -80.0])
@pytest.mark.parametrize("mirrored", [False, True])
def test_scale_and_angle_follow_the_celestial_wcs(turn_deg, mirrored):
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval, wcs.wcs.crpix = [80.0, 20.0], [50.0, 50.0]
    scale = 0.8 / 3600
    cos, sin = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    side = 1 if mirrored else -1
    wcs.wcs.cd = [[side * scale * cos, scale * sin], [-side * scale * sin, scale * cos]]
    known = read_facts(Header(wcs.to_header_string(relax=True).encode()))
    assert_allclose(known["pixel_scale_arcsec"].value, proj_plane_pixel_scales(wcs)[0] * 3600)
    # The angle of +y, asked of the WCS itself: step 10 pixels up and look at the bearing.
    one, other = wcs.pixel_to_world(50, 50), wcs.pixel_to_world(50, 60)
    bearing = one.position_angle(other).to_value(u.deg)
    assert_allclose(
        math.cos(math.radians(known["position_angle_deg"].value - bearing)), 1, rtol=1e-6
    )
    assert known["flip"].value is mirrored


def test_scale_keywords_and_zeroes():
    assert read(SECPIX=0.65)["pixel_scale_arcsec"].value == 0.65
    known = read(XPIXSZ=7.4, XBINNING=2, FOCALLEN=2000.0, APTDIA=203.0, APTAREA=28600.0)
    assert "taken as already binned 2x" in known["pixel_um"].note
    assert (known["focal_length_m"].value, known["aperture_m"].value) == (2.0, 0.203)
    # 28600 mm2 of a full 32365 mm2: sqrt(0.1163) = 0.341
    assert_allclose(known["obstruction"].value, 0.341, atol=5e-4)
    assert not {"focal_length_m", "aperture_m"} & set(read(FOCALLEN=0.0, APTDIA=0.0))


@pytest.mark.parametrize(
    ("cards", "gain"),
    [
        ({"EGAIN": 0.37, "GAIN": 120}, 0.37),
        ({"GAIN": 120}, None),
        ({"GAIN": 1}, None),
        ({"GAIN": (2, "e-/ADU")}, 2.0),
        ({"GAIN": 1.48}, 1.48),
        ({"EGAIN": 0.0}, None),
    ],
)
def test_gain_is_trusted_only_when_it_can_be_electrons(cards, gain):
    entry = read(**cards).get("gain_e_per_adu")
    assert (None if entry is None else entry.value) == gain


@pytest.mark.parametrize(
    ("cards", "exposure"),
    [
        ({"XPOSURE": 0.01, "EXPTIME": 9.0}, 0.01),
        ({"EXPTIME": (8, "[ms] exposure")}, 0.008),
        ({"EXPOSURE": (5000.0, "microseconds")}, 0.005),
        ({"EXPTIME": 0.0}, None),
        ({"EXPTIME": "0.02"}, 0.02),
    ],
)
def test_exposure_obeys_a_unit_in_its_comment(cards, exposure):
    entry = head(**cards).exposure
    if exposure is None:
        assert entry is None
    else:
        assert_allclose(entry.value, exposure)


@pytest.mark.parametrize(
    ("name", "wavelength"),
    [
        ("V", 545),
        ("Bessell R", 641),
        ("r'", 626),
        ("SDSS-i", 767),
        ("g", 483),
        ("Ha 7nm", 656.3),
        ("H-alpha", 656.3),
        ("Luminance", 550),
        ("Clear", 600),
        ("656nm 12 nm", 656),
        ("OIII", 500.7),
        ("Rc", 641),
        ("slot 3", None),
        ("", None),
    ],
)
def test_filter_names_give_a_wavelength_or_nothing(name, wavelength):
    band = _read_passband(name)
    assert (None if band is None else band.wavelength_nm) == wavelength
    if band is not None:
        assert band.low_nm < band.wavelength_nm < band.high_nm


@given(name=st.text(max_size=30))
def test_no_filter_name_makes_the_reader_stumble(name):
    _read_passband(name)


def test_right_ascension_text_is_hours_and_a_number_degrees():
    assert read(RA="05 35 17.3", DEC="-05 23 28")["ra_deg"].value == pytest.approx(83.822083)
    assert read(RA=83.8, DEC=-5.4)["ra_deg"].value == 83.8
    assert read(RA="05:35:17", DEC="-00:30:00")["dec_deg"].value == -0.5


@pytest.mark.parametrize(
    ("text", "value"),
    [("+46:46.15", None), ("-00 30 36", -0.51), ("111 36 W", -111.6), ("12:75:00", None)],
)
def test_sexagesimal(text, value):
    found = _sexagesimal(text)
    assert found == (None if value is None else pytest.approx(value))


def test_unset_site_is_left_out():
    assert "latitude_deg" not in read(SITELAT="00 00 00", SITELONG="00 00 00")


@given(value=st.floats(-89.99, 89.99))
def test_sexagesimal_round_trip(value):
    total = abs(value) * 3600
    degrees, minutes, seconds = int(total // 3600), int(total % 3600 // 60), total % 60
    sign = "-" if value < 0 else "+"
    text = f"{sign}{degrees:02d} {minutes:02d} {seconds:09.6f}"
    if seconds < 59.9999995:
        assert_allclose(_sexagesimal(text), value, atol=1e-9)


def test_airmass_at_known_altitudes():
    # Kasten & Young (1989), table II: 1.0 at the zenith, 1.994 at 30 degrees, 10.31 at 5 degrees
    # [from memory, verify]
    assert_allclose([_airmass_of(a) for a in (90, 30, 5)], [1.0, 1.994, 10.31], rtol=1e-3)


def test_parallactic_angle_by_its_hour_angle():
    """Against tan q = sin H / (tan lat cos dec - sin dec cos H) (Meeus 1998, chapter 14)."""
    latitude, dec, hour = 35.0, 10.0, -40.0
    lat, d, h = (math.radians(v) for v in (latitude, dec, hour))
    alt = math.asin(math.sin(lat) * math.sin(d) + math.cos(lat) * math.cos(d) * math.cos(h))
    az = math.atan2(
        -math.cos(d) * math.sin(h),
        math.sin(d) * math.cos(lat) - math.cos(d) * math.cos(h) * math.sin(lat),
    )
    expected = math.atan2(math.sin(h), math.tan(lat) * math.cos(d) - math.sin(d) * math.cos(h))
    found = _parallactic_angle_deg(math.degrees(alt), math.degrees(az), latitude)
    assert_allclose(found, math.degrees(expected), atol=1e-9)


def test_altitude_from_position_site_and_time():
    # The celestial pole stands as high as the latitude, due north (exact for the pole of date;
    # precession since 2000 moves it by less than 0.2 degrees until 2035).
    altitude, azimuth = _horizontal(0.0, 89.9999, 61100.0, 42.0, -71.0)
    assert_allclose(altitude, 42.0, atol=0.2)
    assert_allclose(math.sin(math.radians(azimuth)), 0.0, atol=0.01)


def test_longitude_positive_to_the_west_is_turned_around():
    cards = {"RA": 31.3121, "DEC": 46.769, "LATITUDE": 31.68, "LONGITUD": 110.88, "TELALT": 62.592}
    known = complete_pointing(read(**cards), 58107.065)  # the archive frame of the real sequence
    assert known["longitude_deg"].value == -110.88
    assert "towards west" in known["longitude_deg"].note
    assert_allclose(known["airmass"].value, 1 / math.sin(math.radians(62.592)), rtol=2e-3)


@pytest.mark.parametrize(
    ("cards", "kind"),
    [
        ({"IMAGETYP": "Light Frame"}, None),
        ({"IMAGETYP": "object"}, None),
        ({"IMAGETYP": ""}, None),
        ({}, None),
        ({"IMAGETYP": "Flat Field"}, "flat"),
        ({"IMAGETYP": "skyflat"}, "flat"),
        ({"FRAME": "Dark"}, "dark"),
        ({"OBSTYPE": "DARK FLAT"}, "dark"),
        ({"IMGTYPE": "zero"}, "bias"),
        ({"IMAGE-TY": "Bias Frame"}, "bias"),
    ],
)
def test_kind_of_frame(cards, kind):
    assert head(**cards).calibration_kind == kind


@given(cards=st.binary(max_size=800))
def test_facts_of_any_bytes_are_read_or_left_out(cards):
    header = Header(cards.ljust(880))
    read_facts(header)
    assert header.exposure is None or header.exposure.value > 0


KEYS = ("GAIN", "RA", "DEC", "XBINNING", "FILTER", "CD1_1", "BAYERPAT", "EXPTIME", "SITELAT")


@given(
    key=st.sampled_from(KEYS),
    value=st.one_of(
        st.text(st.characters(min_codepoint=32, max_codepoint=255), max_size=40),
        st.floats().map(repr),
        st.integers().map(str),
    ),
)
def test_any_value_under_a_known_keyword_is_read_or_left_out(key, value):
    card = f"{key:<8}= {value}".ljust(80)[:80].encode("latin-1")
    header = Header(b"CTYPE1  = 'RA---TAN'".ljust(80) + card)
    read_facts(header)
    assert header.exposure is None or header.exposure.value > 0
