"""A small finite-element model of an upright: Timoshenko beams, springs and rigid bodies.

Each node moves in five ways, in this order: shift along x and y [m], rotation about x, y and z
[rad]. Length along z is taken as fixed. A rotation about +y tips the top toward +x, one about
+x tips it toward -y (right-handed).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from blursplit.mechanics.sections import CrossSection

    Matrix = NDArray[np.float64]

DOF = 5
SHIFT_X, SHIFT_Y, TURN_X, TURN_Y, TURN_Z = range(DOF)


def bending_stiffness(length_m: float, ei_n_m2: float, ga_n: float) -> Matrix:
    """Return the 4x4 stiffness of a Timoshenko element for (shift, slope) at both ends.

    Notes
    -----
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


def bending_mass(
    length_m: float, ei_n_m2: float, ga_n: float, mass_kg_m: float, inertia_kg_m: float
) -> Matrix:
    """Return the 4x4 consistent mass of a Timoshenko element, rotary inertia included.

    Notes
    -----
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
    """Stiffness and mass of an upright that is put together piece by piece.

    Parameters
    ----------
    n_nodes : int
    """

    n_nodes: int
    stiffness: Matrix = field(init=False)
    mass: Matrix = field(init=False)
    held: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        size = DOF * self.n_nodes
        self.stiffness = np.zeros((size, size))
        self.mass = np.zeros((size, size))

    def add_beam(self, lower: int, upper: int, length_m: float, section: CrossSection) -> None:
        """Join two nodes by one beam element."""
        low, up = DOF * lower, DOF * upper
        # In the y-z plane the slope is minus the rotation about x.
        planes = (
            ([low + SHIFT_X, low + TURN_Y, up + SHIFT_X, up + TURN_Y], np.ones(4), "x"),
            (
                [low + SHIFT_Y, low + TURN_X, up + SHIFT_Y, up + TURN_X],
                np.array([1, -1, 1, -1]),
                "y",
            ),
        )
        for index, sign, axis in planes:
            ei, ga = getattr(section, f"ei_{axis}_n_m2"), getattr(section, f"ga_{axis}_n")
            inertia = getattr(section, f"inertia_{axis}_kg_m")
            flip = np.outer(sign, sign)
            where = np.ix_(index, index)
            self.stiffness[where] += flip * bending_stiffness(length_m, ei, ga)
            self.mass[where] += flip * bending_mass(length_m, ei, ga, section.mass_kg_m, inertia)
        where = np.ix_([low + TURN_Z, up + TURN_Z], [low + TURN_Z, up + TURN_Z])
        self.stiffness[where] += section.gj_n_m2 / length_m * np.array([[1.0, -1.0], [-1.0, 1.0]])
        twist_mass = section.inertia_z_kg_m * length_m / 6.0
        self.mass[where] += twist_mass * np.array([[2.0, 1.0], [1.0, 2.0]])

    def add_spring(self, upper: int, stiffness: Sequence[float], lower: int | None = None) -> None:
        """Join two nodes at one place, or a node and the ground, by five springs.

        Parameters
        ----------
        upper : int
        stiffness : sequence of 5 floats
            For shift x, y [N/m] and turn x, y, z [N m/rad]; must be finite.
        lower : int, optional
            None is the ground.
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
        self, node: int, mass_kg: float, offset_m: Sequence[float], inertia_kg_m2: Matrix
    ) -> None:
        """Fix a rigid body to a node.

        Parameters
        ----------
        node : int
        mass_kg : float
        offset_m : sequence of 3 floats
            Centre of mass from the node.
        inertia_kg_m2 : ndarray, shape (3, 3)
            About the centre of mass.
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

    def _free(self) -> NDArray[np.intp]:
        return np.array([k for k in range(DOF * self.n_nodes) if k not in self.held], dtype=np.intp)

    def solve(self, load: Matrix) -> Matrix:
        """Return the static displacements, shape (5 n_nodes,), under a load of that shape."""
        free = self._free()
        answer = np.zeros(DOF * self.n_nodes)
        answer[free] = np.linalg.solve(self.stiffness[np.ix_(free, free)], load[free])
        return answer

    def modes(self, count: int) -> tuple[Matrix, Matrix]:
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
