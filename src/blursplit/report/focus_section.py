"""Evidence about the instrument: runs at several focus positions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from blursplit.report.figures.evidence import draw_focus
from blursplit.report.sections import Section, holds, picture
from blursplit.report.tables import thinned_table
from blursplit.report.wording import estimate_text, number

if TYPE_CHECKING:
    from blursplit.result import Result
    from blursplit.series import Series

__all__ = ["focus_section"]


def focus_section(result: Result, series: Series) -> Section | None:
    """Return the focus curve; None without one."""
    arrays = series.arrays
    focus = result.instrument.focus
    if focus is None or not holds(series, "focus_position", "focus_curve_arcsec"):
        return None
    slope = ""
    if focus.predicted_slope_arcsec is not None and focus.slope_arcsec is not None:
        slope = (
            f" Rays spread by {estimate_text(focus.slope_arcsec, 'arcsec')} rms for each unit of "
            f"position; focal ratio and step predict {number(focus.predicted_slope_arcsec)} arcsec."
        )
    table = thinned_table(
        {
            "focus position": arrays["focus_position"],
            "width [arcsec]": arrays["focus_fwhm_arcsec"],
            "low [arcsec]": arrays["focus_fwhm_low_arcsec"],
            "high [arcsec]": arrays["focus_fwhm_high_arcsec"],
        },
        "Width at each focus position.",
    )
    return Section(
        "focus",
        "Several focus positions",
        "measured",
        "Out of focus a star widens in a way that no change of the air repeats: its squared width "
        "grows with the square of the distance from best focus. That tells defocus from the rest, "
        "but it cannot part the rest into air and aberrations. "
        f"Best focus: {estimate_text(focus.best_position, '')}; this run: "
        f"{focus.used_position:.6g}. Its defocus, as a Gaussian FWHM: "
        f"{estimate_text(result.instrument.defocus_arcsec, 'arcsec')}; astigmatism: "
        f"{estimate_text(result.instrument.astigmatism_arcsec, 'arcsec')}; width left at best "
        f"focus: {estimate_text(focus.rest_fwhm_arcsec, 'arcsec')}." + slope,
        [
            picture(
                draw_focus(series, focus),
                "focus",
                "Width of the centred star against focus position",
                "Loss of contrast at short baselines, as the FWHM of a Gaussian. Bars hold the "
                "measuring error and the change of the air from run to run, 68 %. Dashed: best "
                "focus.",
                table,
            )
        ],
    )
