"""Three nights of one width at an invented site: air, a ringing pier, and wind or air close by.

Strengths and seeds are tuned so that the realised long exposures agree; a test holds them to it.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from blursplit.simulate.scene import (
    AirLayer,
    Mode,
    Scene,
    SceneAir,
    SceneCamera,
    SceneSensor,
    SceneTelescope,
    SequenceTable,
    Stars,
    WindShake,
)


def _quarry_hill() -> list[AirLayer]:
    return [
        AirLayer(height_m=10, weight=0.35, wind_m_s=4, direction_deg=15),
        AirLayer(height_m=150, weight=0.20, wind_m_s=7, direction_deg=50),
        AirLayer(height_m=2500, weight=0.25, wind_m_s=12, direction_deg=120),
        AirLayer(height_m=8000, weight=0.20, wind_m_s=20, direction_deg=80),
    ]


def _night(r0_m: float, start: datetime, seed: int, **parts: Any) -> Scene:
    return Scene(
        telescope=SceneTelescope(aperture_m=0.25, obstruction=0.3, instrument_fwhm_arcsec=0.3),
        camera=SceneCamera(
            pixel_scale_arcsec=0.65,
            width_px=320,
            height_px=240,
            exposure_s=0.008,
            frame_interval_s=0.025,
            gain_e_per_adu=0.8,
            read_noise_e=2.0,
            hot_pixels=6,
        ),
        air=SceneAir(r0_500nm_zenith_m=r0_m, airmass=1.1, outer_scale_m=25, layers=_quarry_hill()),
        stars=Stars(count=7, seed=5, flux_e_per_s=2.5e6, faintest_ratio=0.25, margin_px=28),
        sequence=SequenceTable(
            frames=880, start_utc=start, seed=seed, object="Test field 7", site="Quarry Hill"
        ),
        **parts,
    )


def turbulent_night() -> Scene:
    """Return the night on which the air is to blame."""
    return _night(0.0408, datetime(2024, 3, 1, 21, 40, tzinfo=UTC), 14)


def shaken_night() -> Scene:
    """Return the night of good air on a pier that rings on both axes, as wide and as round."""
    modes = [
        Mode(frequency_hz=6.3, damping_ratio=0.012, rms_arcsec=0.833, angle_deg=0),
        Mode(frequency_hz=7.4, damping_ratio=0.012, rms_arcsec=0.833, angle_deg=90),
    ]
    return _night(0.115, datetime(2024, 3, 2, 22, 5, tzinfo=UTC), 376, mode=modes)


def open_night() -> Scene:
    """Return the night whose shared motion may be wind in the mount or air close by.

    A sensor of acceleration is on the mount; the frames alone do not tell.
    """
    shake = WindShake(rms_arcsec=0.4, corner_hz=0.8, second_rms_arcsec=0.36)
    start = datetime(2024, 3, 3, 20, 50, tzinfo=UTC)
    sensor = [SceneSensor(kind="acceleration", noise=1e-6)]  # m/s2 in 1 Hz: a seismic one
    return _night(0.048, start, 7, wind_shake=shake, sensor=sensor)
