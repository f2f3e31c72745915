"""Measured frequencies bring back the foot that made them; engineers' words from image motion."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.budget.lines import _head_motion
from blursplit.errors import InputError
from blursplit.estimate import Estimate
from blursplit.pier.model import PierModel
from blursplit.pier.report import PierReport, _tilt_per_load
from blursplit.pier.setup import PierSetup

TUBE = {"kind": "tube", "length_m": 1.0, "outer_m": 0.1683, "wall_m": 0.005}
LOAD = {"mount_kg": 40.0}


@pytest.mark.parametrize("softness_nm_rad", [3.0e5, 5.0e6])
def test_the_foot_that_made_a_frequency_is_found_again(softness_nm_rad: float) -> None:
    """A pier drawn as clamped whose ground gives way, as a published one did."""
    real = PierSetup.read(
        {"sections": [TUBE], "payload": LOAD, "base": {"tilt_nm_rad": softness_nm_rad}}, "real"
    )
    model = PierModel.of(real)
    first = model.modes(1)[0].frequency_hz
    drawn = PierSetup.read({"sections": [TUBE], "payload": LOAD, "measured_hz": [first]}, "drawn")
    found = PierReport.of(drawn).measured
    assert found is not None
    # the measured frequency is exact, what the model may miss is 5 % of it: 10 % of the softness
    assert_allclose(found.base_tilt_nm_rad.value, softness_nm_rad, rtol=0.15)
    assert found.base_tilt_nm_rad.low95 < softness_nm_rad < found.base_tilt_nm_rad.high95
    truth = _tilt_per_load(model).tilt_at_axis_height_x_arcsec_n
    assert (
        found.tilt_at_axis_height_arcsec_n.low95 < truth < found.tilt_at_axis_height_arcsec_n.high95
    )
    assert found.design_tilt_at_axis_height_arcsec_n < truth
    assert found.misfit_sigmas < 0.5


def test_frequencies_that_no_foot_explains_are_called_so() -> None:
    """Twice the clamped frequency is beyond any foot: 54.6 Hz at most."""
    drawn = PierSetup.read({"sections": [TUBE], "payload": LOAD, "measured_hz": [110.0]}, "drawn")
    assert PierReport.of(drawn).measured.misfit_sigmas > 3


def test_a_count_of_no_webs_takes_them_off() -> None:
    """`--set pier.webs.count=0` is the same pier without the table; two webs are refused."""
    webs = {"count": 4, "thickness_m": 0.006, "height_m": 0.5, "reach_foot_m": 0.1}
    bare = PierSetup.read({"sections": [TUBE]}, "bare")
    off = PierSetup.read({"sections": [TUBE], "webs": webs, "webs.count": 0}, "off")
    assert off == bare
    with pytest.raises(InputError, match="threes or more"):
        PierSetup.read({"sections": [TUBE], "webs": webs | {"count": 2}}, "two")


def _rms(value: float, share: float = 0.1) -> Estimate:
    return Estimate.with_error(value, share * value)


def test_head_motion_is_rotation_times_lever() -> None:
    """0.1 arcsec at 10 Hz and 1.5 m: 0.727 um and 45.7 um/s, which VC-A alone allows if sure."""
    found = _head_motion(_rms(0.1, 0.01), [10.0], 1.5)
    assert_allclose(found.displacement_um.value, 0.1 * 4.848137e-6 * 1.5e6, rtol=1e-6)
    assert_allclose(found.displacement_um.high / found.displacement_um.value, 1.01, rtol=1e-9)
    assert_allclose(
        found.velocity_um_s.value, 2 * np.pi * 10 * found.displacement_um.value, rtol=1e-12
    )
    assert found.vibration_class == "VC-A"
    # ten per cent of doubt: 45.7 (1 + 2 x 0.1) is more than 50
    assert _head_motion(_rms(0.1), [10.0], 1.5).vibration_class is None
    assert _head_motion(_rms(0.01), [10.0], 1.5).vibration_class == "VC-D"


def test_an_undecided_frequency_widens_the_velocity_alone() -> None:
    """10 Hz or, folded, 70 Hz: the velocity is seven times as large, the displacement the same."""
    sure, open_ = (_head_motion(_rms(0.01), f, 1.5) for f in ([10.0], [10.0, 70.0]))
    assert open_.displacement_um == sure.displacement_um
    assert open_.velocity_um_s.value == sure.velocity_um_s.value
    assert_allclose(open_.velocity_um_s.high95, 7 * sure.velocity_um_s.high95, rtol=1e-12)
    assert open_.vibration_class == "VC-A"
