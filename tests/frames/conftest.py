"""Small sequences with known pixels, times and headers."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from astropy.io import fits

if TYPE_CHECKING:
    from pathlib import Path

START = dt.datetime(2026, 3, 1, 22, 10, 5, 123000, tzinfo=dt.UTC)


def make_stack(count, shape=(24, 32), seed=1):
    """Return unsigned 16-bit frames with a bright star that no two frames share exactly."""
    rng = np.random.default_rng(seed)
    frames = rng.normal(500.0, 20.0, (count, *shape))
    frames[:, 10:13, 12:15] += 9000.0 + 300.0 * rng.random((count, 3, 3))
    return np.clip(frames, 0, 60000).astype(np.uint16)


def stamp(seconds, digits=3):
    """Return an ISO time `seconds` after the start."""
    text = (START + dt.timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%S.%f")
    return text[:-7] if digits == 0 else text[: len(text) - 6 + digits]


def write_files(folder, stack, interval_s=0.02, name="f{:d}.fits", **cards):
    """Write a file a frame; a card that is a list gives each file its own value."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for number, frame in enumerate(stack):
        header = fits.Header()
        header["DATE-OBS"] = stamp(number * interval_s)
        header["EXPTIME"] = 0.004
        for key, value in cards.items():
            header[key.replace("_", "-")] = value[number] if isinstance(value, list) else value
        path = folder / name.format(number)
        fits.PrimaryHDU(frame, header).writeto(path)
        paths.append(path)
    return paths


def write_cube(path, stack, extra=(), **cards):
    """Write a cube in the primary array, followed by other header units."""
    header = fits.Header()
    for key, value in cards.items():
        header[key.replace("_", "-")] = value
    fits.HDUList([fits.PrimaryHDU(stack, header), *extra]).writeto(path)
    return path


@pytest.fixture
def stack() -> np.ndarray:
    return make_stack(20)


@pytest.fixture
def folder(tmp_path: Path, stack: np.ndarray) -> Path:
    """Write 20 frames, 20 ms apart, into a folder with blanks and letters beyond ASCII."""
    write_files(tmp_path / "night 1 – ö", stack)
    return tmp_path / "night 1 – ö"


@pytest.fixture
def maker() -> SimpleNamespace:
    """Give tests the functions that write sequences."""
    return SimpleNamespace(
        stack=make_stack, stamp=stamp, files=write_files, cube=write_cube, start=START
    )
