"""A declared pier as a frame of beams and springs: its modes, and the tilt that loads cause.

A small finite-element model: Timoshenko beams, springs and rigid bodies. Each node moves in five
ways, in this order: shift along x and y [m], rotation about x, y and z [rad]. Length along z is
taken as fixed. A rotation about +y tips the top toward +x, one about +x tips it toward -y
(right-handed).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from blursplit import constants as const
from blursplit.pier.setup import Base, Head, Payload, PierSetup, Section, Webs
from blursplit.result import Part
from blursplit.types import FloatArray, IntArray, sure

DOF = const.PIER_DOF
SHIFT_X, SHIFT_Y, TURN_X, TURN_Y, TURN_Z = range(DOF)


def _bending_stiffness(length_m: float, ei_n_m2: float, ga_n: float) -> FloatArray:
    """Return the 4x4 stiffness of a Timoshenko element for (shift, slope) at both ends.

    Przemieniecki 1968 (from memory), Phi = 12 EI / (GA_s L^2); Phi = 0 (GA infinite) is the
    Euler-Bernoulli element.
    """
    L, phi = length_m, 12.0 * ei_n_m2 / (ga_n * length_m**2)
    shape = np.array(
        [
            [12.0, 6.0 * L, -12.0, 6.0 * L],
            [6.0 * L, (4.0 + phi) * L**2, -6.0 * L, (2.0 - phi) * L**2],
            [-12.0, -6.0 * L, 12.0, -6.0 * L],
            [6.0 * L, (2.0 - phi) * L**2, -6.0 * L, (4.0 + phi) * L**2],
        ]
    )
    return ei_n_m2 / (L**3 * (1.0 + phi)) * shape


def _bending_mass(
    length_m: float, ei_n_m2: float, ga_n: float, mass_kg_m: float, inertia_kg_m: float
) -> FloatArray:
    """Return the 4x4 consistent mass of a Timoshenko element, rotary inertia included.

    Przemieniecki 1968 (from memory); the tests check it by the frequencies it gives.
    """
    L, phi = length_m, 12.0 * ei_n_m2 / (ga_n * length_m**2)
    a = 13.0 / 35.0 + 7.0 * phi / 10.0 + phi**2 / 3.0
    b = (11.0 / 210.0 + 11.0 * phi / 120.0 + phi**2 / 24.0) * L
    c = 9.0 / 70.0 + 3.0 * phi / 10.0 + phi**2 / 6.0
    d = (13.0 / 420.0 + 3.0 * phi / 40.0 + phi**2 / 24.0) * L
    e = (1.0 / 105.0 + phi / 60.0 + phi**2 / 120.0) * L**2
    f = (1.0 / 140.0 + phi / 60.0 + phi**2 / 120.0) * L**2
    shifting = np.array([[a, b, c, -d], [b, e, d, -f], [c, d, a, -b], [-d, -f, -b, e]])
    g = (0.1 - phi / 2.0) * L
    h = (2.0 / 15.0 + phi / 6.0 + phi**2 / 3.0) * L**2
    i = (-1.0 / 30.0 - phi / 6.0 + phi**2 / 6.0) * L**2
    turning = np.array([[1.2, g, -1.2, g], [g, h, -g, i], [-1.2, -g, 1.2, -g], [g, i, -g, h]])
    scale = (1.0 + phi) ** 2
    return (mass_kg_m * L / scale) * shifting + (inertia_kg_m / (L * scale)) * turning


@dataclass
class _Frame:
    """Stiffness and mass of an upright that is put together piece by piece."""

    n_nodes: int
    stiffness: FloatArray = field(init=False)
    mass: FloatArray = field(init=False)
    held: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        size = DOF * self.n_nodes
        self.stiffness = np.zeros((size, size))
        self.mass = np.zeros((size, size))

    def add_beam(self, lower: int, upper: int, length_m: float, section: _CrossSection) -> None:
        """Join two nodes by one beam element."""
        low, up = DOF * lower, DOF * upper
        # In the y-z plane the slope is minus the rotation about x.
        for shift, tilt, sign, axis in ((SHIFT_X, TURN_Y, 1, "x"), (SHIFT_Y, TURN_X, -1, "y")):
            index = [low + shift, low + tilt, up + shift, up + tilt]
            ei, ga = getattr(section, f"ei_{axis}_n_m2"), getattr(section, f"ga_{axis}_n")
            inertia = getattr(section, f"inertia_{axis}_kg_m")
            flip = np.outer([1, sign, 1, sign], [1, sign, 1, sign])
            where = np.ix_(index, index)
            self.stiffness[where] += flip * _bending_stiffness(length_m, ei, ga)
            self.mass[where] += flip * _bending_mass(length_m, ei, ga, section.mass_kg_m, inertia)
        where = np.ix_([low + TURN_Z, up + TURN_Z], [low + TURN_Z, up + TURN_Z])
        self.stiffness[where] += section.gj_n_m2 / length_m * np.array([[1.0, -1.0], [-1.0, 1.0]])
        twist_mass = section.inertia_z_kg_m * length_m / 6.0
        self.mass[where] += twist_mass * np.array([[2.0, 1.0], [1.0, 2.0]])

    def add_spring(self, upper: int, stiffness: Sequence[float], lower: int | None = None) -> None:
        """Join two nodes at one place, or a node and the ground, by five springs.

        `stiffness` (5,): for shift x, y [N/m] and turn x, y, z [N m/rad]; must be
        finite. `lower`: none is the ground.
        """
        up, springs = np.arange(DOF) + DOF * upper, np.array(stiffness)
        self.stiffness[up, up] += springs
        if lower is not None:
            low = np.arange(DOF) + DOF * lower
            self.stiffness[low, low] += springs
            self.stiffness[low, up] -= springs
            self.stiffness[up, low] -= springs

    def add_body(
        self, node: int, mass_kg: float, offset_m: Sequence[float], inertia_kg_m2: FloatArray
    ) -> None:
        """Fix a rigid body to a node.

        `offset_m` (3,): centre of mass from the node. `inertia_kg_m2` (3, 3):
        about the centre of mass.
        """
        x, y, z = offset_m
        shift = np.array([[1.0, 0.0, 0.0, z, -y], [0.0, 1.0, -z, 0.0, x], [0.0, 0.0, y, -x, 0.0]])
        turn = np.zeros((3, DOF))
        turn[:, TURN_X:] = np.eye(3)
        span = slice(DOF * node, DOF * node + DOF)
        self.mass[span, span] += mass_kg * shift.T @ shift + turn.T @ inertia_kg_m2 @ turn

    def hold(self, node: int) -> None:
        """Clamp a node to the ground."""
        self.held.update(range(DOF * node, DOF * node + DOF))

    def _free(self) -> IntArray:
        return np.setdiff1d(np.arange(DOF * self.n_nodes), sorted(self.held))

    def solve(self, load: FloatArray) -> FloatArray:
        """Return the static displacements, shape (5 n_nodes,), under a load of that shape."""
        free = self._free()
        answer = np.zeros(DOF * self.n_nodes)
        answer[free] = np.linalg.solve(self.stiffness[np.ix_(free, free)], load[free])
        return answer

    def modes(self, count: int) -> tuple[FloatArray, FloatArray]:
        """Return the lowest frequencies [Hz], shape (count,), and shapes (count, 5 n_nodes).

        Shapes are scaled to unit generalised mass.
        """
        from scipy.linalg import eigh

        free = self._free()
        inner = np.ix_(free, free)
        last = min(count, free.size) - 1
        squared, vectors = eigh(self.stiffness[inner], self.mass[inner], subset_by_index=(0, last))
        shapes = np.zeros((last + 1, DOF * self.n_nodes))
        shapes[:, free] = vectors.T
        return np.sqrt(np.maximum(squared, 0.0)) / (2.0 * np.pi), shapes


@dataclass(frozen=True)
class _Material:
    """Elastic constants and density, all common practice without a source."""

    # `youngs_pa`, `shear_pa`: Young's modulus and shear modulus [Pa].
    youngs_pa: float
    shear_pa: float
    density_kg_m3: float

    @property
    def poisson(self) -> float:
        """Poisson's ratio that belongs to the two moduli."""
        return self.youngs_pa / (2.0 * self.shear_pa) - 1.0


MATERIALS = {name: _Material(*row) for name, row in const.PIER_MATERIALS.items()}
STEEL = MATERIALS["steel"]


@dataclass(frozen=True)
class _CrossSection:
    """What a beam element needs to know of a cross-section."""

    # `ei_x_n_m2`, `ei_y_n_m2`: bending stiffness in the x-z and y-z planes [N m^2].
    ei_x_n_m2: float
    ei_y_n_m2: float
    # `ga_x_n`, `ga_y_n`: shear stiffness, shear factor included [N].
    ga_x_n: float
    ga_y_n: float
    gj_n_m2: float  # torsional stiffness [N m^2]
    mass_kg_m: float  # mass per length
    # `inertia_x_kg_m`, `inertia_y_kg_m`, `inertia_z_kg_m`: rotary inertia per length in the x-z
    # plane, the y-z plane and about z [kg m].
    inertia_x_kg_m: float
    inertia_y_kg_m: float
    inertia_z_kg_m: float

    @classmethod
    def even(
        cls, ei_n_m2: float, ga_n: float, gj_n_m2: float, mass_kg_m: float, rotary_kg_m: float
    ) -> _CrossSection:
        """Return a section that bends alike along x and y."""
        rotary = (rotary_kg_m, rotary_kg_m, 2.0 * rotary_kg_m)
        return cls(ei_n_m2, ei_n_m2, ga_n, ga_n, gj_n_m2, mass_kg_m, *rotary)

    def __add__(self, other: _CrossSection) -> _CrossSection:
        """Join two shapes that bend together about the same axis."""
        mine, theirs = vars(self), vars(other)
        return _CrossSection(**{name: mine[name] + theirs[name] for name in mine})


def _round_section(outer_m: float, wall_m: float | None, material: _Material) -> _CrossSection:
    """Return a round tube, or a solid round column where the wall is None.

    A = pi/4 (Do^2 - Di^2), I = pi/64 (Do^4 - Di^4), J = 2 I. Shear factor of a hollow circle
    6 (1+nu)(1+m^2)^2 / [(7+6 nu)(1+m^2)^2 + (20+12 nu) m^2] with m = Di/Do (Cowper 1966, from
    memory; its thin limit 2(1+nu)/(4+3 nu) and solid limit 6(1+nu)/(7+6 nu) are tested).
    """
    inner = 0.0 if wall_m is None else outer_m - 2.0 * wall_m
    area = math.pi / 4.0 * (outer_m**2 - inner**2)
    second_moment = math.pi / 64.0 * (outer_m**4 - inner**4)
    nu, ratio = material.poisson, (inner / outer_m) ** 2
    factor = 6.0 * (1.0 + nu) * (1.0 + ratio) ** 2
    factor /= (7.0 + 6.0 * nu) * (1.0 + ratio) ** 2 + (20.0 + 12.0 * nu) * ratio
    return _CrossSection.even(
        material.youngs_pa * second_moment,
        factor * material.shear_pa * area,
        2.0 * material.shear_pa * second_moment,
        material.density_kg_m3 * area,
        material.density_kg_m3 * second_moment,
    )


def _box_section(
    width_m: float, depth_m: float, wall_m: float | None, material: _Material
) -> _CrossSection:
    """Return a rectangular box (width along x, depth along y), or a solid block (wall None).

    Torsion of the thin box by Bredt, J = 2 t (b h)^2 / (b + h) on the wall's middle line; of the
    solid block by b h^3 [1/3 - 0.21 h/b (1 - h^4/(12 b^4))] (Roark, from memory).
    """
    inner_w = 0.0 if wall_m is None else width_m - 2.0 * wall_m
    inner_d = 0.0 if wall_m is None else depth_m - 2.0 * wall_m
    area = width_m * depth_m - inner_w * inner_d
    moment_x = (depth_m * width_m**3 - inner_d * inner_w**3) / 12.0
    moment_y = (width_m * depth_m**3 - inner_w * inner_d**3) / 12.0
    long, short = max(width_m, depth_m), min(width_m, depth_m)
    nu = material.poisson
    if wall_m is None:
        torsion = long * short**3
        torsion *= 1.0 / 3.0 - 0.21 * short / long * (1.0 - (short / long) ** 4 / 12.0)
        factor_x = factor_y = 10.0 * (1.0 + nu) / (12.0 + 11.0 * nu)
    else:
        middle_w, middle_d = width_m - wall_m, depth_m - wall_m
        torsion = 2.0 * wall_m * (middle_w * middle_d) ** 2 / (middle_w + middle_d)
        factor_x = _thin_box_shear_factor(across_m=middle_d, along_m=middle_w, poisson=nu)
        factor_y = _thin_box_shear_factor(across_m=middle_w, along_m=middle_d, poisson=nu)
    density = material.density_kg_m3
    return _CrossSection(
        material.youngs_pa * moment_x,
        material.youngs_pa * moment_y,
        factor_x * material.shear_pa * area,
        factor_y * material.shear_pa * area,
        material.shear_pa * torsion,
        density * area,
        density * moment_x,
        density * moment_y,
        density * (moment_x + moment_y),
    )


def _thin_box_shear_factor(*, across_m: float, along_m: float, poisson: float) -> float:
    """Return the shear factor of a thin box of even wall for a force along its side `along_m`.

    Cowper 1966 (from memory), m = n = across/along for an even wall; at nu = 0 it equals the
    strain-energy integral of the shear flow, which the tests compute.
    """
    m = across_m / along_m
    numerator = 10.0 * (1.0 + poisson) * (1.0 + 3.0 * m) ** 2
    denominator = 12.0 + 72.0 * m + 150.0 * m**2 + 90.0 * m**3
    denominator += poisson * (11.0 + 66.0 * m + 135.0 * m**2 + 90.0 * m**3)
    denominator += 10.0 * m**2 * ((3.0 + poisson) * m + 3.0 * m**2)
    return numerator / denominator


def _web_section(
    count: int, reach_m: float, thickness_m: float, radius_m: float, material: _Material
) -> _CrossSection:
    """Return `count` equally spaced radial webs standing `reach_m` out of a wall at `radius_m`.

    For three or more webs the second moment is the same about every axis:
    I = count/2 [t ((R+b)^3 - R^3)/3 + b t^3/12]. Torsion of open plates: count b t^3/3. Webs are
    taken as fully working from end to end; in truth a web needs about its own reach to take up
    its load, so short webs are flattered.
    """
    if reach_m <= 0.0:
        return _CrossSection(*([0.0] * 9))
    outer = radius_m + reach_m
    area = count * reach_m * thickness_m
    radial = thickness_m * (outer**3 - radius_m**3) / 3.0
    second_moment = count / 2.0 * (radial + reach_m * thickness_m**3 / 12.0)
    # Half of the webs' area lies along any one direction; 5/6 for a rectangle (Timoshenko).
    shear = 5.0 / 6.0 * material.shear_pa * area / 2.0
    return _CrossSection.even(
        material.youngs_pa * second_moment,
        shear,
        material.shear_pa * count * reach_m * thickness_m**3 / 3.0,
        material.density_kg_m3 * area,
        material.density_kg_m3 * second_moment,
    )


# --- the pier -------------------------------------------------------------------------------------
# A support: against shift along x and y [N/m], and against turns about x, y and z [N m/rad].
_Springs = tuple[float, float, float, float, float]


@dataclass(frozen=True)
class PierModel:
    """A pier ready for loads and modes."""

    frame: _Frame
    # `foot`, `top`, `tip`: nodes: lower end of the column, its upper end, and where the mount
    # stands.
    foot: int
    top: int
    tip: int
    axis_height_m: float  # height of the mount's axes above the tip
    mass_kg: float  # everything above the ground, the footing left out

    @classmethod
    def of(cls, setup: PierSetup, elements: int = const.PIER_ELEMENTS) -> PierModel:
        """Return the frame of a declared pier.

        `elements`: beam elements for each stretch; a stretch in which webs end is split there
        first.
        """
        pieces = _column_pieces(setup, elements)
        has_head = setup.head is not None
        first = 1 if setup.footing is not None and setup.base is not None else 0
        top = first + len(pieces)
        tip = top + 1 if has_head else top
        frame = _Frame(tip + 1)
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
        return cls(frame, first, top, tip, setup.payload.axis_height_m, mass)

    def modes(self, count: int = 6) -> list[ModeRow]:
        """Return the lowest modes in order of frequency."""
        frame, at = self.frame, DOF * self.tip
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

    @staticmethod
    def foot_stiffness_nm_rad(setup: PierSetup) -> float:
        """Return the column's own bending stiffness EI/L, by the section at its foot."""
        return _section_at(setup.sections[0], 0.0, setup.webs, 0.0).ei_x_n_m2 / setup.height_m


def _section_at(
    section: Section, share: float, webs: Webs | None, height_m: float
) -> _CrossSection:
    """Return the cross-section at a share of a stretch's length, webs included.

    `share`: 0 at the stretch's foot, 1 at its top. `height_m`: height of this place above the base
    plate [m].
    """
    material = MATERIALS[section.material]
    wall = None if section.wall_m is None else section.at("wall", share)
    if not section.is_round:
        return _box_section(section.at("width", share), section.at("depth", share), wall, material)
    outer = section.at("outer", share)
    plain = _round_section(outer, wall, material)
    if webs is None or height_m >= webs.height_m:
        return plain
    reach = webs.reach_foot_m + (webs.reach_top_m - webs.reach_foot_m) * height_m / webs.height_m
    return plain + _web_section(webs.count, reach, webs.thickness_m, outer / 2.0, material)


def _head_beam(head: Head) -> _CrossSection:
    """Return an open studded head as a short beam that has its shear and rocking stiffness.

    Rocking count (EA/l) R^2/2 in series with both plates, shear count 12 EI/l^3, twist the
    shear times R^2. A beam of length l with EI = k_tilt l and GA_s = k_shear l has just these
    and keeps the equilibrium of force and moment over the head's height.
    """
    count, radius, length = head.stud_count, head.stud_circle_m / 2.0, head.free_length_m
    overhang, share = radius - head.mount_foot_m / 2.0, 2.0 * math.pi * radius / count
    plate = _plate_strip_n_m(overhang, head.stud_m, share, head.plate_thickness_m)
    each = _in_series(_rod_axial_n_m(head.stud_m, length), plate, plate)
    tilt = _ring_tilt_nm_rad(count, radius, each) * length
    shear = count * _rod_sway_n_m(head.stud_m, length) * length
    rods = count * math.pi / 4.0 * head.stud_m**2 * STEEL.density_kg_m3
    turning = (0.0, 0.0, rods * radius**2)
    return _CrossSection(tilt, tilt, shear, shear, shear * radius**2, rods, *turning)


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
    turning = rod * (np.eye(3) - np.outer(pointing, pointing))
    bodies = [
        (payload.mount_kg, (0.0, 0.0, payload.mount_height_m), none),
        (payload.telescope_kg, (arm, 0.0, height), turning),
    ]
    if payload.counterweight_kg > 0.0:
        opposite = -arm * payload.telescope_kg / payload.counterweight_kg
        bodies.append((payload.counterweight_kg, (opposite, 0.0, height), none))
    return bodies


def _column_pieces(setup: PierSetup, elements: int) -> list[tuple[float, _CrossSection]]:
    webs, pieces, below = setup.webs, [], 0.0
    for section in setup.sections:
        cuts = [0.0, 1.0]
        if webs is not None and below < webs.height_m < below + section.length_m:
            cuts.insert(1, (webs.height_m - below) / section.length_m)
        for low, high in pairwise(cuts):
            length = (high - low) * section.length_m / elements
            for k in range(elements):
                share = low + (high - low) * (k + 0.5) / elements
                here = _section_at(section, share, webs, below + share * section.length_m)
                pieces.append((length, here))
        below += section.length_m
    return pieces


def _add_foot(frame: _Frame, setup: PierSetup, first: int) -> None:
    lowest = setup.sections[0]
    if setup.base is not None:
        width = lowest.outer_m or min(lowest.width_m or 0.0, lowest.depth_m or 0.0)
        reach = setup.webs.reach_foot_m if setup.webs is not None else 0.0
        below = None if setup.footing is None else 0
        frame.add_spring(first, _base_springs(setup.base, width / 2.0 + reach), below)
    if setup.footing is None:
        if setup.base is None:
            frame.hold(first)
        return
    block = setup.footing
    modulus, poisson = float(block.soil_shear_pa or 0.0), block.soil_poisson
    if block.soil is not None:
        modulus, poisson = const.PIER_SOILS[block.soil]
    a, b, c = block.width_m, block.depth_m, block.thickness_m
    mass = MATERIALS["concrete"].density_kg_m3 * a * b * c
    inertia = mass / 12.0 * np.diag([b**2 + c**2, a**2 + c**2, a**2 + b**2])
    frame.add_body(0, mass, (0.0, 0.0, -c / 2.0), inertia)
    # The soil acts on the underside, the node sits on the top of the block.
    sway, _, rock_x, rock_y, twist = _footing_springs(a, b, modulus, poisson)
    frame.add_spring(0, (sway, sway, rock_x + sway * c**2, rock_y + sway * c**2, twist))
    for shift, turn, sign in ((0, 3, -1.0), (1, 2, 1.0)):
        frame.stiffness[shift, turn] += sign * sway * c
        frame.stiffness[turn, shift] += sign * sway * c


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


def _name_mode(shares: dict[str, float]) -> str:
    name, largest = max(shares.items(), key=lambda item: item[1])
    if largest > const.PIER_MODE_MOSTLY:
        return name
    # Equal stiffness along x and y leaves the direction open.
    return "mixed" if shares["torsion"] > 1.0 - const.PIER_MODE_MOSTLY else "bending x and y"


# --- supports: springs at rods, plates and ground -------------------------------------------------
def _in_series(*stiffnesses: float) -> float:
    """Return the stiffness of springs in series; an infinite one changes nothing."""
    softness = sum(1.0 / stiffness for stiffness in stiffnesses)
    return math.inf if softness == 0.0 else 1.0 / softness


def _rod_axial_n_m(diameter_m: float, free_length_m: float) -> float:
    """Return E A_s / l of a threaded rod of steel [N/m]."""
    area = const.THREAD_AREA_FACTOR * math.pi / 4.0 * diameter_m**2
    return STEEL.youngs_pa * area / free_length_m


def _rod_sway_n_m(diameter_m: float, free_length_m: float) -> float:
    """Return 12 E I / l^3 of a rod whose ends stay parallel, on the thread's effective area."""
    second_moment = math.pi / 64.0 * (const.THREAD_AREA_FACTOR * diameter_m**2) ** 2
    return 12.0 * STEEL.youngs_pa * second_moment / free_length_m**3


def _plate_strip_n_m(overhang_m: float, rod_m: float, share_m: float, thickness_m: float) -> float:
    """Return the stiffness at a rod of the plate between it and the column's wall.

    A cantilever strip, 3 E b t^3 / (12 a^3) (Roark, from memory): the rod at its end, the wall
    as its clamp. Crude within a factor of two, because a real plate also bends the wall. The rod
    draws on the plate at 45 degrees from it, at most on its share of the circle, `share_m`.
    """
    if overhang_m <= 0.0:
        return math.inf
    width_m = min(2.0 * max(overhang_m, rod_m), share_m)
    return 3.0 * STEEL.youngs_pa * width_m * thickness_m**3 / 12.0 / overhang_m**3


def _washer_bridge_n_m(slot_width_m: float, washer_width_m: float, thickness_m: float) -> float:
    """Return the stiffness of a washer that bridges a slotted hole.

    A strip clamped at both edges of the slot with the bolt's pull in the middle,
    192 E I / s^3 (Roark, from memory).
    """
    second_moment = washer_width_m * thickness_m**3 / 12.0
    return 192.0 * STEEL.youngs_pa * second_moment / slot_width_m**3


def _ring_tilt_nm_rad(count: int, circle_radius_m: float, each_n_m: float) -> float:
    """Return the rocking stiffness of three or more equal vertical springs on a circle.

    The sum of k (R cos phi)^2 over equally spaced angles is count k R^2 / 2 about any axis.
    """
    return count * each_n_m * circle_radius_m**2 / 2.0


def _base_springs(base: Base, wall_radius_m: float) -> _Springs:
    """Return the springs of base plate and bolts under a column of the given radius."""
    rigid_n_m, rigid = const.PIER_STIFF_N_M, const.PIER_STIFF_NM_RAD
    if base.tilt_nm_rad is not None:
        return rigid_n_m, rigid_n_m, base.tilt_nm_rad, base.tilt_nm_rad, rigid
    count, radius = base.bolt_count, sure(base.bolt_circle_m) / 2.0  # the setup's own check
    share = 2.0 * math.pi * radius / count
    bolt = _rod_axial_n_m(base.bolt_m, base.free_length_m)
    if base.grout_m is not None:
        # Bedded on grout the plate no longer spans; bolts and bed work side by side.
        plan = 2.0 * radius + 4.0 * base.bolt_m
        # E I/t of a square plate: it holds while preload keeps the whole plate pressed down
        bed = const.GROUT_PA * plan**4 / 12.0 / base.grout_m
        tilt = _ring_tilt_nm_rad(count, radius, bolt) + bed
        return rigid_n_m, rigid_n_m, tilt, tilt, rigid
    overhang = radius - wall_radius_m
    parts = [bolt, _plate_strip_n_m(overhang, base.bolt_m, share, base.plate_thickness_m)]
    if base.slot_width_m is not None:
        wide = 2.0 * base.bolt_m
        parts.append(_washer_bridge_n_m(base.slot_width_m, wide, base.washer_thickness_m))
    tilt = _ring_tilt_nm_rad(count, radius, _in_series(*parts))
    sway = count * _rod_sway_n_m(base.bolt_m, base.free_length_m)
    return sway, sway, tilt, tilt, sway * radius**2


def _footing_springs(width_m: float, depth_m: float, shear_pa: float, poisson: float) -> _Springs:
    """Return the springs of a rigid block on soil.

    `width_m`, `depth_m`: plan along x and y [m]. `shear_pa`: small-strain shear modulus of the
    ground.

    Rigid disc on an elastic half-space: sway 8 G r/(2 - nu), rocking 8 G r^3/(3 (1 - nu)), twist
    16 G r^3/3 (Richart, Hall and Woods 1970, from memory), with the radius that gives the
    rectangle the same area, second moment or polar moment. Embedment, which stiffens, and
    layering are left out.
    """
    area_radius = math.sqrt(width_m * depth_m / math.pi)
    polar = width_m * depth_m * (width_m**2 + depth_m**2)
    twist_radius = (polar / (6.0 * math.pi)) ** 0.25
    sway = 8.0 * shear_pa * area_radius / (2.0 - poisson)

    def rocking(along_m: float, across_m: float) -> float:
        radius = math.sqrt(math.sqrt(across_m * along_m**3 / (3.0 * math.pi)))
        return 8.0 * shear_pa * radius**3 / (3.0 * (1.0 - poisson))

    # A force along x rocks the block about y.
    rock_x, rock_y = rocking(depth_m, width_m), rocking(width_m, depth_m)
    return sway, sway, rock_x, rock_y, 16.0 * shear_pa * twist_radius**3 / 3.0
