"""Springs of bolts, plates, grout and ground."""

from __future__ import annotations

import math

import pytest
from numpy.testing import assert_allclose

from blursplit.pier.model import (
    _footing_springs,
    _in_series,
    _plate_strip_n_m,
    _ring_tilt_nm_rad,
    _rod_axial_n_m,
    _rod_sway_n_m,
    _washer_bridge_n_m,
)

STEEL_PA = 2.05e11


def test_four_anchor_rods_have_the_worked_stiffness():
    # Four M16, 50 mm free, 100 mm radius: 1.3e7 N m/rad (two printed digits).
    each = _rod_axial_n_m(0.016, 0.05)
    assert_allclose(_ring_tilt_nm_rad(4, 0.1, each), 1.3e7, rtol=0.02)


def test_those_rods_take_28_percent_of_the_worked_tubes_top_stiffness():
    k_tube, spring = 5.2634e6, _ring_tilt_nm_rad(4, 0.1, _rod_axial_n_m(0.016, 0.05))
    assert_allclose(1 - _in_series(k_tube, spring) / k_tube, 0.28, atol=0.01)


@pytest.mark.parametrize("turn", [0.0, 0.2, 1.1])
@pytest.mark.parametrize("count", [3, 4, 7])
def test_a_ring_of_springs_rocks_alike_about_every_axis(count: int, turn: float):
    direct = sum((0.2 * math.cos(turn + 2 * math.pi * k / count)) ** 2 for k in range(count))
    assert_allclose(_ring_tilt_nm_rad(count, 0.2, 1.0), direct, rtol=1e-12)


def test_series_of_an_infinite_spring_changes_nothing():
    assert _in_series(math.inf, 5.0) == 5.0
    assert _in_series(math.inf) == math.inf
    assert_allclose(_in_series(2.0, 2.0), 1.0)


def test_a_bolt_under_the_wall_needs_no_plate():
    assert _plate_strip_n_m(0.0, 0.016, 0.1, 0.02) == math.inf


def test_plate_strip_is_roarks_cantilever():
    inertia = 0.1 * 0.02**3 / 12
    assert_allclose(_plate_strip_n_m(0.08, 0.016, 0.1, 0.02), 3 * STEEL_PA * inertia / 0.08**3)


def test_thin_washers_over_a_slot_are_far_softer_than_thick_ones():
    thin = _washer_bridge_n_m(0.018, 0.032, 0.003)
    thick = _washer_bridge_n_m(0.018, 0.032, 0.009)
    assert_allclose(thick / thin, 27.0, rtol=1e-12)


def test_sway_of_rods_falls_with_the_cube_of_their_length():
    assert_allclose(_rod_sway_n_m(0.012, 0.03) / _rod_sway_n_m(0.012, 0.06), 8.0)


def test_square_footing_has_the_discs_stiffness():
    # Richart, Hall and Woods 1970 (from memory), disc of equal area / second moment.
    sway, sway_y, rock, rock_y, _ = _footing_springs(0.9, 0.9, 4e7, 0.4)
    radius = 0.9 / math.sqrt(math.pi)
    rocking_radius = (0.9**4 / (3 * math.pi)) ** 0.25
    assert_allclose(sway, 8 * 4e7 * radius / 1.6, rtol=1e-12)
    assert_allclose(rock, 8 * 4e7 * rocking_radius**3 / 1.8, rtol=1e-12)
    assert (sway, rock) == (sway_y, rock_y)
    # Equal second moment about a diameter: pi r^4 / 4 = b^4 / 12.
    assert_allclose(math.pi * rocking_radius**4 / 4, 0.9**4 / 12, rtol=1e-12)


def test_a_long_footing_rocks_less_along_its_length():
    _, _, about_x, about_y, _ = _footing_springs(1.4, 0.7, 4e7, 0.4)
    assert about_y > about_x
