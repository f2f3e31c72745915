"""Ellipses of motion by cause, with north and east where they are known."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from blursplit.report.figures._canvas import axes_for, figure_of
from blursplit.report.palette import CAUSE_NAMES, CAUSE_STYLES, colour

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from blursplit.result import Result

__all__ = ["draw_ellipses", "half_axes", "north_in_image"]

# An axial disagreement under this is taken as agreement between direction and position angle.
AGREEMENT_DEG = 2.0
# Above this ratio of the axes a circle misses neither of them by more than a tenth.
NEARLY_ROUND = 0.8


def north_in_image(result: Result) -> tuple[float, float] | None:
    """Return the directions of north and east in the image [deg from +x toward +y], or None.

    The setup's ``position_angle_deg`` is that of the +y axis, north through east. Whether the
    image is mirrored comes from the setup's ``flip``, or else from a contribution that has both
    its direction in the image and its position angle; without either nothing is claimed.
    """
    entry = result.setup.get("position_angle_deg")
    if entry is None or not isinstance(entry.value, (int, float)):
        return None
    angle_of_y_deg = float(entry.value)
    flip = result.setup.get("flip")
    sign = _handedness(result, angle_of_y_deg) if flip is None else -1 if flip.value else 1
    if sign is None:
        return None
    # Position angle grows toward +y when the image is not mirrored, and the other way round.
    north = (90.0 - sign * angle_of_y_deg) % 360.0
    return north, (north + sign * 90.0) % 360.0


def _handedness(result: Result, angle_of_y_deg: float) -> int | None:
    for part in (result.tracking, result.structure, result.unassigned):
        angle, position = part.angle_deg, part.position_angle_deg
        if angle is None or position is None or angle.value is None or position.value is None:
            continue
        misfits = {}
        for sign in (1, -1):
            expected = angle_of_y_deg + sign * (angle.value - 90.0)
            misfits[sign] = abs((position.value - expected + 90.0) % 180.0 - 90.0)
        agreeing = [sign for sign, misfit in misfits.items() if misfit < AGREEMENT_DEG]
        if len(agreeing) == 1:
            return agreeing[0]
    return None


def outline(
    major: float, minor: float, angle_deg: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return x and y of an ellipse with these half-axes, the larger one at an angle from +x."""
    turn, around = math.radians(angle_deg), np.linspace(0.0, 2.0 * np.pi, 121)
    u, v = major * np.cos(around), minor * np.sin(around)
    return u * math.cos(turn) - v * math.sin(turn), u * math.sin(turn) + v * math.cos(turn)


def half_axes(result: Result) -> dict[str, tuple[float, float, float]]:
    """Return larger and smaller half-axis [arcsec] and direction [deg] of each drawn ellipse.

    Motion that is nearly round has no direction of its own and is given as a circle.
    """
    found = {}
    air = result.atmosphere.motion_rms_arcsec
    if air is not None and air.value is not None:
        found["atmosphere"] = (air.value, air.value, 0.0)
    for name in ("tracking", "structure", "unassigned"):
        part = getattr(result, name)
        major, minor, angle = part.rms_major_arcsec, part.rms_minor_arcsec, part.angle_deg
        if major is None or major.value is None:
            continue
        small = 0.0 if minor is None or minor.value is None else minor.value
        if angle is not None and angle.value is not None:
            found[name] = (major.value, small, angle.value)
        elif small > NEARLY_ROUND * major.value:
            radius = math.hypot(major.value, small) / math.sqrt(2.0)
            found[name] = (radius, radius, 0.0)
    return found


def draw_ellipses(result: Result, ax: Axes | None = None) -> Figure:
    """Draw motion rms over the blur time as one ellipse a cause, x to the right and y up.

    A smaller axis that is only a limit is drawn as zero, so that the ellipse is a line; a cause
    without a direction is drawn as a circle if it is nearly round, else not at all.
    """
    ax = axes_for(ax, 3.7, 3.6)
    drawn = half_axes(result)
    for name, (major, minor, angle_deg) in drawn.items():
        style = CAUSE_STYLES[name]
        x, y = outline(major, minor, angle_deg)
        ax.plot(x, y, color=colour(name), ls=style.dash, lw=2.0, label=CAUSE_NAMES[name])
    reach = 1.4 * max((major for major, _, _ in drawn.values()), default=1.0)
    directions = north_in_image(result)
    if directions is not None:
        _draw_compass(ax, directions, reach)
    ax.set(
        xlim=(-reach, reach),
        ylim=(-reach, reach),
        aspect="equal",
        xlabel="x, rms [arcsec]",
        ylabel="y, rms [arcsec]",
    )
    if drawn:
        figure_of(ax).legend(loc="outside upper center", ncols=2, handlelength=2.4)
    return figure_of(ax)


def _draw_compass(ax: Axes, directions: tuple[float, float], reach: float) -> None:
    for angle_deg, letter in zip(directions, "NE", strict=True):
        dx, dy = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
        ax.annotate(
            "",
            (0.84 * reach * dx, 0.84 * reach * dy),
            (0.0, 0.0),
            arrowprops={"arrowstyle": "->", "color": colour("muted"), "lw": 0.9},
        )
        ax.text(0.93 * reach * dx, 0.93 * reach * dy, letter, ha="center", va="center")
