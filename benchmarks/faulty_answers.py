"""What `blursplit measure` answers when frames lie: one night, spoilt one way after the other.

The night is plain and its truth known: five stars, drift, a mode of 0.55 arcsec rms, a seeing of 2
arcsec. Each fault is put in, the whole command is run, and a line says what it answered, beside the
truth: no wrong number may stand there without a doubt or a void.

    python benchmarks/faulty_answers.py OUT.jsonl [--only comet,gamma] [--seed 700]

Faults that the file holds already are not run again. `frame_checks.py` counts over many scenes how
often each check speaks; here it is one night a fault.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from scipy.ndimage import gaussian_filter

sys.path.insert(0, str(Path(__file__).parent))

import blursplit as bs
from blursplit.simulate.scene import Scene
from blursplit.simulate.write import _header_of, _start_of
from frame_checks import FAULTS, Frames, window

FRAMES, INTERVAL_S, SENSOR_PX = 1200, 0.04, 170
STARS = ((40, 44, 1.0), (124, 38, 0.8), (84, 88, 1.3), (36, 128, 0.6), (130, 126, 0.7))


def scene_of(stars: tuple[tuple[float, float, float], ...] = STARS, **more: Any) -> Scene:
    """Return the night; stars as places and light, tables to be changed by name."""
    tables: dict[str, dict[str, Any]] = {
        "telescope": {"aperture_m": 0.2},
        "camera": {
            "pixel_scale_arcsec": 0.8,
            "width_px": SENSOR_PX,
            "height_px": SENSOR_PX,
            "exposure_s": 0.01,
            "frame_interval_s": INTERVAL_S,
            "read_noise_e": 2.5,
            "sky_e_per_s": 3000.0,
        },
        "air": {"seeing_arcsec": 2.0},
        "sequence": {"frames": FRAMES},
    }
    for name, table in more.items():
        tables[name] |= table
    return Scene.model_validate(
        {
            **tables,
            "drift": [{"arcsec_per_min": 4.0, "angle_deg": 20.0}],
            "mode": [
                {"frequency_hz": 5.3, "damping_ratio": 0.015, "rms_arcsec": 0.55, "angle_deg": 60.0}
            ],
            "stars": {
                "star": [{"x_px": x, "y_px": y, "flux_e_per_s": 1e6 * f} for x, y, f in stars]
            },
        }
    )


@dataclass(frozen=True)
class Fault:
    """What is done to scene, frames, times, header and setup."""

    spoil: Callable[[Frames], Frames] = window
    scene: dict[str, Any] = field(default_factory=dict)
    times: Callable[[np.ndarray], np.ndarray] = lambda t: t
    cards: dict[str, Any] = field(default_factory=dict)
    setup: tuple[str, ...] = ("pixel_scale_arcsec = 0.8",)  # of the camera


def _with_comet(frames: Frames) -> Frames:
    """Let a small bright coma cross the field and pass over a star."""
    y, x = np.mgrid[: frames.shape[1], : frames.shape[2]]
    out = frames.copy()
    for i, at in enumerate(np.linspace(20.0, 150.0, len(frames))):
        away = np.hypot(x - at, y - 0.6 * at - 37.6)
        out[i] += 400.0 / (1.0 + (away / 3.0) ** 2)
    return window(np.rint(out))


def _interlaced(frames: Frames) -> Frames:
    """Odd rows are those of the frame before."""
    out = frames.copy()
    out[1:, 1::2] = frames[:-1, 1::2]
    return window(out)


def _sent_again(frames: Frames) -> Frames:
    """Of a hundred frames five are lost, and the one before is sent once more."""
    lost = np.random.default_rng(1).random(len(frames)) < 0.05
    lost[0] = False
    return window(frames[np.maximum.accumulate(np.where(lost, 0, np.arange(len(frames))))])


def _refocused(frames: Frames) -> Frames:
    """Let the focus go out and back in the middle third, as an autofocus run does."""
    n = len(frames)
    sky, noise = float(np.median(frames)), float(np.std(frames[:, :6, :6]))
    rng = np.random.default_rng(2)
    out = frames.copy()
    for i in range(n // 3, 2 * n // 3):
        sigma = 3.0 * np.sin(np.pi * (3 * i / n - 1)) + 0.3
        out[i] = (
            gaussian_filter(frames[i] - sky, sigma) + sky + rng.normal(0, noise, frames[i].shape)
        )
    return window(np.rint(out))


def _dead_column(frames: Frames) -> Frames:
    out = frames.copy()
    out[:, :, STARS[2][0]] = np.median(frames)
    return window(out)


def _with_glow(frames: Frames) -> Frames:
    y, x = np.mgrid[: frames.shape[1], : frames.shape[2]]
    light = 600.0 * np.exp(-np.hypot(x - frames.shape[2], y - frames.shape[1]) / 25.0)
    return window(np.rint(frames + np.random.default_rng(3).poisson(light, frames.shape)))


ROLLED = {"camera": {"row_time_us": 0.9e6 * INTERVAL_S / SENSOR_PX}}
DOUBLE = {"stars": (*STARS[:2], (84, 88, 1.0), (87.5, 89, 0.5), *STARS[3:])}
TURNED = {"stars": STARS[1:4:2], "sequence": {"field_rotation_deg_per_hour": 600.0}}
CASES: dict[str, Fault] = {
    "none": Fault(),
    **{name: Fault(spoil) for name, (_, spoil) in FAULTS.items()},
    "binning counted twice by the header": Fault(cards={"XBINNING": 2, "YBINNING": 2}, setup=()),
    "setup's scale twice the header's": Fault(setup=("pixel_scale_arcsec = 1.6",)),
    "times all equal": Fault(times=np.zeros_like),
    "times in whole seconds": Fault(times=np.floor),
    "rolling shutter, not stated": Fault(scene=ROLLED),
    "double star": Fault(scene=DOUBLE),
    "comet": Fault(_with_comet),
    "two stars, field turns by 8 degrees": Fault(scene=TURNED),
    "dead column through a star": Fault(_dead_column),
    "interlaced rows": Fault(_interlaced),
    "lost frames sent again": Fault(_sent_again),
    "focus moves": Fault(_refocused),
    "glow of an amplifier": Fault(_with_glow),
    "12 bits in the upper of 16": Fault(lambda f: 16 * np.clip(window(f), 0, 4095)),
}


def answer(fault: Fault, seed: int, folder: Path) -> dict[str, Any]:
    """Run the command on the spoilt night; return what it said, and the truth."""
    scene = scene_of(**fault.scene)
    run = bs.simulate(scene, seed=seed)
    truth = run.truth
    spoilt = np.clip(fault.spoil(run.frames.astype(np.float32)), 0, 65535).astype(np.uint16)
    header = _header_of(scene, _start_of(scene))
    header.update(fault.cards)
    time_s = fault.times(INTERVAL_S * np.arange(len(spoilt)))
    column = fits.Column("TIME", "D", unit="s", array=time_s)
    table = fits.BinTableHDU.from_columns([column], name="TIMES")
    table.header["TIMESYS"], table.header["TIMEPIXR"] = "UTC", 0.0
    table.header["DATEREF"] = header["DATE-OBS"]
    fits.HDUList([fits.PrimaryHDU(spoilt, header), table]).writeto(folder / "night.fits")
    setup = ["[telescope]", "aperture_m = 0.2", "[camera]", *fault.setup]
    (folder / "setup.toml").write_text("\n".join(setup))
    words = ["measure", "night.fits", "--setup", "setup.toml", "--out", "out"]
    done = subprocess.run(
        [sys.executable, "-c", "from blursplit.cli import app; app()", *words],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    out: dict[str, Any] = {
        "seeing": truth["atmosphere"]["seeing_500nm_zenith_realised_arcsec"],
        "structure": truth["structure"]["rms_major_arcsec"],
        "saving": truth["savings"]["mechanics"]["saving_arcsec"],
        "exit": done.returncode,
        "stderr": done.stderr.strip().splitlines()[-1:],
    }
    if done.returncode == 0:
        out["page"] = sorted(path.name for path in (folder / "out").iterdir())
        out["result"] = json.loads((folder / "out" / "result.json").read_text())
        for bulky in ("setup", "events"):
            out["result"].pop(bulky, None)
    return out


def interval(estimate: dict[str, Any] | None, truth: float) -> str:
    """Return an estimate with its 95 % interval, marked where the truth lies outside."""
    if estimate is None or estimate.get("high95") is None:
        return "-"
    low, high = estimate["low95"] or 0.0, estimate["high95"]
    mark = "" if low <= truth <= high else " (!)"
    if estimate["value"] is None:
        return f"< {high:.2f}{mark}"
    return f"{estimate['value']:.2f} ({low:.2f} to {high:.2f}){mark}"


def line(name: str, found: dict[str, Any]) -> str:
    """Return one row of the table."""
    if "result" not in found:
        return f"| {name} | {' '.join(found['stderr'])} | | | |"
    result = found["result"]
    checks = [f"`{c['code']}`, {c['severity']}" for c in result["checks"]]
    verdict = result["verdict"]
    said = verdict["headline_code"] + f" ({verdict['matters'].get('mechanics')})"
    seeing = interval(result["atmosphere"]["seeing_500nm_zenith_arcsec"], found["seeing"])
    moved = interval(result["structure"]["rms_major_arcsec"], found["structure"])
    return f"| {name} | {'; '.join(checks) or '-'} | {said} | {seeing} | {moved} |"


def main() -> None:
    """Run what the file lacks, then print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--only", default="")
    parser.add_argument("--seed", type=int, default=700)
    chosen = parser.parse_args()
    found = {}
    if chosen.out.exists():
        rows = (json.loads(row) for row in chosen.out.read_text().splitlines())
        found = {row["name"]: row for row in rows}
    for name, fault in CASES.items():
        wanted = not chosen.only or any(part in name for part in chosen.only.split(","))
        if name in found or not wanted:
            continue
        with tempfile.TemporaryDirectory() as folder:
            found[name] = {"name": name, **answer(fault, chosen.seed, Path(folder))}
        with chosen.out.open("a") as sink:
            sink.write(json.dumps(found[name]) + "\n")
        print(line(name, found[name]), flush=True)
    print(*(line(name, found[name]) for name in CASES if name in found), sep="\n")


if __name__ == "__main__":
    main()
