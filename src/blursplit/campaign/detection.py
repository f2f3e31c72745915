"""The detection limit of `blursplit.spectra.detection_limit` above a run's background."""

from __future__ import annotations

from blursplit.campaign.background import Background, Range
from blursplit.constants import LINE_FALSE_ALARM
from blursplit.types import FloatArray


def smallest_line_arcsec(
    frequency_hz: FloatArray | float,
    background: Background,
    *,
    false_alarm: float = LINE_FALSE_ALARM,
    detection: float = 0.95,
    which: Range = "middle",
) -> FloatArray:
    """Return the rms [arcsec] of the smallest steady line that would be found at a frequency."""
    return smallest_mode_arcsec(
        frequency_hz, 0.0, background, false_alarm=false_alarm, detection=detection, which=which
    )


def smallest_mode_arcsec(
    frequency_hz: FloatArray | float,
    damping_ratio: float,
    background: Background,
    *,
    false_alarm: float = LINE_FALSE_ALARM,
    detection: float = 0.95,
    which: Range = "middle",
) -> FloatArray:
    """Return the rms [arcsec] of the smallest damped mode that would be found at a frequency."""
    from blursplit.spectra.detection_limit import mode_limit_arcsec

    return mode_limit_arcsec(
        frequency_hz,
        damping_ratio,
        background.frequency_hz,
        getattr(background, which),
        duration_s=background.duration_s,
        cadence_s=background.cadence_s,
        exposure_s=background.exposure_s,
        detection=detection,
        false_alarm=false_alarm,
    )
