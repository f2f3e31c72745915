"""Motion over time, its ellipses by cause, and the folded periodic error."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np

from blursplit.report.figures._canvas import axes_for, decimate, figure_of
from blursplit.report.palette import CAUSE_NAMES, CAUSE_STYLES, colour

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from blursplit.result import Event, PeriodicTerm, Result
    from blursplit.series import Series

__all__ = ["draw_ellipses", "draw_motion", "draw_periodic", "fold", "north_in_image"]

FULL_TURN_DEG = 360.0


def draw_motion(
    series: Series,
    axis: Literal["x", "y"] = "x",
    events: Sequence[Event] = (),
    ax: Axes | None = None,
) -> Figure:
    """Draw the shared motion along one axis over time with the estimated terms; events shaded."""
    ax = axes_for(ax, height_in=2.5)
    time_s = series.arrays["time_s"]
    for name, label, hue, width, order in (
        ("common", "shared motion", colour("recorded"), 0.7, 2.0),
        ("structure", "structure", colour("structure"), 0.9, 3.0),
        ("tracking", "tracking", colour("tracking"), 1.8, 4.0),
    ):
        values = series.arrays.get(f"{name}_{axis}_arcsec")
        if values is None:
            continue
        x, y = decimate(time_s, values)
        ax.plot(x, y, color=hue, lw=width, label=label, zorder=order)
    for event in events:
        ax.axvspan(
            event.start_s,
            event.start_s + event.duration_s,
            color=colour("tracking"),
            alpha=0.2,
            lw=0,
        )
    ax.set(xlabel="time since the first frame [s]", ylabel=f"shift along {axis} [arcsec]")
    ax.legend(loc="upper center", ncols=3, bbox_to_anchor=(0.5, 1.16), handlelength=1.5)
    return figure_of(ax)


def north_in_image(result: Result) -> tuple[float, float] | None:
    """Return the directions of north and east in the image [deg from +x toward +y], or None.

    A contribution that has both its direction in the image and its position angle gives north
    once the handedness of the image is known: from the setup's ``flip`` or because two such
    contributions agree with one handedness only.
    """
    known = [
        (part.angle_deg.value, part.position_angle_deg.value)
        for part in (result.tracking, result.structure, result.unassigned)
        if part.angle_deg is not None and part.position_angle_deg is not None
        if part.angle_deg.value is not None and part.position_angle_deg.value is not None
    ]
    if not known:
        return None

    def spread(sign: int) -> float:
        norths = np.radians([2.0 * (angle - sign * position) for angle, position in known])
        return 1.0 - float(abs(np.exp(1j * norths).mean()))

    # Angles are axial, and so is the north found here; north is then one of two opposite
    # directions, and the camera's own position angle, if known, says which.
    flip = result.setup.get("flip")
    if flip is not None:
        sign = -1 if flip.value else 1
    elif len(known) > 1 and abs(spread(1) - spread(-1)) > 0.01:  # noqa: PLR2004 - 6 degrees
        sign = 1 if spread(1) < spread(-1) else -1
    else:
        return None
    angle, position = known[0]
    north = (angle - sign * position) % (FULL_TURN_DEG / 2.0)
    return north, north + sign * FULL_TURN_DEG / 4.0


def draw_ellipses(result: Result, ax: Axes | None = None) -> Figure:
    """Draw motion rms over the blur time as one ellipse a cause, x to the right and y up."""
    from matplotlib.patches import Ellipse

    ax = axes_for(ax, 3.9, 3.6)
    largest = 0.0
    for name in ("tracking", "structure", "unassigned"):
        part = getattr(result, name)
        major, minor, angle = part.rms_major_arcsec, part.rms_minor_arcsec, part.angle_deg
        if major is None or major.value is None:
            continue
        small = minor.value if minor is not None and minor.value is not None else 0.0
        turn = angle.value if angle is not None and angle.value is not None else 0.0
        style = CAUSE_STYLES[name]
        ax.add_patch(
            Ellipse(
                (0, 0),
                2 * major.value,
                2 * max(small, 0.01 * major.value),
                angle=turn,
                fill=False,
                ec=colour(name),
                lw=2.0,
                ls=style.dash,
                label=CAUSE_NAMES[name],
            )
        )
        largest = max(largest, major.value)
    air = result.atmosphere.motion_rms_arcsec
    if air is not None and air.value is not None:
        ax.add_patch(
            Ellipse(
                (0, 0),
                2 * air.value,
                2 * air.value,
                fill=False,
                ec=colour("atmosphere"),
                lw=1.6,
                label="Atmosphere",
            )
        )
        largest = max(largest, air.value)
    reach = 1.45 * (largest or 1.0)
    _draw_north(ax, north_in_image(result), reach)
    ax.set(
        xlim=(-reach, reach),
        ylim=(-reach, reach),
        aspect="equal",
        xlabel="x, rms [arcsec]",
        ylabel="y, rms [arcsec]",
    )
    if largest > 0:
        ax.legend(loc="upper center", ncols=2, bbox_to_anchor=(0.5, 1.2), handlelength=2.2)
    return figure_of(ax)


def _draw_north(ax: Axes, directions: tuple[float, float] | None, reach: float) -> None:
    if directions is None:
        return
    for angle_deg, letter in zip(directions, "NE", strict=True):
        dx, dy = (0.86 * reach * trig(math.radians(angle_deg)) for trig in (math.cos, math.sin))
        ax.plot([-dx, dx], [-dy, dy], color=colour("muted"), lw=0.8, ls=":")
        for sign in (-1, 1):
            ax.text(
                sign * dx * 1.07,
                sign * dy * 1.07,
                letter if sign > 0 else {"N": "S", "E": "W"}[letter],
                ha="center",
                va="center",
                fontsize=8.5,
                color=colour("muted"),
            )


def fold(
    time_s: NDArray[np.float64], values: NDArray[np.float64], period_s: float, bins: int = 24
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return phase [turns], mean and standard error of a series folded on a period.

    A straight line is taken out first; bins without a sample are NaN.
    """
    good = np.isfinite(values) & np.isfinite(time_s)
    phase = np.full(bins, np.nan)
    mean, error = phase.copy(), phase.copy()
    if good.sum() < 3:  # noqa: PLR2004 - a line needs more than two points
        return (np.arange(bins) + 0.5) / bins, mean, error
    t, v = time_s[good], values[good]
    v = v - np.polyval(np.polyfit(t - t.mean(), v, 1), t - t.mean())
    index = np.minimum((np.mod(t / period_s, 1.0) * bins).astype(int), bins - 1)
    for k in range(bins):
        piece = v[index == k]
        if piece.size:
            mean[k] = piece.mean()
            error[k] = piece.std(ddof=1) / np.sqrt(piece.size) if piece.size > 1 else np.nan
    return (np.arange(bins) + 0.5) / bins, mean, error


def along(series: Series, angle_deg: float | None) -> NDArray[np.float64]:
    """Return the shared motion along a direction of the image [arcsec]; None means along x."""
    turn = math.radians(angle_deg or 0.0)
    x, y = series.arrays["common_x_arcsec"], series.arrays["common_y_arcsec"]
    return np.asarray(x * math.cos(turn) + y * math.sin(turn), dtype=float)


def draw_periodic(series: Series, term: PeriodicTerm, ax: Axes | None = None) -> Figure:
    """Draw the shared motion along a drive's direction folded on its period."""
    ax = axes_for(ax, height_in=2.6)
    time_s = series.arrays["time_s"]
    phase, mean, error = fold(time_s, along(series, term.angle_deg), term.period_s)
    ax.errorbar(
        phase, mean, yerr=np.nan_to_num(error), fmt="s", ms=4, color=colour("tracking"), lw=1.0
    )
    ax.axhline(0, color=colour("muted"), lw=0.7)
    ax.set(
        xlabel=f"phase of the period of {term.period_s:.4g} s [turns]",
        ylabel="shift [arcsec]",
        xlim=(0, 1),
    )
    return figure_of(ax)
