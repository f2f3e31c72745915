"""How many frames a second can be watched? Processor time of what `blursplit watch` does.

    python benchmarks/live.py [--frames 4000] [--rate 200] [--stars 30]
    python benchmarks/live.py --minutes 30 [--rate 200] [--fits] [--lines] [--measure] [--seed 11]
    python benchmarks/live.py --warm [--frames 8000] [--lines]

A cube of 512 x 512 pixels grows by 2.5 seconds of frames at a time; each time the new frames are
followed, and every ten seconds the numbers so far are made. Processor time of one thread, so that
a busy machine disturbs it little; the rate that one free core can keep up with is frames over
that time. Nothing is written in real time: frames that a late look finds wait in the file.

With --minutes another process writes a SER file of 128 x 128 pixels in real time, stars at random
places through screens of air, and the watch runs as the command runs it, with fits beside it where
asked for: frames followed and left out, the delay from a frame's writing to the numbers and the
quick fit that hold it, and memory, once a minute. With --warm each quick fit that starts from the
last one's draws is compared with one that starts from nothing.
"""

from __future__ import annotations

import argparse
import os
import struct
import tempfile
import time
from pathlib import Path
from typing import Any

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(threads, "1")

import numpy as np  # noqa: E402 - after the number of threads

from blursplit.campaign.live import so_far  # noqa: E402
from blursplit.campaign.watch import Watch  # noqa: E402
from blursplit.rig import Rig  # noqa: E402
from speed import SIDE, make_frames, write_header  # noqa: E402


def own_memory_mb() -> float:
    """Return the memory of this process that is not mapped from files."""
    lines = Path("/proc/self/status").read_text(encoding="utf-8").splitlines()
    return next(float(line.split()[1]) / 1e3 for line in lines if line.startswith("RssAnon"))


def live_scene(frames: int, rate_hz: float, *, line: bool, seed: int) -> Any:
    """Return a night of eight stars at places drawn by `seed`, seen through screens of air."""
    from blursplit.simulate import Scene

    return Scene.model_validate(
        {
            "telescope": {
                "aperture_m": 0.25,
                "obstruction": 0.3,
                "instrument_fwhm_arcsec": 0.3,
            },
            "camera": {
                "pixel_scale_arcsec": 0.65,
                "width_px": 128,
                "height_px": 128,
                "exposure_s": 0.9 / rate_hz,
                "frame_interval_s": 1.0 / rate_hz,
                "gain_e_per_adu": 0.8,
                "read_noise_e": 2.0,
            },
            "air": {"r0_500nm_zenith_m": 0.06, "airmass": 1.1},
            "mode": [{"frequency_hz": 7.3, "rms_arcsec": 0.5, "angle_deg": 20}] if line else [],
            "stars": {"seed": seed, "count": 8, "flux_e_per_s": 6e6, "margin_px": 16},
            "sequence": {"frames": frames, "seed": seed},
        }
    )


def live_rig(rate_hz: float) -> Rig:
    """Return what an owner would state of that night."""
    return Rig.read(
        None,
        [f"camera.frame_interval_s={1 / rate_hz}", "camera.gain_e_per_adu=0.8",
         "camera.read_noise_e=2", "camera.pixel_scale_arcsec=0.65",
         f"camera.exposure_s={0.9 / rate_hz}", "telescope.aperture_m=0.25",
         "telescope.obstruction=0.3"],
    )  # fmt: skip


def write_in_time(
    path: Path, rate_hz: float, seconds: float, line: bool, seed: int, begun: Any
) -> None:
    """Write frames at their times, ten at once; `begun` gets the clock's reading at the first.

    Twenty seconds of frames, forwards and backwards: the air goes on without a jump, and repeats
    itself after forty seconds, twice as long as what a quick fit sees.
    """
    from blursplit.simulate.sequence import Simulation

    frames = round(seconds * rate_hz)
    length = min(round(20.0 * rate_hz), frames)
    night = Simulation(live_scene(length, rate_hz, line=line, seed=seed), widths=False)
    pool = np.concatenate([block for _, block in night.blocks()]).astype("<u2")
    with path.open("wb") as file:
        file.write(b"LUCAM-RECORDER" + struct.pack("<7i", 0, 0, 0, 128, 128, 16, frames))
        file.write(bytes(136))
        start = begun.value = time.monotonic()
        late = 0.0
        for first in range(0, frames, 10):
            wait = start + first / rate_hz - time.monotonic()
            late = max(late, -wait)
            time.sleep(max(0.0, wait))
            for number in range(first, first + 10):
                place = number % (2 * length)
                file.write(pool[min(place, 2 * length - 1 - place)].tobytes())
            file.flush()
    print(f"the writer was at most {late:.2f} s late", flush=True)


def watch_live(given: argparse.Namespace) -> None:
    """Watch a file that is written in real time and print what it cost, once a minute."""
    import multiprocessing

    from blursplit.campaign.live_fit import Fits

    rig = live_rig(given.rate)
    spawn = multiprocessing.get_context("spawn")
    begun = spawn.Value("d", 0.0)
    with tempfile.TemporaryDirectory(dir=given.folder) as name:
        path = Path(name) / "live.ser"
        seconds = 60.0 * given.minutes
        task = (path, given.rate, seconds, given.lines, given.seed, begun)
        writer = spawn.Process(target=write_in_time, args=task)
        writer.start()
        while not begun.value:
            time.sleep(0.1)
        watch = Watch(path, rig)
        fits = Fits() if given.fits else None
        log = Log(begun.value, given.rate)
        for update in watch.updates(idle_s=15.0, fits=fits):
            log.take(watch, update)
        if fits is not None:
            fits.close()
        writer.join()
        print(
            f"{round(seconds * given.rate)} frames were written; {watch.run.frames} followed,"
            f" {watch.run.left_out} left out, {watch.runs} run; problems: {watch.problem or 'none'}"
        )
        log.sum_up()
        if given.measure and update.found is not None:
            print("the last that was said on the way:")
            print("  " + "\n  ".join(update.lines()))
            tell_measured(watch.run_files, rig)


class Log:
    """Delays and costs of what a watch says, told once a minute."""

    def __init__(self, begun_s: float, rate_hz: float) -> None:
        self.begun_s, self.rate_hz = begun_s, rate_hz
        self.delays: dict[str, list[float]] = {"numbers": [], "quick fit": []}
        self.cost_s: list[float] = []
        self.refused = self.seen = self.minutes = 0
        self.fitted_s = {True: 0.0, False: 0.0}

    def take(self, watch: Watch, update: Any) -> None:
        """Note an update when it comes."""
        now = time.monotonic() - self.begun_s
        frames = 0 if watch.run is None else watch.run.frames + watch.run.left_out
        if frames > self.seen:  # what comes for a late fit repeats what is known
            self.delays["numbers"].append(now - frames / self.rate_hz)
        self.seen = frames
        for fit in update.fits:
            if fit.end_s == self.fitted_s[fit.is_whole]:
                continue
            self.fitted_s[fit.is_whole] = fit.end_s
            if fit.is_whole:
                print(f"at {now:.0f} s: {fit.sentence} ({fit.cpu_s:.0f} s CPU)", flush=True)
                continue
            self.delays["quick fit"].append(now - fit.end_s - 1.0 / self.rate_hz)
            self.cost_s.append(fit.cpu_s)
            self.refused += fit.headline.startswith("No verdict")
        if now >= 60.0 * self.minutes or update.ended:
            self.minutes = int(now // 60.0) + 1
            left = 0 if watch.run is None else watch.run.left_out
            print(
                f"{now:.0f} s: {frames} frames, {left} left out, "
                + ", ".join(f"{kind} {_delays(each)}" for kind, each in self.delays.items())
                + f", own memory {own_memory_mb():.0f} MB,"
                f" {time.process_time() / now:.2f} of a core",
                flush=True,
            )

    def sum_up(self) -> None:
        """Print what the quick fits cost."""
        if self.cost_s:
            print(
                f"{len(self.cost_s)} quick fits, {self.refused} of them without a verdict;"
                f" processor time {np.median(self.cost_s):.1f} s in the middle,"
                f" {max(self.cost_s):.1f} s at most"
            )


def _delays(seconds: list[float]) -> str:
    if not seconds:
        return "none yet"
    return f"{np.median(seconds):.1f} s late, at most {max(seconds):.1f}"


def tell_measured(files: list[Path], rig: Rig) -> None:
    """Print what `measure` says of the same frames, in the words of the watch."""
    from blursplit.measure import measure

    result = measure([str(file) for file in files], rig).result
    wide = result.fwhm.recorded_arcsec
    print(f"measure, {result.sequence.frames_used} frames: {result.verdict.headline}")
    print(f"  width {wide.value:.3f} arcsec [{wide.low95:.3f}, {wide.high95:.3f}]")
    shared = result.motion.common_rms_x_arcsec, result.motion.common_rms_y_arcsec
    rms = np.hypot(*(size.value for size in shared)) / 2**0.5
    print(f"  shared motion {rms:.3f} arcsec rms on one axis, the whole run")
    for line in result.lines[:3]:
        at = (line.folded_frequency_hz or line.frequency_hz).value
        print(f"  line at {at:.3f} Hz")


def compare_warm(given: argparse.Namespace) -> None:
    """Print quick fits that start from the last one beside those that start from nothing."""
    from blursplit.campaign.live_fit import _QuickFits
    from blursplit.simulate.sequence import Simulation

    night = Simulation(
        live_scene(given.frames, given.rate, line=given.lines, seed=given.seed), widths=False
    )
    frames = np.concatenate([block for _, block in night.blocks()]).astype("<u2")
    step = round(10.0 * given.rate)
    fits = _QuickFits()
    with tempfile.TemporaryDirectory(dir=given.folder) as name:
        path = Path(name) / "night.ser"
        path.write_bytes(
            b"LUCAM-RECORDER" + struct.pack("<7i", 0, 0, 0, 128, 128, 16, 0) + bytes(136)
        )
        watch = Watch(path, live_rig(given.rate))
        for last in range(step // 2, len(frames) + 1, step // 2):
            with path.open("ab") as file:
                file.write(frames[last - step // 2 : last].tobytes())
            watch.look(float(last))
            if last % step and last > step:  # the first one comes early, as in a watch
                continue
            tracks, rig = watch.run.latest(), watch.run.rig
            fresh = fits.afresh()
            said = fits.answer(tracks, rig)
            if not said.is_warm:
                print(f"{said.begin_s:.0f} to {said.end_s:.0f} s, from nothing: {said.cpu_s:.1f} s")
            else:
                other = fresh.answer(tracks, rig)
                print(
                    f"{said.begin_s:.0f} to {said.end_s:.0f} s, from the last fit's draws and"
                    f" from nothing: processor time {said.cpu_s:.1f} and {other.cpu_s:.1f} s,"
                    f" mechanics {said.mechanics} and {other.mechanics}"
                )
                for what, value in _told(fits.fit).items():
                    base = _told(fresh.fit)[what]
                    off = (value.mean() - base.mean()) / base.std()
                    print(f"  {what}: off by {off:+.2f} of its sigma, sigma {value.std():.3f}"
                          f" and {base.std():.3f}", flush=True)  # fmt: skip
            fits.look_ahead()


def _told(fit: Any) -> dict[str, np.ndarray]:
    open_ = np.trace(fit.state.open_arcsec2, axis1=1, axis2=2)
    return {
        "ln air": np.log(fit.j_outside),
        "ln motion": np.log(fit.one_star_motion_arcsec()),
        "ln open": 0.5 * np.log(open_),
        "ln optics": np.log(fit.state.optics_arcsec),
    }


def main() -> None:
    """Let a cube grow and follow it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=4000)
    parser.add_argument("--rate", type=float, default=200.0)
    parser.add_argument("--stars", type=int, default=30)
    parser.add_argument("--minutes", type=float)
    parser.add_argument("--fits", action="store_true", help="whole fits beside the watch")
    parser.add_argument("--lines", action="store_true", help="a shared line of 7.3 Hz")
    parser.add_argument("--warm", action="store_true", help="compare quick fits with fresh ones")
    parser.add_argument("--measure", action="store_true", help="measure the same frames at the end")
    parser.add_argument("--seed", type=int, default=11, help="of stars and air")
    parser.add_argument("--folder", type=Path, help="for the file that is written")
    given = parser.parse_args()
    if given.minutes or given.warm:
        (watch_live if given.minutes else compare_warm)(given)
        return
    rig = Rig.read(
        None,
        [f"camera.frame_interval_s={1 / given.rate}", "camera.gain_e_per_adu=1.0",
         "camera.read_noise_e=8", "camera.pixel_scale_arcsec=1.0"],
    )  # fmt: skip
    step = round(2.5 * given.rate)
    pool = list(make_frames(min(given.frames, 1000), given.stars))
    follow_s, tell_s, memory = [], [], []
    before_mb = own_memory_mb()  # mostly the frames made above
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "cube.fits"
        with path.open("wb") as file:
            write_header(file, given.frames)
            watch = Watch(path, rig)
            for first in range(0, given.frames, step):
                for number in range(first, min(first + step, given.frames)):
                    file.write(pool[number % len(pool)].tobytes())
                file.flush()
                start = time.process_time()
                watch.look(float(first))
                follow_s.append(time.process_time() - start)
                if watch.run is not None and (first // step) % 4 == 3:
                    start = time.process_time()
                    so_far(watch.run.tracks(), watch.run.rig)
                    tell_s.append(time.process_time() - start)
                memory.append(own_memory_mb())
    frames = watch.run.frames if watch.run else 0
    spent = sum(follow_s[1:]) + sum(tell_s)  # the first look also imports and compiles
    rate = (frames - step) / spent
    late = np.array(tell_s) + np.median(follow_s[1:])
    print(
        f"{SIDE} x {SIDE} pixels, {given.stars} stars, {frames} of {given.frames} frames followed"
    )
    print(f"a look at {step} frames: {np.median(follow_s[1:]):.2f} s (first {follow_s[0]:.2f} s)")
    print(f"numbers so far: {np.median(tell_s):.2f} s, at most {max(tell_s):.2f} s")
    print(
        f"one free core keeps up with {rate:.0f} frames/s; last frame to verdict {late.max():.2f} s"
    )
    second, last = (mb - before_mb for mb in (memory[1], memory[-1]))
    print(f"own memory: {second:.0f} MB after the second look, {last:.0f} MB at the end")


if __name__ == "__main__":
    main()
