"""The split on a night when much goes wrong: truths within the stated intervals all the same."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from blursplit.instrument import read_setup
from blursplit.measure import measure
from blursplit.simulate import Scene, write_sequence

if TYPE_CHECKING:
    from pathlib import Path

    from blursplit.result import Estimate, Result

SCENE: dict[str, Any] = {
    "telescope": {"aperture_m": 0.25, "obstruction": 0.3, "instrument_fwhm_arcsec": 0.4},
    "camera": {
        "pixel_scale_arcsec": 0.65,
        "width_px": 260,
        "height_px": 200,
        "exposure_s": 0.008,
        "frame_interval_s": 0.03,
        "gain_e_per_adu": 0.8,
        "hot_pixels": 10,
    },
    "air": {"seeing_arcsec": 1.4, "airmass": 1.1},
    "drift": [{"arcsec_per_min": 8.0, "angle_deg": 20.0}],
    "mode": [{"frequency_hz": 5.3, "damping_ratio": 0.015, "rms_arcsec": 0.55, "angle_deg": 60.0}],
    "stars": {"count": 6, "seed": 3, "flux_e_per_s": 3e6, "margin_px": 35},
    "sequence": {"frames": 900},
}
FAULTS = {
    "dropped_share": 0.03,
    "clouded_share": 0.04,
    "cosmic_rays_per_frame": 4.0,
    "trail_frames": [250, 251, 252],
    "dither": [{"time_s": 14.0, "dx_px": 7.0, "dy_px": -9.0}],
}


def run(folder: Path, seed: int, faults: dict[str, Any]) -> tuple[dict[str, Any], Result]:
    scene = Scene.model_validate({**SCENE, "faults": faults})
    truth = write_sequence(scene, folder, seed=seed)
    setup, origins = read_setup(folder / "setup.toml")
    found = measure([folder / "sequence.fits"], setup=setup, origins=origins)
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


@pytest.mark.slow
@pytest.mark.parametrize("seed", [42, 104])
def test_the_split_survives_drops_clouds_rays_a_trail_and_a_dither(
    tmp_path: Path, seed: int
) -> None:
    """The same air and the same shaking, recorded once in peace and once with all that."""
    clean_truth, clean = run(tmp_path / "clean", seed, {})
    truth, spoilt = run(tmp_path / "spoilt", seed, FAULTS)
    assert truth["structure"] == clean_truth["structure"]
    assert spoilt.sequence.frames_used < 0.97 * clean.sequence.frames_used
    assert spoilt.sequence.segments >= 2
    assert "dither" in {warning.code for warning in spoilt.warnings}
    for said, result in ((clean_truth, clean), (truth, spoilt)):
        assert holds(result.structure.rms_major_arcsec, said["structure"]["rms_major_arcsec"])
        assert holds(result.tracking.drift_arcsec_per_min, said["tracking"]["drift_arcsec_per_min"])
        seeing = said["atmosphere"]["seeing_500nm_zenith_realised_arcsec"]
        assert holds(result.atmosphere.seeing_500nm_zenith_arcsec, seeing)
    assert overlap(clean.structure.rms_major_arcsec, spoilt.structure.rms_major_arcsec)
    assert overlap(
        clean.atmosphere.seeing_500nm_zenith_arcsec, spoilt.atmosphere.seeing_500nm_zenith_arcsec
    )
    # The mode stands among the lines, at its frequency within one percent.
    nearest = min(spoilt.lines, key=lambda line: abs(line.frequency_hz.value - 5.3))
    assert nearest.frequency_hz.value == pytest.approx(5.3, rel=0.01)
