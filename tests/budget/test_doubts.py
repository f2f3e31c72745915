"""Verdicts that stay open although one share is the largest."""

import pytest

from blursplit.budget.doubts import what_keeps_it_open
from blursplit.result import (
    Atmosphere,
    Estimate,
    Result,
    SequenceInfo,
    Structure,
    Tracking,
    Unassigned,
)


def value(number: float) -> Estimate:
    return Estimate(
        value=number, low=0.9 * number, high=1.1 * number, low95=0.8 * number, high95=1.2 * number
    )


def result_of(*, exposure_s: float = 0.01, **parts: object) -> Result:
    sequence = SequenceInfo(
        name="night",
        files=1,
        frames=300,
        frames_used=300,
        stars_used=5,
        frame_exposure_s=exposure_s,
    )
    return Result(version="0", sequence=sequence, **parts)


@pytest.mark.parametrize(
    ("exposure_s", "seen", "is_open"),
    [
        (0.01, 0.2, False),
        (0.5, 0.2, True),
        (0.5, 1.2, False),
    ],
)
def test_long_exposures_leave_the_air_open_unless_pairs_show_it(exposure_s, seen, is_open):
    air = Atmosphere(seeing_500nm_zenith_arcsec=value(1.0), lower_seeing_arcsec=value(seen))
    doubt = what_keeps_it_open("atmosphere", result_of(exposure_s=exposure_s, atmosphere=air))
    assert (doubt is not None) == is_open
    if is_open:
        assert "0.5 s hide shaking" in doubt


@pytest.mark.parametrize(("wander", "is_open"), [(0.1, False), (0.5, True)])
def test_drift_beside_large_open_motion_is_no_verdict(wander, is_open):
    result = result_of(
        unassigned=Unassigned(rms_major_arcsec=value(wander)),
        tracking=Tracking(rms_major_arcsec=value(1.0)),
    )
    assert (what_keeps_it_open("tracking", result) is not None) == is_open


def test_nothing_keeps_shown_structure_open():
    result = result_of(exposure_s=0.5, structure=Structure(rms_major_arcsec=value(1.0)))
    assert what_keeps_it_open("structure", result) is None


@pytest.mark.parametrize("name", ["tracking", "structure", "unassigned"])
@pytest.mark.parametrize("is_limited", [True, False])
def test_a_motion_that_may_be_zero_is_never_blamed(name, is_limited):
    limit = Estimate(value=None, low=0.0, high=1.0, low95=0.0, high95=1.0)
    kind = {"tracking": Tracking, "structure": Structure, "unassigned": Unassigned}[name]
    result = result_of(**{name: kind(rms_major_arcsec=limit if is_limited else value(1.0))})
    doubt = what_keeps_it_open(name, result)
    assert (doubt is not None) == is_limited
