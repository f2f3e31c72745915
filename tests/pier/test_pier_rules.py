"""Facts of the trade (common practice, no source) as comparisons on a column of our own.

Every number is the tilt in arcsec for 1 N at the height of the mount's axes; the same numbers
stand in docs/pier.md.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from numpy.testing import assert_allclose

from blursplit.pier.model import PierModel
from blursplit.pier.report import _StiffnessTable, _tilt_per_load
from blursplit.pier.setup import PierSetup

TUBE = {"kind": "tube", "length_m": 1.2, "outer_m": 0.1937, "wall_m": 0.0056}
PAYLOAD = {
    "mount_kg": 22.0,
    "mount_height_m": 0.15,
    "telescope_kg": 14.0,
    "telescope_length_m": 0.9,
    "telescope_arm_m": 0.3,
    "axis_height_m": 0.35,
    "counterweight_kg": 12.0,
}
WEBS = {"thickness_m": 0.008, "height_m": 1.2, "reach_foot_m": 0.12}
BASE = {"bolt_circle_m": 0.30, "free_length_m": 0.03, "plate_thickness_m": 0.02}
HEAD = {"stud_circle_m": 0.22, "free_length_m": 0.06, "mount_foot_m": 0.16, "mass_kg": 8.0}


def tilt(**tables: Any) -> _StiffnessTable:
    content = {"sections": [TUBE], "payload": PAYLOAD, **tables}
    return _tilt_per_load(PierModel.of(PierSetup.read(content, "rules")))


def arcsec_n(**tables: Any) -> float:
    return tilt(**tables).tilt_at_axis_height_x_arcsec_n


def mass(**tables: Any) -> float:
    content = {"sections": [TUBE], "payload": PAYLOAD, **tables}
    return PierModel.of(PierSetup.read(content, "rules")).mass_kg


def first_hz(**tables: Any) -> float:
    content = {"sections": [TUBE], "payload": PAYLOAD, **tables}
    return PierModel.of(PierSetup.read(content, "rules")).modes(1)[0].frequency_hz


def test_pipe_above_the_webs_flexes():
    # Borne out in kind, not as a threshold: the loss grows smoothly from the first centimetre.
    webs = {**WEBS, "reach_top_m": 0.06, "height_m": 0.8}
    rows = [
        arcsec_n(sections=[{**TUBE, "length_m": 0.8 + bare}], webs=webs)
        for bare in (0.0, 0.13, 0.26, 0.39)
    ]
    assert_allclose(rows, [0.0130, 0.0191, 0.0264, 0.0348], atol=6e-5)
    steps = [b - a for a, b in pairwise(rows)]
    assert all(0.8 < later / earlier < 1.3 for earlier, later in pairwise(steps))


def test_tall_wide_webs_beat_short_narrow_ones():
    plain = arcsec_n()
    short = arcsec_n(webs={**WEBS, "height_m": 0.3, "reach_foot_m": 0.05})
    tall = arcsec_n(webs=WEBS)
    assert_allclose([plain, short, tall], [0.0783, 0.0712, 0.0351], atol=6e-5)


def test_webs_of_one_mass_do_more_when_tall_and_wide():
    short = {"thickness_m": 0.018, "height_m": 0.4, "reach_foot_m": 0.10}
    tall = {"thickness_m": 0.003, "height_m": 1.2, "reach_foot_m": 0.20}
    assert_allclose(mass(webs=short), mass(webs=tall), rtol=1e-6)
    assert_allclose([arcsec_n(webs=short), arcsec_n(webs=tall)], [0.0561, 0.0370], atol=6e-5)


def test_a_wide_foot_helps_only_with_a_plate_to_match():
    # Not borne out as it stands: a wider circle on the same bare plate is softer, because the
    # plate's own bending grows with the cube of its overhang.
    narrow = arcsec_n(base=BASE)
    wide = arcsec_n(base={**BASE, "bolt_circle_m": 0.45})
    wide_thick = arcsec_n(base={**BASE, "bolt_circle_m": 0.45, "plate_thickness_m": 0.04})
    assert_allclose([narrow, wide, wide_thick], [0.1092, 0.1444, 0.0891], atol=6e-5)
    # Bedded on grout the plate is taken out and the foot nearly vanishes.
    assert_allclose(arcsec_n(base={**BASE, "grout_m": 0.03}), 0.0786, atol=6e-5)


def test_small_footprint_softens_a_stiff_plate():
    stiff = {**BASE, "plate_thickness_m": 0.2}
    wide, narrow = (
        arcsec_n(base={**stiff, "bolt_circle_m": 0.45}),
        arcsec_n(base={**stiff, "bolt_circle_m": 0.22}),
    )
    assert wide < narrow


def test_slots_soften_the_foot_by_their_washers():
    slotted = {**BASE, "slot_width_m": 0.03}
    thick = {**slotted, "washer_thickness_m": 0.008}
    found = [arcsec_n(base=BASE), arcsec_n(base=slotted), arcsec_n(base=thick)]
    assert_allclose(found, [0.1092, 0.1769, 0.1128], atol=6e-5)


def test_open_head_adds_rotation_where_the_moment_of_the_telescope_passes():
    plain, headed = tilt(), tilt(head=HEAD)
    assert_allclose(
        [plain.tilt_at_axis_height_x_arcsec_n, headed.tilt_at_axis_height_x_arcsec_n],
        [0.0783, 0.1411],
        atol=6e-5,
    )
    # For a push at the mount's foot there is hardly a moment in the head, and hardly a loss.
    assert headed.tilt_x_arcsec_n / plain.tilt_x_arcsec_n < 1.25
    assert headed.tilt_at_axis_height_x_arcsec_n / plain.tilt_at_axis_height_x_arcsec_n > 1.7
    assert first_hz(head=HEAD) < first_hz()
    # Its shear moves the mount sideways, which moves no star.
    assert headed.deflection_x_um_n > plain.deflection_x_um_n


def test_taper_helps_when_mild_and_hurts_when_strong():
    # Borne out within limits: with a telescope above the top the moment there is not zero, so
    # the top must not be starved. All of one mass.
    def taper(foot: float, top: float) -> dict[str, Any]:
        return {"sections": [{**TUBE, "outer_m": foot, "outer_top_m": top}]}

    found = [
        arcsec_n(**taper(*ends))
        for ends in ((0.1937, 0.1937), (0.2237, 0.1637), (0.2937, 0.0937), (0.1437, 0.2437))
    ]
    assert_allclose(found, [0.0783, 0.0741, 0.1009, 0.1058], atol=6e-5)
    assert_allclose(mass(**taper(0.2937, 0.0937)), mass(), rtol=1e-6)
    assert first_hz(**taper(0.2937, 0.0937)) > first_hz()
