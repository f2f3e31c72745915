"""Star images, and evidence about air, optics and directions: pairs, registered star, focus."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blursplit import constants as const
from blursplit.report.figures._canvas import (
    CAUSE_DASHES,
    axes_for,
    block_means,
    colour,
    figure_of,
    finished,
    logarithmic,
    styled,
)
from blursplit.report.figures.motion import MotionPlots
from blursplit.report.words import CAUSE_NAMES
from blursplit.series import Series
from blursplit.types import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def binned_pairs(
    separation_arcsec: FloatArray, rms_arcsec: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return separation and rms of pairs; of very many pairs, neighbours taken together."""
    order = np.argsort(separation_arcsec)
    columns = separation_arcsec[order], np.asarray(rms_arcsec, dtype=float)[order] ** 2
    x, squares = block_means(columns, const.FIGURE_PAIRS)
    return x, np.sqrt(squares)


_Star = Literal["recorded", "registered", "without_both"]

WITNESS_CURVES = {
    "sensor": (
        ("sensor_motion_psd_arcsec2_hz", "motion of the stars", "recorded", "-"),
        ("sensor_explained_psd_arcsec2_hz", "goes with the sensor", "structure", (0, (5, 2))),
    ),
    "cameras": (
        ("cameras_main_psd_arcsec2_hz", "main camera", "recorded", "-"),
        ("cameras_alike_psd_arcsec2_hz", "both alike", "structure", (0, (5, 2))),
        ("cameras_apart_psd_arcsec2_hz", "apart: air", "atmosphere", (0, (1, 1.5))),
    ),
}


def _shade_blind(series: Series, name: str, ax: Axes) -> None:
    """Shade the band in which a sensor is blind."""
    sees = series.arrays.get(f"{name}_sees")
    if sees is None or bool(sees.all()):
        return
    f = series.arrays[f"{name}_frequency_hz"]
    edge = np.concatenate([[f[0]], np.sqrt(f[:-1] * f[1:]), [f[-1]]])
    label = "blind band"
    for low, high, seen in zip(edge[:-1], edge[1:], sees, strict=True):
        if not seen:
            ax.axvspan(low, high, color=colour("muted"), alpha=0.2, lw=0, label=label)
            label = "_"  # once in the legend


def _outline(major: float, minor: float, angle_deg: float) -> tuple[FloatArray, FloatArray]:
    """Return x and y of an ellipse with these half-axes, the larger one at an angle from +x."""
    turn, around = math.radians(angle_deg), np.linspace(0.0, 2.0 * np.pi, 121)
    u, v = major * np.cos(around), minor * np.sin(around)
    return u * math.cos(turn) - v * math.sin(turn), u * math.sin(turn) + v * math.cos(turn)


def _draw_compass(ax: Axes, directions: tuple[float, float], reach: float) -> None:
    for angle_deg, letter in zip(directions, "NE", strict=True):
        dx, dy = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
        look: dict[str, Any] = {"arrowstyle": "->", "color": colour("muted"), "lw": 0.9}
        ax.annotate("", (0.84 * reach * dx, 0.84 * reach * dy), (0.0, 0.0), arrowprops=look)
        ax.text(0.93 * reach * dx, 0.93 * reach * dy, letter, ha="center", va="center")


def draw_scatter(
    points: Sequence[tuple[float, float]],
    limits: Sequence[tuple[float, float]],
    x_label: str,
    y_label: str,
    hue: str,
) -> Figure:
    """Draw (x, y) of many sequences as dots, upper limits as triangles that point downward."""
    ax = axes_for(None, 4.2, 2.6)
    for places, marker, alpha in ((points, "o", 0.75), (limits, "v", 0.4)):
        x, y = np.reshape(places, (-1, 2)).T
        ax.plot(x, y, marker, color=colour(hue), ms=4, mew=0, alpha=alpha)
    if min(y for _, y in (*points, *limits)) >= 0:
        ax.set_ylim(bottom=0)
    return finished(ax, x_label, y_label)


# --- star images on one common scale, and the finder chart ----------------------------------------
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
    extent = tuple(0.5 * scale * side for side in (-nx, nx, -ny, ny))
    white = white if white and white > 0 else max(top, 1e-12)
    # A power below one lets the faint skirt be seen beside the core.
    shown = np.clip(pixels / white, 0.0, 1.0) ** 0.6
    look: dict[str, Any] = {"origin": "lower", "extent": extent, "interpolation": "none"}
    ax.imshow(shown, cmap="gray", vmin=0, vmax=1, **look)
    if top > 0 and min(nx, ny) > 1:
        x, y = ((np.arange(n) - 0.5 * (n - 1)) * scale for n in (nx, ny))
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


class Plots(MotionPlots):
    """Figures of one measurement; each takes axes to draw on, or makes a figure of its own.

    A figure whose data the record does not hold is refused with the reason.
    """

    @styled
    def pairs(self, ax: Axes | None = None) -> Figure:
        """Draw the differential motion of pairs against separation, with the band of the fit."""
        ax = axes_for(ax)
        arrays = self._series.arrays
        separation = self._held("pair_separation_arcsec")
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
                inside, label = hue if face else "none", f"measured {part} the pair"
                ax.plot(x, y, marker, color=hue, mfc=inside, ms=4, alpha=0.8, label=label)
            for bin_ in self._result.motion.pairs:
                size = getattr(bin_, f"{part}_rms_arcsec")
                if size is not None and size.low is not None:
                    ends = [size.low, size.value, size.high]
                    ax.plot([bin_.separation_arcsec] * 3, ends, "_-", color=hue, ms=9, lw=1.5)
        ax.set_ylim(bottom=0)
        ax.set_xlim(left=0)
        return finished(ax, "separation [arcsec]", "differential motion, rms [arcsec]")

    @styled
    def witness(self, name: str) -> tuple[Figure, Figure]:
        """Draw the spectra of a witness ("sensor" or "cameras") beside that of the stars.

        The other figure shows how much of the motion goes with it, by frequency.
        """
        ax = axes_for()
        frequency = self._held(f"{name}_frequency_hz")
        for key, label, hue, dash in WITNESS_CURVES[name]:
            density = self._series.arrays.get(key)
            if density is not None:
                shown = np.where(density > 0, density, np.nan)
                ax.plot(frequency, shown, color=colour(hue), ls=dash, label=label)
        _shade_blind(self._series, name, ax)
        logarithmic(ax, "xy")
        spectra = finished(ax, "frequency [Hz]", "density [arcsec²/Hz]")
        ax, seen = axes_for(), self._held(f"{name}_coherence")
        ax.plot(frequency, seen, ".-", color=colour("structure"), label="coherence, squared")
        _shade_blind(self._series, name, ax)
        logarithmic(ax, "x")
        return spectra, finished(ax, "frequency [Hz]", "squared coherence", ylim=(0, 1.03))

    @styled
    def otf(self, ax: Axes | None = None) -> Figure:
        """Draw the registered star's transfer function with the band of the fitted model."""
        ax = axes_for(ax)
        arrays = self._series.arrays
        baseline = self._held("baseline_m")
        air, dots = colour("atmosphere"), colour("recorded")
        if "otf_model_low" in arrays and "otf_model_high" in arrays:
            low, high = arrays["otf_model_low"], arrays["otf_model_high"]
            ax.fill_between(baseline, low, high, color=air, alpha=0.25, lw=0, label="its 68 % band")
        if "otf_model" in arrays:
            ax.plot(baseline, arrays["otf_model"], color=air, ls=(0, (6, 2)), label="fitted model")
        if "otf_measured" in arrays:
            ax.plot(baseline, arrays["otf_measured"], ".", color=dots, ms=5, label="measured")
        aperture_m = self._result.setting("aperture_m")
        if aperture_m is not None:
            ax.axvline(aperture_m, color=colour("muted"), lw=0.8, ls=":")
        ax.locator_params(axis="x", nbins=6)
        wanted = "transfer, 1 = perfect contrast"
        return finished(ax, "pupil baseline [m]", wanted, ylim=(-0.03, 1.03))

    @styled
    def shape(self, ax: Axes | None = None) -> Figure:
        """Draw the elongation shared by all stars, one point a frame, with its mean."""
        e1, e2 = self._held("elongation_e1"), self._held("elongation_e2")
        step = max(1, e1.size // const.FIGURE_FRAMES)
        ax = axes_for(ax, 3.7, 3.4)
        ax.plot(e1[::step], e2[::step], ".", color=colour("recorded"), ms=2.5, alpha=0.5)
        mean = [np.nanmean(e1)], [np.nanmean(e2)]
        ax.plot(*mean, "P", color=colour("tracking"), ms=9, mec=colour("panel"))
        ax.axhline(0, color=colour("muted"), lw=0.7)
        ax.axvline(0, color=colour("muted"), lw=0.7)
        ax.set_aspect("equal", adjustable="datalim")
        return finished(ax, "e1, along x (no unit)", "e2, at 45 degrees (no unit)")

    @styled
    def focus(self, ax: Axes | None = None) -> Figure:
        """Draw the width at short baselines against focus position, with the band of the curve.

        The measured run is filled, the others are open; a dashed line marks best focus, with its
        68 % interval.
        """
        ax = axes_for(ax)
        arrays, focus = self._series.arrays, self._result.instrument.focus
        curve_at = self._held("focus_curve_position")
        hue = colour("optics")
        low, high = arrays["focus_curve_low_arcsec"], arrays["focus_curve_high_arcsec"]
        ax.fill_between(curve_at, low, high, color=hue, alpha=0.22, lw=0, label="curve, 68 %")
        ax.plot(curve_at, arrays["focus_curve_arcsec"], color=hue)
        position, width = arrays["focus_position"], arrays["focus_fwhm_arcsec"]
        limits = [arrays[f"focus_fwhm_{end}_arcsec"] for end in ("low", "high")]
        bars = np.abs(np.stack(limits) - width)
        used = np.isclose(position, np.nan if focus is None else focus.used_position)
        for chosen, face, label in ((used, "recorded", "this run"), (~used, "panel", "other runs")):
            if chosen.any():
                look: dict[str, Any] = {"color": colour("recorded"), "mfc": colour(face)}
                at, sizes = position[chosen], width[chosen]
                look |= {"yerr": bars[:, chosen], "fmt": "o", "ms": 5, "lw": 1.0}
                ax.errorbar(at, sizes, label=label, **look)
        best = None if focus is None else focus.best_position
        if best is not None and best.value is not None:
            ax.axvline(best.value, color=colour("muted"), ls="--", lw=0.9)
            ends = (best.low or best.value, best.high or best.value)
            ax.axvspan(*ends, color=colour("muted"), alpha=0.15, lw=0)
        ax.ticklabel_format(axis="x", useOffset=False, style="plain")
        ax.locator_params(axis="x", nbins=6)
        ax.set_ylim(bottom=0)
        ax.set_xlim(float(curve_at.min()), float(curve_at.max()))
        return finished(ax, "focus position, as recorded", "width, Gaussian FWHM [arcsec]")

    @styled
    def ellipses(self, ax: Axes | None = None) -> Figure:
        """Draw motion rms over the blur time as one ellipse a cause, x to the right and y up.

        A smaller axis that is only a limit is drawn as zero, so that the ellipse is a line; a cause
        without a direction is drawn as a circle if it is nearly round, else not at all.
        """
        ax = axes_for(ax, 3.7, 3.6)
        drawn = self._result.half_axes()
        for name, (major, minor, angle_deg) in drawn.items():
            x, y = _outline(major, minor, angle_deg)
            dash = CAUSE_DASHES[name]
            ax.plot(x, y, color=colour(name), ls=dash, lw=2.0, label=CAUSE_NAMES[name])
        reach = 1.4 * max((major for major, _, _ in drawn.values()), default=1.0)
        directions = self._result.north_in_image()
        if directions is not None:
            _draw_compass(ax, directions, reach)
        ax.set(xlim=(-reach, reach), ylim=(-reach, reach), aspect="equal")
        ax.set(xlabel="x, rms [arcsec]", ylabel="y, rms [arcsec]")
        if drawn:
            figure_of(ax).legend(loc="outside upper center", ncols=2, handlelength=2.4)
        return figure_of(ax)

    @styled
    def star(self, which: _Star = "recorded", ax: Axes | None = None) -> Figure:
        """Draw the mean star as recorded, or with motion shifted out."""
        scale = self._series.image_scale_arcsec
        return draw_star(self._held(which), ax, pixel_scale_arcsec=scale)

    @styled
    def finder(self, ax: Axes | None = None) -> Figure:
        """Draw the mean of the first frames with the measured stars ringed and numbered from 0."""
        finder = np.asarray(self._held("finder"), dtype=float)
        image, block = _shrunk(finder, 480)
        ax = axes_for(ax, 3.6, min(max(3.1 * image.shape[0] / image.shape[1] + 0.5, 1.8), 5.2))
        finite = image[np.isfinite(image)]
        low, high = np.percentile(finite, [20.0, 99.7]) if finite.size else (0.0, 1.0)
        shown = np.clip(np.nan_to_num((image - low) / max(high - low, 1e-12)), 0.0, 1.0) ** 0.6
        ny, nx = image.shape
        extent = (-0.5, nx * block - 0.5, -0.5, ny * block - 0.5)
        ax.imshow(shown, cmap="gray", origin="lower", extent=extent, interpolation="none")
        x_px, y_px = self._series.arrays.get("star_x_px"), self._series.arrays.get("star_y_px")
        if x_px is not None and y_px is not None:
            size = max(finder.shape)
            for index, (x, y) in enumerate(zip(x_px, y_px, strict=True)):
                if not (np.isfinite(x) and np.isfinite(y)):
                    continue
                ax.plot([x], [y], "o", mfc="none", mec=colour("overlay"), ms=9, mew=1.1)
                ha, off = ("right", -7) if x > 0.9 * size else ("left", 7)
                beside: dict[str, Any] = {"xytext": (off, 3), "textcoords": "offset points"}
                beside |= {"ha": ha, "color": colour("overlay")}
                ax.annotate(str(index), (x, y), fontsize=11.2, **beside)
        ax.set_facecolor(colour("ground"))
        ax.set(xlabel="x, column [px]", ylabel="y, row [px]", xlim=extent[:2], ylim=extent[2:])
        ax.grid(visible=False)
        return figure_of(ax)

    def __dir__(self) -> list[str]:
        return [name for name in super().__dir__() if not name.startswith("_")]
