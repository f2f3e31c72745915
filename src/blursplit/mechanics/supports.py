"""Springs at the ends of a column: anchor bolts, base plate, footing on soil, studded head."""

from __future__ import annotations

import math
from dataclasses import dataclass

# Tensile area of a metric thread over its nominal area (0.78-0.80 for M12 to M30, common
# practice, no source).
THREAD_AREA_FACTOR = 0.8


@dataclass(frozen=True)
class SupportSpring:
    """Stiffness of a support, the same for x and y.

    Parameters
    ----------
    sway_n_m : float
        Against horizontal shift [N/m].
    tilt_nm_rad : float
        Against rocking [N m/rad].
    twist_nm_rad : float
        Against rotation about z [N m/rad].
    """

    sway_n_m: float
    tilt_nm_rad: float
    twist_nm_rad: float


def in_series(*stiffnesses: float) -> float:
    """Return the stiffness of springs in series; an infinite one changes nothing."""
    softness = sum(1.0 / stiffness for stiffness in stiffnesses)
    return math.inf if softness == 0.0 else 1.0 / softness


def rod_axial_n_m(diameter_m: float, free_length_m: float, youngs_pa: float) -> float:
    """Return E A_s / l of a threaded rod [N/m]."""
    area = THREAD_AREA_FACTOR * math.pi / 4.0 * diameter_m**2
    return youngs_pa * area / free_length_m


def rod_sway_n_m(diameter_m: float, free_length_m: float, youngs_pa: float) -> float:
    """Return 12 E I / l^3 of a rod whose ends stay parallel, on the thread's effective area."""
    second_moment = math.pi / 64.0 * (THREAD_AREA_FACTOR * diameter_m**2) ** 2
    return 12.0 * youngs_pa * second_moment / free_length_m**3


def plate_strip_n_m(
    overhang_m: float, strip_width_m: float, thickness_m: float, youngs_pa: float
) -> float:
    """Return the stiffness at a bolt of the plate between it and the column's wall.

    Notes
    -----
    A cantilever strip, 3 E b t^3 / (12 a^3) (Roark, from memory): the bolt at its end, the wall
    as its clamp. Crude within a factor of two, because a real plate also bends the wall.
    """
    if overhang_m <= 0.0:
        return math.inf
    return 3.0 * youngs_pa * strip_width_m * thickness_m**3 / 12.0 / overhang_m**3


def washer_bridge_n_m(
    slot_width_m: float, washer_width_m: float, thickness_m: float, youngs_pa: float
) -> float:
    """Return the stiffness of a washer that bridges a slotted hole.

    Notes
    -----
    A strip clamped at both edges of the slot with the bolt's pull in the middle,
    192 E I / s^3 (Roark, from memory).
    """
    second_moment = washer_width_m * thickness_m**3 / 12.0
    return 192.0 * youngs_pa * second_moment / slot_width_m**3


def ring_tilt_nm_rad(count: int, circle_radius_m: float, each_n_m: float) -> float:
    """Return the rocking stiffness of three or more equal vertical springs on a circle.

    Notes
    -----
    The sum of k (R cos phi)^2 over equally spaced angles is count k R^2 / 2 about any axis.
    """
    return count * each_n_m * circle_radius_m**2 / 2.0


def grout_tilt_nm_rad(plate_width_m: float, thickness_m: float, youngs_pa: float) -> float:
    """Return the rocking stiffness of a square plate fully bedded on grout, E I_plan / t.

    It holds only while the bolts' preload keeps the whole plate pressed down.
    """
    return youngs_pa * plate_width_m**4 / 12.0 / thickness_m


def footing_spring(
    width_m: float, depth_m: float, soil_shear_pa: float, soil_poisson: float
) -> tuple[SupportSpring, SupportSpring]:
    """Return the springs of a rigid block on soil, for forces along x and along y.

    Parameters
    ----------
    width_m, depth_m : float
        Plan along x and y [m].
    soil_shear_pa : float
        Small-strain shear modulus of the ground.
    soil_poisson : float

    Notes
    -----
    Rigid disc on an elastic half-space: sway 8 G r/(2 - nu), rocking 8 G r^3/(3 (1 - nu)), twist
    16 G r^3/3 (Richart, Hall and Woods 1970, from memory), with the radius that gives the
    rectangle the same area, second moment or polar moment. Embedment, which stiffens, and
    layering are left out.
    """
    area_radius = math.sqrt(width_m * depth_m / math.pi)
    polar = width_m * depth_m * (width_m**2 + depth_m**2)
    twist_radius = (polar / (6.0 * math.pi)) ** 0.25
    sway = 8.0 * soil_shear_pa * area_radius / (2.0 - soil_poisson)
    twist = 16.0 * soil_shear_pa * twist_radius**3 / 3.0

    def rocking(along_m: float, across_m: float) -> float:
        radius = math.sqrt(math.sqrt(across_m * along_m**3 / (3.0 * math.pi)))
        return 8.0 * soil_shear_pa * radius**3 / (3.0 * (1.0 - soil_poisson))

    return (
        SupportSpring(sway, rocking(width_m, depth_m), twist),
        SupportSpring(sway, rocking(depth_m, width_m), twist),
    )
