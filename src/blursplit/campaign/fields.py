"""Fields of bright stars, and how high each stands in the dark hours of a night."""

from __future__ import annotations

from datetime import date
from typing import Literal, NamedTuple

import numpy as np

from blursplit import constants as const
from blursplit.frames.timestamps import offline
from blursplit.result import Part


class _BrightField(NamedTuple):
    """A field with several bright stars, J2000."""

    name: str
    ra_deg: float
    dec_deg: float
    kind: Literal["cluster", "pair"]
    size_arcmin: float  # diameter of a cluster, separation of a pair
    brightest_mag: float  # roughly: the visual one, of a pair that of the fainter star


class FieldTonight(Part):
    """A field and how high it stands."""

    name: str
    kind: Literal["cluster", "pair"]
    ra_deg: float
    dec_deg: float
    size_arcmin: float
    brightest_mag: float
    highest_deg: float
    best_utc: str
    hours_above_40_deg: float

    @classmethod
    def highest(cls, night: date, latitude_deg: float, longitude_deg: float) -> list[FieldTonight]:
        """Return the fields by their greatest altitude in the dark hours of a night.

        `night`: its evening, local. `longitude_deg`: east positive. Highest first, those that stay
        below 20 degrees left out; empty where it does not get dark. Altitudes without refraction,
        good to 0.1 deg. Needs no network: the rotation of the Earth is extrapolated from astropy's
        tables.
        """
        from astropy import units as u
        from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_sun
        from astropy.time import Time

        with offline():  # dates beyond the tables lose arcseconds; here a tenth of a degree counts
            here = EarthLocation(lat=latitude_deg * u.deg, lon=longitude_deg * u.deg)
            noon = Time(f"{night.isoformat()}T12:00:00") - longitude_deg / 360.0 * u.day
            times = noon + np.arange(0.0, 24.0, 0.25) * u.hour
            frame = AltAz(obstime=times, location=here)
            dark = get_sun(times).transform_to(frame).alt.deg < const.TWILIGHT_DEG
            if not dark.any():
                return []
            places = np.array([(f.ra_deg, f.dec_deg) for f in FIELDS])[:, None]
            stars = SkyCoord(places[..., 0], places[..., 1], unit="deg")
            altitude = stars.transform_to(
                AltAz(obstime=times[dark][None, :], location=here)
            ).alt.deg
        found = []
        for field, heights in zip(FIELDS, altitude, strict=True):
            best = int(np.argmax(heights))
            if heights[best] < 20.0:  # noqa: PLR2004 - below, the air mass is above 2.9
                continue
            found.append(
                FieldTonight(
                    **(field._asdict() | {"ra_deg": round(field.ra_deg, 4)}),
                    highest_deg=float(heights[best]),
                    best_utc=str(times[dark][best].isot)[:16],
                    hours_above_40_deg=float(0.25 * np.sum(heights > const.HIGH_ENOUGH_DEG)),
                )
            )
        return sorted(found, key=lambda v: -v.highest_deg)


def _hms(hours: int, minutes: float) -> float:
    return 15.0 * (hours + minutes / 60.0)


# Positions of clusters: New General and Index Catalogues and Melotte's list as compiled in the
# public OpenNGC table, rounded to 0.1 min of RA and 0.1 deg. Sizes rounded from the same or from
# common charts. Magnitudes of the brightest stars, and everything about pairs: from memory of the
# Bright Star and Washington Double Star catalogues, verify before a run depends on them.
FIELDS: tuple[_BrightField, ...] = (
    _BrightField("NGC 457", _hms(1, 19.5), 58.3, "cluster", 13, 5.0),
    _BrightField("NGC 663", _hms(1, 46.3), 61.2, "cluster", 16, 8.4),
    _BrightField("NGC 752", _hms(1, 57.6), 37.8, "cluster", 50, 7.1),
    _BrightField("NGC 869 (h Persei)", _hms(2, 19.0), 57.1, "cluster", 30, 6.6),
    _BrightField("NGC 884 (chi Persei)", _hms(2, 22.5), 57.1, "cluster", 30, 6.6),
    _BrightField("M 34", _hms(2, 42.1), 42.7, "cluster", 35, 7.3),
    _BrightField("M 45 (Pleiades)", _hms(3, 47.5), 24.1, "cluster", 110, 2.9),
    _BrightField("Hyades, centre", _hms(4, 26.9), 15.9, "cluster", 330, 3.4),
    _BrightField("NGC 1981", _hms(5, 35.2), -4.4, "cluster", 25, 6.2),
    _BrightField("M 38", _hms(5, 28.7), 35.9, "cluster", 21, 8.4),
    _BrightField("M 36", _hms(5, 36.3), 34.1, "cluster", 12, 8.8),
    _BrightField("M 35", _hms(6, 9.1), 24.3, "cluster", 28, 7.4),
    _BrightField("M 41", _hms(6, 46.0), -20.8, "cluster", 38, 6.9),
    _BrightField("NGC 2264", _hms(6, 41.0), 9.9, "cluster", 20, 4.7),
    _BrightField("NGC 2362", _hms(7, 18.7), -25.0, "cluster", 8, 4.4),
    _BrightField("M 47", _hms(7, 36.6), -14.5, "cluster", 30, 5.7),
    _BrightField("NGC 2516", _hms(7, 58.1), -60.8, "cluster", 30, 5.2),
    _BrightField("NGC 2547", _hms(8, 10.2), -49.2, "cluster", 20, 6.5),
    _BrightField("M 44 (Praesepe)", _hms(8, 40.4), 19.7, "cluster", 95, 6.3),
    _BrightField("IC 2391", _hms(8, 40.5), -53.0, "cluster", 50, 3.6),
    _BrightField("NGC 3114", _hms(10, 2.5), -60.1, "cluster", 35, 6.2),
    _BrightField("IC 2602", _hms(10, 43.0), -64.4, "cluster", 100, 2.8),
    _BrightField("NGC 3532", _hms(11, 5.8), -58.8, "cluster", 50, 7.0),
    _BrightField("NGC 3766", _hms(11, 36.2), -61.6, "cluster", 12, 7.2),
    _BrightField("Melotte 111 (Coma)", _hms(12, 25.1), 26.1, "cluster", 275, 4.8),
    _BrightField("NGC 4755 (kappa Crucis)", _hms(12, 53.6), -60.4, "cluster", 10, 5.8),
    _BrightField("NGC 6025", _hms(16, 3.3), -60.4, "cluster", 15, 7.1),
    _BrightField("NGC 6231", _hms(16, 54.2), -41.8, "cluster", 15, 4.7),
    _BrightField("M 6", _hms(17, 40.3), -32.3, "cluster", 20, 6.2),
    _BrightField("IC 4665", _hms(17, 46.5), 5.6, "cluster", 70, 6.9),
    _BrightField("M 7", _hms(17, 53.9), -34.8, "cluster", 80, 5.6),
    _BrightField("NGC 6633", _hms(18, 27.3), 6.5, "cluster", 20, 7.6),
    _BrightField("M 25", _hms(18, 31.8), -19.1, "cluster", 26, 6.7),
    _BrightField("IC 4756", _hms(18, 38.9), 5.5, "cluster", 40, 8.0),
    _BrightField("M 11", _hms(18, 51.1), -6.3, "cluster", 11, 8.0),
    _BrightField("M 29", _hms(20, 24.0), 38.5, "cluster", 7, 8.6),
    _BrightField("M 39", _hms(21, 31.8), 48.4, "cluster", 31, 6.8),
    _BrightField("beta Tucanae", _hms(0, 31.5), -63.0, "pair", 0.45, 4.5),
    _BrightField("theta Tauri", _hms(4, 28.7), 15.9, "pair", 5.6, 3.8),
    _BrightField("gamma Velorum", _hms(8, 9.5), -47.3, "pair", 0.69, 4.2),
    _BrightField("Mizar and Alcor", _hms(13, 24.6), 54.9, "pair", 11.8, 4.0),
    _BrightField("nu Draconis", _hms(17, 32.2), 55.2, "pair", 1.04, 4.9),
    _BrightField("epsilon Lyrae", _hms(18, 44.4), 39.6, "pair", 3.5, 4.6),
    _BrightField("beta Cygni", _hms(19, 30.7), 28.0, "pair", 0.58, 5.1),
    _BrightField("16 Cygni", _hms(19, 41.8), 50.5, "pair", 0.66, 6.2),
    _BrightField("alpha Capricorni", _hms(20, 18.1), -12.5, "pair", 6.3, 4.3),
    _BrightField("61 Cygni", _hms(21, 6.9), 38.7, "pair", 0.53, 6.0),
)
