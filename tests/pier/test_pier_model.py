"""Whole piers: the setup table, the model put together, and what changes if."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.errors import InputError
from blursplit.pier.model import MATERIALS, PierModel, _base_springs, _round_section
from blursplit.pier.report import PierReport, _tilt_per_load, _what_if
from blursplit.pier.setup import PierSetup

EXAMPLES = Path(__file__).parents[2] / "examples"
ARCSEC = 206264.806
TUBE = {"kind": "tube", "length_m": 1.0, "outer_m": 0.1683, "wall_m": 0.005}


def pier(**tables: object) -> PierSetup:
    return PierSetup.read({"sections": [TUBE], **tables}, "test")


def example(name: str) -> PierSetup:
    return PierSetup.read(tomllib.loads((EXAMPLES / name).read_text())["pier"], name)


def test_bare_declared_tube_is_the_worked_tube():
    tilt = _tilt_per_load(PierModel.of(pier(payload={"mount_kg": 40.0})))
    assert_allclose(tilt.tilt_x_arcsec_n, 0.05878, rtol=1e-4)
    assert_allclose(tilt.tilt_y_arcsec_n, 0.05878, rtol=1e-4)
    # Shear adds L/(GA) to the 0.18999 um of bending.
    shear = 1e6 / _round_section(0.1683, 0.005, MATERIALS["steel"]).ga_x_n
    assert_allclose(tilt.deflection_x_um_n, 0.18999 + shear, rtol=1e-4)


def test_base_spring_adds_force_times_height_over_stiffness():
    hard = _tilt_per_load(PierModel.of(pier()))
    soft = _tilt_per_load(PierModel.of(pier(base={"tilt_nm_rad": 5.0e6})))
    assert_allclose(soft.tilt_x_arcsec_n - hard.tilt_x_arcsec_n, 1.0 / 5.0e6 * ARCSEC, rtol=1e-6)
    assert_allclose(soft.tilt_x_arcsec_n, 0.10004, rtol=1e-4)


def test_base_spring_thirty_percent_softer_has_the_tabled_ratio():
    # "30 percent softer" of the spring 5.0e6: rotation x 1.177.
    first = _tilt_per_load(PierModel.of(pier(base={"tilt_nm_rad": 5.0e6}))).tilt_x_arcsec_n
    second = _tilt_per_load(PierModel.of(pier(base={"tilt_nm_rad": 3.5e6}))).tilt_x_arcsec_n
    assert_allclose(second / first, 1.177, atol=0.0005)


def test_wind_above_the_top_adds_its_moment():
    # A load on a tube h above the top adds P h L / (EI).
    low = _tilt_per_load(PierModel.of(pier(payload={"axis_height_m": 0.0})))
    high = _tilt_per_load(PierModel.of(pier(payload={"axis_height_m": 0.4})))
    bending = _round_section(0.1683, 0.005, MATERIALS["steel"]).ei_x_n_m2
    assert_allclose(
        high.tilt_at_axis_height_x_arcsec_n - low.tilt_at_axis_height_x_arcsec_n,
        0.4 * 1.0 / bending * ARCSEC,
        rtol=1e-6,
    )
    assert_allclose(
        high.tilt_at_axis_height_y_arcsec_n, high.tilt_at_axis_height_x_arcsec_n, rtol=1e-9
    )


def test_shares_of_the_tilt_add_up_and_name_the_softest_part():
    tilt = _tilt_per_load(PierModel.of(example("pier_steel_tube.toml")))
    assert_allclose(sum(tilt.tilt_shares.values()), 1.0, rtol=1e-9)
    model = PierModel.of(pier(base={"tilt_nm_rad": 1e4}))
    assert _tilt_per_load(model).tilt_shares["foot"] > 0.98


def test_footing_on_soil_rocks_by_moment_over_stiffness():
    block = {"width_m": 0.9, "depth_m": 0.9, "thickness_m": 0.8, "soil": "stiff clay"}
    hard = _tilt_per_load(PierModel.of(pier()))
    soft = _tilt_per_load(PierModel.of(pier(footing=block)))
    radius = (0.9**4 / (3 * math.pi)) ** 0.25
    rocking = 8 * 4.0e7 * radius**3 / (3 * (1 - 0.40))
    # The lever is the column plus the block, because the soil acts on the underside.
    assert_allclose(
        soft.tilt_x_arcsec_n - hard.tilt_x_arcsec_n, (1.0 + 0.8) / rocking * ARCSEC, rtol=1e-6
    )


def test_head_on_studs_adds_its_rocking_under_a_moment():
    head = {
        "stud_count": 3,
        "stud_circle_m": 0.2,
        "stud_m": 0.012,
        "free_length_m": 0.05,
        "mount_foot_m": 0.2,
        "mass_kg": 0.0,
    }
    plain, headed = (
        _tilt_per_load(PierModel.of(pier())),
        _tilt_per_load(PierModel.of(pier(head=head))),
    )
    axial = 2.05e11 * 0.8 * math.pi / 4 * 0.012**2 / 0.05
    expected = 1.0 / (3 * axial * 0.1**2 / 2) * ARCSEC
    assert_allclose(headed.tilt_x_arcsec_nm - plain.tilt_x_arcsec_nm, expected, rtol=1e-6)


def test_thick_grout_free_plate_on_slots_is_softest():
    plain = {"bolt_circle_m": 0.3, "free_length_m": 0.02}
    slotted = _base_springs(pier(base={**plain, "slot_width_m": 0.03}).base, 0.084)[2]
    bare = _base_springs(pier(base=plain).base, 0.084)[2]
    grouted = _base_springs(pier(base={**plain, "grout_m": 0.03}).base, 0.084)[2]
    assert slotted < bare < grouted


def test_box_pier_bends_first_along_its_thin_side():
    section = {"kind": "box", "length_m": 1.0, "width_m": 0.25, "depth_m": 0.15, "wall_m": 0.006}
    modes = PierModel.of(PierSetup.read({"sections": [section]}, "t")).modes()
    assert modes[0].kind == "bending y"
    tilt = _tilt_per_load(PierModel.of(PierSetup.read({"sections": [section]}, "t")))
    assert tilt.tilt_y_arcsec_n > tilt.tilt_x_arcsec_n


def test_tilt_per_micrometre_of_the_first_mode_lies_between_rocking_and_bending():
    # 1.0/L for a rocking stick, 1.5/L for a bending one (physics of the cantilever).
    mode = PierModel.of(pier(payload={"mount_kg": 40.0}, base={"tilt_nm_rad": 5e6})).modes()[0]
    assert mode.tilt_arcsec_um is not None
    assert 1.0 < mode.tilt_arcsec_um / (ARCSEC * 1e-6) < 1.5


def test_counterweight_keeps_the_payload_balanced_and_adds_twist_inertia():
    payload = {"telescope_kg": 10.0, "telescope_arm_m": 0.3, "axis_height_m": 0.3}
    alone = PierModel.of(pier(payload=payload))
    balanced = PierModel.of(pier(payload={**payload, "counterweight_kg": 10.0}))
    twist = [model.frame.mass[-1, -1] for model in (alone, balanced)]
    assert_allclose(twist[1] - twist[0], 10.0 * 0.3**2, rtol=1e-9)
    # Balanced: a horizontal acceleration along y makes no moment about the vertical.
    tip = balanced.frame.mass[-5:, -5:]
    assert_allclose(tip[1, 4], 0.0, atol=1e-9)
    assert abs(alone.frame.mass[-5:, -5:][1, 4]) > 1.0


def test_modes_do_not_depend_on_the_number_of_elements():
    setup = example("pier_steel_tube.toml")
    coarse = [m.frequency_hz for m in PierModel.of(setup, 12).modes()]
    fine = [m.frequency_hz for m in PierModel.of(setup, 48).modes()]
    assert_allclose(coarse, fine, rtol=1e-3)


def test_report_is_read_back_from_its_json():
    report = PierReport.of(example("pier_concrete_column.toml"))
    assert PierReport.model_validate_json(report.to_json()) == report
    assert report.model_dump(by_alias=True)["schema"] == "blursplit-pier/1"
    assert "not a structural certification" in report.statement
    assert all(mode.low_hz < mode.frequency_hz < mode.high_hz for mode in report.modes)


def test_every_change_that_applies_stiffens_the_example():
    rows = _what_if(example("pier_steel_tube.toml"))
    assert len(rows) == 7
    for row in rows:
        assert row.tilt_ratio is not None, row.change
        assert row.tilt_ratio < 1.0, row.change
    by_name = {row.change: row for row in rows}
    assert by_name["no studs"].tilt_ratio < by_name["shorter anchor rods"].tilt_ratio


def test_changes_that_do_not_apply_say_why():
    rows = {row.change: row for row in _what_if(example("pier_concrete_column.toml"))}
    assert rows["no studs"].tilt_ratio is None
    assert "no levelling head" in rows["no studs"].note
    assert "solid" in rows["thicker wall"].note
    assert rows["wider footing"].tilt_ratio < 1.0


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({}, "no [pier] table"),
        ({"sections": []}, "pier.sections"),
        ({"sections": [{**TUBE, "wall_mm": 5}]}, "pier.sections.0.wall_mm"),
        ({"sections": [{**TUBE, "wall_m": 0.09}]}, "thicker than half"),
        ({"sections": [{**TUBE, "wall_m": -1}]}, "pier.sections.0.wall_m"),
        ({"sections": [{**TUBE, "outer_m": float("nan")}]}, "pier.sections.0.outer_m"),
        ({"sections": [{"kind": "tube", "length_m": 1.0}]}, "a tube needs outer_m"),
        ({"sections": [TUBE], "base": {}}, "either tilt_nm_rad or bolt_circle_m"),
        ({"sections": [TUBE], "webs": {"thickness_m": 0.01, "reach_foot_m": 0.1}}, "height_m"),
        (
            {
                "sections": [TUBE],
                "webs": {"thickness_m": 0.01, "reach_foot_m": 0.1, "height_m": 1.4},
            },
            "taller than the column",
        ),
        (
            {"sections": [TUBE], "base.tilt_nm_rad.x": 3.0, "base": {"tilt_nm_rad": 1.0}},
            "leads nowhere",
        ),
        ({"sections": "tube"}, "pier.sections"),
    ],
)
def test_impossible_tables_are_refused_by_key(table: dict[str, object], words: str):
    with pytest.raises(InputError, match=r"rig\.toml") as caught:
        PierSetup.read(table, "rig.toml")
    assert words in str(caught.value)


def test_dotted_keys_override_inside_tables_and_lists():
    setup = PierSetup.read(
        {"sections": [TUBE], "sections.0.wall_m": 0.008, "payload.mount_kg": 12.0}, "test"
    )
    assert setup.sections[0].wall_m == 0.008
    assert setup.payload.mount_kg == 12.0


def test_taper_that_ends_in_a_point_is_refused():
    with pytest.raises(InputError, match="thicker than half"):
        PierSetup.read({"sections": [{**TUBE, "outer_top_m": 0.009}]}, "test")


def test_torsion_inertia_of_payload_follows_its_geometry():
    payload = {"telescope_kg": 12.0, "telescope_length_m": 1.0, "pointing_altitude_deg": 0.0}
    level = PierModel.of(pier(payload=payload)).frame.mass[-5:, -5:]
    up = PierModel.of(pier(payload={**payload, "pointing_altitude_deg": 90.0})).frame.mass[-5:, -5:]
    # A level rod has m L^2/12 = 1 kg m^2 about the vertical, an upright one none.
    assert_allclose(level[4, 4] - up[4, 4], 1.0, rtol=1e-9)
    assert np.all(np.linalg.eigvalsh(level) > 0.0)
