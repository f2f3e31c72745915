"""Nights that earlier versions answered wrongly, and six ordinary ones: what is found, the truth.

    python benchmarks/past_failures.py [--seed 1] [--only NAME ...]

Each night is simulated, written as FITS and measured as a user would; the truth is read off its
own history by the same definitions (`sequence.truth.json`). No night here set a threshold, and a
new seed makes all of them anew.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(threads, "1")

from blursplit.measure import measure  # noqa: E402 - after the number of threads
from blursplit.rig import Rig  # noqa: E402
from blursplit.simulate import Scene, write_sequence  # noqa: E402

CURES = ("tracking", "structure", "mechanics", "near_air")


@dataclass(frozen=True)
class Night:
    """A scene's tables, what is told of it beside its header, and the time that a star blurs."""

    tables: dict[str, Any]
    known: tuple[str, ...] = ()
    blur_time_s: float | None = None


def mode(hz: float, rms_arcsec: float, angle_deg: float = 0.0) -> dict[str, float]:
    """Return a lightly damped mode."""
    return {
        "frequency_hz": hz,
        "damping_ratio": 0.01,
        "rms_arcsec": rms_arcsec,
        "angle_deg": angle_deg,
    }


def frames(count: int, exposure_s: float, interval_s: float, lights: float) -> dict[str, Any]:
    """Return camera, sequence and stars of a run; `lights` [e/s] of its brightest star."""
    return {
        "camera": {
            "exposure_s": exposure_s,
            "frame_interval_s": interval_s,
            "width_px": 320,
            "height_px": 240,
        },
        "sequence": {"frames": count},
        "stars": {"count": 6, "flux_e_per_s": lights, "margin_px": 40},
    }


def worm(period_s: float, amplitude_arcsec: float) -> dict[str, float]:
    """Return a worm's error along x."""
    return {"period_s": period_s, "amplitude_arcsec": amplitude_arcsec, "phase_deg": 40.0}


def nights() -> Iterator[tuple[str, Night]]:
    """Yield the nights by name."""
    small = {"telescope": {"aperture_m": 0.2}}
    slow = frames(240, 0.5, 0.52, 8e4)
    air = {"air": {"seeing_arcsec": 1.2}}
    ringing = [mode(7.3, 0.6), mode(8.1, 0.6, 90.0)]
    yield "0.5 s frames of a ringing pier", Night({**small, **slow, **air, "mode": ringing})
    fast = frames(1200, 0.022, 0.025, 1.5e6)
    yield "38.7 Hz in 22 ms frames", Night({**small, **fast, **air, "mode": [mode(38.7, 0.92)]})
    long_worm = {**small, **frames(960, 0.5, 0.52, 8e4), **air, "periodic": [worm(480.0, 9.0)]}
    yield "worm of 9 arcsec, blur time the run", Night(long_worm, blur_time_s=480.0)
    yield "worm of 9 arcsec, usual blur time", Night(long_worm)
    short = frames(1200, 0.01, 0.05, 3e6)
    declared = ("mount.worm_period_s=[54.0]",)
    yield (
        "worm declared at 1.1 turns",
        Night({**small, **short, **air, "periodic": [worm(54.0, 1.0)]}, declared),
    )
    both = {"periodic": [worm(30.0, 1.0)], "drift": [{"arcsec_per_min": 4.0, "angle_deg": 30.0}]}
    declared = ("mount.worm_period_s=[30.0]",)
    yield "drift and worm of two turns", Night({**small, **short, **air, **both}, declared)
    long = frames(40, 20.0, 22.0, 3e3)
    drifting = {"drift": [{"arcsec_per_min": 2.0, "angle_deg": 20.0}]}
    yield "20 s frames", Night({**small, **long, **air, **drifting})

    ordinary = frames(1200, 0.01, 0.025, 3e6)
    layers = [
        {"height_m": 10.0, "weight": 0.95, "wind_m_s": 4.0, "direction_deg": 20.0},
        {"height_m": 6000.0, "weight": 0.05, "wind_m_s": 18.0, "direction_deg": 100.0},
    ]
    shake = {"mode": [mode(9.2, 0.5)]}
    drive = {"periodic": [worm(25.0, 1.5)], "drift": [{"arcsec_per_min": 4.0, "angle_deg": 30.0}]}
    known = ("mount.worm_period_s=[25.0]",)
    yield "air only", Night(ordinary)
    yield "ground-layer air", Night({**ordinary, "air": {"seeing_arcsec": 1.5, "layers": layers}})
    yield "resonance", Night({**ordinary, **shake})
    yield "drift and worm", Night({**ordinary, **drive}, known)
    yield "all together", Night({**ordinary, **shake, **drive}, known)
    wedge = {"rms_arcsec": 0.4, "timescale_s": 2.0}
    yield "tube currents that only tilt", Night({**ordinary, "tube": wedge})
    rough = {**wedge, "rough_rms_nm": 80.0}
    yield "tube currents, 80 nm rough", Night({**ordinary, "tube": rough})


def told(estimate: Any) -> str:
    """Return an estimate with its 95 percent interval, a limit, or a dash."""
    if estimate is None:
        return "-"
    if estimate.value is None:
        return f"< {estimate.high95:.2f}"
    return f"{estimate.value:.2f} [{estimate.low95:.2f}, {estimate.high95:.2f}]"


def run(name: str, night: Night, seed: int, folder: Path) -> str:
    """Return a night's line of the table."""
    seeded = {part: {**night.tables[part], "seed": seed} for part in ("sequence", "stars")}
    tables = {**night.tables, **seeded}
    truth = write_sequence(Scene.from_tables(tables, name), folder)
    begin = time.process_time()
    result = measure(
        folder / "sequence.fits",
        Rig.read(None, ["camera.time_stamps=hardware", *night.known]),
        blur_time=night.blur_time_s,
    ).result
    took = time.process_time() - begin
    # the truth is that of a minute's blur
    known = night.blur_time_s is None
    width = f"{truth['fwhm']['recorded_arcsec']:.2f}" if known else "-"
    cells = [f"{told(result.fwhm.recorded_arcsec)} ({width})"]
    for cure in CURES:
        found = getattr(result, cure).saving_arcsec
        word = result.verdict.matters[cure]
        true = f"{truth['savings'][cure]['saving_arcsec']:.2f}" if known else "-"
        cells.append(f"{word}: {told(found)} ({true})")
    seeing = truth["atmosphere"]["seeing_500nm_zenith_realised_arcsec"]
    cells.append(f"{told(result.atmosphere.seeing_500nm_zenith_arcsec)} ({seeing:.2f})")
    return " | ".join(["", name, *cells, f"{took:.0f}", ""]).strip()


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[])
    given = parser.parse_args()
    head = ["night", "recorded (truth)", *CURES, "seeing (truth)", "s"]
    print("| " + " | ".join(head) + " |\n|" + " --- |" * len(head))
    for name, night in nights():
        if not given.only or any(part in name for part in given.only):
            with tempfile.TemporaryDirectory() as folder:
                print(run(name, night, given.seed, Path(folder) / "night"), flush=True)


if __name__ == "__main__":
    main()
