"""Make the tables of this folder: positions of stars whose motion is known, and what it is.

Run it from the top of the project: `python data/tracks/make.py`. The same seeds give the same
tables, up to the last digit of the machine's transforms.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np

from blursplit.simulate import Scene

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[1] / "benchmarks"))
from waist import Waist, draw_tracks  # noqa: E402 - from benchmarks/, beside the other generators

FRAMES, INTERVAL_S, EXPOSURE_S, SCALE_ARCSEC = 800, 0.025, 0.01, 0.5
STARS = [(60, 50), (250, 60), (80, 190), (240, 180)]
RIG: dict[str, Any] = {
    "telescope": {"aperture_m": 0.25, "obstruction": 0.3},
    "camera": {
        "exposure_s": EXPOSURE_S,
        "frame_interval_s": INTERVAL_S,
        "pixel_scale_arcsec": SCALE_ARCSEC,
    },
    "stars": {"star": [{"x_px": x, "y_px": y, "flux_e_per_s": 3e6} for x, y in STARS]},
}
AIR = {"r0_500nm_zenith_m": 0.08, "wavelength_nm": 550.0, "outer_scale_m": 22.0}
# name -> what it is for, seed, tables of the scene
SCENES: dict[str, tuple[str, int, dict[str, Any]]] = {
    "turbulence": ("air alone, four layers", 11, {"air": AIR}),
    "ringing_pier": (
        "air and one lightly damped mode",
        12,
        {
            "air": AIR,
            "mode": [
                {"frequency_hz": 8.2, "damping_ratio": 0.015, "rms_arcsec": 0.5, "angle_deg": 30}
            ],
        },
    ),
    "drift_and_worm": (
        "air, drift, and one turn of a worm",
        13,
        {
            "air": AIR,
            "drift": [{"arcsec_per_min": 6.0, "angle_deg": 90.0}],
            "periodic": [{"period_s": 20.0, "amplitude_arcsec": 1.5, "angle_deg": 0.0}],
        },
    ),
    "near_air": (
        "air outside, and as much near the aperture",
        14,
        {"air": AIR, "near_air": {"strength": 1.0, "outer_scale_m": 0.57}},
    ),
}


def rms_xy(motion: np.ndarray) -> list[float]:
    """Return the one-axis rms about the mean along x and y, four digits."""
    return [round(float(value), 4) for value in motion.std(axis=0)]


def write(name: str) -> None:
    """Write NAME.csv and NAME.toml."""
    purpose, seed, tables = SCENES[name]
    scene = Scene.model_validate({**RIG, **tables, "sequence": {"frames": FRAMES}})
    (drawn,) = draw_tracks(scene, seed)
    tracks = drawn.tracks
    lines = [f"# {purpose}; exposure {EXPOSURE_S:g} s", "# time: s", "# x: arcsec", "# y: arcsec"]
    lines.append("# sigma: arcsec")
    lines.append("time,star,x,y,sigma")
    for i in range(tracks.n_frames):
        for s in range(tracks.n_stars):
            x, y, e = (
                float(a[i, s]) * SCALE_ARCSEC for a in (tracks.x_px, tracks.y_px, tracks.sigma_px)
            )
            lines.append(f"{tracks.time_s[i]:.3f},{s},{x:.4f},{y:.4f},{e:.5f}")
    (HERE / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (HERE / f"{name}.toml").write_text(_truth(scene, drawn, purpose, seed), encoding="utf-8")


def _truth(scene: Scene, drawn: Waist, purpose: str, seed: int) -> str:
    beside = drawn.air_arcsec - drawn.air_arcsec.mean(axis=1, keepdims=True)
    middle = drawn.times.start_s + EXPOSURE_S / 2
    lines = [
        f"# {purpose}; made by make.py with seed {seed}",
        f"aperture_m = {scene.telescope.aperture_m}",
        f"obstruction = {scene.telescope.obstruction}",
        f"exposure_s = {EXPOSURE_S}",
        f"wavelength_nm = {scene.air.wavelength_nm}",
        f"r0_m = {round(float(scene.air.r0_m), 5)}  # line of sight, at the wavelength",
        f"outer_scale_m = {scene.air.outer_scale_m}",
        *([f"near_r0_m = {round(float(scene.near_r0_m), 5)}"] if scene.near_r0_m else []),
        "",
        "# one-axis rms [arcsec] about the mean of the record, along x and y, as it came out",
        "[rms_xy_arcsec]",
        f"air_mean_of_stars = {rms_xy(drawn.air_arcsec.mean(axis=1))}",
        f"air_beside_mean = {rms_xy(beside.reshape(-1, 2))}",
        f"near_air = {rms_xy(drawn.near_arcsec.mean(axis=1))}",
    ]
    for owner in ("tracking", "structure"):
        moved = drawn.shared.at(middle, drawn.shared.of(owner))
        lines.append(f"{owner} = {rms_xy(moved)}")
    for mode in scene.mode:
        lines += [
            "",
            "[[lines]]",
            f"frequency_hz = {mode.frequency_hz}",
            f"damping_ratio = {mode.damping_ratio}",
            f"angle_deg = {mode.angle_deg}",
        ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    for scene_name in SCENES:
        write(scene_name)
