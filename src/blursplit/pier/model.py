"""A declared pier as a frame of beams and springs: its modes, and the tilt that loads cause."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from blursplit import constants as const
from blursplit.pier.beam import (
    DOF,
    MATERIALS,
    SHIFT_X,
    TURN_X,
    TURN_Y,
    TURN_Z,
    CrossSection,
    Frame,
    box_section,
    round_section,
    web_section,
)
from blursplit.pier.setup import SOILS, Base, Head, Payload, PierSetup, Section, Webs
from blursplit.result import Part
from blursplit.types import FloatArray, sure


@dataclass(frozen=True)
class _PierModel:
    """A pier ready for loads and modes."""

    frame: Frame
    # `foot`, `top`, `tip`: nodes: lower end of the column, its upper end, and where the mount
    # stands.
    foot: int
    top: int
    tip: int
    axis_height_m: float  # height of the mount's axes above the tip
    mass_kg: float  # everything above the ground, the footing left out


def section_at(section: Section, share: float, webs: Webs | None, height_m: float) -> CrossSection:
    """Return the cross-section at a share of a stretch's length, webs included.

    `share`: 0 at the stretch's foot, 1 at its top. `height_m`: height of this place above the base
    plate [m].
    """
    material = MATERIALS[section.material]
    wall = None if section.wall_m is None else section.at("wall", share)
    if not section.is_round:
        return box_section(section.at("width", share), section.at("depth", share), wall, material)
    outer = section.at("outer", share)
    plain = round_section(outer, wall, material)
    if webs is None or height_m >= webs.height_m:
        return plain
    reach = webs.reach_foot_m + (webs.reach_top_m - webs.reach_foot_m) * height_m / webs.height_m
    return plain + web_section(webs.count, reach, webs.thickness_m, outer / 2.0, material)


def base_spring(base: Base, wall_radius_m: float) -> _SupportSpring:
    """Return the spring of base plate and bolts under a column of the given radius."""
    if base.tilt_nm_rad is not None:
        return _SupportSpring(const.PIER_STIFF_N_M, base.tilt_nm_rad, const.PIER_STIFF_NM_RAD)
    steel, radius = MATERIALS["steel"], sure(base.bolt_circle_m) / 2.0  # the setup's own check
    overhang = radius - wall_radius_m
    # Each bolt draws on the plate at 45 degrees from it, at most on its share of the circle.
    width = min(2.0 * max(overhang, base.bolt_m), 2.0 * math.pi * radius / base.bolt_count)
    parts = [
        rod_axial_n_m(base.bolt_m, base.free_length_m, steel.youngs_pa),
        plate_strip_n_m(overhang, width, base.plate_thickness_m, steel.youngs_pa),
    ]
    if base.slot_width_m is not None:
        parts.append(
            washer_bridge_n_m(
                base.slot_width_m,
                2.0 * base.bolt_m,
                base.washer_thickness_m,
                steel.youngs_pa,
            )
        )
    tilt = ring_tilt_nm_rad(base.bolt_count, radius, in_series(*parts))
    if base.grout_m is not None:
        # Bedded on grout the plate no longer spans; bolts and bed work side by side.
        bolts = ring_tilt_nm_rad(base.bolt_count, radius, parts[0])
        plan = 2.0 * radius + 4.0 * base.bolt_m
        # E I/t of a square plate: it holds while preload keeps the whole plate pressed down
        tilt = bolts + const.GROUT_PA * plan**4 / 12.0 / base.grout_m
        return _SupportSpring(const.PIER_STIFF_N_M, tilt, const.PIER_STIFF_NM_RAD)
    sway = base.bolt_count * rod_sway_n_m(base.bolt_m, base.free_length_m, steel.youngs_pa)
    return _SupportSpring(sway, tilt, sway * radius**2)


def _head_beam(head: Head) -> CrossSection:
    """Return an open studded head as a short beam that has its shear and rocking stiffness.

    Rocking count (EA/l) R^2/2 in series with both plates, shear count 12 EI/l^3, twist the
    shear times R^2. A beam of length l with EI = k_tilt l and GA_s = k_shear l has just these
    and keeps the equilibrium of force and moment over the head's height.
    """
    steel, radius = MATERIALS["steel"], head.stud_circle_m / 2.0
    overhang = radius - head.mount_foot_m / 2.0
    width = min(2.0 * max(overhang, head.stud_m), 2.0 * math.pi * radius / head.stud_count)
    plate = plate_strip_n_m(overhang, width, head.plate_thickness_m, steel.youngs_pa)
    each = in_series(rod_axial_n_m(head.stud_m, head.free_length_m, steel.youngs_pa), plate, plate)
    tilt = ring_tilt_nm_rad(head.stud_count, radius, each)
    shear = head.stud_count * rod_sway_n_m(head.stud_m, head.free_length_m, steel.youngs_pa)
    length = head.free_length_m
    rods = head.stud_count * math.pi / 4.0 * head.stud_m**2 * steel.density_kg_m3
    return CrossSection(
        tilt * length,
        tilt * length,
        shear * length,
        shear * length,
        shear * radius**2 * length,
        rods,
        0.0,
        0.0,
        rods * radius**2,
    )


def _payload_bodies(payload: Payload) -> list[tuple[float, tuple[float, float, float], FloatArray]]:
    """Return mass, centre (from the tip) and inertia of mount, telescope and counterweight.

    The telescope is a slender rod along its pointing direction; the counterweight balances it
    about the axis at the height of the axes, or, where its mass is 0, there is none.
    """
    none = np.zeros((3, 3))
    altitude = math.radians(payload.pointing_altitude_deg)
    pointing = np.array([0.0, math.cos(altitude), math.sin(altitude)])
    rod = payload.telescope_kg * payload.telescope_length_m**2 / 12.0
    arm, height = payload.telescope_arm_m, payload.axis_height_m
    bodies = [
        (payload.mount_kg, (0.0, 0.0, payload.mount_height_m), none),
        (
            payload.telescope_kg,
            (arm, 0.0, height),
            rod * (np.eye(3) - np.outer(pointing, pointing)),
        ),
    ]
    if payload.counterweight_kg > 0.0:
        opposite = -arm * payload.telescope_kg / payload.counterweight_kg
        bodies.append((payload.counterweight_kg, (opposite, 0.0, height), none))
    return bodies


def build_pier(setup: PierSetup, elements: int = const.PIER_ELEMENTS) -> _PierModel:
    """Return the frame of a declared pier.

    `elements`: beam elements for each stretch; a stretch in which webs end is split there first.
    """
    pieces = _column_pieces(setup, elements)
    has_head = setup.head is not None
    first = 1 if setup.footing is not None and setup.base is not None else 0
    top = first + len(pieces)
    tip = top + 1 if has_head else top
    frame = Frame(tip + 1)
    for k, (length, section) in enumerate(pieces):
        frame.add_beam(first + k, first + k + 1, length, section)
    mass = sum(length * section.mass_kg_m for length, section in pieces)
    _add_foot(frame, setup, first)
    if setup.head is not None:
        frame.add_beam(top, tip, setup.head.free_length_m, _head_beam(setup.head))
        # Upper and lower plate carry half of the head's mass each.
        for node in (top, tip):
            frame.add_body(node, setup.head.mass_kg / 2.0, (0.0, 0.0, 0.0), np.zeros((3, 3)))
        mass += setup.head.mass_kg
    for body_kg, centre, inertia in _payload_bodies(setup.payload):
        frame.add_body(tip, body_kg, centre, inertia)
        mass += body_kg
    return _PierModel(frame, first, top, tip, setup.payload.axis_height_m, mass)


def _column_pieces(setup: PierSetup, elements: int) -> list[tuple[float, CrossSection]]:
    webs, pieces, below = setup.webs, [], 0.0
    for section in setup.sections:
        cuts = [0.0, 1.0]
        if webs is not None and below < webs.height_m < below + section.length_m:
            cuts.insert(1, (webs.height_m - below) / section.length_m)
        for low, high in pairwise(cuts):
            length = (high - low) * section.length_m / elements
            for k in range(elements):
                share = low + (high - low) * (k + 0.5) / elements
                here = section_at(section, share, webs, below + share * section.length_m)
                pieces.append((length, here))
        below += section.length_m
    return pieces


def _add_foot(frame: Frame, setup: PierSetup, first: int) -> None:
    lowest = setup.sections[0]
    if setup.base is not None:
        width = lowest.outer_m or min(lowest.width_m or 0.0, lowest.depth_m or 0.0)
        reach = setup.webs.reach_foot_m if setup.webs is not None else 0.0
        spring = base_spring(setup.base, width / 2.0 + reach)
        stiff = (spring.sway_n_m, spring.sway_n_m, spring.tilt_nm_rad, spring.tilt_nm_rad)
        below = None if setup.footing is None else 0
        frame.add_spring(first, (*stiff, spring.twist_nm_rad), below)
    if setup.footing is None:
        if setup.base is None:
            frame.hold(first)
        return
    block = setup.footing
    if block.soil is not None:
        modulus, poisson = SOILS[block.soil]
    else:
        modulus, poisson = float(block.soil_shear_pa or 0.0), block.soil_poisson
    along_x, along_y = footing_spring(block.width_m, block.depth_m, modulus, poisson)
    a, b, c = block.width_m, block.depth_m, block.thickness_m
    mass = MATERIALS["concrete"].density_kg_m3 * a * b * c
    inertia = mass / 12.0 * np.diag([b**2 + c**2, a**2 + c**2, a**2 + b**2])
    frame.add_body(0, mass, (0.0, 0.0, -c / 2.0), inertia)
    # A force along x rocks the block about y, so the rocking springs swap places. The soil acts
    # on the underside, the node sits on the top of the block.
    sway, rock_x, rock_y = along_x.sway_n_m, along_x.tilt_nm_rad, along_y.tilt_nm_rad
    frame.add_spring(
        0, (sway, sway, rock_y + sway * c**2, rock_x + sway * c**2, along_x.twist_nm_rad)
    )
    for shift, turn, sign in ((0, 3, -1.0), (1, 2, 1.0)):
        frame.stiffness[shift, turn] += sign * sway * c
        frame.stiffness[turn, shift] += sign * sway * c


class StiffnessTable(Part):
    """Rotation of the mount's foot under unit loads."""

    # For a force at the tip along x and along y.
    tilt_x_arcsec_n: float
    tilt_y_arcsec_n: float
    # For a force at the height of the mount's axes, as wind on the telescope.
    tilt_at_axis_height_x_arcsec_n: float
    tilt_at_axis_height_y_arcsec_n: float
    # For a moment in the x-z and the y-z plane, and about z.
    tilt_x_arcsec_nm: float
    tilt_y_arcsec_nm: float
    twist_arcsec_nm: float
    # Shift of the tip for a force there; moves no star, given for comparison with a gauge.
    deflection_x_um_n: float
    deflection_y_um_n: float
    # Part of `tilt_at_axis_height_x_arcsec_n` that arises in the foot, the column and the head.
    tilt_shares: dict[str, float]

    @property
    def worse_arcsec_n(self) -> float:
        """Tilt for a force at the height of the axes, the worse direction."""
        return max(self.tilt_at_axis_height_x_arcsec_n, self.tilt_at_axis_height_y_arcsec_n)


def tilt_per_load(model: _PierModel) -> StiffnessTable:
    """Return how far the mount tilts for unit loads.

    The image of a star moves with the rotation of the optical axis, not with its shift; by the
    whole of it when the telescope points at right angles to the axis of rotation, by none of it
    when it points along that axis.
    """
    frame, at = model.frame, DOF * model.tip

    def respond(**loads: float) -> FloatArray:
        load = np.zeros(DOF * frame.n_nodes)
        places = {"fx": SHIFT_X, "fy": SHIFT_X + 1, "mx": TURN_X, "my": TURN_Y, "mz": TURN_Z}
        for name, value in loads.items():
            load[at + places[name]] = value
        return frame.solve(load)

    h = model.axis_height_m
    force_x, force_y = respond(fx=1.0), respond(fy=1.0)
    wind_x, wind_y = respond(fx=1.0, my=h), respond(fy=1.0, mx=-h)
    foot = wind_x[DOF * model.foot + TURN_Y]
    top = wind_x[DOF * model.top + TURN_Y]
    tip = wind_x[at + TURN_Y]
    return StiffnessTable(
        tilt_x_arcsec_n=float(force_x[at + TURN_Y]) * const.ARCSEC_PER_RADIAN,
        tilt_y_arcsec_n=float(-force_y[at + TURN_X]) * const.ARCSEC_PER_RADIAN,
        tilt_at_axis_height_x_arcsec_n=float(tip) * const.ARCSEC_PER_RADIAN,
        tilt_at_axis_height_y_arcsec_n=float(-wind_y[at + TURN_X]) * const.ARCSEC_PER_RADIAN,
        tilt_x_arcsec_nm=float(respond(my=1.0)[at + TURN_Y]) * const.ARCSEC_PER_RADIAN,
        tilt_y_arcsec_nm=float(respond(mx=1.0)[at + TURN_X]) * const.ARCSEC_PER_RADIAN,
        twist_arcsec_nm=float(respond(mz=1.0)[at + TURN_Z]) * const.ARCSEC_PER_RADIAN,
        deflection_x_um_n=float(force_x[at + SHIFT_X]) * 1e6,
        deflection_y_um_n=float(force_y[at + SHIFT_X + 1]) * 1e6,
        tilt_shares={
            "foot": float(foot / tip),
            "column": float((top - foot) / tip),
            "head": float((tip - top) / tip),
        },
    )


class ModeRow(Part):
    """A natural frequency with its 68 % interval."""

    frequency_hz: float
    low_hz: float
    high_hz: float
    kind: str  # "bending x", "bending y", "bending x and y", "torsion" or "mixed"
    # Part of the mode's kinetic energy in bending along x, along y and torsion.
    energy_shares: dict[str, float]
    # Rotation of the mount's foot for each micrometre of its horizontal shift, None for a twist,
    # which shifts nothing.
    tilt_arcsec_um: float | None


def pier_modes(model: _PierModel, count: int = 6) -> list[ModeRow]:
    """Return the lowest modes in order of frequency."""
    frame, at = model.frame, DOF * model.tip
    frequencies, shapes = frame.modes(count)
    found = []
    for frequency, shape in zip(frequencies, shapes, strict=True):
        energy = shape * (frame.mass @ shape)
        parts = energy.reshape(-1, DOF).sum(axis=0)
        total = float(parts.sum())
        shares = {
            "bending x": float(parts[SHIFT_X] + parts[TURN_Y]) / total,
            "bending y": float(parts[SHIFT_X + 1] + parts[TURN_X]) / total,
            "torsion": float(parts[TURN_Z]) / total,
        }
        move_um = math.hypot(shape[at], shape[at + 1]) * 1e6
        tilt = math.hypot(shape[at + TURN_X], shape[at + TURN_Y]) * const.ARCSEC_PER_RADIAN
        kind = _name_mode(shares)
        ratio = None if kind == "torsion" else float(tilt / move_um)
        found.append(
            ModeRow(
                frequency_hz=float(frequency),
                low_hz=float(frequency) * (1.0 - const.PIER_MODEL_SIGMA),
                high_hz=float(frequency) * (1.0 + const.PIER_MODEL_SIGMA),
                kind=kind,
                energy_shares=shares,
                tilt_arcsec_um=ratio,
            )
        )
    return found


def _name_mode(shares: dict[str, float]) -> str:
    name, largest = max(shares.items(), key=lambda item: item[1])
    if largest > const.PIER_MODE_MOSTLY:
        return name
    # Equal stiffness along x and y leaves the direction open.
    return "mixed" if shares["torsion"] > 1.0 - const.PIER_MODE_MOSTLY else "bending x and y"


@dataclass(frozen=True)
class _SupportSpring:
    """Stiffness of a support, the same for x and y."""

    sway_n_m: float  # against horizontal shift [N/m]
    tilt_nm_rad: float  # against rocking [N m/rad]
    twist_nm_rad: float  # against rotation about z [N m/rad]


def in_series(*stiffnesses: float) -> float:
    """Return the stiffness of springs in series; an infinite one changes nothing."""
    softness = sum(1.0 / stiffness for stiffness in stiffnesses)
    return math.inf if softness == 0.0 else 1.0 / softness


def rod_axial_n_m(diameter_m: float, free_length_m: float, youngs_pa: float) -> float:
    """Return E A_s / l of a threaded rod [N/m]."""
    area = const.THREAD_AREA_FACTOR * math.pi / 4.0 * diameter_m**2
    return youngs_pa * area / free_length_m


def rod_sway_n_m(diameter_m: float, free_length_m: float, youngs_pa: float) -> float:
    """Return 12 E I / l^3 of a rod whose ends stay parallel, on the thread's effective area."""
    second_moment = math.pi / 64.0 * (const.THREAD_AREA_FACTOR * diameter_m**2) ** 2
    return 12.0 * youngs_pa * second_moment / free_length_m**3


def plate_strip_n_m(
    overhang_m: float, strip_width_m: float, thickness_m: float, youngs_pa: float
) -> float:
    """Return the stiffness at a bolt of the plate between it and the column's wall.

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

    A strip clamped at both edges of the slot with the bolt's pull in the middle,
    192 E I / s^3 (Roark, from memory).
    """
    second_moment = washer_width_m * thickness_m**3 / 12.0
    return 192.0 * youngs_pa * second_moment / slot_width_m**3


def ring_tilt_nm_rad(count: int, circle_radius_m: float, each_n_m: float) -> float:
    """Return the rocking stiffness of three or more equal vertical springs on a circle.

    The sum of k (R cos phi)^2 over equally spaced angles is count k R^2 / 2 about any axis.
    """
    return count * each_n_m * circle_radius_m**2 / 2.0


def footing_spring(
    width_m: float, depth_m: float, soil_shear_pa: float, soil_poisson: float
) -> tuple[_SupportSpring, _SupportSpring]:
    """Return the springs of a rigid block on soil, for forces along x and along y.

    `width_m`, `depth_m`: plan along x and y [m]. `soil_shear_pa`: small-strain shear modulus of the
    ground.

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
        _SupportSpring(sway, rocking(width_m, depth_m), twist),
        _SupportSpring(sway, rocking(depth_m, width_m), twist),
    )
