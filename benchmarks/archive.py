"""An archive of many files, killed half way and run again: time, memory, nothing measured twice.

    python benchmarks/archive.py [--sequences 100] [--frames 100]

Real FITS files of 120 x 120 pixels with five stars, one a frame, are written into folders by night;
`blursplit archive` is started as a user starts it, killed without warning (SIGKILL) once half of
the sequences are in the store, run to the end, and run once more when nothing is left to do.
docs/archives.md holds the result of the default size. Linux, for what it reads of the processes.
"""

from __future__ import annotations

import argparse
import datetime as dt
import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits
from scipy.special import erf

SIZE_PX = 120
X_PX = np.array([26.0, 90.0, 60.0, 30.0, 92.0])
Y_PX = np.array([28.0, 26.0, 62.0, 90.0, 92.0])
FLUX_ADU = np.array([30e3, 26e3, 34e3, 20e3, 24e3])
TICKS = os.sysconf("SC_CLK_TCK")


def write_sequence(folder: Path, number: int, frames: int) -> None:
    """Write one sequence: stars that move together and each a little on its own."""
    rng = np.random.default_rng([7, number])
    folder.mkdir(parents=True, exist_ok=True)
    start = dt.datetime(2026, 1, 1 + number // 10, 20, tzinfo=dt.UTC)
    start += dt.timedelta(minutes=20 * (number % 10))
    shared = np.cumsum(rng.normal(0, 0.05, (frames, 2, 1)), axis=0)
    places = shared + rng.normal(0, 0.12, (frames, 2, X_PX.size)) + [X_PX, Y_PX]
    edges = np.arange(SIZE_PX + 1) - 0.5
    for index, place in enumerate(places):
        across, along = 0.5 * np.diff(erf((edges - place[:, :, None]) / (1.8 * 2**0.5)), axis=2)
        light = (along * FLUX_ADU[:, None]).T @ across + 100
        frame = rng.poisson(light) + rng.normal(200, 2.0, light.shape)
        header = fits.Header([("OBJECT", f"field {number % 10}"), ("EXPTIME", 0.01)])
        moment = start + dt.timedelta(seconds=0.05 * index)
        header["DATE-OBS"] = moment.replace(tzinfo=None).isoformat(timespec="microseconds")
        header["SECPIX"], header["APTDIA"], header["FILTER"] = 0.6, 250, "V"
        pixels = np.clip(np.rint(frame), 0, 65535).astype(np.uint16)
        fits.PrimaryHDU(pixels, header).writeto(folder / f"s{number:03d}_{index:04d}.fits")


@dataclass
class Cost:
    """What a run took."""

    wall_s: float = 0.0
    processor_s: float = 0.0
    largest_process_mb: float = 0.0
    together_mb: float = 0.0


def _family(root: int) -> list[int]:
    parents = {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            parents[int(path.parent.name)] = int(path.read_text().rpartition(")")[2].split()[1])
    found = [root]
    for pid in found:
        found += [child for child, parent in parents.items() if parent == pid]
    return found


def _watch(pid: int, spent: dict[int, float], cost: Cost) -> None:
    together = 0.0
    for one in _family(pid):
        with suppress(OSError, IndexError):
            fields = Path(f"/proc/{one}/stat").read_text().rpartition(")")[2].split()
            spent[one] = sum(map(int, fields[11:13])) / TICKS
            resident = int(fields[21]) * os.sysconf("SC_PAGE_SIZE") / 1e6
            cost.largest_process_mb = max(cost.largest_process_mb, resident)
            shares = Path(f"/proc/{one}/smaps_rollup").read_text()
            together += int(shares.partition("\nPss:")[2].split()[0]) / 1e3
    cost.together_mb = max(cost.together_mb, together)


def rows(store: Path) -> dict[str, tuple[object, ...]]:
    """Return key -> row of all sequences in the store."""
    if not store.exists():
        return {}
    with closing(sqlite3.connect(store)) as db, suppress(sqlite3.OperationalError):
        return {row[0]: row for row in db.execute("SELECT * FROM sequences")}
    return {}


def run(archive: Path, store: Path, kill_at: int | None = None) -> Cost:
    """Run the command; with `kill_at`, kill it when so many sequences are done."""
    command = [str(Path(sys.executable).with_name("blursplit")), "archive", str(archive)]
    cost, spent, start = Cost(), {}, time.perf_counter()
    with subprocess.Popen(
        [*command, "--store", str(store)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as process:
        while process.poll() is None:
            _watch(process.pid, spent, cost)
            if kill_at is not None and len(rows(store)) >= kill_at:
                process.send_signal(signal.SIGKILL)
                break
            time.sleep(0.5)
    cost.wall_s, cost.processor_s = time.perf_counter() - start, sum(spent.values())
    return cost


def main() -> None:
    """Make the archive, run it three times and print what each took."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sequences", type=int, default=100)
    parser.add_argument("--frames", type=int, default=100)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        archive, store = Path(scratch, "in"), Path(scratch, "store", "nights.sqlite")
        store.parent.mkdir()
        for number in range(chosen.sequences):
            write_sequence(archive / f"night{number // 10:02d}", number, chosen.frames)
        sizes = [path.stat().st_size for path in archive.rglob("*.fits")]
        print(f"{len(sizes)} files, {sum(sizes) / 1e6:.0f} MB, {os.cpu_count()} processors")
        costs = [run(archive, store, chosen.sequences // 2)]
        before = rows(store)
        costs += [run(archive, store)]
        after = rows(store)
        costs += [run(archive, store)]
        for name, cost in zip(("killed", "run again", "nothing new"), costs, strict=True):
            print(name, cost)
        kept = sum(after[key] == row for key, row in before.items())
        print(f"{len(before)} sequences in the store when killed, {kept} of them untouched later")
        with closing(sqlite3.connect(store)) as db:
            files = db.execute("SELECT count(*), count(DISTINCT path) FROM files").fetchone()
            sound = db.execute("PRAGMA integrity_check").fetchone()[0]
        print(f"{len(after)} sequences, files {files}, store {sound}")
        print("beside the store:", sorted(path.name for path in store.parent.iterdir()))


if __name__ == "__main__":
    main()
