"""How many frames a second can be watched? Processor time of what `blursplit watch` does.

    python benchmarks/live.py [--frames 4000] [--rate 200] [--stars 30]

A cube of 512 x 512 pixels grows by 2.5 seconds of frames at a time; each time the new frames are
followed, and every ten seconds the numbers so far are made. Processor time of one thread, so that
a busy machine disturbs it little; the rate that one free core can keep up with is frames over
that time. Nothing is written in real time: frames that a late look finds wait in the file.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path

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


def main() -> None:
    """Let a cube grow and follow it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=4000)
    parser.add_argument("--rate", type=float, default=200.0)
    parser.add_argument("--stars", type=int, default=30)
    given = parser.parse_args()
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
