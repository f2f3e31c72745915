"""How well events are found, how large they are said to be, and how often one is false.

    python benchmarks/events.py --cache FOLDER [--quick]

Air alone comes from `event_scenes.py` (25 s at 40 frames/s, two kinds of screens, kept in the
folder), from `motion_scenes.py`, and from modes that ring all the time. Shocks, footsteps and
gusts of known size are put into our own screens; their size is counted in smallest peaks that the
search of the same air without them states. Truth of the size is the largest displacement of the
event itself in a frame, filtered as the measurement is.
"""

from __future__ import annotations

import argparse
import platform
from collections import Counter
from pathlib import Path

import numpy as np

from blursplit.spectra import MotionEvents
from blursplit.spectra.events import fast_part
from event_scenes import RATE_HZ, footsteps, gust, kept, shutter_shock
from motion_scenes import air, damped_mode, slow_current, without_lines

CADENCE_S = 1.0 / RATE_HZ
KINDS = {"shutter shock": shutter_shock, "footsteps": footsteps, "gust": gust}
NAMES = {"shutter shock": "shock", "footsteps": "shocks", "gust": "gust"}


def false_events(cache: Path, draws: int) -> None:
    """Print how many records of steady motion show an event."""
    print("| series | length [s] | rate [1/s] | with a false event |\n| --- | --- | --- | --- |")
    for kind, label, count in (
        ("simulated", "200 of our screens, tube currents in every second", 200),
        ("independent", "100 of an independent library's screens", 100),
    ):
        n = min(count, draws)
        wrong = sum(bool(_search(kept(kind, k, cache)).events) for k in range(n))
        print(f"| {label} | 25 | 40 | {wrong} of {n} |")
    n = 10 * min(draws, 100)
    wrong = 0
    for index in range(n):
        motion = without_lines(1500, 50.0, index, np.random.default_rng([21, index]))
        wrong += bool(MotionEvents.find(np.arange(1500) * 0.02, motion, 0.02).events)
    print(f"| air of many kinds, currents, drift | 30 | 50 | {wrong} of {n} |")
    for frequency, damping in ((9.0, 0.015), (4.0, 0.05), (15.0, 0.005)):
        for frames, most in ((1000, 300), (20_000, 100)):
            n = min(most, draws)
            wrong = sum(bool(_ringing(frames, frequency, damping, k)) for k in range(n))
            label = f"a mode of {frequency:g} Hz, damping ratio {damping:g}, that always rings"
            print(f"| {label} | {frames / RATE_HZ:g} | 40 | {wrong} of {n} |")

    for swing in (0.25, 0.4):
        for rms, label in ((0.0, "air"), (0.8, "air and a mode of 6 Hz")):
            n = min(60, draws)
            wrong = sum(bool(_changing(swing, rms, k)) for k in range(n))
            change = f"rms changing by a factor of {np.exp(swing):.1f} in ten minutes"
            print(f"| {label}, {change} | 3600 | 20 | {wrong} of {n} |", flush=True)


def _changing(swing: float, mode_rms: float, index: int) -> tuple:
    rng, n, rate = np.random.default_rng([24, index]), 72_000, 20.0
    motion = air(
        n,
        rate,
        rng,
        wind_m_s=(4.0, 8.0, 15.0)[index % 3],
        outer_scale_m=25.0,
        aperture_m=0.25,
        gradient=True,
        rms=0.3,
    )
    strength = np.exp(swing * slow_current(n, rate, 600.0, rng))
    mode = damped_mode(n, rate, 6.0, 0.015, rng)[::8]
    motion = (motion + mode_rms * np.outer(mode, [0.8, 0.6])) * strength[:, None]
    motion += 0.01 * rng.normal(size=motion.shape)
    return MotionEvents.find(np.arange(n) / rate, motion, 1.0 / rate).events


def _ringing(frames: int, frequency: float, damping: float, index: int) -> tuple:
    rng = np.random.default_rng([22, index])
    motion = air(
        frames,
        RATE_HZ,
        rng,
        wind_m_s=8.0,
        outer_scale_m=25.0,
        aperture_m=0.25,
        gradient=True,
        rms=0.3,
    )
    mode = damped_mode(frames, RATE_HZ, frequency, damping, rng)[::8]
    motion = motion + 0.8 * np.outer(mode, [0.8, 0.6]) + 0.01 * rng.normal(size=motion.shape)
    return _search(motion).events


def _search(motion: np.ndarray):  # noqa: ANN202 - EventSearch
    return MotionEvents.find(np.arange(len(motion)) * CADENCE_S, motion, CADENCE_S)


def one_case(name: str, size: float, cache: Path, draws: int) -> str:
    """Return a row of the table: how often found, called what, when and how large."""
    late, wrong, called, found = [], [], Counter(), 0
    for index in range(draws):
        quiet = kept("simulated", index, cache)
        rng = np.random.default_rng([23, index])
        own, start = KINDS[name](size * _search(quiet).smallest_peak, rng)
        events = _search(quiet + own).events
        if not events:
            continue
        found += 1
        event = max(events, key=lambda one: one.peak)
        first = round(event.start_s / CADENCE_S)
        inside = slice(first, first + round(event.duration_s / CADENCE_S))
        truth = np.sqrt((fast_part(own, CADENCE_S, 1.0)[inside] ** 2).sum(axis=1)).max()
        late.append(events[0].start_s - start)
        wrong.append((event.peak - truth) / event.peak_error)
        called[event.kind] += 1
    sigma = np.array(wrong)
    return (
        f"| {name} | {size:g} | {found} of {draws} | {called[NAMES[name]] / found:.2f} | "
        f"{np.median(late):.2f} | {np.percentile(late, 90) - np.percentile(late, 10):.2f} | "
        f"{sigma.mean():+.2f} | {np.sqrt((sigma**2).mean()):.2f} | "
        f"{np.mean(np.abs(sigma) < 1):.2f} | {np.mean(np.abs(sigma) < 1.96):.2f} |"
    )


def main() -> None:
    """Print both tables and the environment."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--quick", action="store_true")
    given = parser.parse_args()
    draws = 20 if given.quick else 300
    false_events(given.cache, draws)
    print(
        "\n| event | size [smallest peaks] | found | called so | late by, median [s] | "
        "10 to 90 % of it [s] | peak off [sigmas] | in sigmas, rms | 68 % holds | 95 % holds |\n"
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |"
    )
    for name in KINDS:
        for size in (0.5, 1.0, 1.5, 2.5):
            print(one_case(name, size, given.cache, min(draws, 200)), flush=True)
    print(f"\nnumpy {np.__version__}, Python {platform.python_version()}.")


if __name__ == "__main__":
    main()
