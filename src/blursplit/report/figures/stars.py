"""Star images on one common scale, and the finder chart."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blursplit.report.figures._canvas import axes_for, figure_of
from blursplit.report.palette import colour
from blursplit.series import Series

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def draw_star(
    image: ArrayLike,
    ax: Axes | None = None,
    *,
    pixel_scale_arcsec: float | None = None,
    half_size: float | None = None,
    white: float | None = None,
    label: bool = True,
) -> Figure:
    """Draw one star with the outline of its half maximum and a bar of the angular scale.

    `image` (y, x). `pixel_scale_arcsec`: size of a pixel of the image; without it the bar is in
    pixels. `half_size`: half the side of the drawn field [arcsec, or px without a scale]. `white`:
    level drawn white; the same for all images that are compared. NaN is drawn black. `label`:
    whether the bar says its length.
    """
    if ax is None:
        ax = axes_for(None, 2.0, 2.0)
        figure_of(ax).set_layout_engine("none")
        ax.set_position((0.0, 0.0, 1.0, 1.0))
    pixels = np.nan_to_num(np.asarray(image, dtype=float), nan=0.0)
    scale = pixel_scale_arcsec or 1.0
    ny, nx = pixels.shape
    top = float(pixels.max())
    cy, cx = (ny - 1) / 2.0, (nx - 1) / 2.0
    extent = (
        -(cx + 0.5) * scale,
        (nx - 0.5 - cx) * scale,
        -(cy + 0.5) * scale,
        (ny - 0.5 - cy) * scale,
    )
    white = white if white and white > 0 else max(top, 1e-12)
    # A power below one lets the faint skirt be seen beside the core.
    shown = np.clip(pixels / white, 0.0, 1.0) ** 0.6
    ax.imshow(
        shown, cmap="gray", vmin=0, vmax=1, origin="lower", extent=extent, interpolation="none"
    )
    if top > 0 and min(nx, ny) > 1:
        x, y = (np.arange(nx) - cx) * scale, (np.arange(ny) - cy) * scale
        ax.contour(x, y, pixels, levels=[0.5 * top], colors=[colour("overlay")], linewidths=1.3)
    half = half_size if half_size is not None else 0.5 * min(nx, ny) * scale
    ax.set(xlim=(-half, half), ylim=(-half, half), xticks=[], yticks=[])
    ax.grid(visible=False)
    ax.set_facecolor(colour("ground"))
    for spine in ax.spines.values():
        spine.set_visible(False)
    _scale_bar(ax, half, ("arcsec" if pixel_scale_arcsec else "px") if label else None)
    return figure_of(ax)


def bar_length(half_size: float) -> float:
    """Return a round length for the bar of a field, in the unit of half its side."""
    steps = (50, 20, 10, 5, 2, 1, 0.5, 0.2, 0.1)
    return next((step for step in steps if step <= 0.75 * half_size), half_size)


def _scale_bar(ax: Axes, half: float, unit: str | None) -> None:
    length = bar_length(half)
    x0, y0 = -0.88 * half, -0.84 * half
    ax.plot([x0, x0 + length], [y0, y0], color=colour("overlay"), lw=2.2, solid_capstyle="butt")
    if unit is not None:
        ax.text(x0, y0 + 0.05 * half, f"{length:g} {unit}", color=colour("overlay"), va="bottom")


def _shrunk(image: NDArray[np.float64], largest: int) -> tuple[NDArray[np.float64], int]:
    """Return the image averaged over blocks so that no side exceeds `largest`, and the block."""
    block = max(1, -(-max(image.shape) // largest))
    if block == 1:
        return image, 1
    ny, nx = (side // block * block for side in image.shape)
    cut = image[:ny, :nx].reshape(ny // block, block, nx // block, block)
    with np.errstate(invalid="ignore"):
        return cut.mean(axis=(1, 3)), block


def draw_finder(series: Series, ax: Axes | None = None) -> Figure:
    """Draw the mean of the first frames with the measured stars ringed and numbered from 0."""
    finder = np.asarray(series.images["finder"], dtype=float)
    image, block = _shrunk(finder, 480)
    ax = axes_for(ax, 3.6, min(max(3.1 * image.shape[0] / image.shape[1] + 0.5, 1.8), 5.2))
    finite = image[np.isfinite(image)]
    low, high = np.percentile(finite, [20.0, 99.7]) if finite.size else (0.0, 1.0)
    shown = np.clip(np.nan_to_num((image - low) / max(high - low, 1e-12)), 0.0, 1.0) ** 0.6
    ny, nx = image.shape
    extent = (-0.5, nx * block - 0.5, -0.5, ny * block - 0.5)
    ax.imshow(shown, cmap="gray", origin="lower", extent=extent, interpolation="none")
    x_px, y_px = series.arrays.get("star_x_px"), series.arrays.get("star_y_px")
    if x_px is not None and y_px is not None:
        size = max(finder.shape)
        for index, (x, y) in enumerate(zip(x_px, y_px, strict=True)):
            if not (np.isfinite(x) and np.isfinite(y)):
                continue
            ax.plot([x], [y], "o", mfc="none", mec=colour("overlay"), ms=9, mew=1.1)
            side = -1 if x > 0.9 * size else 1
            ax.annotate(
                str(index),
                (x, y),
                xytext=(7 * side, 3),
                textcoords="offset points",
                ha="left" if side > 0 else "right",
                color=colour("overlay"),
                fontsize=11.2,
            )
    ax.set_facecolor(colour("ground"))
    ax.set(xlabel="x, column [px]", ylabel="y, row [px]", xlim=extent[:2], ylim=extent[2:])
    ax.grid(visible=False)
    return figure_of(ax)
