"""Evidence about the air: pairs of stars, the registered star, width against exposure, shape."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.report.figures._canvas import axes_for, block_means, figure_of, logarithmic
from blursplit.report.palette import colour

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from blursplit.series import Series

__all__ = ["binned_pairs", "draw_exposure", "draw_otf", "draw_pairs", "draw_shape"]

MOST_PAIRS = 150
MOST_POINTS = 500


def binned_pairs(
    separation_arcsec: NDArray[np.float64], rms_arcsec: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return separation and rms of pairs; beyond `MOST_PAIRS`, rms of neighbours taken together."""
    order = np.argsort(separation_arcsec)
    x, squares = block_means(
        [separation_arcsec[order], np.asarray(rms_arcsec, dtype=float)[order] ** 2], MOST_PAIRS
    )
    return x, np.sqrt(squares)


def draw_pairs(series: Series, ax: Axes | None = None) -> Figure:
    """Draw the differential motion of star pairs against separation, with the fitted air's band."""
    ax = axes_for(ax)
    arrays = series.arrays
    separation = arrays["pair_separation_arcsec"]
    grid = arrays.get("pair_model_separation_arcsec")
    for part, hue, marker, dash, face in (
        ("along", colour("atmosphere"), "o", "-", True),
        ("across", colour("tracking"), "s", (0, (5, 2)), False),
    ):
        names = [f"pair_model_{part}{end}_arcsec" for end in ("_low", "", "_high")]
        if grid is not None and all(name in arrays for name in names):
            low, middle, high = (arrays[name] for name in names)
            ax.fill_between(grid, low, high, color=hue, alpha=0.22, lw=0)
            ax.plot(grid, middle, color=hue, ls=dash, label=f"fitted air, {part}")
        measured = arrays.get(f"pair_{part}_rms_arcsec")
        if measured is not None:
            x, y = binned_pairs(separation, measured)
            ax.plot(
                x,
                y,
                marker,
                color=hue,
                mfc=hue if face else "none",
                ms=4,
                alpha=0.8,
                label=f"measured {part} the pair",
            )
    ax.set(xlabel="separation [arcsec]", ylabel="differential motion, rms [arcsec]")
    ax.set_ylim(bottom=0)
    ax.set_xlim(left=0)
    ax.legend(loc="best")
    return figure_of(ax)


def draw_otf(series: Series, aperture_m: float | None = None, ax: Axes | None = None) -> Figure:
    """Draw the registered star's transfer function with the band of the fitted model."""
    ax = axes_for(ax)
    arrays = series.arrays
    baseline = arrays["baseline_m"]
    if "otf_model_low" in arrays and "otf_model_high" in arrays:
        low, high = arrays["otf_model_low"], arrays["otf_model_high"]
        ax.fill_between(
            baseline, low, high, color=colour("atmosphere"), alpha=0.25, lw=0, label="its 68 % band"
        )
    if "otf_model" in arrays:
        ax.plot(
            baseline,
            arrays["otf_model"],
            color=colour("atmosphere"),
            ls=(0, (6, 2)),
            label="fitted model",
        )
    if "otf_measured" in arrays:
        ax.plot(
            baseline, arrays["otf_measured"], ".", color=colour("recorded"), ms=5, label="measured"
        )
    if aperture_m is not None:
        ax.axvline(aperture_m, color=colour("muted"), lw=0.8, ls=":")
    ax.locator_params(axis="x", nbins=6)
    ax.set(xlabel="pupil baseline [m]", ylabel="transfer, 1 = perfect contrast", ylim=(-0.03, 1.03))
    ax.legend(loc="best")
    return figure_of(ax)


def draw_exposure(
    series: Series, blur_time_s: float | None = None, ax: Axes | None = None
) -> Figure:
    """Draw the star's width against exposure time, the blur time of the budget marked."""
    ax = axes_for(ax)
    exposure, width = (
        series.arrays["exposure_grid_s"],
        series.arrays["exposure_fwhm_arcsec"],
    )
    ax.plot(exposure, width, "o-", color=colour("recorded"), ms=4)
    if blur_time_s is not None:
        ax.axvline(blur_time_s, color=colour("muted"), lw=0.9, ls="--")
    logarithmic(ax, "x")
    ax.set(xlabel="exposure time [s]", ylabel="FWHM [arcsec]")
    widest = float(np.nanmax(width)) if np.isfinite(width).any() else 0.0
    ax.set_ylim(bottom=0, top=1.15 * widest if widest > 0 else 1.0)
    return figure_of(ax)


def draw_shape(series: Series, ax: Axes | None = None) -> Figure:
    """Draw the elongation shared by all stars, one point a frame, with its mean."""
    e1, e2 = series.arrays["elongation_e1"], series.arrays["elongation_e2"]
    step = max(1, e1.size // MOST_POINTS)
    ax = axes_for(ax, 3.7, 3.4)
    ax.plot(
        e1[::step],
        e2[::step],
        ".",
        color=colour("recorded"),
        ms=2.5,
        alpha=0.5,
    )
    ax.plot(
        [np.nanmean(e1)], [np.nanmean(e2)], "P", color=colour("tracking"), ms=9, mec=colour("panel")
    )
    ax.axhline(0, color=colour("muted"), lw=0.7)
    ax.axvline(0, color=colour("muted"), lw=0.7)
    ax.set_aspect("equal", adjustable="datalim")
    ax.set(xlabel="e1, along x (no unit)", ylabel="e2, at 45 degrees (no unit)")
    return figure_of(ax)
