"""The finite-element frame against closed forms and worked tables."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.pier.model import (
    DOF,
    MATERIALS,
    SHIFT_X,
    SHIFT_Y,
    TURN_X,
    TURN_Y,
    TURN_Z,
    _box_section,
    _CrossSection,
    _Frame,
    _round_section,
)

if TYPE_CHECKING:
    from collections.abc import Callable

STEEL = MATERIALS["steel"]
ARCSEC = 206264.806
TUBE = _round_section(0.1683, 0.005, STEEL)


def euler(section: _CrossSection) -> _CrossSection:
    return dataclasses.replace(
        section, ga_x_n=math.inf, ga_y_n=math.inf, inertia_x_kg_m=0.0, inertia_y_kg_m=0.0
    )


def upright(
    section_at: Callable[[float], _CrossSection],
    length_m: float,
    tip_kg: float,
    *,
    tip_inertia: float = 0.0,
    base_tilt: float | None = None,
    elements: int = 60,
) -> _Frame:
    frame = _Frame(elements + 1)
    for k in range(elements):
        frame.add_beam(k, k + 1, length_m / elements, section_at((k + 0.5) / elements))
    if base_tilt is None:
        frame.hold(0)
    else:
        frame.add_spring(0, (1e14, 1e14, base_tilt, base_tilt, 1e14))
    frame.add_body(elements, tip_kg, (0.0, 0.0, 0.0), np.eye(3) * tip_inertia)
    return frame


def straight(_: float) -> _CrossSection:
    return euler(TUBE)


def first_hz(frame: _Frame) -> float:
    return float(frame.modes(1)[0][0])


def bending_hz(frame: _Frame, count: int) -> np.ndarray:
    """Return the lowest frequencies of bending, each direction's twin left out."""
    frequencies, shapes = frame.modes(3 * count)
    moves = np.abs(shapes[:, SHIFT_X::DOF]).max(axis=1) + np.abs(shapes[:, SHIFT_Y::DOF]).max(
        axis=1
    )
    return frequencies[moves > 1e-6][::2][:count]


def tip_response(frame: _Frame, direction: int, value: float = 1.0) -> np.ndarray:
    load = np.zeros(DOF * frame.n_nodes)
    load[DOF * (frame.n_nodes - 1) + direction] = value
    return frame.solve(load)[-DOF:]


def test_bare_cantilever_has_blevins_frequencies():
    # Blevins 1979 (from memory): (beta L)^2 for 1.875104, 4.694091, 7.854757.
    bending = bending_hz(upright(straight, 1.0, 0.0), 3)
    scale = math.sqrt(TUBE.ei_x_n_m2 / TUBE.mass_kg_m) / (2 * math.pi)
    # 60 Hermite elements: relative error below 1e-6 for the first three modes.
    assert_allclose(bending, scale * np.array([1.875104, 4.694091, 7.854757]) ** 2, rtol=2e-6)


def test_equal_tip_mass_has_the_published_roots():
    # Math. Probl. Eng. 2017, 1568019: (beta L)^2 = 1.557298, 16.25009, 50.89585 for M = m.
    mass = TUBE.mass_kg_m * 1.0
    scale = math.sqrt(TUBE.ei_x_n_m2 / TUBE.mass_kg_m) / (2 * math.pi)
    bending = bending_hz(upright(straight, 1.0, mass), 3) / scale
    # Seven printed digits; the third mode carries an FE error of about 1e-6.
    assert_allclose(bending, [1.557298, 16.25009, 50.89585], rtol=2e-6)


def test_statics_are_roarks_cantilever():
    # P L^3/3EI, P L^2/2EI, Q L/EI, T L/GJ (Roark, from memory); exact for Hermite elements.
    frame = upright(straight, 1.3, 40.0)
    force, moment = tip_response(frame, SHIFT_X), tip_response(frame, TURN_Y)
    ei, gj, L = TUBE.ei_x_n_m2, TUBE.gj_n_m2, 1.3
    assert_allclose(force[SHIFT_X], L**3 / (3 * ei), rtol=1e-8)
    assert_allclose(force[TURN_Y], L**2 / (2 * ei), rtol=1e-8)
    assert_allclose(moment[TURN_Y], L / ei, rtol=1e-8)
    assert_allclose(moment[SHIFT_X], force[TURN_Y], rtol=1e-8)  # Maxwell's reciprocity
    assert_allclose(tip_response(frame, TURN_Z)[TURN_Z], L / gj, rtol=1e-8)


def test_timoshenko_statics_add_the_shear_deflection_and_no_rotation():
    frame = upright(lambda _: TUBE, 0.7, 40.0)
    force = tip_response(frame, SHIFT_X)
    expected = 0.7**3 / (3 * TUBE.ei_x_n_m2) + 0.7 / TUBE.ga_x_n
    assert_allclose(force[SHIFT_X], expected, rtol=1e-8)
    assert_allclose(force[TURN_Y], 0.7**2 / (2 * TUBE.ei_x_n_m2), rtol=1e-8)


# Table of the worked tube 168.3 x 5.0 mm, 1.0 m, 40 kg: FE Hz, um/N, arcsec/N, printed digits.
@pytest.mark.parametrize(
    ("base_tilt", "hz", "um_n", "arcsec_n"),
    [
        (None, 54.577, 0.18999, 0.05878),
        (1.2281e7, 45.404, 0.27141, 0.07558),
        (5.0e6, 37.71, 0.38999, 0.10004),
        (3.5e6, 34.08, 0.47570, 0.11772),
    ],
)
def test_worked_tube_on_a_base_spring(
    base_tilt: float | None, hz: float, um_n: float, arcsec_n: float
):
    frame = upright(straight, 1.0, 40.0, base_tilt=base_tilt)
    tip = tip_response(frame, SHIFT_X)
    assert_allclose(first_hz(frame), hz, rtol=1.5e-4)
    assert_allclose(tip[SHIFT_X] * 1e6, um_n, rtol=5e-5)
    assert_allclose(tip[TURN_Y] * ARCSEC, arcsec_n, rtol=1e-4)


@pytest.mark.parametrize(
    ("outer", "wall", "length", "mass", "hz", "arcsec_n"),
    [
        (0.1143, 0.0036, 1.0, 25.0, 33.085, 0.2620),
        (0.2191, 0.0063, 1.2, 60.0, 55.679, 0.03036),
        (0.3239, 0.008, 1.5, 100.0, 61.194, 0.01142),
    ],
)
def test_other_tubes_of_the_table(
    outer: float, wall: float, length: float, mass: float, hz: float, arcsec_n: float
):
    section = euler(_round_section(outer, wall, STEEL))
    frame = upright(lambda _: section, length, mass)
    assert_allclose(first_hz(frame), hz, rtol=3e-5)
    assert_allclose(tip_response(frame, SHIFT_X)[TURN_Y] * ARCSEC, arcsec_n, rtol=5e-4)


@pytest.mark.parametrize(
    ("base", "top", "hz", "um_n", "arcsec_n"),
    [
        (0.2683, 0.0683, 71.9, 0.1171, 0.0583),
        (0.2183, 0.1183, 66.1, 0.1339, 0.0497),
        (0.1183, 0.2183, 39.8, 0.3462, 0.0934),
    ],
)
def test_taper_of_equal_mass(base: float, top: float, hz: float, um_n: float, arcsec_n: float):
    frame = upright(
        lambda s: euler(_round_section(base + (top - base) * s, 0.005, STEEL)), 1.0, 40.0
    )
    tip = tip_response(frame, SHIFT_X)
    # Printed to 0.1 Hz and four digits; stepped elements add 2e-4.
    assert_allclose(first_hz(frame), hz, atol=0.08)
    assert_allclose(tip[SHIFT_X] * 1e6, um_n, rtol=6e-4)
    assert_allclose(tip[TURN_Y] * ARCSEC, arcsec_n, rtol=1e-3)


@pytest.mark.parametrize(("inertia", "hz"), [(0.0, 54.58), (1.0, 53.26), (4.0, 49.62)])
def test_rotary_inertia_at_the_tip_lowers_bending(inertia: float, hz: float):
    # Two-degree-of-freedom check of the same worked tube gives the same three numbers.
    assert_allclose(first_hz(upright(straight, 1.0, 40.0, tip_inertia=inertia)), hz, atol=0.006)


@pytest.mark.parametrize(("inertia", "hz"), [(1.0, 181.374), (4.0, 92.197)])
def test_torsion_matches_the_transcendental_root(inertia: float, hz: float):
    frequencies = upright(straight, 1.0, 40.0, tip_inertia=inertia).modes(6)[0]
    assert_allclose(frequencies[np.argmin(np.abs(frequencies - hz))], hz, rtol=2e-5)
    # x tan x = rho J L / Jt solved independently.
    from scipy.optimize import brentq

    polar = TUBE.inertia_z_kg_m
    x = brentq(lambda x: x * math.tan(x) - polar / inertia, 1e-6, 1.5)
    exact = x / (2 * math.pi) * math.sqrt(STEEL.shear_pa / STEEL.density_kg_m3)
    assert_allclose(frequencies[np.argmin(np.abs(frequencies - exact))], exact, rtol=1e-5)


@pytest.mark.parametrize(("length", "factor"), [(0.5, 0.915), (1.0, 0.976), (1.5, 0.989)])
def test_shear_lowers_the_first_frequency(length: float, factor: float):
    shear_only = dataclasses.replace(TUBE, inertia_x_kg_m=0.0, inertia_y_kg_m=0.0)
    ratio = first_hz(upright(lambda _: shear_only, length, 40.0)) / first_hz(
        upright(straight, length, 40.0)
    )
    # The table is the static stiffness ratio; a beam that shears also carries more of its own
    # mass near the top (1/3 instead of 33/140), which takes up to 0.002 more.
    assert_allclose(ratio, factor, atol=0.002)
    stiffness = 1 + (length / TUBE.ga_x_n) / (length**3 / (3 * TUBE.ei_x_n_m2))
    assert_allclose(stiffness**-0.5, factor, atol=0.0005)


def test_timoshenko_modes_match_the_collocated_differential_equation():
    # Independent route for a bare, fat cantilever, where shear and rotary inertia matter most:
    # Chebyshev collocation of (GA (w' - s))' = -m omega^2 w and
    # EI s'' + GA (w' - s) = -j omega^2 s with w = s = 0 at the foot, w' = s and s' = 0 at the tip.
    L, n = 0.5, 24
    size = n + 1
    d = 2 / L * chebyshev_derivative(n)  # node 0 is the tip, node n the foot
    ga, ei, eye = TUBE.ga_x_n, TUBE.ei_x_n_m2, np.eye(size)
    a = np.block([[ga * d @ d, -ga * d], [ga * d, ei * d @ d - ga * eye]])
    mass = np.repeat([-TUBE.mass_kg_m, -TUBE.inertia_x_kg_m], size)
    ends = np.zeros((4, 2 * size))
    ends[0, :size], ends[0, size] = d[0], -1.0
    ends[1, size:] = d[0]
    ends[2, n] = ends[3, size + n] = 1.0
    at_ends = [0, size, n, size + n]
    inside = [k for k in range(2 * size) if k not in at_ends]
    bound = -np.linalg.solve(ends[:, at_ends], ends[:, inside])
    reduced = a[np.ix_(inside, inside)] + a[np.ix_(inside, at_ends)] @ bound
    values = np.linalg.eigvals(reduced / mass[inside][:, None])
    values = np.sort(values.real[(np.abs(values.imag) < 1e-6 * np.abs(values)) & (values.real > 1)])
    exact = np.sqrt(values[:2]) / (2 * np.pi)
    found = bending_hz(upright(lambda _: TUBE, L, 0.0), 2)
    # 60 elements leave 1e-5 on the first mode and 1e-4 on the second, falling as 1/n^2.
    assert_allclose(found[0], exact[0], rtol=2e-5)
    assert_allclose(found[1], exact[1], rtol=2e-4)


def chebyshev_derivative(n: int) -> np.ndarray:
    k = np.arange(n + 1)
    z = np.cos(np.pi * k / n)
    c = np.where((k == 0) | (k == n), 2.0, 1.0) * (-1.0) ** k
    d = np.outer(c, 1 / c) / (z[:, None] - z[None, :] + np.eye(n + 1))
    return d - np.diag(d.sum(axis=1))


def test_frequencies_converge_as_elements_are_added():
    def taper(share: float) -> _CrossSection:
        return _round_section(0.22 - 0.1 * share, 0.005, STEEL)

    coarse, fine, finest = (first_hz(upright(taper, 1.0, 40.0, elements=n)) for n in (6, 24, 96))
    assert abs(fine - finest) < 0.2 * abs(coarse - finest)
    assert_allclose(fine, finest, rtol=5e-4)


def test_force_along_x_tips_toward_x_and_force_along_y_toward_y():
    box = _box_section(0.3, 0.2, 0.006, STEEL)
    frame = upright(lambda _: box, 1.0, 10.0)
    along_x, along_y = tip_response(frame, SHIFT_X), tip_response(frame, SHIFT_Y)
    assert along_x[SHIFT_X] > 0 < along_x[TURN_Y]
    assert along_y[SHIFT_Y] > 0 > along_y[TURN_X]
    assert abs(along_y[TURN_X]) > along_x[TURN_Y]  # the box is thinner along y
    assert_allclose(along_x[[SHIFT_Y, TURN_X, TURN_Z]], 0.0, atol=1e-18)


def test_body_off_the_axis_couples_bending_and_torsion():
    frame = upright(straight, 1.0, 0.0)
    frame.add_body(60, 40.0, (0.3, 0.0, 0.0), np.eye(3) * 0.1)
    shape = frame.modes(2)[1]
    tip = shape[:, -DOF:]
    sideways = tip[np.argmax(np.abs(tip[:, SHIFT_Y]))]
    assert abs(sideways[TURN_Z]) > 1e-3 * abs(sideways[SHIFT_Y])


def test_rigid_body_mass_matches_its_kinetic_energy():
    frame = _Frame(1)
    rng = np.random.default_rng(5)
    offset, root = rng.normal(size=3), rng.normal(size=(3, 3))
    inertia = root @ root.T
    frame.add_body(0, 3.0, offset, inertia)
    speed = rng.normal(size=5)
    turn = speed[2:]
    velocity = np.array([speed[0], speed[1], 0.0]) + np.cross(turn, offset)
    energy = 1.5 * velocity @ velocity + 0.5 * turn @ inertia @ turn
    assert_allclose(0.5 * speed @ frame.mass @ speed, energy, rtol=1e-12)
