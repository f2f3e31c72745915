"""Whole sequences from an independent library's phase screens, through the command line.

The air is aotools' (Fourier screens), the image and the camera those of
benchmarks/independent_screens.py: nothing of the project's own simulator takes part.
"""

import importlib.util
import json
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from blursplit.cli import app
from blursplit.estimate import Estimate
from blursplit.result import Result

SCRIPT = Path(__file__).parent.parent / "benchmarks" / "independent_screens.py"


def load_maker():
    spec = importlib.util.spec_from_file_location("independent_screens", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules["independent_screens"] = module
    spec.loader.exec_module(module)
    return module


def holds(estimate: Estimate | None, truth: float) -> bool:
    assert estimate is not None
    return estimate.low95 <= truth <= estimate.high95


@pytest.mark.slow
def test_truth_of_independent_screens_lies_in_the_stated_intervals(tmp_path):
    """Seeing, structure and drift of one record each within its 95 % interval.

    The modes are strong (0.5 arcsec rms at 7 Hz), so that structure must be found and named.
    """
    maker = load_maker()
    plan = maker.Plan(
        seed=41,
        frames=700,
        interval_s=0.04,
        exposure_s=0.008,
        stars=5,
        r0_500nm_m=0.08,
        oscillators=(maker.Oscillator(7.0, 0.015, 0.5, 40.0),),
        drift_arcsec_per_min=6.0,
        drift_angle_deg=100.0,
        blur_fwhm_arcsec=0.5,
    )
    truth = maker.independent_sequence(plan, tmp_path / "made")
    out = tmp_path / "result"
    done = CliRunner().invoke(
        app,
        [
            "measure",
            str(tmp_path / "made" / "sequence.fits"),
            "--setup",
            str(tmp_path / "made" / "setup.toml"),
            "--set",
            "air.band_nm=[549.9, 550.1]",
            "--set",
            "telescope.instrument_fwhm_arcsec=0.5",
            "--out",
            str(out),
        ],
    )
    assert done.exit_code == 0, done.output
    result = Result.from_json((out / "result.json").read_text())
    air, structure = result.atmosphere, result.structure
    assert holds(air.seeing_500nm_zenith_arcsec, truth["atmosphere"]["seeing_500nm_zenith_arcsec"])
    assert holds(structure.rms_major_arcsec, truth["structure"]["rms_major_arcsec"])
    assert holds(result.tracking.drift_arcsec_per_min, 6.0)
    assert air.lower_seeing_arcsec.low95 < truth["atmosphere"]["seeing_500nm_zenith_arcsec"]
    assert air.upper_seeing_arcsec.high95 > truth["atmosphere"]["seeing_500nm_zenith_arcsec"]
    # A mode of damping 0.015 at 7 Hz is 0.2 Hz wide; its centre is known to a part of that.
    assert any(abs(line.frequency_hz.value - 7.0) < 0.07 for line in result.lines)
    assert result.verdict.matters["structure"] != "no"  # half an arcsec on one axis is near worth
    page = (out / "index.html").read_text()
    assert "arcsec" in page
    assert json.loads((out / "result.json").read_text())["schema"] == "blursplit-result/2"


@pytest.mark.slow
def test_ground_layer_on_a_still_pier_is_never_called_structure(tmp_path):
    """The trap: 80 % of the turbulence below 20 m moves all stars alike, as a pier would."""
    maker = load_maker()
    plan = maker.Plan(
        seed=52,
        frames=650,
        interval_s=0.04,
        exposure_s=0.008,
        stars=5,
        r0_500nm_m=0.06,
        layers=(maker.Layer(15, 0.8, 4, 23), maker.Layer(5000, 0.2, 14, 131)),
        blur_fwhm_arcsec=0.4,
    )
    maker.independent_sequence(plan, tmp_path / "made")
    out = tmp_path / "result"
    done = CliRunner().invoke(
        app,
        [
            "measure",
            str(tmp_path / "made" / "sequence.fits"),
            "--setup",
            str(tmp_path / "made" / "setup.toml"),
            "--out",
            str(out),
        ],
    )
    assert done.exit_code == 0, done.output
    result = Result.from_json((out / "result.json").read_text())
    assert result.verdict.matters["structure"] != "yes"
    assert result.verdict.matters["mechanics"] != "yes"
    assert result.lines == []
