"""Stiffness and mass of a pier's cross-sections: tubes, boxes, solid columns, webs.

Axes: z up the column, x and y horizontal. `ei_x` resists bending in the x-z plane (caused by a
force along x), `ga_x` is the shear stiffness for a force along x.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Material:
    """Elastic constants and density, all common practice without a source.

    Parameters
    ----------
    youngs_pa, shear_pa : float
        Young's modulus and shear modulus [Pa].
    density_kg_m3 : float
    """

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
    """What a beam element needs to know of a cross-section.

    Parameters
    ----------
    ei_x_n_m2, ei_y_n_m2 : float
        Bending stiffness in the x-z and y-z planes [N m^2].
    ga_x_n, ga_y_n : float
        Shear stiffness, shear factor included [N].
    gj_n_m2 : float
        Torsional stiffness [N m^2].
    mass_kg_m : float
        Mass per length.
    inertia_x_kg_m, inertia_y_kg_m, inertia_z_kg_m : float
        Rotary inertia per length in the x-z plane, the y-z plane and about z [kg m].
    """

    ei_x_n_m2: float
    ei_y_n_m2: float
    ga_x_n: float
    ga_y_n: float
    gj_n_m2: float
    mass_kg_m: float
    inertia_x_kg_m: float
    inertia_y_kg_m: float
    inertia_z_kg_m: float

    def __add__(self, other: CrossSection) -> CrossSection:
        """Join two shapes that bend together about the same axis."""
        mine, theirs = vars(self), vars(other)
        return CrossSection(**{name: mine[name] + theirs[name] for name in mine})


def round_section(outer_m: float, wall_m: float | None, material: Material) -> CrossSection:
    """Return a round tube, or a solid round column where the wall is None.

    Notes
    -----
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
    bending = material.youngs_pa * second_moment
    shear = factor * material.shear_pa * area
    rotary = material.density_kg_m3 * second_moment
    return CrossSection(
        bending,
        bending,
        shear,
        shear,
        2.0 * material.shear_pa * second_moment,
        material.density_kg_m3 * area,
        rotary,
        rotary,
        2.0 * rotary,
    )


def box_section(
    width_m: float, depth_m: float, wall_m: float | None, material: Material
) -> CrossSection:
    """Return a rectangular box (width along x, depth along y), or a solid block (wall None).

    Notes
    -----
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

    Notes
    -----
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

    Notes
    -----
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
    rotary = material.density_kg_m3 * second_moment
    return CrossSection(
        material.youngs_pa * second_moment,
        material.youngs_pa * second_moment,
        shear,
        shear,
        material.shear_pa * count * reach_m * thickness_m**3 / 3.0,
        material.density_kg_m3 * area,
        rotary,
        rotary,
        2.0 * rotary,
    )
