"""Our free decays and output-only modes beside those of a general modal-analysis library (pyOMA2).

    python benchmarks/modal_oracle.py

The library's covariance-driven stochastic subspace identification gets the same records: a free
decay from the tap on, or ten minutes of two-axis motion under unknown forces. Of its poles of all
orders that lie within 3 % of a mode's true frequency the median counts.
tests/spectra/test_modal_oracle.py repeats some with other seeds.
"""

from __future__ import annotations

import importlib.metadata
import logging
import os

import numpy as np

from blursplit.spectra import LineSearch
from blursplit.spectra.tap_result import TapResult
from detection import air_of_many_kinds, mode
from motion_scenes import air

RATE_HZ = 82.0
TAP_S, DECAY_S = 5.0, 10.0
BLOCK_ROWS, HIGHEST_ORDER = 40, 24  # half a second of lags, two axes
NEAR = 0.03  # of the frequency

# name; modes as (frequency Hz, damping ratio, size arcsec, direction deg); air rms arcsec
DECAYS = [
    ("one mode, still air", [(6.3, 0.015, 4.0, 37.0)], 0.0),
    ("one mode", [(11.7, 0.015, 4.0, 37.0)], 0.1),
    ("light damping", [(14.8, 0.004, 4.0, 10.0)], 0.1),
    ("heavy damping", [(5.2, 0.035, 8.0, 80.0)], 0.1),
    ("two modes, two axes", [(6.3, 0.02, 4.0, 0.0), (9.1, 0.01, 3.0, 90.0)], 0.1),
]
# the same, rms instead of size
UNKNOWN_FORCES = [
    ("one mode", [(8.2, 0.01, 0.3, 37.0)], 0.1),
    ("light damping", [(14.8, 0.003, 0.3, 10.0)], 0.1),
    ("heavy damping", [(6.1, 0.03, 0.5, 80.0)], 0.1),
    ("two modes", [(6.3, 0.01, 0.3, 20.0), (17.4, 0.01, 0.3, 80.0)], 0.1),
    ("round pipe, 4 %", [(9.0, 0.01, 0.3, 30.0), (9.36, 0.01, 0.25, 120.0)], 0.1),
]


def along(angle_deg: float) -> np.ndarray:
    """Return the unit vector of a direction."""
    return np.array([np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))])


def decay_record(modes: list[tuple], air_rms: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return times and motion, arcsec, with one tap."""
    rng = np.random.default_rng(seed)
    n = round((TAP_S + DECAY_S + 2.0) * RATE_HZ)
    times = np.arange(n) / RATE_HZ
    kind = {"wind_m_s": 8.0, "outer_scale_m": 25.0, "aperture_m": 0.2, "gradient": False}
    motion = air(n, RATE_HZ, rng, rms=air_rms, **kind) + 0.01 * rng.normal(size=(n, 2))
    late = np.maximum(times - TAP_S, 0.0)
    for f, damping, size, angle in modes:
        omega = 2 * np.pi * f
        swing = size * np.exp(-damping * omega * late)
        swing = swing * np.sin(omega * np.sqrt(1 - damping**2) * late) * (times >= TAP_S)
        motion = motion + np.outer(swing, along(angle))
    return times, motion


def forced_record(modes: list[tuple], air_rms: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return times and motion, arcsec, of ten minutes."""
    rng = np.random.default_rng(seed)
    n = round(600 * RATE_HZ)
    motion = air_of_many_kinds(n, RATE_HZ, rng, rms=air_rms, wander=0.1)
    for f, damping, rms, angle in modes:
        motion = motion + np.outer(rms * mode(n, RATE_HZ, f, damping, rng), along(angle))
    return np.arange(n) / RATE_HZ, motion


def by_subspace(
    motion: np.ndarray, frequencies_hz: list[float], block_rows: int = BLOCK_ROWS
) -> np.ndarray:
    """Return the library's frequency [Hz] and damping ratio of each mode, shape (k, 2)."""
    os.environ["TQDM_DISABLE"] = "1"
    outputs = (motion - motion.mean(axis=0)).T
    with np.errstate():  # its import changes what numpy warns of
        from pyoma2.functions.ssi import SSI_fast, SSI_poles, build_hank

        logging.getLogger("pyoma2").setLevel(logging.WARNING)
        hankel = build_hank(outputs, outputs, block_rows, "cov")[0]
        rows, a, c, _ = SSI_fast(hankel, block_rows, HIGHEST_ORDER)
        hz, damping = SSI_poles(rows, a, c, HIGHEST_ORDER, 1 / RATE_HZ, xi_max=0.15)[:2]
    out = []
    for f in frequencies_hz:
        # each order's pole nearest to the mode
        gap = np.where(np.isfinite(hz), np.abs(hz / f - 1), np.inf)
        nearest = gap.argmin(axis=0)
        orders = np.flatnonzero(gap.min(axis=0) < NEAR)
        poles = [(hz[nearest[k], k], damping[nearest[k], k]) for k in orders]
        out.append(np.median(poles, axis=0) if poles else (np.nan, np.nan))
    return np.array(out)


def ours_of_decay(times: np.ndarray, motion: np.ndarray, f: float) -> tuple[float, ...]:
    """Return frequency, its error, damping ratio and its error from `TapResult.of`."""
    found = TapResult.of(times, motion, 1 / RATE_HZ, pixel_scale_arcsec=1.0)
    near = min(found.modes, key=lambda one: abs(one.frequency_hz.value - f))
    hz, damping = near.frequency_hz, near.damping_ratio
    return hz.value, (hz.high - hz.low) / 2, damping.value, (damping.high - damping.low) / 2


def ours_of_forces(times: np.ndarray, motion: np.ndarray, f: float) -> tuple[float, ...]:
    """Return the same from `LineSearch.of`."""
    lines = LineSearch.of(times, motion, cadence_s=1 / RATE_HZ).lines
    near = min(lines, key=lambda line: abs(line.frequency_hz - f))
    damping = near.damping_ratio or 0.0
    half = (near.damping_high - near.damping_low) / 2
    return near.frequency_hz, near.frequency_sigma, damping, half


def main() -> None:
    """Print the table."""
    print(f"pyOMA2 {importlib.metadata.version('pyOMA-2')}, numpy {np.__version__}\n")
    print("| record | true Hz | ours | pyOMA2 | true damping | ours | pyOMA2 |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for kind, rows, make, ours in (
        ("decay", DECAYS, decay_record, ours_of_decay),
        ("forces", UNKNOWN_FORCES, forced_record, ours_of_forces),
    ):
        for number, (name, modes, air_rms) in enumerate(rows):
            times, motion = make(modes, air_rms, 4000 + number)
            free = motion[times >= TAP_S + 0.02] if kind == "decay" else motion
            theirs = by_subspace(free, [one[0] for one in modes])
            for one, (hz, damping) in zip(modes, theirs.tolist(), strict=True):
                f, f_error, z, z_error = ours(times, motion, one[0])
                print(
                    f"| {kind}: {name} | {one[0]} | {f:.3f} +- {f_error:.3f} | {hz:.3f} | "
                    f"{one[1]:.4f} | {z:.4f} +- {z_error:.4f} | {damping:.4f} |",
                    flush=True,
                )


if __name__ == "__main__":
    main()
