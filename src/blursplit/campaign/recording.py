"""Exposure, rate and the stars that serve: what the camera side of a plan says."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.campaign.background import ARCSEC
from blursplit.campaign.light import centroid_noise_px, peak_electrons, star_electrons
from blursplit.campaign.plan_record import Recording
from blursplit.constants import (
    FULL_WELL_SHARE,
    PLAN_DURATION_S,
    PLAN_INTERVAL_S,
    PLAN_LONGEST_EXPOSURE_S,
    PLAN_NOISE_ARCSEC,
    SKY_MAG_ARCSEC2,
)
from blursplit.result import Remark

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from blursplit.rig import Rig


def geometric_middle(ends: Sequence[float]) -> float:
    """Return the geometric mean of the two ends of a range."""
    return float(np.sqrt(ends[0] * ends[1]))


def plan_recording(
    instrument: Rig,
    seeing: float,
    stars: int,
    duration_s: float,
    warnings: list[Remark],
) -> Recording:
    """Return how to record: exposure, rate, length and the magnitudes that serve.

    Parameters
    ----------
    instrument : Rig
        A stated exposure or frame interval is kept.
    seeing : float
        At 500 nm and zenith [arcsec].
    stars : int
    duration_s : float
    warnings : list
        Doubts are added to it.
    """
    aperture = float(instrument.get("aperture_m"))
    wind = geometric_middle(instrument.get("wind_m_s"))
    exposure, why = instrument.get("exposure_s"), "as stated"
    interval = instrument.get("frame_interval_s")
    if exposure is None:
        longest = min(PLAN_LONGEST_EXPOSURE_S, interval or PLAN_LONGEST_EXPOSURE_S)
        exposure = min(max(0.3 * aperture / wind, 1e-3), longest)
        why = f"0.3 D/V with a wind of {wind:.3g} m/s, so that the air is not averaged away"
    rate_why = "as stated"
    if interval is None:
        interval = max(exposure, PLAN_INTERVAL_S)
        rate_why = (
            "the exposure allows no faster one"
            if exposure > PLAN_INTERVAL_S
            else (
                "reaches resonances up to 23 Hz and keeps the mains from folding to zero; "
                "faster is better where the camera allows it"
            )
        )
    if interval < exposure:
        warnings.append(Remark(
            code="interval-below-exposure",
            text=f"frames every {interval:g} s cannot be exposed for {exposure:g} s",
        ))  # fmt: skip
    faintest, brightest, noise = _magnitudes(instrument, seeing, exposure, warnings)
    return Recording(
        exposure_s=exposure,
        exposure_reason=why,
        frame_interval_s=interval,
        rate_hz=1.0 / interval,
        rate_reason=rate_why,
        duration_s=duration_s,
        duration_reason=(
            "slow air of a shorter run is one draw, up to 20 percent off in variance"
            if duration_s >= PLAN_DURATION_S
            else "short: the slow air of one run departs from theory by 20 percent and more"
        ),
        nyquist_hz=0.5 / interval,
        stars=stars,
        faintest_mag=faintest,
        brightest_mag=brightest,
        star_noise_arcsec=noise,
        shared_noise_arcsec=noise / float(np.sqrt(stars)),
    )


def _magnitudes(
    instrument: Rig, seeing: float, exposure: float, warnings: list[Remark]
) -> tuple[float, float | None, float]:
    """Return the faintest and brightest useful magnitude and the noise of the faintest star."""
    scale = float(instrument.get("pixel_scale_arcsec"))
    aperture = float(instrument.get("aperture_m"))
    wavelength = float(instrument.get("wavelength_nm")) * 1e-9
    width = float(np.hypot(seeing, 1.029 * wavelength / aperture * ARCSEC))
    sigma = width / 2.354820 / scale
    if width / scale < 2.1:  # noqa: PLR2004 - method notes: below, the centroid feels the pixel phase
        text = (
            f"{scale:.2f} arcsec a pixel leaves a star {width / scale:.1f} px wide: below 2.1 px "
            "the centroid depends on the pixel phase; use a longer focal length or a Barlow lens"
        )
        warnings.append(Remark(code="undersampled", text=text))
    band = instrument.get("band_nm") or [400.0, 700.0]
    band_um = (band[1] - band[0]) / 1000.0
    obstruction = float(instrument.get("obstruction") or 0.0)

    def electrons(magnitude: float) -> float:
        return star_electrons(magnitude, aperture, obstruction, band_um, exposure)

    sky = electrons(SKY_MAG_ARCSEC2) * scale**2
    read = float(instrument.get("read_noise_e") or 3.0)
    grid = np.arange(-2.0, 18.0, 0.05)
    noise = np.array([centroid_noise_px(electrons(m), sky + read**2, sigma) for m in grid]) * scale
    usable = np.flatnonzero(noise <= PLAN_NOISE_ARCSEC)
    if len(usable) == 0:
        text = "even the brightest stars are too noisy in so short an exposure"
        warnings.append(Remark(code="too-little-light", text=text))
        return float(grid[0]), None, float(noise[0])
    faintest = float(grid[usable[-1]])
    brightest = _brightest(instrument, electrons, aperture, wavelength, seeing, scale)
    if brightest is None:
        text = "saturation is not known (camera.saturation_adu and gain_e_per_adu): check the peak"
        warnings.append(Remark(code="saturation-unknown", text=text))
    elif brightest > faintest:
        text = (
            f"stars bright enough to be measured (magnitude {faintest:.1f}) saturate in good "
            f"moments (from {brightest:.1f}): shorten the exposure or lower the gain"
        )
        warnings.append(Remark(code="saturation", text=text))
    return faintest, brightest, float(noise[usable[-1]])


def _brightest(
    instrument: Rig,
    electrons: Callable[[float], float],
    aperture: float,
    wavelength: float,
    seeing: float,
    scale: float,
) -> float | None:
    """Return the magnitude whose sharpest frame fills 80 % of the range."""
    level, gain = instrument.get("saturation_adu"), instrument.get("gain_e_per_adu")
    if not (level and gain):
        return None
    # Short exposures reach half the seeing in lucky moments, never less than diffraction.
    width = max(1.029 * wavelength / aperture * ARCSEC, 0.5 * seeing)
    sharp = max(width / 2.354820 / scale, 0.3)
    full = FULL_WELL_SHARE * level * gain
    return float(2.5 * np.log10(peak_electrons(electrons(0.0), sharp) / full))
