"""A small finite-element model of an upright: Timoshenko beams, springs and rigid bodies.

Each node moves in five ways, in this order: shift along x and y [m], rotation about x, y and z
[rad]. Length along z is taken as fixed. A rotation about +y tips the top toward +x, one about
+x tips it toward -y (right-handed).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from blursplit.types import FloatArray, IntArray

DOF = 5  # of a node: it shifts and turns about both level axes, and twists
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
class Frame:
    """Stiffness and mass of an upright that is put together piece by piece."""

    n_nodes: int
    stiffness: FloatArray = field(init=False)
    mass: FloatArray = field(init=False)
    held: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        size = DOF * self.n_nodes
        self.stiffness = np.zeros((size, size))
        self.mass = np.zeros((size, size))

    def add_beam(self, lower: int, upper: int, length_m: float, section: CrossSection) -> None:
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
        for k, value in enumerate(stiffness):
            up = DOF * upper + k
            self.stiffness[up, up] += value
            if lower is not None:
                low = DOF * lower + k
                self.stiffness[low, low] += value
                self.stiffness[low, up] -= value
                self.stiffness[up, low] -= value

    def add_body(
        self, node: int, mass_kg: float, offset_m: Sequence[float], inertia_kg_m2: FloatArray
    ) -> None:
        """Fix a rigid body to a node.

        `offset_m` (3,): centre of mass from the node. `inertia_kg_m2` (3, 3):
        about the centre of mass.
        """
        x, y, z = offset_m
        shift = np.array(
            [
                [1.0, 0.0, 0.0, z, -y],
                [0.0, 1.0, -z, 0.0, x],
                [0.0, 0.0, y, -x, 0.0],
            ]
        )
        turn = np.zeros((3, DOF))
        turn[:, TURN_X:] = np.eye(3)
        span = slice(DOF * node, DOF * node + DOF)
        self.mass[span, span] += mass_kg * shift.T @ shift + turn.T @ inertia_kg_m2 @ turn

    def hold(self, node: int) -> None:
        """Clamp a node to the ground."""
        self.held.update(range(DOF * node, DOF * node + DOF))

    def _free(self) -> IntArray:
        return np.array(
            [k for k in range(DOF * self.n_nodes) if k not in self.held], dtype=np.int64
        )

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
class Material:
    """Elastic constants and density, all common practice without a source."""

    # `youngs_pa`, `shear_pa`: Young's modulus and shear modulus [Pa].
    youngs_pa: float
    shear_pa: float
    density_kg_m3: float

    @property
    def poisson(self) -> float:
        """Poisson's ratio that belongs to the two moduli."""
        return self.youngs_pa / (2.0 * self.shear_pa) - 1.0


# Concrete: uncracked, reinforcement ignored; a cracked column is several times softer.
MATERIALS: dict[str, Material] = {
    "steel": Material(2.05e11, 7.93e10, 7850.0),
    "aluminium": Material(7.0e10, 2.63e10, 2700.0),
    "concrete": Material(3.0e10, 1.25e10, 2400.0),
}


@dataclass(frozen=True)
class CrossSection:
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
    ) -> CrossSection:
        """Return a section that bends alike along x and y."""
        rotary = (rotary_kg_m, rotary_kg_m, 2.0 * rotary_kg_m)
        return cls(ei_n_m2, ei_n_m2, ga_n, ga_n, gj_n_m2, mass_kg_m, *rotary)

    def __add__(self, other: CrossSection) -> CrossSection:
        """Join two shapes that bend together about the same axis."""
        mine, theirs = vars(self), vars(other)
        return CrossSection(**{name: mine[name] + theirs[name] for name in mine})


def round_section(outer_m: float, wall_m: float | None, material: Material) -> CrossSection:
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
    return CrossSection.even(
        material.youngs_pa * second_moment,
        factor * material.shear_pa * area,
        2.0 * material.shear_pa * second_moment,
        material.density_kg_m3 * area,
        material.density_kg_m3 * second_moment,
    )


def box_section(
    width_m: float, depth_m: float, wall_m: float | None, material: Material
) -> CrossSection:
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
        factor_x = thin_box_shear_factor(across_m=middle_d, along_m=middle_w, poisson=nu)
        factor_y = thin_box_shear_factor(across_m=middle_w, along_m=middle_d, poisson=nu)
    density = material.density_kg_m3
    return CrossSection(
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


def thin_box_shear_factor(*, across_m: float, along_m: float, poisson: float) -> float:
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


def web_section(
    count: int, reach_m: float, thickness_m: float, radius_m: float, material: Material
) -> CrossSection:
    """Return `count` equally spaced radial webs standing `reach_m` out of a wall at `radius_m`.

    For three or more webs the second moment is the same about every axis:
    I = count/2 [t ((R+b)^3 - R^3)/3 + b t^3/12]. Torsion of open plates: count b t^3/3. Webs are
    taken as fully working from end to end; in truth a web needs about its own reach to take up
    its load, so short webs are flattered.
    """
    if reach_m <= 0.0:
        return CrossSection(*([0.0] * 9))
    outer = radius_m + reach_m
    area = count * reach_m * thickness_m
    radial = thickness_m * (outer**3 - radius_m**3) / 3.0
    second_moment = count / 2.0 * (radial + reach_m * thickness_m**3 / 12.0)
    # Half of the webs' area lies along any one direction; 5/6 for a rectangle (Timoshenko).
    shear = 5.0 / 6.0 * material.shear_pa * area / 2.0
    return CrossSection.even(
        material.youngs_pa * second_moment,
        shear,
        material.shear_pa * count * reach_m * thickness_m**3 / 3.0,
        material.density_kg_m3 * area,
        material.density_kg_m3 * second_moment,
    )
