"""How well lines are found: detection and errors, and false alarms on air alone.

    python benchmarks/lines.py [--quick] [--out docs/line_detection.md]

Modes of known size are put into frozen-flow air (Z-tilt, 8 m/s, 0.2 m, outer scale 25 m, 0.4
arcsec rms an axis) with 0.02 arcsec of centroid noise; frequencies are drawn from 3 Hz (or 30
cycles a record) to 0.8 of Nyquist, directions from all. Truth is the realised rms of each record.
"""

from __future__ import annotations

import argparse
import platform
import time
from pathlib import Path

import numpy as np

from blursplit.spectra import LineFit, LineSearch
from motion_scenes import air, damped_mode, without_lines

AIR = {
    "wind_m_s": 8.0,
    "outer_scale_m": 25.0,
    "aperture_m": 0.2,
    "gradient": False,
    "rms": 0.4,
}
CASES = [
    # rms arcsec, length s, rate Hz, damping ratio
    (0.05, 30, 50, 0.01),
    (0.10, 30, 50, 0.01),
    (0.15, 30, 50, 0.005),
    (0.15, 30, 50, 0.01),
    (0.15, 30, 50, 0.02),
    (0.15, 30, 50, 0.04),
    (0.30, 30, 50, 0.01),
    (0.60, 30, 50, 0.01),
    (0.15, 10, 50, 0.01),
    (0.15, 60, 50, 0.01),
    (0.15, 30, 25, 0.01),
    (0.15, 30, 100, 0.01),
]


def one_case(
    rms: float, length_s: float, rate_hz: float, damping: float, draws: int
) -> dict[str, float]:
    """Return detection share and errors of one kind of mode."""
    n = round(length_s * rate_hz)
    rows, missed = [], 0
    for index in range(draws):
        rng = np.random.default_rng(1000 * index + 7)
        low = max(3.0, 30.0 / length_s)
        frequency = rng.uniform(low, 0.4 * rate_hz)
        mode = damped_mode(n, rate_hz, frequency, damping, rng)[::8]
        mode = mode / mode.std() * rms
        angle = rng.uniform(0.0, np.pi)
        motion = air(n, rate_hz, rng, **AIR) + 0.02 * rng.normal(size=(n, 2))
        motion = motion + np.outer(mode, [np.cos(angle), np.sin(angle)])
        found = LineSearch.of(np.arange(n) / rate_hz, motion, cadence_s=1.0 / rate_hz)
        near = [line for line in found.lines if abs(line.frequency_hz / frequency - 1) < 0.05]
        if not near:
            missed += 1
            continue
        rows.append(errors(near[0], frequency, rms, damping))
    table = np.array(rows).reshape(-1, 6)
    return {
        "found": 1.0 - missed / draws,
        "frequency": rms_of(table[:, 0]),
        "frequency_pull": rms_of(table[:, 1]),
        "size": rms_of(table[:, 2]),
        "size_pull": rms_of(table[:, 3]),
        "damping": float(np.median(table[:, 4])) if len(table) else np.nan,
        "damping_holds": float(np.mean(table[:, 5])) if len(table) else np.nan,
    }


def errors(line: LineFit, frequency: float, rms: float, damping: float) -> list[float]:
    """Return relative errors and errors in units of the stated ones."""
    ratio = (line.damping_ratio or 0.0) / damping
    holds = line.damping_low <= damping <= line.damping_high
    return [
        line.frequency_hz / frequency - 1.0,
        (line.frequency_hz - frequency) / line.frequency_sigma,
        line.rms / rms - 1.0,
        (line.rms - rms) / line.rms_sigma,
        ratio,
        float(holds),
    ]


def rms_of(values: np.ndarray) -> float:
    """Return the root mean square, NaN where there is nothing."""
    return float(np.sqrt(np.mean(values**2))) if values.size else float("nan")


def false_alarms(draws: int, length_s: float, rate_hz: float) -> int:
    """Return how many of the series without lines show one."""
    n = round(length_s * rate_hz)
    count = 0
    for index in range(draws):
        rng = np.random.default_rng(500_000 + index)
        motion = without_lines(n, rate_hz, index, rng)
        count += bool(LineSearch.of(np.arange(n) / rate_hz, motion, cadence_s=1.0 / rate_hz).lines)
    return count


def main() -> None:
    """Run all cases and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a tenth of the draws")
    parser.add_argument("--out", type=Path, help="also write the table to this file")
    options = parser.parse_args()
    draws, series = (10, 100) if options.quick else (40, 1000)
    start = time.perf_counter()
    lines = [
        "# How well lines are found",
        "",
        (
            f"Made by `benchmarks/lines.py`: {draws} draws a row; air 0.4 arcsec rms an axis, "
            "noise 0.02 arcsec. Errors are root mean squares over the modes found; 'in sigmas' "
            "divides by the stated standard error and should be near 1; the damping interval "
            "should hold the truth in 0.68 of the cases."
        ),
        "",
        (
            "| rms [arcsec] | length [s] | rate [1/s] | damping | found | frequency error [%] | "
            "in sigmas | rms error [%] | in sigmas | median damping / true | "
            "damping interval holds |"
        ),
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for rms, length_s, rate_hz, damping in CASES:
        got = one_case(rms, length_s, rate_hz, damping, draws)
        lines.append(
            f"| {rms} | {length_s} | {rate_hz} | {damping} | {got['found']:.2f} | "
            f"{100 * got['frequency']:.2f} | {got['frequency_pull']:.2f} | "
            f"{100 * got['size']:.1f} | {got['size_pull']:.2f} | {got['damping']:.2f} | "
            f"{got['damping_holds']:.2f} |"
        )
        print(lines[-1], flush=True)
    lines += [
        "",
        "Series without lines (one frozen layer of many kinds, slow currents, drift):",
        "",
    ]
    lines += [
        "| series | length [s] | rate [1/s] | with a false line |",
        "| --- | --- | --- | --- |",
    ]
    for share, length_s, rate_hz in ((1.0, 30, 50), (0.3, 15, 100)):
        count = round(series * share)
        lines.append(
            f"| {count} | {length_s} | {rate_hz} | {false_alarms(count, length_s, rate_hz)} |"
        )
        print(lines[-1], flush=True)
    lines += ["", f"numpy {np.__version__}, Python {platform.python_version()}."]
    print(f"{time.perf_counter() - start:.0f} s")
    if options.out:
        options.out.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
