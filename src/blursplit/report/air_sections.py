"""Evidence about the air and the star's shape: pairs, registered star, exposure, elongation."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.report import figures as draw
from blursplit.report.figures.evidence import binned_pairs
from blursplit.report.sections import Section, holds, picture
from blursplit.report.tables import thinned_table
from blursplit.report.wording import estimate_text, number

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.result import Result
    from blursplit.series import Series

__all__ = ["exposure_section", "otf_section", "pairs_section", "shape_section"]


def pairs_section(_result: Result, series: Series) -> Section | None:
    """Return the motion of pairs against separation; None without pairs."""
    arrays = series.arrays
    if not any(
        holds(series, "pair_separation_arcsec", f"pair_{part}_rms_arcsec")
        for part in ("along", "across")
    ):
        return None
    separation = arrays["pair_separation_arcsec"]
    columns: dict[str, Any] = {}
    for part in ("along", "across"):
        rms = arrays.get(f"pair_{part}_rms_arcsec")
        if rms is not None:
            x, y = binned_pairs(separation, rms)
            columns["separation [arcsec]"] = x
            columns[f"rms {part} [arcsec]"] = y
    caption = (
        f"Differential motion of {separation.size} pairs, noise removed. Filled: along the line "
        "that joins the pair; open: across it. "
        + (
            "The bands hold the fitted air with 68 %."
            if "pair_model_separation_arcsec" in arrays
            else "No air was fitted to these data."
        )
    )
    return Section(
        "pairs",
        "Motion of pairs of stars",
        "measured",
        "Tracking and structure move all stars alike, so they drop out of the difference between "
        "two stars. What remains is air high enough for the two beams to part: a lower bound on "
        "the air. Air close to the telescope moves all stars alike and does not show here.",
        [
            picture(
                draw.draw_pairs(series),
                "pairs",
                "Pair motion against separation",
                caption,
                thinned_table(columns, "Differential motion of pairs."),
            )
        ],
    )


def otf_section(result: Result, series: Series) -> Section | None:
    """Return the transfer function of the registered star; None without one."""
    arrays = series.arrays
    if not holds(series, "baseline_m", "otf_measured"):
        return None
    aperture = result.setup.get("aperture_m")
    table = thinned_table(
        {
            "baseline [m]": arrays["baseline_m"],
            "measured transfer": arrays["otf_measured"],
            "model": arrays.get("otf_model"),
            "model, low": arrays.get("otf_model_low"),
            "model, high": arrays.get("otf_model_high"),
        },
        "Transfer function of the registered star.",
    )
    width = estimate_text(result.fwhm.registered_arcsec, "arcsec")
    return Section(
        "otf",
        "The star after every frame is centred",
        "measured",
        "Centring each frame on its star takes out all motion that the frames can follow. The "
        "width that is left cannot come from slow motion: with a perfect instrument it would be "
        f"all air, which gives the upper bound. FWHM of the registered star: {width}.",
        [
            picture(
                draw.draw_otf(series, aperture.value if aperture is not None else None),
                "otf",
                "Transfer function of the registered star",
                "Contrast left at each baseline across the pupil: points measured, dashed line "
                "and band the fitted model with 68 %. Nothing passes beyond the aperture (dotted); "
                "points stop where noise or the pixels end what can be told.",
                table,
            )
        ],
    )


def exposure_section(result: Result, series: Series) -> Section | None:
    """Return the width against exposure time; None if it was not measured."""
    arrays = series.arrays
    if not holds(series, "exposure_grid_s", "exposure_fwhm_arcsec"):
        return None
    return Section(
        "exposure",
        "Width against exposure time",
        "measured",
        "How much longer exposures lose: frames of the same star added without registration.",
        [
            picture(
                draw.draw_exposure(series, result.fwhm.blur_time_s),
                "exposure",
                "FWHM against exposure time",
                "The dashed line marks the exposure for which the budget holds. The points carry "
                "no intervals; neighbouring ones share their frames.",
                thinned_table(
                    {
                        "exposure [s]": arrays["exposure_grid_s"],
                        "FWHM [arcsec]": arrays["exposure_fwhm_arcsec"],
                    },
                    "Width by exposure time.",
                ),
            )
        ],
    )


def _mean(values: NDArray[np.float64]) -> str:
    """Return a mean with its standard error from the scatter, frames taken as independent."""
    count = max(int(np.isfinite(values).sum()), 1)
    error = float(np.nanstd(values)) / count**0.5
    return f"{float(np.nanmean(values)):.3f} ± {error:.3f}".replace("-", "−")


def shape_section(_result: Result, series: Series) -> Section | None:
    """Return the elongation shared by all stars; None if it was not measured."""
    arrays = series.arrays
    if not holds(series, "elongation_e1", "elongation_e2"):
        return None
    e1, e2 = arrays["elongation_e1"], arrays["elongation_e2"]
    return Section(
        "shape",
        "Shape shared by all stars",
        "measured",
        "Elongation that changes from frame to frame is motion faster than the exposure. A "
        "constant part is optics or steady fast motion; two exposure times, or the camera turned "
        "by 90 degrees, would tell which.",
        [
            picture(
                draw.draw_shape(series),
                "shape",
                "Shared elongation, one point a frame",
                f"Mean e1 {_mean(e1)}, scatter {number(float(np.nanstd(e1)), 2)}; "
                f"mean e2 {_mean(e2)}, scatter {number(float(np.nanstd(e2)), 2)}, "
                "all without unit; errors of the means from the scatter. The cross marks the mean.",
                thinned_table({"e1": e1, "e2": e2}, "Shared elongation by frame."),
            )
        ],
    )
