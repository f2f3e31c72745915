"""The split on a night when much goes wrong: truths within the stated intervals all the same."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from blursplit.measure import measure
from blursplit.simulate import Scene, write_sequence

if TYPE_CHECKING:
    from pathlib import Path

    from blursplit.estimate import Estimate
    from blursplit.result import Result


def run(folder: Path, seed: int, tables: dict[str, Any]) -> tuple[dict[str, Any], Result]:
    scene = Scene.model_validate(tables)
    truth = write_sequence(scene, folder, seed=seed)
    found = measure(folder / "sequence.fits", folder / "setup.toml")
    return truth, found.result


def holds(estimate: Estimate | None, truth: float) -> bool:
    assert estimate is not None
    assert estimate.low95 is not None
    assert estimate.high95 is not None
    return estimate.low95 <= truth <= estimate.high95


def overlap(one: Estimate | None, other: Estimate | None) -> bool:
    assert one is not None
    assert other is not None
    return max(one.low95 or 0.0, other.low95 or 0.0) <= min(one.high95 or 0.0, other.high95 or 0.0)


def check_truths(said: dict[str, Any], result: Result) -> None:
    assert holds(result.structure.rms_major_arcsec, said["structure"]["rms_major_arcsec"])
    assert holds(result.tracking.drift_arcsec_per_min, said["tracking"]["drift_arcsec_per_min"])
    seeing = said["atmosphere"]["seeing_500nm_zenith_realised_arcsec"]
    assert holds(result.atmosphere.seeing_500nm_zenith_arcsec, seeing)


def check_spoilt(truth: dict[str, Any], spoilt: Result) -> None:
    assert spoilt.sequence.segments >= 2
    assert "dither" in {warning.code for warning in spoilt.warnings}
    check_truths(truth, spoilt)
    # Standard error of a mode's frequency: sqrt(zeta f/2 pi T), 0.022 Hz in 27 s; four of them.
    nearest = min(spoilt.lines, key=lambda line: abs(line.frequency_hz.value - 5.3))
    assert nearest.frequency_hz.value == pytest.approx(5.3, abs=0.09)


@pytest.mark.slow
def test_the_split_survives_drops_clouds_rays_a_trail_and_a_dither(
    tmp_path: Path, bad_night: dict[str, Any]
) -> None:
    """The same air and the same shaking, recorded once in peace and once with all that."""
    clean_truth, clean = run(tmp_path / "clean", 42, {**bad_night, "faults": {}})
    truth, spoilt = run(tmp_path / "spoilt", 42, bad_night)
    assert truth["structure"] == clean_truth["structure"]
    assert spoilt.sequence.frames_used < 0.97 * clean.sequence.frames_used
    check_truths(clean_truth, clean)
    check_spoilt(truth, spoilt)
    assert overlap(clean.structure.rms_major_arcsec, spoilt.structure.rms_major_arcsec)
    assert overlap(
        clean.atmosphere.seeing_500nm_zenith_arcsec, spoilt.atmosphere.seeing_500nm_zenith_arcsec
    )


@pytest.mark.slow
def test_another_spoilt_night_holds_its_truths_too(
    tmp_path: Path, bad_night: dict[str, Any]
) -> None:
    """Another seed; what the same night is in peace was shown by the first."""
    check_spoilt(*run(tmp_path / "spoilt", 104, bad_night))
