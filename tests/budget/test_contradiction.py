"""A model that the recorded width contradicts gives no budget."""

from __future__ import annotations

import pytest

from blursplit.measure import measure
from blursplit.report import render_page
from blursplit.simulate import Scene, write_sequence


@pytest.fixture
def night(tmp_path):
    """Return how to measure four seconds of four stars under air alone."""
    tables = {
        "telescope": {"aperture_m": 0.25},
        "camera": {
            "width_px": 160,
            "height_px": 120,
            "exposure_s": 0.008,
            "frame_interval_s": 0.025,
        },
        "air": {"r0_500nm_zenith_m": 0.1},
        "stars": {"count": 4, "seed": 3},
        "sequence": {"frames": 160, "seed": 8, "start_utc": "2026-03-04T21:30:00Z"},
    }
    write_sequence(Scene.model_validate(tables), tmp_path / "night")
    return lambda: measure(tmp_path / "night", tmp_path / "night" / "setup.toml")


@pytest.mark.slow
def test_what_rests_on_a_contradicted_model_is_withdrawn_and_the_rest_stays(night, monkeypatch):
    believed = night()
    assert believed.result.atmosphere.seeing_500nm_zenith_arcsec is not None
    # Air alone: the structure is limited, and so is what its cure saves and the lower end of it.
    limit, fwhm = believed.result.structure, believed.result.fwhm
    assert limit.rms_major_arcsec.is_limit
    assert limit.saved_arcsec.is_limit
    assert fwhm.without_structure_arcsec.low95 < fwhm.recorded_arcsec.low95
    most = f"structure is below {limit.rms_major_arcsec.high:.2f} arcsec rms (95 %)"
    assert any(most in reason for reason in believed.result.verdict.reasons)
    # Any model is further than this from the record.
    monkeypatch.setattr("blursplit.budget.pictures.CONTRADICTION", 1.0)
    doubted = night()
    result = doubted.result
    assert result.verdict.dominant == "undecided"
    assert "no budget is drawn up" in result.verdict.statement
    assert result.verdict.shares == {}
    assert result.atmosphere.seeing_500nm_zenith_arcsec is None
    assert result.instrument.fwhm_arcsec is None
    for part in (result.tracking, result.structure, result.unassigned):
        assert part.rms_major_arcsec is None
    assert result.fwhm.without_structure_arcsec is None
    # What needs no model
    assert result.fwhm.recorded_arcsec == believed.result.fwhm.recorded_arcsec
    assert result.atmosphere.lower_seeing_arcsec == believed.result.atmosphere.lower_seeing_arcsec
    assert result.motion == believed.result.motion
    assert result.verdict.statement in render_page(result, doubted.series)
