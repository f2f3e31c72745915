"""One sentence, with its remedy, for each check on the frames (`stars.raw_checks`)."""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["check_text"]

_TEXTS: dict[str, str] = {
    "frames-recentred": (
        "the frames follow a star: the window was moved or the images were shifted while "
        "recording, seen by {seen_by}, so that motion is missing from them; switch off centring, "
        "alignment and guiding within the camera's program and record again"
    ),
    "frames-repeated": (
        "{frames:.0f} frames ({share:.1%}) are copies of the one before; record at a rate that the "
        "camera and the disk keep up with, or remove the copies"
    ),
    "frames-mixed": (
        "the noise of blank sky goes from frame to frame (correlation {correlation:.2f}; raw "
        "frames have none), so frames are averages; switch off frame averaging and noise filters "
        "and record again"
    ),
    "pixels-nonlinear": (
        "the pixel values do not follow the light: {reason}; record without gamma, stretch or "
        "compression"
    ),
    "pixels-filtered": (
        "the noise of neighbouring pixels goes together (correlation {correlation:+.2f}; raw "
        "frames have none), so the frames were smoothed, sharpened or compressed; use the frames "
        "as the camera made them"
    ),
    "scale-disputed": (
        "the pixel scale is {low_arcsec:.4g} arcsec by {low_from} and {high_arcsec:.4g} arcsec by "
        "{high_from}, and every width and motion goes with it; state "
        "camera.pixel_scale_arcsec, or pixel size with binning and focal length"
    ),
    "stars-trailed": (
        "all stars are elongated alike by {elongation:.2f} at {angle_deg:.0f} deg, more than air "
        "can make: they moved during the exposure or the optics are astigmatic, and only the "
        "narrow side bounds the air; expose less, or check tracking and collimation"
    ),
    "pointing-stepped": (
        "the pointing stepped by {step_px:.2g} px at {at_s:.4g} s and stayed there; look for a "
        "mirror that shifts, a cable that pulls or a knock, and measure the two parts apart"
    ),
    "times-impossible": (
        "the frames lie {interval_s:.3g} s apart and {standing_share:.0%} of the times do not "
        "advance, which no camera does; give the true times, or the interval as "
        "camera.frame_interval_s"
    ),
}


def check_text(code: str, facts: Mapping[str, float | str]) -> str:
    """Return the sentence for a check.

    Parameters
    ----------
    code : str
    facts : mapping
        As the check gives them.
    """
    more: dict[str, float | str] = dict(facts)
    if code == "pixels-nonlinear":
        if "wider_by" in facts:
            more["reason"] = (
                f"bright stars are {float(facts['wider_by']):.0%} wider than faint ones"
            )
        else:
            more["reason"] = (
                f"pixels of {float(facts['level_adu']):.4g} adu are only "
                f"{float(facts['noise_ratio']):.2g} times as noisy as the sky"
            )
    return _TEXTS[code].format(**more)
