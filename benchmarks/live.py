"""How many frames a second can be watched? Processor time of what `blursplit watch` does.

    python benchmarks/live.py [--frames 4000] [--rate 200] [--stars 30]
    python benchmarks/live.py --minutes 30 [--rate 200] [--fits] [--lines]

A cube of 512 x 512 pixels grows by 2.5 seconds of frames at a time; each time the new frames are
followed, and every ten seconds the numbers so far are made. Processor time of one thread, so that
a busy machine disturbs it little; the rate that one free core can keep up with is frames over
that time. Nothing is written in real time: frames that a late look finds wait in the file.

With --minutes another process writes a SER file of 128 x 128 pixels in real time, and the watch
runs as the command runs it, with whole fits beside it where asked for: frames followed and left
out, the delay from a frame's writing to the numbers that hold it, and memory, once a minute.
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


def live_pool(frames: int, rate_hz: float, *, line: bool) -> Any:
    """Return 128 x 128 frames of eight stars that wander together, as SER stores them."""
    rng = np.random.default_rng(11)
    x = np.array([18.0, 104.0, 61.0, 33.0, 89.0, 111.0, 23.0, 68.0])  # no lattice: shifts of one
    y = np.array([21.0, 24.0, 38.0, 66.0, 71.0, 104.0, 108.0, 97.0])  # look like the field
    flux = np.geomspace(60e3, 15e3, 8)
    pixel, spread = np.arange(128.0), 1.6
    motion = np.zeros(2)
    out = np.empty((frames, 128, 128), dtype="<u2")
    for i in range(frames):
        motion = 0.97 * motion + rng.normal(0, 0.06, 2)
        own = motion[:, None] + rng.normal(0, 0.1, (2, 8))
        if line:
            own[0] += 0.6 * np.sin(2 * np.pi * 7.3 * i / rate_hz)
        along = [
            np.exp(-0.5 * np.square((pixel - at[:, None]) / spread))
            for at in (x + own[0], y + own[1])
        ]
        light = (along[1] * flux[:, None] / (2 * np.pi * spread**2)).T @ along[0] + 100.0
        noisy = light + np.sqrt(light + 64.0) * rng.standard_normal(light.shape)
        out[i] = np.clip(np.rint(noisy), 0, 65535)
    return out


def write_in_time(path: Path, rate_hz: float, seconds: float, line: bool, begun: Any) -> None:
    """Write frames at their times, ten at once; `begun` gets the clock's reading at the first."""
    pool = live_pool(4000, rate_hz, line=line)
    frames = round(seconds * rate_hz)
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
                file.write(pool[number % len(pool)].tobytes())
            file.flush()
    print(f"the writer was at most {late:.2f} s late", flush=True)


def watch_live(given: argparse.Namespace) -> None:
    """Watch a file that is written in real time and print what it cost, once a minute."""
    import multiprocessing

    from blursplit.campaign.watch import Fits, updates

    rig = Rig.read(
        None,
        [f"camera.frame_interval_s={1 / given.rate}", "camera.gain_e_per_adu=1.0",
         "camera.read_noise_e=8", "camera.pixel_scale_arcsec=1.0", "telescope.aperture_m=0.2",
         f"camera.exposure_s={0.9 / given.rate}"],
    )  # fmt: skip
    spawn = multiprocessing.get_context("spawn")
    begun = spawn.Value("d", 0.0)
    with tempfile.TemporaryDirectory(dir=given.folder) as name:
        path = Path(name) / "live.ser"
        seconds = 60.0 * given.minutes
        task = (path, given.rate, seconds, given.lines, begun)
        writer = spawn.Process(target=write_in_time, args=task)
        writer.start()
        while not begun.value:
            time.sleep(0.1)
        watch = Watch(path, rig)
        fits = Fits() if given.fits else None
        delays, seen, fit_seconds = [], 0, 0.0
        for update in updates(watch, idle_s=15.0, fits=fits):
            now = time.monotonic() - begun.value
            frames = 0 if watch.run is None else watch.run.frames + watch.run.left_out
            if frames > seen:  # the last update repeats what is known
                delays.append(now - frames / given.rate)
            seen = frames
            if update.fit is not None and update.fit.seconds != fit_seconds:
                fit_seconds = update.fit.seconds
                print(
                    f"fit of {fit_seconds:.0f} s at {now:.0f} s: {update.fit.headline}", flush=True
                )
            if len(delays) % 6 == 1 or update.ended:
                left = 0 if watch.run is None else watch.run.left_out
                used = time.process_time() / now
                print(
                    f"{now:.0f} s: {frames} frames, {left} left out, delay median"
                    f" {np.median(delays):.2f} s, most {max(delays):.2f} s,"
                    f" own memory {own_memory_mb():.0f} MB, {used:.2f} of a core",
                    flush=True,
                )
        writer.join()
        print(
            f"{round(seconds * given.rate)} frames were written; {watch.run.frames} followed,"
            f" {watch.run.left_out} left out, {watch.runs} run; first update at"
            f" {delays[0]:.2f} s after its last frame; problems: {watch.problem or 'none'}"
        )


def main() -> None:
    """Let a cube grow and follow it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=4000)
    parser.add_argument("--rate", type=float, default=200.0)
    parser.add_argument("--stars", type=int, default=30)
    parser.add_argument("--minutes", type=float)
    parser.add_argument("--fits", action="store_true", help="whole fits beside the watch")
    parser.add_argument("--lines", action="store_true", help="a shared line of 7.3 Hz")
    parser.add_argument("--folder", type=Path, help="for the file that is written")
    given = parser.parse_args()
    if given.minutes:
        watch_live(given)
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
