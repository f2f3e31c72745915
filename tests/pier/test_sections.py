"""Cross-sections against closed forms and numerical integrals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.pier.model import (
    MATERIALS,
    _box_section,
    _Material,
    _round_section,
    _thin_box_shear_factor,
    _web_section,
)

STEEL = MATERIALS["steel"]
NO_POISSON = _Material(2.0, 1.0, 1.0)


def test_worked_tube_has_the_tabled_area_and_second_moment():
    # Tube 168.3 x 5.0 mm: A 2.5651e-3 m^2, I 8.5585e-6 m^4; five printed digits.
    tube = _round_section(0.1683, 0.005, STEEL)
    assert_allclose(tube.mass_kg_m / STEEL.density_kg_m3, 2.5651e-3, rtol=2e-5)
    assert_allclose(tube.ei_x_n_m2 / STEEL.youngs_pa, 8.5585e-6, rtol=2e-5)
    assert_allclose(tube.gj_n_m2 / STEEL.shear_pa, 2 * 8.5585e-6, rtol=2e-5)


def test_shear_factor_of_the_round_has_both_published_limits():
    # Cowper 1966 (from memory): thin 2(1+nu)/(4+3nu), solid 6(1+nu)/(7+6nu).
    nu = STEEL.poisson
    thin = _round_section(1.0, 1e-5, STEEL)
    solid = _round_section(1.0, None, STEEL)
    area_thin = thin.mass_kg_m / STEEL.density_kg_m3
    area_solid = solid.mass_kg_m / STEEL.density_kg_m3
    # A wall of 1e-5 of the diameter leaves corrections of that order.
    assert_allclose(
        thin.ga_x_n / STEEL.shear_pa / area_thin, 2 * (1 + nu) / (4 + 3 * nu), rtol=1e-4
    )
    assert_allclose(
        solid.ga_x_n / STEEL.shear_pa / area_solid, 6 * (1 + nu) / (7 + 6 * nu), rtol=1e-12
    )


@pytest.mark.parametrize(("across", "along"), [(1.0, 1.0), (0.5, 1.0), (2.0, 1.0)])
def test_box_shear_factor_equals_the_energy_of_its_shear_flow(across: float, along: float):
    # Independent route: shear flow q = V Q / (I t) integrated over the wall, t = 1, nu = 0.
    # along = side parallel to the force; flanges are the sides `across`.
    s = np.linspace(0.0, across / 2, 20001)
    z = np.linspace(-along / 2, along / 2, 20001)
    moment = 2 * (along**3 / 12) + 2 * across * (along / 2) ** 2
    flange = s * along / 2
    web = across / 2 * along / 2 + ((along / 2) ** 2 - z**2) / 2
    energy = (4 * np.trapezoid(flange**2, s) + 2 * np.trapezoid(web**2, z)) / moment**2
    factor = 1.0 / (2 * (across + along) * energy)
    # Trapezoid on 20000 steps: error of order 1e-9.
    assert_allclose(
        _thin_box_shear_factor(across_m=across, along_m=along, poisson=0.0), factor, rtol=1e-6
    )


def test_box_is_stiffer_along_its_long_side():
    box = _box_section(0.3, 0.2, 0.006, STEEL)
    assert box.ei_x_n_m2 > box.ei_y_n_m2
    assert box.ga_x_n > box.ga_y_n


def test_box_second_moment_is_the_outer_minus_the_inner_rectangle():
    box = _box_section(0.3, 0.2, 0.006, STEEL)
    grid = (np.arange(3000) + 0.5) / 3000 * 0.3 - 0.15
    depth = np.where(np.abs(grid) < 0.144, 2 * 0.006, 0.2)
    # Midpoint rule over the width, cells of 0.1 mm with the wall on a cell edge.
    expected = STEEL.youngs_pa * np.sum(grid**2 * depth) * 1e-4
    assert_allclose(box.ei_x_n_m2, expected, rtol=1e-5)


def test_solid_square_torsion_is_the_published_constant():
    # Square bar J = 0.1406 b^4 (Roark, from memory); the formula used here gives 0.1408.
    block = _box_section(1.0, 1.0, None, STEEL)
    assert_allclose(block.gj_n_m2 / STEEL.shear_pa, 0.1406, rtol=2e-3)


@pytest.mark.parametrize("count", [3, 4, 6])
def test_webs_second_moment_is_the_same_about_every_axis(count: int):
    webs = _web_section(count, 0.12, 0.008, 0.1, STEEL)
    r = np.linspace(0.1, 0.22, 4001)
    w = (np.arange(200) + 0.5) / 200 * 0.008 - 0.004
    for turn in (0.0, 0.3, 1.0):
        total = 0.0
        for k in range(count):
            angle = turn + 2 * math.pi * k / count
            x = np.subtract.outer(r * math.cos(angle), w * math.sin(angle))
            total += np.trapezoid((x**2).mean(axis=1) * 0.008, r)
        # Midpoint rule across the web: relative error 1/200^2 of a small term.
        assert_allclose(webs.ei_x_n_m2 / STEEL.youngs_pa, total, rtol=1e-5)
    assert webs.ei_x_n_m2 == webs.ei_y_n_m2


def test_webs_of_no_reach_add_nothing():
    assert set(vars(_web_section(4, 0.0, 0.008, 0.1, STEEL)).values()) == {0.0}


def test_bredt_box_of_a_square_has_the_closed_form():
    # J = t b^3 on the wall's middle line for a square thin box.
    box = _box_section(0.21, 0.21, 0.01, STEEL)
    assert_allclose(box.gj_n_m2 / STEEL.shear_pa, 0.01 * 0.2**3, rtol=1e-12)
