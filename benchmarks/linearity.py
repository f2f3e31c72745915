"""What the pixel stage costs against the number of frames and of stars.

    python benchmarks/linearity.py [--folder DIR] [--rounds 3]

Follows the stars of cubes of 1000, 2000 and 4000 frames of 512 x 512 pixels with 10, 20, 30 and
60 stars, in processor time of one thread, the least of a few rounds in turn. Prints a table in
Markdown and the fit a + frames (b + c stars) with what it misses; docs/speed.md holds one.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from pathlib import Path

from speed import SIDE, best, describe_machine, follow, make_cube, write_header

import numpy as np  # isort: skip - after `speed`, which sets the number of threads

FRAMES, STARS = (1000, 2000, 4000), (10, 20, 30, 60)


def shorten(path: Path, out: Path, frames: int) -> Path:
    """Write the first frames of a cube as a cube of its own."""
    with path.open("rb") as whole, out.open("wb") as part:
        write_header(part, frames)
        whole.seek(part.tell())
        for _ in range(frames):
            part.write(whole.read(2 * SIDE * SIDE))
        part.write(b"\0" * (-part.tell() % 2880))
    return out


def time_stars(folder: Path, stars: int, rounds: int) -> tuple[list[float], int]:
    """Return the processor time [s] of each number of frames, and how many stars were followed."""
    longest = folder / "longest.fits"
    make_cube(longest, FRAMES[-1], stars)
    paths = [shorten(longest, folder / f"{n}.fits", n) for n in FRAMES[:-1]] + [longest]
    followed = follow([paths[0]]).n_stars  # imports and tables: once a process
    taken = [[best(lambda p=path: follow([p]), 1) for path in paths] for _ in range(rounds)]
    return np.min(taken, axis=0).tolist(), followed


def fit(seconds: np.ndarray, followed: list[int]) -> tuple[np.ndarray, np.ndarray]:
    """Return (a, b, c) of a + frames (b + c stars) with least relative misfit, and the misfits."""
    frames, stars = np.meshgrid(FRAMES, followed)
    design = np.stack([np.ones(frames.shape), frames, frames * stars], axis=-1)
    scaled = (design / seconds[..., None]).reshape(-1, 3)
    found = np.linalg.lstsq(scaled, np.ones(seconds.size), rcond=None)[0]
    return found, (design @ found) / seconds - 1.0


def main() -> None:
    """Measure, print and fit."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--rounds", type=int, default=3)
    given = parser.parse_args()
    print(describe_machine() + "\n")
    print("| stars followed | " + " | ".join(f"{n} frames" for n in FRAMES) + " |")
    print("| --- |" + " --- |" * len(FRAMES))
    rows, followed = [], []
    for stars in STARS:
        with tempfile.TemporaryDirectory(dir=given.folder) as name:
            taken, found = time_stars(Path(name), stars, given.rounds)
        rows.append(taken)
        followed.append(found)
        print(f"| {found} | " + " | ".join(f"{t:.2f} s" for t in taken) + " |", flush=True)
    (once, frame, star), off = fit(np.array(rows), followed)
    print(
        f"\nonce {once:.2f} s, a frame {1e6 * frame:.0f} us and {1e6 * star:.2f} us a star;"
        f" misfits {100 * off.min():+.0f} to {100 * off.max():+.0f} %,"
        f" rms {100 * np.sqrt(np.mean(off**2)):.0f} %; load at the end {os.getloadavg()[0]:.0f}"
    )


if __name__ == "__main__":
    main()
