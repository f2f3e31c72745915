"""Taps of many sizes and frequencies against the frame rate: found, right, and honestly doubtful.

    python benchmarks/taps.py [--draws N] [--bend] [--drawn N --first N [--widths]]

Three taps a record, ten seconds apart, 82 frames/s, exposures of 8 ms, a scale of 0.6 arcsec a
pixel, air of 0.3 arcsec rms (frozen flow) and 0.03 arcsec of noise; damping ratio 0.015. The
record goes through the search for jumps of the field, as a followed sequence does. `--drawn`
draws frequencies from 3 to 200 Hz, flat in the logarithm, and damping ratios from those of
structures, and counts what is said of a fold; `--widths` gives the stars' widths as well, as frames
do: 2.5 arcsec, scattering by an eighth, and what moves within the exposures.
"""

from __future__ import annotations

import argparse

import numpy as np

from blursplit.constants import RING_DAMPING_SPREAD, RING_DECIDED, RING_USUAL_DAMPING
from blursplit.spectra.tap_result import TapResult, TapSequence
from blursplit.stars.build_tracks import find_jumps
from motion_scenes import air

STAR_PX, WIDTH_SCATTER = 2.5 / 2.3548 / 0.6, 0.125
RATE_HZ, SCALE, EXPOSURE_S, DAMPING = 82.0, 0.6, 0.008, 0.015
SIZES_ARCSEC = (1.0, 2.0, 4.0, 8.0, 20.0)
FREQUENCIES_HZ = (6.3, 14.8, 24.0, 37.0, 61.0, 79.0)
TAPS_S = (5.0, 15.0, 25.0)


def ring(
    time_s: np.ndarray, frequency_hz: float, damping: float, size: float, bend: float
) -> np.ndarray:
    """Return decaying oscillations from each tap on; `bend` raises the frequency with the size."""
    out = np.zeros(time_s.size)
    omega = 2 * np.pi * frequency_hz
    for start in TAPS_S:
        late = np.maximum(time_s - start, 0.0)
        envelope = np.exp(-damping * omega * late)
        turn = omega * (late + bend * (1.0 - envelope) / (damping * omega))
        out += np.where(time_s >= start, size * envelope * np.sin(turn), 0.0)
    return out


def one_record(
    frequency_hz: float, size: float, seed: int, bend: float = 0.0, damping: float = DAMPING
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return times, motion in pixels, the number of each frame's stretch, and the stars' widths."""
    rng = np.random.default_rng(seed)
    n = round(35 * RATE_HZ)
    fine = np.arange(8 * n) / (8 * RATE_HZ)
    swing = ring(fine, frequency_hz, damping, size, bend)
    held = round(8 * RATE_HZ * EXPOSURE_S)
    box = np.ones(held) / held
    inside = np.convolve(swing**2, box, mode="same") - np.convolve(swing, box, mode="same") ** 2
    swing = np.convolve(swing, box, mode="same")[::8]
    motion = air(
        n,
        RATE_HZ,
        rng,
        wind_m_s=8.0,
        outer_scale_m=25.0,
        aperture_m=0.2,
        gradient=False,
        rms=0.3,
    )
    motion = motion + np.outer(swing, [0.8, 0.6]) + 0.03 * rng.normal(size=(n, 2))
    pixels = motion / SCALE
    starts = np.zeros(n, dtype=np.int64)
    starts[find_jumps(pixels[:, 0], pixels[:, 1], 2.0)] = 1
    steady = STAR_PX * np.exp(WIDTH_SCATTER * rng.normal(size=n))
    width = np.sqrt(steady**2 + 0.5 * np.maximum(inside[::8], 0.0) / SCALE**2)
    return np.arange(n) / RATE_HZ, pixels, np.cumsum(starts), width


def measured(
    times: np.ndarray, pixels: np.ndarray, segment: np.ndarray, width: np.ndarray | None = None
) -> TapResult:
    """Return what `tap` says of a record whose exposure is known."""
    n = times.size
    about = TapSequence(
        frames=n,
        frames_used=n,
        stars_used=1,
        cadence_s=1 / RATE_HZ,
        duration_s=n / RATE_HZ,
        nyquist_hz=RATE_HZ / 2,
        pixel_scale_arcsec=SCALE,
        frame_exposure_s=EXPOSURE_S,
    )
    return TapResult.of(
        times,
        pixels,
        1 / RATE_HZ,
        segment=segment,
        pixel_scale_arcsec=SCALE,
        sequence=about,
        width_px=width,
    )


def drawn(draws: int, first: int, *, widths: bool) -> str:
    """Return rows for modes below Nyquist, folded once, and folded more often."""
    rows: dict[str, list[tuple[bool, bool, bool, bool]]] = {}
    for k in range(draws):
        rng = np.random.default_rng([4242, first, k])
        hz = float(np.exp(rng.uniform(np.log(3.0), np.log(200.0))))
        usual = np.log(RING_USUAL_DAMPING) + RING_DAMPING_SPREAD * rng.normal()
        damping = float(np.clip(np.exp(usual), 0.0015, 0.15))
        size = float(rng.choice([2.0, 4.0, 8.0, 20.0]))
        record = one_record(hz, size, 10_000 * first + k, damping=damping)
        modes = measured(*record[: 4 if widths else 3]).modes
        kind = "below 41 Hz" if hz < 41 else "41 to 82 Hz" if hz < 82 else "above"
        row = rows.setdefault(kind, [])
        if not modes:
            row.append((False, False, False, False))
            continue
        said = modes[0].damping_ratio
        holds = bool((said.low95 or 0.0) <= damping <= (said.high95 or 0.0))
        is_open = max(modes[0].alias_odds) < RING_DECIDED
        row.append((True, is_open, holds, not is_open and not holds))
    return "\n".join(
        f"| {kind} | {len(row)} | " + " | ".join(str(n) for n in np.sum(row, axis=0)) + " |"
        for kind, row in sorted(rows.items(), reverse=True)
    )


def one_cell(frequency_hz: float, size: float, draws: int, bend: float = 0.0) -> str:
    """Return a row of the table."""
    taps, cut, right, modes, held, limited, values = 0, 0, 0, 0, 0, 0, []
    for seed in range(draws):
        times, pixels, segment, _ = one_record(frequency_hz, size, 100 + seed, bend)
        cut += int(segment.max() > 0)
        found = measured(times, pixels, segment)
        taps += sum(min(abs(t.start_s - s) for s in TAPS_S) < 0.1 for t in found.taps if t.modes)
        modes += len(found.modes)
        if not found.modes:
            continue
        mode = found.modes[0]
        apparent = abs(frequency_hz - RATE_HZ * round(frequency_hz / RATE_HZ))
        seen = mode.frequency_hz.value
        right += abs(abs(seen - RATE_HZ * round(seen / RATE_HZ)) - apparent) < 0.01 * apparent + 0.1
        decay = mode.decay_s
        truth = 1.0 / (2 * np.pi * frequency_hz * DAMPING)
        held += decay.low95 <= truth <= decay.high95
        damping = mode.damping_ratio
        limited += damping.value is None
        values.append((seen, damping.high95 if damping.value is None else damping.value))
    middle = np.median(values, axis=0) if values else (np.nan, np.nan)
    sign = "< " if limited > len(values) / 2 else ""
    return (
        f"| {frequency_hz} | {size:g} | {taps} of {3 * draws} | {cut} | {right} of {draws} | "
        f"{modes / draws:.1f} | {middle[0]:.2f} | {sign}{middle[1]:.4f} | {held} of {draws} |"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=4)
    parser.add_argument("--frequency", type=float, nargs="*", default=FREQUENCIES_HZ)
    parser.add_argument("--bend", type=float, default=0.0, help="rise of the frequency at onset")
    parser.add_argument("--drawn", type=int, default=0, help="modes drawn instead of the table")
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--widths", action="store_true", help="of the stars, beside `--drawn`")
    options = parser.parse_args()
    if options.drawn:
        print("| mode | records | ring found | open | damping's 95 % holds | sure and wrong |")
        print("| --- | --- | --- | --- | --- | --- |")
        print(drawn(options.drawn, options.first, widths=options.widths))
        return
    print(
        "| frequency [Hz] | size [arcsec] | taps | records cut | frequency right | modes | "
        "frequency stated | damping stated | decay time's 95 % holds |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for frequency in options.frequency:
        for size in SIZES_ARCSEC:
            print(one_cell(frequency, size, options.draws, options.bend), flush=True)


if __name__ == "__main__":
    main()
