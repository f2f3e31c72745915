"""What a plan says, as a typed record with a published schema, and its camera side."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal

import numpy as np
from pydantic import Field

from blursplit.constants import (
    AIRY_FWHM,
    ARCSEC_PER_RADIAN,
    EFFICIENCY,
    FULL_WELL_SHARE,
    PHOTONS_ZERO_MAG,
    PLAN_DURATION_S,
    PLAN_INTERVAL_S,
    PLAN_LONGEST_EXPOSURE_S,
    PLAN_NOISE_ARCSEC,
    SKY_MAG_ARCSEC2,
)
from blursplit.result import Document, Part, Remark, SetupEntry
from blursplit.rig import Rig

PLAN_SCHEMA = "blursplit-plan/1"


class Recording(Part):
    """How to record."""

    exposure_s: float
    exposure_reason: str
    frame_interval_s: float
    rate_hz: float
    rate_reason: str
    duration_s: float
    duration_reason: str
    nyquist_hz: float
    stars: int
    faintest_mag: float
    brightest_mag: float | None
    star_noise_arcsec: float
    shared_noise_arcsec: float


class Detectable(Part):
    """Smallest steady line and smallest damped mode found in nine of ten runs, one-axis rms.

    The range is that of the wind; null: hidden by the exposure, or too few periods.
    """

    frequency_hz: float
    line_rms_arcsec: float | None
    line_low_arcsec: float | None
    line_high_arcsec: float | None
    mode_rms_arcsec: float | None
    mode_low_arcsec: float | None
    mode_high_arcsec: float | None


class SeenHeight(Part):
    """What a pair of stars sees: the height from which a tenth and half of the motion shows."""

    separation_arcsec: float
    tenth_seen_above_m: float
    half_seen_above_m: float


class Witness(Part):
    """What parts air from shaking where the stars alone leave it open, and what it must be.

    A sensor on the mount of a noise of `noise_ug` micro-g/sqrt(Hz), which shows shaking of
    `shake_arcsec` rms spread over the frames' band; a second tube at `baseline_m`; a mask.
    """

    kind: Literal["sensor", "second-camera", "mask"]
    text: str
    shake_arcsec: float | None = None
    noise_ug: float | None = None
    baseline_m: float | None = None
    opening_m: float | None = None
    separation_m: float | None = None


class Turns(Part):
    """How long a drive period takes to cover."""

    period_s: float
    turns_in_run: float
    two_turns_s: float


class Mains(Part):
    """Where the mains and its harmonics show at this frame rate."""

    true_hz: float
    apparent_hz: float
    amplitude_left: float


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


class LimitNeeds(Part):
    """What a limit takes to be shown; no length where none would do, or any does (`how`)."""

    key: str
    name: str = ""
    length_s: float | None
    runs: int
    how: str


class Plan(Document):
    """A plan for a run."""

    schema_: str = Field(default=PLAN_SCHEMA, alias="schema")
    version: str = ""
    seeing_arcsec: float
    damping_ratio: float
    setup: dict[str, SetupEntry]
    recording: Recording
    detectable: list[Detectable]
    smallest_structure_arcsec: float | None
    smallest_line_arcsec: float | None
    smallest_between_hz: tuple[float, float]
    pairs: list[SeenHeight]
    witnesses: list[Witness]
    turns: list[Turns]
    mains: list[Mains]
    night: str | None = None
    fields: list[FieldTonight] = Field(default_factory=list)
    limits: list[LimitNeeds] = Field(default_factory=list)
    statement: str = ""
    warnings: list[Remark] = Field(default_factory=list)


def star_electrons(
    magnitude: float, aperture_m: float, obstruction: float, band_um: float, exposure_s: float
) -> float:
    """Return the electrons of a star in one exposure.

    `band_um`: width of the pass band.
    """
    area = 0.25 * np.pi * aperture_m**2 * (1.0 - obstruction**2)
    rate = PHOTONS_ZERO_MAG * area * band_um * EFFICIENCY * 10.0 ** (-0.4 * magnitude)
    return float(rate * exposure_s)


def centroid_noise_px(electrons: float, background_e: float, sigma_px: float) -> float:
    """Return the one-axis noise of a Gaussian-weighted centroid.

    `electrons`: in the star. `background_e`: sky electrons plus read noise squared, a pixel.
    `sigma_px`: of the star, before the pixel.

    Weight of the star's own width s_w = s, star in pixels s_p^2 = s^2 + 1/12,
    1/s_c^2 = 1/s_p^2 + 1/s_w^2, 1/s_d^2 = 1/s_p^2 + 2/s_w^2:
    s_d^4 s_p^6/(N s_c^8) + pi B s_w^4 s_p^8/(2 N^2 s_c^8) (method notes, section 7: agrees with
    simulation to 5 percent).
    """
    w2 = sigma_px**2
    p2 = w2 + 1.0 / 12.0
    c2 = 1.0 / (1.0 / p2 + 1.0 / w2)
    d2 = 1.0 / (1.0 / p2 + 2.0 / w2)
    variance = d2**2 * p2**3 / (electrons * c2**4)
    variance += np.pi * background_e * w2**2 * p2**4 / (2.0 * electrons**2 * c2**4)
    return float(np.sqrt(variance))


def peak_electrons(electrons: float, sigma_px: float) -> float:
    """Return the electrons in the brightest pixel of a Gaussian star centred on it."""
    from scipy.special import erf

    return float(electrons * erf(0.5 / (np.sqrt(2.0) * sigma_px)) ** 2)


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

    `instrument`: a stated exposure or frame interval is kept. `seeing`: at 500 nm and zenith
    [arcsec]. `warnings`: doubts are added to it.
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
    width = float(np.hypot(seeing, AIRY_FWHM * wavelength / aperture * ARCSEC_PER_RADIAN))
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
    width = max(AIRY_FWHM * wavelength / aperture * ARCSEC_PER_RADIAN, 0.5 * seeing)
    sharp = max(width / 2.354820 / scale, 0.3)
    full = FULL_WELL_SHARE * level * gain
    return float(2.5 * np.log10(peak_electrons(electrons(0.0), sharp) / full))
