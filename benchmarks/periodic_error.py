"""How often the interval of the periodic error holds the truth, from a third of a turn to five.

    python benchmarks/periodic_error.py [--runs 80]

Each run is the shared motion at 4 frames/s under a worm of 120 s: frozen air of 0.25 to 0.6 arcsec
rms, in every second run slow currents of 0.1 to 0.4 arcsec that last 1 to 6 s, white noise of 0.05
arcsec, a drift, and an error of 1 to 8 arcsec amplitude (even in the logarithm) with a second and
a third harmonic of up to a half and a quarter of it, along any direction, at any phase. A run in
four has no error. Printed for each length: how often an error was shown, how often the 68 % and
95 % interval of the peak to peak of a whole turn held the true one among these, the median ratio
of found to true, half the 68 % interval over the true size, the error of the direction (median),
how often the limit held where no error was shown, and how often one was shown where there was
none. Uncertain to the root of p (1 - p)/n. docs/periodic_error.md holds the result.
"""

from __future__ import annotations

import argparse
import os
import platform

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(threads, "1")

import numpy as np  # noqa: E402 - after the number of threads

from blursplit.drive.periodic_error import (  # noqa: E402
    PHASES,
    _drive_curves,
    _harmonic_columns,
)
from blursplit.drive.terms import DriveRecord, _drive_terms  # noqa: E402
from blursplit.rig import Rig  # noqa: E402
from motion_scenes import air, slow_current  # noqa: E402

PERIOD_S, RATE_HZ = 120.0, 4.0
TURNS = (0.3, 0.5, 1.0, 2.0, 5.0)


def make_run(
    turns: float, number: int, rng: np.random.Generator
) -> tuple[DriveRecord, float, float]:
    """Return a record, the true size of its error over a whole turn and its direction [deg]."""
    n = round(turns * PERIOD_S * RATE_HZ)
    time_s = np.arange(n) / RATE_HZ
    motion = air(
        n,
        RATE_HZ,
        rng,
        wind_m_s=rng.uniform(3.0, 15.0),
        outer_scale_m=rng.uniform(10.0, 50.0),
        aperture_m=0.25,
        gradient=True,
        rms=rng.uniform(0.25, 0.6),
    )
    if number % 2:
        size, last_s = rng.uniform(0.1, 0.4), rng.uniform(1.0, 6.0)
        motion += size * np.stack([slow_current(n, RATE_HZ, last_s, rng) for _ in "xy"], axis=1)
    motion += 0.05 * rng.standard_normal((n, 2)) + np.outer(time_s, 0.03 * rng.standard_normal(2))
    has_none = number % 8 in {6, 7}
    amplitude = 0.0 if has_none else float(np.exp(rng.uniform(0.0, np.log(8.0))))
    parts = []
    for most in (1.0, 0.5, 0.25):
        size = amplitude * (1.0 if most == 1.0 else rng.uniform(0.0, most))
        turn = rng.uniform(0.0, 2.0 * np.pi)
        parts += [size * np.cos(turn), size * np.sin(turn)]
    angle_deg = float(rng.uniform(0.0, 180.0))
    toward = [np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))]
    motion += np.outer(_harmonic_columns(time_s, PERIOD_S, 3) @ parts, toward)
    record = DriveRecord(time_s, motion, np.zeros(n, dtype=np.intp), 1.0 / RATE_HZ, 0.9 / RATE_HZ)
    return record, float(np.ptp(_harmonic_columns(PHASES, 1.0, 3) @ parts)), angle_deg


def row(turns: float, runs: int) -> str:
    """Measure runs of one length and return their row of the table."""
    rig = Rig(worm_period_s=[PERIOD_S]).with_header({})
    terms = _drive_terms(rig, turns * PERIOD_S)
    inside, limits, false = [], [], []
    for number in range(runs):
        rng = np.random.default_rng([number, round(10 * turns)])
        record, truth, angle_deg = make_run(turns, number, rng)
        (curve,) = _drive_curves(record, terms, rng)
        size = curve.record.peak_to_peak_arcsec
        shown = size is not None and size.value is not None
        if truth == 0.0:
            false.append(shown)
        elif shown:
            off = abs((curve.record.angle_deg - angle_deg + 90.0) % 180.0 - 90.0)
            wide = 0.5 * (size.high - size.low) / truth
            inside.append(
                (
                    size.low <= truth <= size.high,
                    size.low95 <= truth <= size.high95,
                    size.value / truth,
                    wide,
                    off,
                )
            )
        else:
            limits.append(size is None or truth <= size.high)
    found = np.array(inside, dtype=float).reshape(-1, 5)  # also where none was shown
    count = len(inside) + len(limits)
    held = f"{sum(limits)} of {len(limits)}" if limits else "none needed"
    return (
        f"| {turns:g} | {len(inside)} of {count} | {100 * found[:, 0].mean():.0f} % "
        f"| {100 * found[:, 1].mean():.0f} % | {np.median(found[:, 2]):.2f} "
        f"| {100 * np.median(found[:, 3]):.0f} % | {np.median(found[:, 4]):.1f} deg | {held} "
        f"| {sum(false)} of {len(false)} |"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=80, help="for each length")
    runs = parser.parse_args().runs
    print(f"Python {platform.python_version()}, numpy {np.__version__}, {runs} runs a length\n")
    print(
        "| turns | shown | in 68 % | in 95 % | found/true | half of the 68 % | direction off "
        "| limits that held | shown without an error |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for turns in TURNS:
        print(row(turns, runs), flush=True)


if __name__ == "__main__":
    main()
