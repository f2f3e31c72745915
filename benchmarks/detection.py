"""Whether modes at the stated limit are found, and how often a long record shows a false line.

    python benchmarks/detection.py [limit|small|false|screens|close|reach] [--draws N] [--first N]
    python benchmarks/detection.py limit --rows 0 6      some rows of the table alone

Air is made in the frequency domain: one or two frozen layers of von Karman tilt whose wind wanders
slowly (its logarithm by 0.1 to 0.3 rms within minutes, as wind does) or stands still, slow
currents, noise of the centroids. `screens` takes its air from another library (aotools) instead:
slopes of phase screens over a round pupil, drawn across by such a wind. Modes are driven by white
force. Nothing here was seen when the formulas were set, except for the rows called "set".
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from scipy.signal import lfilter

from blursplit.constants import LINE_PAIR_GAIN, MODE_SPLIT_REACH, MODE_SPLIT_SHOWS
from blursplit.spectra import LineSearch, mode_limit_arcsec
from motion_scenes import damped_mode, tilt_density

SCREEN_POINTS, SCREEN_STEP_M = 2048, 0.03
PASS_M, FADE_M = 46.0, 10.0  # a pass and its fade stay inside one period of the screen
SERIES_PER_SCREENS, SCREENS_AT_ONCE = 192, 3


def blown(n: int, rate_hz: float, wander: float, rng: np.random.Generator) -> np.ndarray:
    """Return how far the wind has come, in frames of the mean wind; ln wind wanders by `wander`."""
    steps = np.full(n, 1.0)
    if wander > 0:
        keep = np.exp(-1.0 / (rate_hz * 60.0))
        drive = rng.normal(size=n) * np.sqrt(1.0 - keep**2)
        drive[0] = rng.normal()
        steps = np.exp(wander * lfilter([1.0], [1.0, -keep], drive) - 0.5 * wander**2)
    return np.cumsum(steps)


class Screens:
    """Slopes over a round pupil of aotools' phase screens, read along the wind.

    A path longer than a screen is made of straight passes that begin anywhere, each fading into
    the next: the screen's period then puts no lines into the motion.
    """

    def __init__(self, number: int) -> None:
        from aotools.turbulence.phasescreen import ft_phase_screen
        from scipy.ndimage import spline_filter
        from scipy.special import j1, jv

        fx = np.fft.rfftfreq(SCREEN_POINTS, SCREEN_STEP_M)[None]
        fy = np.fft.fftfreq(SCREEN_POINTS, SCREEN_STEP_M)[:, None]
        self.slopes = []
        for k in range(SCREENS_AT_ONCE):
            rng = np.random.default_rng([31_000, number, k])
            outer_m, pupil_m = rng.choice([5.0, 10.0, 20.0]), rng.choice([0.1, 0.2, 0.3])
            seed = 500_000 + SCREENS_AT_ONCE * number + k
            drawn = ft_phase_screen(0.1, SCREEN_POINTS, SCREEN_STEP_M, outer_m, 1e-3, seed=seed)
            z = np.maximum(np.pi * pupil_m * np.hypot(fx, fy), 1e-6)
            spectrum = np.fft.rfft2(drawn) * (8 * jv(2, z) / z**2 if k % 2 else 2 * j1(z) / z)
            both = [np.fft.irfft2(1j * f * spectrum, s=drawn.shape) for f in (fx, fy)]
            self.slopes.append(
                [spline_filter(part, 3, np.float32, mode="grid-wrap") for part in both]
            )

    def layer(self, n: int, rate_hz: float, wander: float, rng: np.random.Generator) -> np.ndarray:
        """Return the motion by one layer in one wind, shape (n, 2), of unit rms."""
        from scipy.ndimage import map_coordinates

        wind = float(np.exp(rng.uniform(np.log(3.0), np.log(25.0))))
        angle = rng.uniform(0.0, 2.0 * np.pi)
        pupil = int(rng.integers(len(self.slopes)))
        distance = wind / rate_hz * blown(n, rate_hz, wander, rng)
        motion = np.zeros((n, 2))
        for begin in np.arange(0.0, distance[-1], PASS_M):
            start = rng.uniform(0.0, SCREEN_POINTS, 2)
            here = slice(*np.searchsorted(distance, [begin, begin + PASS_M + FADE_M]))
            along = distance[here] - begin
            rise = np.minimum(along / FADE_M, 1.0) if begin > 0 else np.ones(along.size)
            fall = np.clip((along - PASS_M) / FADE_M, 0.0, 1.0)
            weight = np.sin(0.5 * np.pi * rise) * np.cos(0.5 * np.pi * fall)
            turn = np.array([[np.sin(angle)], [np.cos(angle)]])
            path = start[:, None] + turn * along / SCREEN_STEP_M
            for axis, slope in enumerate(self.slopes[pupil]):
                read = map_coordinates(slope, path, order=3, mode="grid-wrap", prefilter=False)
                motion[here, axis] += weight * read
        return motion / motion.std()

    def series(
        self, n: int, rate_hz: float, rng: np.random.Generator, *, rms: float, wander: float
    ) -> np.ndarray:
        """Return one or two layers, currents in half of the series, and noise; arcsec, (n, 2)."""
        motion = self.layer(n, rate_hz, wander, rng)
        if rng.random() < 0.5:
            motion = motion + rng.uniform(0.3, 1.0) * self.layer(n, rate_hz, wander, rng)
        return with_current_and_noise(rms * motion / motion.std(), rate_hz, rng, rms)


def wandering_air(
    n: int, rate_hz: float, rng: np.random.Generator, *, wander: float, rms: float, **kind: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return motion (n, 2) of this rms, and the frequencies and mean density of one axis.

    The frozen pattern is drawn once by distance and read off at the distance that the wandering
    wind has blown it: ripples of the pupil then move with the wind.
    """
    wind = kind["wind_m_s"]
    place = blown(n, rate_hz, wander, rng)
    fine = 4
    m = int(1 << int(np.ceil(np.log2(fine * (place[-1] + 64)))))
    frequency = np.fft.rfftfreq(m, 1.0 / (rate_hz * fine))
    grid = np.geomspace(frequency[1], frequency[-1], 400)
    columns = []
    for along in (True, False):
        shape = tilt_density(
            grid,
            wind,
            kind["outer_scale_m"],
            kind["aperture_m"],
            along=along,
            gradient=bool(kind["gradient"]),
        )
        amplitude = np.sqrt(np.interp(frequency, grid, shape, left=0.0))
        noise = rng.normal(size=amplitude.size) + 1j * rng.normal(size=amplitude.size)
        pattern = np.fft.irfft(noise * amplitude, m)
        column = np.interp(place * fine, np.arange(m), pattern)
        columns.append(rms * column / column.std())
    angle = rng.uniform(0.0, np.pi)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return np.stack(columns, axis=1) @ turn.T


def air_of_many_kinds(
    n: int, rate_hz: float, rng: np.random.Generator, *, rms: float, wander: float
) -> np.ndarray:
    """Return air, currents in half of the series, and noise; arcsec, (n, 2)."""
    motion = wandering_air(
        n,
        rate_hz,
        rng,
        wander=wander,
        rms=rms,
        wind_m_s=float(np.exp(rng.uniform(np.log(3.0), np.log(25.0)))),
        outer_scale_m=float(rng.choice([10.0, 25.0, 60.0])),
        aperture_m=float(rng.choice([0.1, 0.2, 0.3])),
        gradient=float(rng.random() < 0.5),
    )
    return with_current_and_noise(motion, rate_hz, rng, rms)


def with_current_and_noise(
    motion: np.ndarray, rate_hz: float, rng: np.random.Generator, rms: float
) -> np.ndarray:
    """Return the motion with a slow current in half of the cases, and noise."""
    if rng.random() < 0.5:
        keep = np.exp(-1.0 / (rate_hz * rng.uniform(0.5, 5.0)))
        drive = rng.normal(size=motion.shape) * np.sqrt(1.0 - keep**2)
        current = lfilter([1.0], [1.0, -keep], drive, axis=0)
        motion = motion + rng.uniform(0.1, 1.0) * rms * current
    return motion + rng.choice([0.003, 0.01, 0.03]) * rng.normal(size=motion.shape)


def mode(
    n: int, rate_hz: float, frequency_hz: float, damping: float, rng: np.random.Generator
) -> np.ndarray:
    """Return a mode of unit rms in this record, as frames without exposure show it."""
    if damping == 0.0:
        phase = 2 * np.pi * (frequency_hz * np.arange(n) / rate_hz + rng.uniform())
        return np.sqrt(2.0) * np.sin(phase)
    out = damped_mode(n, rate_hz, frequency_hz, damping, rng)[::8]
    return out / out.std()


LIMIT_ROWS = [
    # length s, rate Hz, damping ratio, band Hz
    (30.0, 50.0, 0.01, (3.0, 20.0)),
    (30.0, 50.0, 0.01, (0.6, 3.0)),
    (178.0, 90.0, 0.01, (0.5, 3.0)),
    (178.0, 90.0, 0.002, (0.5, 3.0)),
    (178.0, 90.0, 0.03, (0.5, 3.0)),
    (178.0, 90.0, 0.01, (3.0, 10.0)),
    (178.0, 90.0, 0.01, (10.0, 36.0)),
    (178.0, 90.0, 0.002, (3.0, 36.0)),
    (178.0, 90.0, 0.03, (3.0, 36.0)),
    (178.0, 90.0, 0.0, (3.0, 36.0)),
]


def at_the_limit(row: tuple, draws: int, first: int, scale: float = 1.0) -> str:
    """Return how often modes of the stated size are found in fresh air."""
    length_s, rate_hz, damping, band = row
    n, found, sizes = round(length_s * rate_hz), 0, []
    times = np.arange(n) / rate_hz
    for k in range(draws):
        rng = np.random.default_rng(10_000 * first + k)
        motion = air_of_many_kinds(n, rate_hz, rng, rms=0.16, wander=(0.0, 0.1, 0.2)[k % 3])
        f = float(np.exp(rng.uniform(*np.log(band))))
        still = LineSearch.of(times, motion, cadence_s=1 / rate_hz).continuum
        grid = np.geomspace(still.low_hz, still.high_hz, 300)
        density = still(grid).max(axis=1)
        rms = scale * float(
            mode_limit_arcsec(
                f,
                damping,
                grid,
                density,
                duration_s=length_s,
                cadence_s=1 / rate_hz,
                exposure_s=0.0,
            )
        )
        angle = rng.uniform(0.0, np.pi)
        swing = rms * mode(n, rate_hz, f, damping, rng)
        motion = motion + np.outer(swing, [np.cos(angle), np.sin(angle)])
        lines = LineSearch.of(times, motion, cadence_s=1 / rate_hz).lines
        near = max(3.0 * damping * f, 3.0 / min(length_s, 44.0))
        found += any(abs(line.frequency_hz - f) < near for line in lines)
        sizes.append(rms)
    return (
        f"| {length_s:g} | {rate_hz:g} | {damping:g} | {band[0]:g} to {band[1]:g} | "
        f"{1e3 * np.median(sizes):.1f} | {found} of {draws} |"
    )


def small_modes(rms: float, runs: int, draws: int, first: int) -> str:
    """Return how often a mode is found in ten minutes at 90/s, or in several such runs joined."""
    n, rate_hz, found = 54_000, 90.0, 0
    for k in range(draws):
        rng = np.random.default_rng(77_000 + 1000 * first + k)
        f, angle = float(np.exp(rng.uniform(np.log(4.0), np.log(30.0)))), rng.uniform(0.0, np.pi)
        pieces = []
        for _ in range(runs):
            air = air_of_many_kinds(n, rate_hz, rng, rms=0.16, wander=0.15)
            swing = rms * mode(n, rate_hz, f, 0.01, rng)
            pieces.append(air + np.outer(swing, [np.cos(angle), np.sin(angle)]))
        segment = np.repeat(np.arange(runs), n)
        lines = LineSearch.of(
            np.arange(n * runs) / rate_hz,
            np.concatenate(pieces),
            cadence_s=1 / rate_hz,
            segment=segment,
        ).lines
        found += any(abs(line.frequency_hz - f) < 0.04 * f for line in lines)
    return f"| {1e3 * rms:g} | {runs} | {found} of {draws} |"


def false_lines(draws: int, first: int, *, screens: bool) -> str:
    """Return how many series without lines show one.

    Of eight series one is of ten minutes and five of three, at 90/s, and two of half a minute at
    50/s.
    """
    counts: dict[float, list[int]] = {}
    listed, library = [], None
    for k in range(first, first + draws):
        n, rate_hz = (54_000, 90.0) if k % 8 == 0 else (16_000, 90.0)
        if k % 8 in (2, 5):
            n, rate_hz = 1500, 50.0
        rng = np.random.default_rng([90_000, k])
        wander = (0.0, 0.1, 0.2, 0.3)[(k // 8 + k) % 4]
        if screens and (library is None or k % SERIES_PER_SCREENS == 0):
            library = Screens(k // SERIES_PER_SCREENS)
        make = air_of_many_kinds if library is None else library.series
        motion = make(n, rate_hz, rng, rms=0.16, wander=wander)
        lines = LineSearch.of(np.arange(n) / rate_hz, motion, cadence_s=1 / rate_hz).lines
        count = counts.setdefault(n / rate_hz, [0, 0])
        count[0] += bool(lines)
        count[1] += 1
        listed += [
            f"{x.frequency_hz:.2f} Hz, {x.damping_ratio or 0:.3f}, {1e3 * x.rms:.1f} mas in {k}"
            for x in lines
        ]
        if (k + 1) % 16 == 0:
            print(wilson(counts), flush=True)
    return f"{wilson(counts)} ({'; '.join(listed) or 'none'})"


def wilson(counts: dict[float, list[int]]) -> str:
    """Return counts by length and in all, with the 95 % interval of the share (Wilson 1927)."""
    from scipy.stats import binomtest

    parts = ", ".join(
        f"{length:.0f} s: {few} of {many}" for length, (few, many) in sorted(counts.items())
    )
    few, many = np.sum(list(counts.values()), axis=0).tolist()
    low, high = binomtest(few, many).proportion_ci(method="wilson")
    return f"{few} of {many} ({100 * low:.2f} to {100 * high:.2f} %); {parts}"


def reach_of_one_line(shows: float, beyond: float) -> str:
    """Return what intervals of two close modes hold, by their split in errors of the fitted split.

    Gaussian errors, two modes of one size: the middle is known twice as well as the split. Below
    `shows` errors one line is stated with the middle's error; from there to where a pair is
    reported one line whose interval reaches to both and `beyond` errors of the middle further;
    then each mode with its own error.
    """
    from scipy.stats import norm

    seen = np.linspace(-12.0, 16.0, 5601)
    size, middle, own = np.abs(seen), 0.5, np.sqrt(0.5)
    half = np.where(size < shows, middle, size / 2.0 + beyond * middle)
    shares = []
    for split in (0.0, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0):
        chance = norm.pdf(seen, split) * (seen[1] - seen[0])
        # by symmetry the upper mode stands for both
        one = norm.cdf((half + split / 2) / middle) - norm.cdf((-half + split / 2) / middle)
        off = (size - split) / 2.0
        two = norm.cdf((own + off) / middle) - norm.cdf((-own + off) / middle)
        shares.append(float(chance @ np.where(seen**2 > LINE_PAIR_GAIN, two, one)))
    return f"| {shows:g}, {beyond:g} | " + " | ".join(f"{share:.2f}" for share in shares) + " |"


SPLITS = (0.0, 0.005, 0.01, 0.02, 0.04)


def close_modes(split: float, draws: int, first: int) -> str:
    """Return how often two modes on perpendicular axes come out as two, and what intervals hold.

    Each true mode is held against the line reported for it: of two lines the one that leaves the
    smaller sum of distances. Two minutes at 50/s, damping ratio 0.01, 0.15 arcsec and 0.6 to 1 of
    that, at 6 to 12 Hz. Shares have the standard error of the mean over records, whose two modes
    have one damping ratio and share a middle.
    """
    n, rate_hz, damping = 6000, 50.0, 0.01
    parted, missed = 0, 0
    off: list[list[list[float]]] = []
    for k in range(draws):
        rng = np.random.default_rng([55_000, first, k])
        motion = air_of_many_kinds(n, rate_hz, rng, rms=0.16, wander=0.15)
        f, angle = rng.uniform(6.0, 12.0), rng.uniform(0.0, np.pi)
        true_hz = np.array([f, f * (1.0 + split)])
        sizes = 0.15 * np.array([1.0, rng.uniform(0.6, 1.0)])
        for hz, size, turn in zip(true_hz, sizes, (angle, angle + np.pi / 2), strict=True):
            swing = size * mode(n, rate_hz, hz, damping, rng)
            motion = motion + np.outer(swing, [np.cos(turn), np.sin(turn)])
        found = LineSearch.of(np.arange(n) / rate_hz, motion, cadence_s=1 / rate_hz).lines
        near = [line for line in found if abs(line.frequency_hz / f - 1 - split / 2) < 0.05]
        missed += not near
        if not near:
            continue
        parted += len(near) > 1
        two = sorted(sorted(near, key=lambda line: -line.rms)[:2], key=lambda x: x.frequency_hz)
        lines = [two[0], two[-1]]
        off.append(
            [
                [
                    (line.frequency_hz - hz) / line.frequency_sigma
                    for line, hz in zip(lines, true_hz, strict=True)
                ],
                [x.damping_low <= damping <= x.damping_high for x in lines],
            ]
        )
    pulls, damped = np.swapaxes(off, 0, 1)
    shares = []
    for held in (abs(pulls) < 1.0, abs(pulls) < 2.0, damped > 0):
        each = held.mean(axis=1)
        shares.append(f"{each.mean():.3f} +- {each.std() / np.sqrt(len(each)):.3f}")
    return (
        f"| {100 * split:g} % | {parted} of {draws} | {missed} | {' | '.join(shares)} | "
        f"{pulls.mean():+.2f} | {np.sqrt((pulls**2).mean()):.2f} |"
    )


def main() -> None:
    """Print what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["limit", "small", "false", "screens", "close", "reach"])
    parser.add_argument("--draws", type=int, default=60)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--rows", type=int, nargs="*", default=range(len(LIMIT_ROWS)))
    parser.add_argument("--splits", type=float, nargs="*", default=SPLITS)
    parser.add_argument("--scale", type=float, default=1.0, help="of the limit, to see its slope")
    options = parser.parse_args()
    start = time.perf_counter()
    if options.what == "limit":
        print("| length [s] | rate [1/s] | damping | band [Hz] | median limit [mas] | found |")
        print("| --- | --- | --- | --- | --- | --- |")
        for row in (LIMIT_ROWS[k] for k in options.rows):
            print(at_the_limit(row, options.draws, options.first, options.scale), flush=True)
    elif options.what == "small":
        print("| rms [mas] | runs of ten minutes | found |")
        print("| --- | --- | --- |")
        print(small_modes(0.02, 1, options.draws, options.first), flush=True)
        print(small_modes(0.01, 20, max(1, options.draws // 10), options.first), flush=True)
    elif options.what == "reach":
        for pair in ((1.0, 1.0), (1.3, 1.0), (MODE_SPLIT_SHOWS, MODE_SPLIT_REACH), (2.0, 1.3)):
            print(reach_of_one_line(*pair))
    elif options.what == "close":
        print("| split | parted | missed | f within 1 | within 2 | damping | mean pull | rms |")
        print("| --- | --- | --- | --- | --- | --- | --- | --- |")
        for split in options.splits:
            print(close_modes(split, options.draws, options.first), flush=True)
    else:
        screens = options.what == "screens"
        print(false_lines(options.draws, options.first, screens=screens), flush=True)
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
