"""What a header says about telescope, camera and sky, each with the keyword it came from.

Altitude, airmass and parallactic angle come from whatever it says about the pointing.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import NamedTuple

from blursplit import constants as const
from blursplit.frames.header import KIND_KEYWORDS, Header
from blursplit.frames.timestamps import offline
from blursplit.rig import Setting

_SEXAGESIMAL = re.compile(
    r"\s*([+-]?)\s*(\d{1,3})\s*[: dh°]\s*(\d{1,2})(?:\s*[: m']\s*(\d{1,2}(?:\.\d*)?))?\s*[s\"]?\s*"
    r"([NSEWnsew]?)\s*"
)
_RA = ("OBJCTRA", "RA", "TELRA", "RA_OBJ", "OBJRA", "RA-TEL", "CRVAL1")
_DEC = ("OBJCTDEC", "DEC", "TELDEC", "DEC_OBJ", "OBJDEC", "DEC-TEL", "CRVAL2")
_ALTITUDE = ("OBJCTALT", "TELALT", "ALTITUDE", "CENTALT", "ALT", "ALT_OBS", "ELEVATIO", "EL")
_AZIMUTH = ("OBJCTAZ", "TELAZ", "AZIMUTH", "CENTAZ", "AZ", "AZ_OBS")
_ZENITH = ("ZD", "ZENDIST", "ZENITH")
_LATITUDE = ("OBSGEO-B", "SITELAT", "LAT-OBS", "OBSLAT", "LATITUDE", "GEOLAT", "OBS-LAT", "LAT")
_LONGITUDE = ("OBSGEO-L", "SITELONG", "LONG-OBS", "OBSLONG", "LONGITUD", "GEOLON", "OBS-LONG")
_HEIGHT = ("OBSGEO-H", "SITEELEV", "ALT-OBS", "OBSALT", "OBSELEV", "GEOELEV", "HEIGHT")


def _sexagesimal(text: str) -> float | None:
    """Read ``-23 30 36.5``, ``+46:46.15`` or ``31d40m52s N`` as a number, None if it is not one."""
    match = _SEXAGESIMAL.fullmatch(text)
    if not match:
        return None
    sign, whole, minutes, seconds, side = match.groups()
    if float(minutes) >= 60 or float(seconds or 0) >= 60:  # noqa: PLR2004
        return None
    value = float(whole) + float(minutes) / 60 + float(seconds or 0) / 3600
    return -value if sign == "-" or side.upper() in {"S", "W"} else value


def _pointing(header: Header, known: dict[str, Setting]) -> None:
    """Add right ascension, declination, altitude, azimuth and site where the header has them.

    A right ascension written with colons or blanks is in hours, a number in degrees. A site of
    exactly 0, 0 and angles outside their range count as unset.
    """
    _set(known, "ra_deg", _right_ascension(header), (0, 360))
    _set(known, "dec_deg", _angle(header, _DEC), (-90, 90))
    _set(known, "altitude_deg", _angle(header, _ALTITUDE), (3, 90))
    _set(known, "azimuth_deg", _angle(header, _AZIMUTH), (-360, 360))
    if "altitude_deg" not in known:
        zenith = _angle(header, _ZENITH)
        if zenith is not None:
            _set(known, "altitude_deg", (90 - zenith[0], zenith[1]), (3, 90))
    latitude, longitude = _angle(header, _LATITUDE), _angle(header, _LONGITUDE)
    if latitude is not None and longitude is not None and (latitude[0] or longitude[0]):
        _set(known, "latitude_deg", latitude, (-90, 90))
        _set(known, "longitude_deg", longitude, (-360, 360))
        if longitude[1] != "OBSGEO-L" and "longitude_deg" in known:
            note = f"{longitude[1]}, taken as positive towards east"
            known["longitude_deg"] = replace(known["longitude_deg"], note=note)
    _set(known, "height_m", header.number(*_HEIGHT), (-450, 9000))
    if all(key in known and known[key].value == 0 for key in ("ra_deg", "dec_deg")):
        del known["ra_deg"], known["dec_deg"]


def _set(
    known: dict[str, Setting], key: str, found: tuple[float, str] | None, span: tuple[float, float]
) -> None:
    if found is not None and span[0] <= found[0] <= span[1]:
        known[key] = Setting(found[0], "header", found[1])


def _angle(header: Header, keys: tuple[str, ...]) -> tuple[float, str] | None:
    for key in keys:
        if key.startswith("CRVAL") and not _is_celestial(header):
            continue
        number = header.number(key)
        if number is not None:
            return number
        value = _sexagesimal(header.text(key)) if key in header else None
        if value is not None:
            return value, key
    return None


def _right_ascension(header: Header) -> tuple[float, str] | None:
    for key in _RA:
        found = _angle(header, (key,))
        if found is None:
            continue
        is_hours = header.number(key) is None
        return (found[0] * 15, f"{key} (hours)") if is_hours else found
    return None


def _is_celestial(header: Header) -> bool:
    return str(header.get("CTYPE1", "")).startswith("RA-")


def _airmass_of(altitude_deg: float) -> float:
    """Return the airmass at an apparent altitude (Kasten & Young 1989, Applied Optics 28, 4735)."""
    bent = 0.50572 * (altitude_deg + 6.07995) ** -1.6364
    return float(1.0 / (math.sin(math.radians(altitude_deg)) + bent))


def _parallactic_angle_deg(altitude_deg: float, azimuth_deg: float, latitude_deg: float) -> float:
    """Return the angle at the star from north to the zenith, positive through east.

    From the triangle pole, zenith, star (Smart 1977, Textbook on Spherical Astronomy, chapter 2);
    east of the meridian the hour angle and with it this angle are negative.
    """
    alt, az, lat = (math.radians(v) for v in (altitude_deg, azimuth_deg, latitude_deg))
    across = -math.sin(az) * math.cos(lat)
    along = math.sin(lat) * math.cos(alt) - math.cos(lat) * math.sin(alt) * math.cos(az)
    return math.degrees(math.atan2(across, along))


def _horizontal(
    ra_deg: float,
    dec_deg: float,
    mjd_utc: float,
    latitude_deg: float,
    longitude_deg: float,
    height_m: float = 0.0,
) -> tuple[float, float]:
    """Return altitude and azimuth [degrees] without refraction; asks no network for anything."""
    from astropy import units as u
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord
    from astropy.time import Time

    with offline():
        site = EarthLocation.from_geodetic(longitude_deg, latitude_deg, height_m)
        frame = AltAz(obstime=Time(mjd_utc, format="mjd", scale="utc"), location=site)
        sky = SkyCoord(ra_deg * u.deg, dec_deg * u.deg).transform_to(frame)
        return float(sky.alt.deg), float(sky.az.deg)


def _check_longitude(known: dict[str, Setting], mjd_utc: float) -> dict[str, Setting]:
    """Turn the sign of a longitude around where only that puts the target where it was seen."""
    entry = known["longitude_deg"]
    if entry.note == "OBSGEO-L" or abs(entry.value) < 1:
        return known
    ra, dec, latitude = (float(known[k].value) for k in ("ra_deg", "dec_deg", "latitude_deg"))
    altitudes = [
        _horizontal(ra, dec, mjd_utc, latitude, sign * float(entry.value))[0] for sign in (1, -1)
    ]
    said = known.get("altitude_deg")
    if said is None:
        wrong = altitudes[0] < 0 < const.LOWEST_POINTING_DEG < altitudes[1]
    else:
        misses = [abs(altitude - float(said.value)) for altitude in altitudes]
        wrong = misses[1] < const.SAME_ALTITUDE_DEG < misses[0]
    if not wrong:
        return known
    note = f"{entry.note.partition(',')[0]}, positive towards west by the target's altitude"
    return {**known, "longitude_deg": replace(entry, value=-entry.value, note=note)}


def complete_pointing(known: dict[str, Setting], mjd_utc: float | None) -> dict[str, Setting]:
    """Return what follows for altitude, azimuth, airmass and parallactic angle; facts stay.

    `mjd_utc`: middle of the sequence.
    """
    out = dict(known)
    where = ("ra_deg", "dec_deg", "latitude_deg", "longitude_deg")
    placed = all(key in out for key in where)
    if mjd_utc is not None and placed:
        out = _check_longitude(out, mjd_utc)
    if mjd_utc is not None and "altitude_deg" not in out and placed:
        ra, dec, latitude, longitude = (float(out[key].value) for key in where)
        height = out.get("height_m")
        above_m = float(height.value) if height else 0.0
        altitude, azimuth = _horizontal(ra, dec, mjd_utc, latitude, longitude, above_m)
        if altitude > 3:  # noqa: PLR2004  below, the site or its sign is wrong
            note = "from RA, Dec, site and time"
            out["altitude_deg"] = Setting(altitude, "header", note)
            out.setdefault("azimuth_deg", Setting(azimuth, "header", note))
    if "airmass" not in out and "altitude_deg" in out:
        altitude = float(out["altitude_deg"].value)
        out["airmass"] = Setting(_airmass_of(altitude), "header", "from the altitude")
    angles = [out.get(k) for k in ("altitude_deg", "azimuth_deg", "latitude_deg")]
    if "parallactic_angle_deg" not in out and all(angles):
        altitude, azimuth, latitude = (float(entry.value) for entry in angles if entry)
        angle = _parallactic_angle_deg(altitude, azimuth, latitude)
        note = "from altitude, azimuth and latitude"
        out["parallactic_angle_deg"] = Setting(angle, "header", note)
    return out


# --- telescope, camera and sky --------------------------------------------------------------------
_SCALE = ("PIXSCALE", "SECPIX", "SECPIX1", "IM_SCALE", "PIXSCAL1", "PLTSCALE", "SCALE")
_PIXEL = ("XPIXSZ", "PIXSIZE1", "PIXSIZE", "XPIXELSZ", "PIXSZ")
_FOCAL = ("FOCALLEN", "FOCAL", "FOCLEN", "TELFOCAL")
_APERTURE = ("APTDIA", "APERTURE", "TELDIAM", "APDIA", "DIAMETER")
_FOCUS = ("FOCUSPOS", "FOCPOS", "FOCUSER", "TELFOCUS", "FOCUS")
_AMBIENT = ("AMBTEMP", "AMB-TEMP", "AOCAMBT", "OUTTEMP", "TEMPERAT", "TEMPAMB")
_NAMES: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("object", ("OBJECT", "OBJNAME", "TARGET")),
    ("camera_name", ("INSTRUME", "CAMERA", "DETECTOR", "CAMMODEL")),
    ("telescope_name", ("TELESCOP",)),
    ("image_kind", KIND_KEYWORDS),
    ("pier_side", ("PIERSIDE", "PIER-SID")),
)
_NUMBERS: tuple[tuple[str, tuple[str, ...], float, float], ...] = (
    ("sensor_temperature_c", ("CCD-TEMP", "DET-TEMP", "SENSTEMP"), -150, 80),
    ("ambient_temperature_c", _AMBIENT, -60, 60),
    ("wind_speed_m_s", ("WINDSPD", "AOCWIND", "WINDSPEE", "WIND"), 0, 250),
    ("airmass", ("AIRMASS", "SECZ", "AIRMASS1"), 1 - 1e-6, 20),
    ("read_noise_e", ("RDNOISE", "READNOIS", "RON", "READNOISE", "ENOISE"), 0, 1000),
    ("row_time_us", ("ROWTIME", "LINETIME"), 0, 1e5),
    ("obstruction", ("OBSTRUCT", "CENTOBS"), 0, 0.95),
    ("scale_keyword_arcsec", _SCALE, 0.001, 500),
    ("focus_position", _FOCUS, -math.inf, math.inf),
)


def read_facts(header: Header) -> dict[str, Setting]:
    """Return the facts of one header, keys as in `Rig`, origin "header".

    Values that are zero, out of any sensible range or ambiguous are left out rather than passed
    on: FOCALLEN = 0 means that nobody filled it in.
    """
    known: dict[str, Setting] = {}
    for name, keys in _NAMES:
        text = header.string(*keys)
        if text is not None:
            known[name] = Setting(text[0][:80], "header", text[1])
    for name, keys, low, high in _NUMBERS:
        _set(known, name, header.number(*keys), (low, high))
    wind = known.pop("wind_speed_m_s", None)
    if wind is not None:
        # Weather stations of common drivers write kilometres an hour and say so in the comment.
        factor = 1 / 3.6 if "km" in header.comment(wind.note) else 1.0
        _set(known, "wind_speed_m_s", (factor * wind.value, wind.note), (0, 60))
    for part in (_optics, _focus, _pixels, _camera, _filter, _pointing):
        part(header, known)
    return known


def _optics(header: Header, known: dict[str, Setting]) -> None:
    # Millimetres by convention; an aperture under 20 mm or a telescope under 40 would be metres.
    _set(known, "aperture_m", _metres(header, _APERTURE, 20), (0.01, 50))
    _set(known, "focal_length_m", _metres(header, _FOCAL, 40), (1e-6, math.inf))
    area = header.number("APTAREA")
    if "aperture_m" in known and area is not None and "obstruction" not in known:
        full_mm2 = math.pi / 4 * (known["aperture_m"].value * 1e3) ** 2
        blocked = 1 - area[0] / full_mm2
        if 0.01 < blocked < 0.5:  # noqa: PLR2004
            known["obstruction"] = Setting(math.sqrt(blocked), "header", "from APTDIA and APTAREA")


def _metres(header: Header, keys: tuple[str, ...], least_mm: float) -> tuple[float, str] | None:
    number = header.number(*keys)
    if number is None:
        return None
    value, key = number
    return (value if _unit(header, key, "m") or value < least_mm else value * 1e-3), key


def _focus(header: Header, known: dict[str, Setting]) -> None:
    """Add the unit of the focus position where the header tells it."""
    if "focus_position" not in known:
        return
    key = known["focus_position"].note
    for unit, size_um, name in (("mm", 1000.0, "mm"), ("um", 1.0, "micrometres")):
        if _unit(header, key, unit):
            note = f"{key} is in {name} by its comment"
            known["focus_step_um"] = Setting(size_um, "header", note)
            return
    _set(known, "focus_step_um", header.number("FOCUSSZ", "FOCUSSTP"), (0.01, 1000))


def _unit(header: Header, key: str, unit: str) -> bool:
    return f"[{unit}]" in header.comment(key)


def _pixels(header: Header, known: dict[str, Setting]) -> None:
    binning = _binning(header)
    if binning is not None:
        known["binning"] = Setting(binning, "header", "")
    pixel = header.number(*_PIXEL)
    if pixel is not None and 0.5 <= pixel[0] <= 200:  # noqa: PLR2004
        binned = f", taken as already binned {binning}x" if (binning or 1) > 1 else ""
        known["pixel_um"] = Setting(pixel[0], "header", pixel[1] + binned)
    metres = header.number("CCDXPIXE")
    if "pixel_um" not in known and metres is not None and 5e-7 <= metres[0] <= 2e-4:  # noqa: PLR2004
        size = metres[0] * 1e6 * (binning or 1)
        known["pixel_um"] = Setting(size, "header", f"CCDXPIXE x binning {binning or 1}")
    known |= _celestial_axes(header)
    if "pixel_scale_arcsec" in known:
        known["scale_wcs_arcsec"] = known["pixel_scale_arcsec"]
    elif "scale_keyword_arcsec" in known:
        known["pixel_scale_arcsec"] = known["scale_keyword_arcsec"]


def _binning(header: Header) -> int | None:
    number = header.number("XBINNING", "BINX", "CCDXBIN", "BINNING", "HBIN")
    if number is not None and number[0] >= 1 and number[0] == int(number[0]):
        return int(number[0])
    first = header.text("CCDSUM").split()[:1] or header.text("BINNING").lower().split("x")[:1]
    return int(first[0]) if first and first[0].isdecimal() and int(first[0]) >= 1 else None


def _celestial_axes(header: Header) -> dict[str, Setting]:
    """Scale, position angle and mirror sense from the linear part of a celestial WCS.

    With the matrix CD (degrees a pixel; Calabretta & Greisen 2002, A&A 395, 1077), the position
    angle given is that of the +y (row) axis, from north through east.
    """
    if not _is_celestial(header):
        return {}
    cd = [header.number(f"CD{place}") for place in ("1_1", "1_2", "2_1", "2_2")]
    if any(cd):
        a, b, c, d = (entry[0] if entry else 0.0 for entry in cd)
        note = "celestial WCS (CD matrix)"
    else:
        steps = [header.number("CDELT1"), header.number("CDELT2")]
        if steps[0] is None or steps[1] is None:
            return {}
        dx, dy = steps[0][0], steps[1][0]
        pc = [header.number(f"PC{place}") for place in ("1_1", "1_2", "2_1", "2_2")]
        turn = header.number("CROTA2")
        if turn is not None and not any(pc):
            cos, sin = math.cos(math.radians(turn[0])), math.sin(math.radians(turn[0]))
            a, b, c, d = dx * cos, -dy * sin, dx * sin, dy * cos
        else:
            m = [e[0] if e else z for e, z in zip(pc, (1, 0, 0, 1), strict=True)]
            a, b, c, d = dx * m[0], dx * m[1], dy * m[2], dy * m[3]
        note = "celestial WCS (CDELT)"
    determinant = a * d - b * c
    scale = math.sqrt(abs(determinant)) * 3600
    if not 0.001 < scale < 500:  # noqa: PLR2004
        return {}
    return {
        "pixel_scale_arcsec": Setting(scale, "header", note),
        "position_angle_deg": Setting(math.degrees(math.atan2(b, d)) % 360, "header", note),
        "flip": Setting(determinant > 0, "header", f"{note}: mirrored when true"),
    }


def _camera(header: Header, known: dict[str, Setting]) -> None:
    gain = _gain(header)
    if gain is not None:
        known["gain_e_per_adu"] = gain
    saturation = header.number("SATURATE", "SATLEVEL", "SATURATI", "FULLWELL", "CWHITE")
    if saturation is not None and saturation[0] > 1:
        known["saturation_adu"] = Setting(saturation[0], "header", saturation[1])
    order = header.word("ROWORDER")
    if order.startswith(("TOP", "BOTTOM")):
        value = "first-row-first" if order.startswith("TOP") else "last-row-first"
        note = "ROWORDER: the camera's rows run from the top of the picture"
        known["row_order"] = Setting(value, "header", note)
    pattern = header.word("BAYERPAT") or header.word("COLORTYP")
    if sorted(pattern) == sorted("RGGB"):
        known["bayer_pattern"] = Setting(pattern, "header", "BAYERPAT")


def _gain(header: Header) -> Setting | None:
    """Return electrons per ADU where a keyword can be trusted to mean that."""
    exact = header.number("EGAIN")
    if exact is not None and 0.001 <= exact[0] <= 500:  # noqa: PLR2004
        return Setting(exact[0], "header", "EGAIN")
    gain = header.number("GAIN", "CCDGAIN", "GAIN1")
    if gain is None or gain[0] <= 0:
        return None
    value, key = gain
    comment = header.comment(key)
    says_electrons = "e-" in comment or "electron" in comment or "e/" in comment
    if says_electrons and 0.001 <= value <= 500:  # noqa: PLR2004
        return Setting(value, "header", f"{key} [{comment[:40]}]")
    if 0.05 <= value <= 20 and value != int(value):  # noqa: PLR2004
        return Setting(value, "header", f"{key}, taken as e-/ADU (not a whole number)")
    return None  # a whole number may be the setting of a small camera


def _filter(header: Header, known: dict[str, Setting]) -> None:
    name = header.string("FILTER", "FILTERS", "FILTER1", "FILTNAM", "INSFLNAM", "FILTERID")
    if name is not None:
        known["filter"] = Setting(name[0], "header", name[1])
        band = _read_passband(name[0])
        if band is not None:
            note = f"{name[1]} = {name[0]}: {band.name}"
            known["wavelength_nm"] = Setting(band.wavelength_nm, "header", note)
            known["band_nm"] = Setting([band.low_nm, band.high_nm], "header", note)


class _Passband(NamedTuple):
    """Mean wavelength and edges of a filter with a detector [nm], and whose filter it is."""

    wavelength_nm: float
    low_nm: float
    high_nm: float
    name: str


# Bessell (2005), ARA&A 43, 293, table 1 (effective wavelength, width at half maximum): UBVRI.
# SDSS: Fukugita et al. (1996), AJ 111, 1748, table 2a. Gaia: Jordi et al. (2010), A&A 523, A48.
# [from memory, verify] The edges of L, R, G, B, clear and line filters are common practice.
_NAMED: dict[str, _Passband] = {
    "U": _Passband(366, 333, 398, "Johnson U"),
    "B": _Passband(436, 389, 483, "Johnson B"),
    "V": _Passband(545, 503, 587, "Johnson V"),
    "R": _Passband(641, 562, 720, "Cousins R"),
    "I": _Passband(798, 724, 873, "Cousins I"),
    "u'": _Passband(356, 326, 386, "SDSS u"),
    "g'": _Passband(483, 414, 552, "SDSS g"),
    "r'": _Passband(626, 558, 695, "SDSS r"),
    "i'": _Passband(767, 691, 844, "SDSS i"),
    "z'": _Passband(910, 840, 980, "SDSS z"),
    "gaia g": _Passband(640, 430, 860, "Gaia G"),
    "gaia bp": _Passband(530, 400, 660, "Gaia BP"),
    "gaia rp": _Passband(780, 640, 900, "Gaia RP"),
    "clear": _Passband(600, 420, 850, "no filter, silicon detector"),
    "luminance": _Passband(550, 400, 700, "luminance"),
    "red": _Passband(650, 590, 700, "colour-imaging red"),
    "green": _Passband(530, 490, 580, "colour-imaging green"),
    "blue": _Passband(460, 400, 510, "colour-imaging blue"),
    "h-alpha": _Passband(656.3, 653, 660, "H-alpha"),
    "h-beta": _Passband(486.1, 483, 490, "H-beta"),
    "oiii": _Passband(500.7, 497, 504, "[O III]"),
    "sii": _Passband(672.4, 669, 676, "[S II]"),
    "ir pass": _Passband(830, 700, 950, "infrared long-pass"),
    "J": _Passband(1235, 1150, 1320, "J"),
    "H": _Passband(1650, 1500, 1800, "H"),
    "K": _Passband(2160, 2000, 2320, "K"),
}
_WORDS: tuple[tuple[str, str], ...] = (
    (r"^(clear|none|open|empty|air|no ?filter|n/?a|clr|c|blank|nofilt)$", "clear"),
    (r"^(l|lum|luminance|uv[ /-]?ir ?cut|ir ?cut)$", "luminance"),
    (r"^(h[ _-]?a(lpha)?|ha.*)$", "h-alpha"),
    (r"^(h[ _-]?b(eta)?)$", "h-beta"),
    (r"^\[?o[ _-]?(iii|3)\]?.*$", "oiii"),
    (r"^\[?s[ _-]?(ii|2)\]?.*$", "sii"),
    (r"^red$", "red"),
    (r"^green$", "green"),
    (r"^blue$", "blue"),
    (r"^(ir|ir ?pass|ir[67]\d\d|ir ?[67]\d\d)$", "ir pass"),
    (r"^gaia[ _-]?g$|^gaia$", "gaia g"),
    (r"^gaia[ _-]?bp$", "gaia bp"),
    (r"^gaia[ _-]?rp$", "gaia rp"),
)
_SYSTEMS = r"(?:johnson|bessell?|cousins|kron|kc|jc|uc|astrodon|baader|landolt|std|photometric)"


def _read_passband(name: str) -> _Passband | None:
    """Return the pass band of a filter as written in a header, None where the name says nothing.

    Single capitals are taken as Johnson-Cousins, small letters and those with a prime, ``p`` or
    SDSS beside them as SDSS. A wavelength in the name (``656nm``, ``F550M/10``) is used as such
    only when written with nm.

    Examples
    --------
    >>> _read_passband("Bessell V").wavelength_nm
    545
    """
    text = " ".join(name.split())
    lower = text.lower().strip("'\" ")
    nanometres = re.search(r"(\d{3,4}) ?nm\b(?:.*?(\d{1,3}) ?nm)?", lower)
    if nanometres:
        centre = float(nanometres.group(1))
        width = float(nanometres.group(2) or 10)
        if 300 <= centre <= 2500:  # noqa: PLR2004
            return _Passband(centre, centre - width / 2, centre + width / 2, f"{centre:.0f} nm")
    sdss = re.fullmatch(r"(?:sdss|sloan|ps1|pan-?starrs)[ _'-]*([ugriz])[ _']*p?", lower)
    if sdss or re.fullmatch(r"[ugriz]('|p|_?sdss|_?sloan|2)", text.lower()):
        return _NAMED[(sdss.group(1) if sdss else text[0].lower()) + "'"]
    if re.fullmatch(r"[ugriz]", text):
        return _NAMED[f"{text}'"]
    for pattern, key in _WORDS:
        if re.match(pattern, lower):
            return _NAMED[key]
    system = re.fullmatch(rf"{_SYSTEMS}[ _-]*([ubvri])c?|([ubvri])[ _-]*{_SYSTEMS}", lower)
    if system:
        return _NAMED[(system.group(1) or system.group(2)).upper()]
    single = re.fullmatch(r"([UBVRIJHK])(?:[cjCJsS])?", text)
    return _NAMED[single.group(1)] if single else None
