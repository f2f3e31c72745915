"""How often `rows-delayed` speaks: of shutters that read all rows at once, and of rolling ones.

Nights are drawn at the waist (tracks without pixels) over a wide range of telescopes, cameras, air,
near air, drives and modes, some of them folded. Each is judged twice, with all rows at one time and
with a row time that nobody states; limits are judgements, no scene has set them.

    python benchmarks/row_delays.py OUT.jsonl --first 1000 --scenes 300

Scenes that the file holds are not drawn again. Detections are listed by the share that the rows
have in the variance of the stars against each other: as much of it would pass for air.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from blursplit.budget.record import Motion
from blursplit.evidence.guest import Record
from blursplit.evidence.rolling_rows import find_row_delay
from blursplit.motion.common import GridData
from blursplit.rig import Rig
from blursplit.simulate.scene import Scene
from blursplit.spectra import LineFit, LineSearch
from blursplit.stars.raw_checks import Check
from blursplit.stars.tracks import StarTracks
from waist import draw_tracks

SHARES = (0.0, 0.001, 0.003, 0.01, 0.03, 0.1, 0.3, np.inf)


def scene_of(seed: int, *, rolling: bool) -> Scene:
    """Draw a night of two to ten stars; its rows take 2 to 100 % of the frame interval."""
    rng = np.random.default_rng([seed, 7])

    def between(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    aperture = float(rng.choice([0.08, 0.1, 0.15, 0.2, 0.25]))
    seeing = between(1.0, 4.0)
    image = float(np.hypot(seeing, 550e-9 / aperture * 206265.0))
    interval = float(rng.choice([0.01, 0.02, 0.05, 0.1]))
    exposure = interval * float(rng.uniform(0.1, 0.95))
    height = int(rng.choice([120, 240, 480, 960]))
    row_time_us = 1e6 * between(0.02, 1.0) * interval / height
    modes = [
        {
            "frequency_hz": between(1.0, 0.6 / interval),
            "damping_ratio": between(0.003, 0.05),
            "rms_arcsec": between(0.03, 1.5),
            "angle_deg": float(rng.uniform(0, 180)),
            "second_rms_arcsec": float(rng.uniform(0, 0.3)),
        }
        for _ in range(int(rng.integers(0, 4)))
    ]
    layers = [
        {
            "height_m": height_m,
            "weight": float(rng.uniform(0.1, 1.0)),
            "wind_m_s": between(1.5, 35.0),
            "direction_deg": float(rng.uniform(0, 360)),
        }
        for height_m in (20, 300, 2500, 9000)
    ]
    drift = {"arcsec_per_min": float(rng.uniform(1, 30)), "angle_deg": float(rng.uniform(0, 360))}
    shake = {"rms_arcsec": float(rng.uniform(0.1, 1)), "corner_hz": float(rng.uniform(0.5, 5))}
    near = {"strength": float(rng.uniform(0.1, 3)), "wind_m_s": float(rng.uniform(0.3, 3))}
    scene: dict[str, Any] = {
        "telescope": {"aperture_m": aperture},
        "camera": {
            "pixel_scale_arcsec": float(np.clip(image / rng.uniform(1.8, 4.5), 0.4, 2.0)),
            "width_px": 4 * height // 3,
            "height_px": height,
            "exposure_s": exposure,
            "frame_interval_s": interval,
            "row_time_us": row_time_us if rolling else 0.0,
        },
        "air": {"seeing_arcsec": seeing, "layers": layers},
        "stars": {
            "count": int(rng.integers(2, 11)),
            "seed": seed,
            "flux_e_per_s": between(1e4, 1e5) / exposure,
            "faintest_ratio": 0.1,
        },
        "sequence": {"frames": int(between(300, 3000))},
        "mode": modes,
        "drift": [drift] if rng.uniform() < 0.5 else [],
    }
    scene |= {"wind_shake": shake} if rng.uniform() < 0.3 else {}
    scene |= {"near_air": near} if rng.uniform() < 0.3 else {}
    return Scene.model_validate(scene)


def look_at(
    tracks: StarTracks, scene: Scene
) -> tuple[GridData | None, tuple[LineFit, ...], tuple[Check, ...]]:
    """Return the grid of tracks, the lines of their shared motion and what is said of rows."""
    known = {
        "camera.pixel_scale_arcsec": scene.camera.pixel_scale_arcsec,
        "telescope.aperture_m": scene.telescope.aperture_m,
    }
    rig = Rig.read(None, [f"{key}={value}" for key, value in known.items()])
    grid = Motion.of(Record.of(tracks, rig.with_header({}), None)).quiet
    if grid is None:
        return None, (), ()
    search = LineSearch.of(
        grid.time_s, grid.shared_arcsec, cadence_s=grid.cadence_s, segment=grid.number
    )
    return grid, search.lines, find_row_delay(grid, tracks, search.lines)


def judge(seed: int, *, rolling: bool) -> dict[str, Any]:
    """Draw a night, withhold its row time and return what is said of it."""
    scene = scene_of(seed, rolling=rolling)
    tracks = draw_tracks(scene, seed)[0].tracks
    row_s = tracks.row_time_s[0]
    grid, lines, said = look_at(replace(tracks, row_time_s=np.zeros_like(tracks.row_time_s)), scene)
    assert grid is not None
    stars = np.concatenate([piece.stars_arcsec for piece in grid.segments])
    apart = [part - part.mean(axis=1, keepdims=True) for part in np.split(stars, 2, axis=1)]
    by_rows = sum(
        (mode.rms_arcsec**2 + mode.second_rms_arcsec**2)
        / 2
        * (2 * np.pi * mode.frequency_hz) ** 2
        * row_s[grid.star].var()
        for mode in scene.mode
    )
    folded = any(mode.frequency_hz > 0.5 / grid.cadence_s for mode in scene.mode)
    return {
        "seed": seed,
        "rolling": rolling,
        "row_time_us": scene.camera.row_time_us,
        "share": float(by_rows / np.mean([part.var() for part in apart])),
        "lines": len(lines),
        "folded": folded,
        "said": [check.facts for check in said],
    }


def report(rows: list[dict[str, Any]]) -> None:
    """Print false alarms, detections by strength, and whether the intervals hold the row time."""
    clean = [row for row in rows if not row["rolling"]]
    lines = sum(row["lines"] > 0 for row in clean)
    false = sum(bool(row["said"]) for row in clean)
    print(f"all rows at once: said of {false} of {len(clean)} nights, {lines} with a line")
    rolled = [row for row in rows if row["rolling"]]
    for low, high in pairwise(SHARES):
        found = [row for row in rolled if low <= row["share"] < high]
        seen = sum(bool(row["said"]) for row in found)
        print(f"rows' share {low} to {high}: told {seen} of {len(found)}")
    for folded in (False, True):
        told = [row for row in rolled if row["said"] and row["folded"] == folded]
        held = sum(
            row["said"][0]["low_us"] <= row["row_time_us"] <= row["said"][0]["high_us"]
            and row["said"][0]["row_order"] == "first-row-first"
            for row in told
        )
        print(f"folded modes {folded}: interval holds the row time in {held} of {len(told)}")


def main() -> None:
    """Draw what the file lacks, then print the counts."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--scenes", type=int, default=300)
    chosen = parser.parse_args()
    rows = []
    if chosen.out.exists():
        rows = [json.loads(row) for row in chosen.out.read_text().splitlines()]
    done = {(row["seed"], row["rolling"]) for row in rows}
    for seed in range(chosen.first, chosen.first + chosen.scenes):
        for rolling in (False, True):
            if (seed, rolling) in done:
                continue
            rows.append(judge(seed, rolling=rolling))
            with chosen.out.open("a") as sink:
                sink.write(json.dumps(rows[-1]) + "\n")
    report(rows)


if __name__ == "__main__":
    main()
