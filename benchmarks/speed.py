"""How fast is it? Ratios against plain passes over the same bytes and against other libraries.

    python benchmarks/speed.py [--frames 3000] [--files 600] [--cube FILE] [--only SECTION]

Every ratio is taken within one run, both sides in turn, the best of a few rounds each, in
processor time of one thread: a busy machine then disturbs both alike. Prints a table in
Markdown; docs/speed.md holds one with its environment.
"""

from __future__ import annotations

import argparse
import os
import platform
import struct
import subprocess
import sys
import sysconfig
import tempfile
import time
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(threads, "1")

import numpy as np  # noqa: E402 - after the number of threads
from scipy.special import erf  # noqa: E402

from ledger import keep  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

SIDE, STARS, SIGMA_PX, SKY_ADU, READ_ADU = 512, 30, 1.6, 100.0, 8.0
CADENCE_S = 0.02
ROUNDS = 5
ROWS: list[tuple[str, ...]] = []


def report(what: str, ours: float, other: float, unit: str, goal: str) -> None:
    """Print one line of the table: ours, the yardstick, their ratio, goal, last commit's ratio."""
    before = keep("speed", what, ours / other, "of the yardstick")
    row = (what, f"{ours:.3g} {unit}", f"{other:.3g} {unit}", f"{ours / other:.2f}", goal, before)
    ROWS.append(row)
    print("| " + " | ".join(row) + " |", flush=True)


def best(run: Callable[[], Any], rounds: int = 3) -> float:
    """Return the least processor time of a few rounds [s]."""
    taken = []
    for _ in range(rounds):
        start = time.process_time()
        run()
        taken.append(time.process_time() - start)
    return min(taken)


def star_pixels(centre: NDArray[np.float64], size: int) -> NDArray[np.float64]:
    """Integrate unit Gaussians over pixels along one axis, shape (m, size)."""
    edges = np.arange(size + 1) - 0.5
    return 0.5 * np.diff(erf((edges - centre[:, None]) / (np.sqrt(2) * SIGMA_PX)), axis=1)


def write_header(file: Any, frames: int | None, bits: int = 16) -> None:
    """Write the header of an unsigned image or cube."""
    from astropy.io import fits

    header = fits.Header()
    header["SIMPLE"], header["BITPIX"] = True, bits
    header["NAXIS"] = 2 if frames is None else 3
    header["NAXIS1"] = header["NAXIS2"] = SIDE
    if frames is not None:
        header["NAXIS3"] = frames
    if bits == 16:
        header["BZERO"], header["BSCALE"] = 32768, 1
    header["EXPTIME"], header["OBJECT"] = 0.01, "made up"
    file.write(header.tostring().encode())


def make_frames(frames: int, stars: int, seed: int = 3) -> Any:
    """Yield big-endian 16-bit frames of a field that wanders, stars apart from each other."""
    rng = np.random.default_rng(seed)
    across = max(6, int(np.ceil(np.sqrt(stars))))
    grid = np.linspace(50, SIDE - 50, across)
    x = np.tile(grid, across)[:stars] + rng.uniform(-15, 15, stars)
    y = np.repeat(grid, across)[:stars] + rng.uniform(-15, 15, stars)
    flux = np.geomspace(60e3, 6e3, stars)
    skies = [SKY_ADU + READ_ADU * rng.standard_normal((SIDE, SIDE)) for _ in range(16)]
    motion = np.zeros(2)
    for i in range(frames):
        motion = 0.97 * motion + rng.normal(0, 0.25, 2)
        own = motion[:, None] + rng.normal(0, 0.15, (2, stars))
        at_x, at_y = star_pixels(x + own[0], SIDE), star_pixels(y + own[1], SIDE)
        frame = skies[i % len(skies)].copy()
        for s in range(stars):
            rows, columns = (slice(int(c) - 12, int(c) + 13) for c in (y[s], x[s]))
            light = flux[s] * np.outer(at_y[s, rows], at_x[s, columns])
            frame[rows, columns] += light + np.sqrt(light) * rng.standard_normal((25, 25))
        yield (np.clip(np.rint(frame), 0, 65535) - 32768).astype(">i2")


def make_cube(path: Path, frames: int, stars: int = STARS) -> None:
    """Write a cube."""
    with path.open("wb") as file:
        write_header(file, frames)
        for frame in make_frames(frames, stars):
            file.write(frame.tobytes())
        file.write(b"\0" * (-file.tell() % 2880))


def make_files(folder: Path, frames: int) -> None:
    """Write a file a frame."""
    folder.mkdir(exist_ok=True)
    for i, frame in enumerate(make_frames(frames, STARS)):
        with (folder / f"f{i:05d}.fits").open("wb") as file:
            write_header(file, None)
            file.write(frame.tobytes())
            file.write(b"\0" * (-file.tell() % 2880))


def follow(paths: list[Path], watch: Callable[[int, int], None] | None = None) -> Any:
    """Do all of the pixel stage: open, detect, follow."""
    from blursplit.frames import open_frames
    from blursplit.rig import Rig
    from blursplit.stars import follow_stars

    options = [f"camera.frame_interval_s={CADENCE_S}", "camera.gain_e_per_adu=1.0"]
    rig = Rig.read(None, [*options, f"camera.read_noise_e={READ_ADU}"])
    sequence = open_frames([*paths], rig)
    try:
        return follow_stars(sequence, progress=watch)
    finally:
        sequence.source.close()


def plain_pass(path: Path, frames: int, kind: str = "uint16") -> None:
    """Sum all pixels of a cube through a memory map."""
    dtype, offset = {"uint16": (">i2", 2880), "bytes": ("u1", 2880), "SER": ("<u2", 178)}[kind]
    cube = np.memmap(path, dtype=dtype, mode="r", offset=offset, shape=(frames, SIDE, SIDE))
    for first in range(0, frames, 64):
        cube[first : first + 64].sum()


def convert_cube(cube: Path, frames: int, kind: str, path: Path) -> None:
    """Write an unsigned 16-bit cube again as bytes, or as SER without times."""
    pixels = np.memmap(cube, dtype=">i2", mode="r", offset=2880, shape=(frames, SIDE, SIDE))
    with path.open("wb") as file:
        if kind == "bytes":
            write_header(file, frames, 8)
        else:
            file.write(b"LUCAM-RECORDER" + struct.pack("<7i", 0, 0, 0, SIDE, SIDE, 16, frames))
            file.write(bytes(136))
        for frame in pixels:
            adu = frame.astype(np.int32) + 32768
            stored = np.minimum(adu // 16, 255) if kind == "bytes" else adu
            file.write(stored.astype("u1" if kind == "bytes" else "<u2").tobytes())
        file.write(b"\0" * (-file.tell() % 2880 if kind == "bytes" else 0))


def time_cube(folder: Path, frames: int, given: Path | None = None) -> None:
    """Compare the pixel stage of cubes with a plain pass over them, in pairs."""
    path = given or folder / "cube.fits"
    if given is None:
        make_cube(path, frames)
    for kind in ("uint16", "bytes", "SER"):
        one = path if kind == "uint16" else folder / ("run.ser" if kind == "SER" else "bytes.fits")
        if kind != "uint16":
            convert_cube(path, frames, kind, one)
        start = time.process_time()
        follow([one])  # imports, compiled kernels, tables: once a process
        first = time.process_time() - start
        pairs = []
        for _ in range(ROUNDS):
            ours = best(partial(follow, [one]), 1)
            pairs.append((ours, best(partial(plain_pass, one, frames, kind), 1)))
        ratio = np.array([ours / other for ours, other in pairs])
        row = (
            f"pixel stage, {kind} cube of {frames} frames, all; median of {ROUNDS} pairs",
            f"{np.median([ours for ours, _ in pairs]):.2f} s",
            f"{np.median([other for _, other in pairs]):.2f} s",
            f"{np.median(ratio):.2f} ({ratio.min():.2f} to {ratio.max():.2f})",
            "1.5" if kind == "SER" else "1.3",
        )
        print("| " + " | ".join(row) + " |", flush=True)
        print(f"| the same, first run of the process | {first:.2f} s | | | |", flush=True)


def time_files(folder: Path, frames: int) -> None:
    """Compare the pixel stage of files with opening and reading each of them with astropy."""
    from astropy.io import fits

    files = folder / "files"
    make_files(files, frames)

    def read_all() -> None:
        for path in sorted(files.iterdir()):
            with fits.open(path, memmap=False) as units:
                units[0].data.sum()

    some = folder / "some"
    make_files(some, frames // 3)
    follow([some])
    whole, third, other = [], [], []
    for _ in range(2):
        whole.append(best(lambda: follow([files]), 1))
        other.append(best(read_all, 1))
        third.append(best(lambda: follow([some]), 1))
    report(f"pixel stage, {frames} files, all", min(whole), min(other), "s", "")
    growth = (min(whole) - min(third)) / (frames - frames // 3)
    report("of it for each further file", 1e3 * growth, 1e3 * min(other) / frames, "ms", "1.3")
    long = min(whole) + (10_000 - frames) * growth
    report("10,000 files, extrapolated", long, 10_000 * min(other) / frames, "s", "1.3")


def time_centroids() -> None:
    """Compare centroids of the same stamps: time a stamp and error."""
    import sep
    from photutils.centroids import centroid_2dg, centroid_com, centroid_quadratic

    from blursplit.stars.centroid import WindowedShapes
    from blursplit.stars.pixels import measure_sky

    rng = np.random.default_rng(5)
    size, sigma, flux, many = 21, 2.2, 60e3, 4096
    true = 10.0 + rng.uniform(-0.5, 0.5, (2, many))
    edges = np.arange(size + 1) - 0.5
    along = [0.5 * np.diff(erf((edges - c[:, None]) / (2**0.5 * sigma)), axis=1) for c in true]
    light = flux * along[1][:, :, None] * along[0][:, None, :] + 200.0
    stamps = (rng.poisson(light) + rng.normal(0, 3, light.shape)).astype(np.float32)
    sky, _ = measure_sky(stamps)

    def ours() -> NDArray[np.float64]:
        level, _ = measure_sky(stamps)
        found = WindowedShapes.measure(stamps, level, 1.5 * sigma, reach_px=2.0)
        return np.stack([found.x_px, found.y_px])

    def one_by_one(function: Any, count: int) -> NDArray[np.float64]:
        pairs = zip(stamps[:count], sky[:count], strict=True)
        return np.array([function((s - level).astype(float)) for s, level in pairs]).T

    def winpos(count: int) -> NDArray[np.float64]:
        out = []
        for s, level in zip(stamps[:count], sky[:count], strict=True):
            x, y, _ = sep.winpos((s - level).astype(float), [10.0], [10.0], [sigma])
            out.append((x[0], y[0]))
        return np.array(out).T

    def error(found: NDArray[np.float64]) -> float:
        return 1e3 * float(np.sqrt(np.mean((found - true[:, : found.shape[1]]) ** 2)))

    us = 1e6 * best(ours, 5) / many
    mine = error(ours())
    others = (
        ("photutils centroid_2dg", lambda c: one_by_one(centroid_2dg, c), 200, "1/30"),
        ("photutils centroid_quadratic", lambda c: one_by_one(centroid_quadratic, c), 1000, "1/3"),
        ("photutils centroid_com", lambda c: one_by_one(centroid_com, c), 1000, ""),
        ("sep.winpos", winpos, 1000, ""),
    )
    for name, run, count, goal in others:
        other = 1e6 * best(partial(run, count), 2) / count
        errors = f"errors {mine:.1f}, {error(run(count)):.1f} mpx"
        row = f"centroid and sky a stamp, against {name} ({errors})"
        report(row, us, other, "us", goal)


def measure_memory(folder: Path, frames: int) -> None:
    """Print what the pixel stage holds at most: own memory, and pages of the file mapped."""
    for name, count in (("cube.fits", frames), ("short.fits", frames // 3)):
        path = folder / name
        if not path.exists():
            make_cube(path, count)
        code = (
            "import sys; sys.argv=['speed.py'];"
            f"sys.path.insert(0, {str(Path(__file__).parent)!r});"
            f"import speed; speed.watch_memory({str(path)!r})"
        )
        out = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        ).stdout
        print(f"memory, {count} frames ({path.stat().st_size / 1e6:.0f} MB): {out.strip()}")


def watch_memory(path: str) -> None:
    """Follow a cube and print the most memory seen while it goes on."""
    most = {"RssAnon": 0, "RssFile": 0, "VmHWM": 0}

    def look(_done: int, _all: int) -> None:
        for line in Path("/proc/self/status").read_text().splitlines():
            key, _, value = line.partition(":")
            if key in most:
                most[key] = max(most[key], int(value.split()[0]))

    follow([Path(path)], look)
    look(1, 1)
    print(
        f"own {most['RssAnon'] / 1e3:.0f} MB, mapped {most['RssFile'] / 1e3:.0f} MB,"
        f" both at once, detection too, {most['VmHWM'] / 1e3:.0f} MB (goal 600)"
    )


def time_start() -> None:
    """Compare the start of the command with that of a bare interpreter."""
    command = [str(Path(sysconfig.get_path("scripts")) / "blursplit"), "--help"]
    taken = {}
    for name, call in (("help", command), ("bare", [sys.executable, "-c", "pass"])):
        walls = []
        for _ in range(5):
            start = time.perf_counter()
            subprocess.run(call, capture_output=True, check=True)
            walls.append(time.perf_counter() - start)
        taken[name] = min(walls)
    report(
        "blursplit --help, against a bare interpreter", taken["help"], taken["bare"], "s", "0.4 s"
    )


def describe_machine() -> str:
    """Return what the ratios were measured with."""
    names = ("numpy", "scipy", "astropy", "photutils", "sep")
    packages = ", ".join(f"{name} {version(name)}" for name in names)
    load = os.getloadavg()[0]
    return (
        f"Python {platform.python_version()}, {packages}; {platform.machine()},"
        f" {os.cpu_count()} processors, one thread, load {load:.1f}"
    )


def main() -> None:
    """Run the sections asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=3000)
    parser.add_argument("--files", type=int, default=600)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--cube", type=Path, help="made before, of so many frames")
    parser.add_argument("--only", choices=("cube", "files", "centroids", "memory", "start"))
    given = parser.parse_args()
    print(describe_machine() + "\n")
    print("| what | ours | yardstick | ratio | goal | before |\n" + "| --- " * 6 + "|")
    with tempfile.TemporaryDirectory(dir=given.folder) as name:
        folder = Path(name)
        sections: dict[str, Callable[[], None]] = {
            "centroids": time_centroids,
            "start": time_start,
            "cube": lambda: time_cube(folder, given.frames, given.cube),
            "files": lambda: time_files(folder, given.files),
            "memory": lambda: measure_memory(folder, given.frames),
        }
        for key, section in sections.items():
            if given.only in (None, key):
                section()


if __name__ == "__main__":
    main()
