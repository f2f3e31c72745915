"""Altitude, airmass and parallactic angle from whatever the header says about the pointing."""

from __future__ import annotations

import math
import re

from blursplit.constants import LOWEST_POINTING_DEG, SAME_ALTITUDE_DEG
from blursplit.frames.header import Header
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


def sexagesimal(text: str) -> float | None:
    """Read ``-23 30 36.5``, ``+46:46.15`` or ``31d40m52s N`` as a number, None if it is not one."""
    match = _SEXAGESIMAL.fullmatch(text)
    if not match:
        return None
    sign, whole, minutes, seconds, side = match.groups()
    if float(minutes) >= 60 or float(seconds or 0) >= 60:  # noqa: PLR2004
        return None
    value = float(whole) + float(minutes) / 60 + float(seconds or 0) / 3600
    return -value if sign == "-" or side.upper() in {"S", "W"} else value


def read_pointing(header: Header) -> dict[str, Setting]:
    """Return right ascension, declination, altitude, azimuth and site where the header has them.

    A right ascension written with colons or blanks is in hours, a number in degrees. A site of
    exactly 0, 0 and angles outside their range count as unset.
    """
    known: dict[str, Setting] = {}
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
            entry = known["longitude_deg"]
            known["longitude_deg"] = Setting(
                entry.value, "header", f"{longitude[1]}, taken as positive towards east"
            )
    height = header.number(*_HEIGHT)
    if height is not None and -450 <= height[0] <= 9000:  # noqa: PLR2004
        known["height_m"] = Setting(height[0], "header", height[1])
    if known.get("ra_deg") and known.get("dec_deg"):
        _drop_unset(known)
    return known


def _drop_unset(known: dict[str, Setting]) -> None:
    if known["ra_deg"].value == 0 and known["dec_deg"].value == 0:
        del known["ra_deg"], known["dec_deg"]


def _set(
    known: dict[str, Setting], key: str, found: tuple[float, str] | None, span: tuple[float, float]
) -> None:
    if found is not None and span[0] <= found[0] <= span[1]:
        known[key] = Setting(found[0], "header", found[1])


def _angle(header: Header, keys: tuple[str, ...]) -> tuple[float, str] | None:
    for key in keys:
        if key.startswith("CRVAL") and not _celestial(header):
            continue
        number = header.number(key)
        if number is not None:
            return number
        value = sexagesimal(header.text(key)) if key in header else None
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


def _celestial(header: Header) -> bool:
    return str(header.get("CTYPE1", "")).startswith("RA-")


def airmass_of(altitude_deg: float) -> float:
    """Return the airmass at an apparent altitude (Kasten & Young 1989, Applied Optics 28, 4735)."""
    return float(
        1.0 / (math.sin(math.radians(altitude_deg)) + 0.50572 * (altitude_deg + 6.07995) ** -1.6364)
    )


def parallactic_angle_deg(altitude_deg: float, azimuth_deg: float, latitude_deg: float) -> float:
    """Return the angle at the star from north to the zenith, positive through east.

    `altitude_deg`, `azimuth_deg`: azimuth from north through east.

    From the triangle pole, zenith, star (Smart 1977, Textbook on Spherical Astronomy, chapter 2);
    east of the meridian the hour angle and with it this angle are negative.
    """
    alt, az, lat = (math.radians(v) for v in (altitude_deg, azimuth_deg, latitude_deg))
    return math.degrees(
        math.atan2(
            -math.sin(az) * math.cos(lat),
            math.sin(lat) * math.cos(alt) - math.cos(lat) * math.sin(alt) * math.cos(az),
        )
    )


def horizontal(
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
        site = EarthLocation.from_geodetic(
            longitude_deg * u.deg, latitude_deg * u.deg, height_m * u.m
        )
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
        horizontal(ra, dec, mjd_utc, latitude, sign * float(entry.value))[0] for sign in (1, -1)
    ]
    said = known.get("altitude_deg")
    if said is None:
        wrong = altitudes[0] < 0 < LOWEST_POINTING_DEG < altitudes[1]
    else:
        misses = [abs(altitude - float(said.value)) for altitude in altitudes]
        wrong = misses[1] < SAME_ALTITUDE_DEG < misses[0]
    if not wrong:
        return known
    key = entry.note.partition(",")[0]
    turned = Setting(
        -entry.value, "header", f"{key}, positive towards west by the target's altitude"
    )
    return {**known, "longitude_deg": turned}


def complete_pointing(known: dict[str, Setting], mjd_utc: float | None) -> dict[str, Setting]:
    """Return what follows for altitude, azimuth, airmass and parallactic angle.

    `known`: facts so far; what is there is kept. `mjd_utc`: middle of the sequence.
    """
    out = dict(known)
    where = [out.get(k) for k in ("ra_deg", "dec_deg", "latitude_deg", "longitude_deg")]
    if mjd_utc is not None and all(where):
        out = _check_longitude(out, mjd_utc)
        where = [out.get(k) for k in ("ra_deg", "dec_deg", "latitude_deg", "longitude_deg")]
    if mjd_utc is not None and "altitude_deg" not in out and all(where):
        ra, dec, latitude, longitude = (float(entry.value) for entry in where if entry)
        height = out.get("height_m")
        altitude, azimuth = horizontal(
            ra, dec, mjd_utc, latitude, longitude, float(height.value) if height else 0.0
        )
        if altitude > 3:  # noqa: PLR2004  below, the site or its sign is wrong
            note = "from RA, Dec, site and time"
            out["altitude_deg"] = Setting(altitude, "header", note)
            out.setdefault("azimuth_deg", Setting(azimuth, "header", note))
    if "airmass" not in out and "altitude_deg" in out:
        altitude = float(out["altitude_deg"].value)
        out["airmass"] = Setting(airmass_of(altitude), "header", "from the altitude")
    angles = [out.get(k) for k in ("altitude_deg", "azimuth_deg", "latitude_deg")]
    if "parallactic_angle_deg" not in out and all(angles):
        altitude, azimuth, latitude = (float(entry.value) for entry in angles if entry)
        out["parallactic_angle_deg"] = Setting(
            parallactic_angle_deg(altitude, azimuth, latitude),
            "header",
            "from altitude, azimuth and latitude",
        )
    return out
