"""Two nights of the same width at one invented site, "Quarry Hill".

On the first the air is poor and the pier stands still; on the second the air is good and the
pier rings in two nearly equal modes, one on each axis, so that the long exposure is as round
and as wide. Strengths and seeds are tuned so that the realised long exposures agree; a test
holds them to it.
"""

from __future__ import annotations

from datetime import UTC, datetime

from blursplit.simulate.scene import (
    AirLayer,
    Mode,
    Scene,
    SceneAir,
    SceneCamera,
    SceneTelescope,
    SequenceTable,
    Stars,
)

SITE = "Quarry Hill"
R0_POOR_M = 0.0408
R0_GOOD_M = 0.115
MODE_X_RMS_ARCSEC = 0.833
MODE_Y_RMS_ARCSEC = 0.833
SEED_POOR, SEED_GOOD = 14, 376


def _layers() -> list[AirLayer]:
    return [
        AirLayer(height_m=10, weight=0.35, wind_m_s=4, direction_deg=15),
        AirLayer(height_m=150, weight=0.20, wind_m_s=7, direction_deg=50),
        AirLayer(height_m=2500, weight=0.25, wind_m_s=12, direction_deg=120),
        AirLayer(height_m=8000, weight=0.20, wind_m_s=20, direction_deg=80),
    ]


def _night(r0_m: float, modes: list[Mode], start: datetime, seed: int) -> Scene:
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
        air=SceneAir(r0_500nm_zenith_m=r0_m, airmass=1.1, outer_scale_m=25, layers=_layers()),
        mode=modes,
        stars=Stars(count=7, seed=5, flux_e_per_s=2.5e6, faintest_ratio=0.25, margin_px=28),
        sequence=SequenceTable(
            frames=880, start_utc=start, seed=seed, object="Test field 7", site=SITE
        ),
    )


def turbulent_night() -> Scene:
    """Return the night on which the air is to blame."""
    return _night(R0_POOR_M, [], datetime(2024, 3, 1, 21, 40, tzinfo=UTC), SEED_POOR)


def shaken_night() -> Scene:
    """Return the night of good air on a ringing pier."""
    modes = [
        Mode(frequency_hz=6.3, damping_ratio=0.012, rms_arcsec=MODE_X_RMS_ARCSEC, angle_deg=0),
        Mode(frequency_hz=7.4, damping_ratio=0.012, rms_arcsec=MODE_Y_RMS_ARCSEC, angle_deg=90),
    ]
    return _night(R0_GOOD_M, modes, datetime(2024, 3, 2, 22, 5, tzinfo=UTC), SEED_GOOD)
