"""FITS files of ours: tables with units and UCDs that table tools can plot, images packed small.

Every file is written under a temporary name and moved into place, every unit of it carries
checksums, and a file that does not match them is refused.
"""

from __future__ import annotations

import io
import os
import tempfile
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const

DAMAGE = (
    OSError,
    ValueError,
    KeyError,
    TypeError,
    IndexError,
    AttributeError,
    OverflowError,
    MemoryError,
    Warning,
)
"""What reading a damaged file may raise."""


@dataclass(frozen=True)
class Column:
    """How a column is written: unit, UCD (unified content descriptor), meaning, FITS format."""

    unit: str
    ucd: str
    meaning: str
    format: str = "E"


def table(
    name: str,
    values: Mapping[str, NDArray[Any]],
    columns: Mapping[str, Column],
    cards: Sequence[tuple[str, Any, str]] = (),
) -> Any:
    """Return a binary table unit; `cards` are keyword, value and comment of its header."""
    from astropy.io import fits

    described = [
        fits.Column(
            name=key,
            format=columns[key].format,
            unit=columns[key].unit or None,
            array=np.asarray(value),
        )
        for key, value in values.items()
    ]
    unit = fits.BinTableHDU.from_columns(described, name=name)
    for number, key in enumerate(values, start=1):
        unit.header[f"TCOMM{number}"] = columns[key].meaning
        if columns[key].ucd:
            unit.header[f"TUCD{number}"] = columns[key].ucd
    for keyword, value, comment in cards:
        unit.header[keyword] = (value, comment)
    return unit


def read_table(unit: Any) -> dict[str, NDArray[Any]]:
    """Return the columns of a table in the machine's own byte order, bare."""
    data = unit.data
    return {
        name.lower(): np.ascontiguousarray(data[name]).astype(data[name].dtype.newbyteorder("="))
        for name in unit.columns.names
    }


def packed_image(name: str, pixels: NDArray[np.float32]) -> Any:
    """Return a tile-compressed image unit.

    Whole numbers come back exactly. Others are stored in steps of a third of their noise, with
    dither, which adds less than one percent to its variance; NaN stays NaN.
    """
    from astropy.io import fits

    stored = pixels.reshape(-1, *pixels.shape[-3:]) if pixels.ndim > 3 else pixels  # noqa: PLR2004
    tile = (*((const.PACKING_TILE_FRAMES,) * (stored.ndim - 2)), *stored.shape[-2:])
    tile = tuple(min(a, b) for a, b in zip(tile, stored.shape, strict=True))
    whole = bool(np.all(np.isfinite(stored)) and np.all(stored == np.rint(stored)))
    if whole and np.abs(stored).max(initial=0.0) < 2.0**31 - 1.0:
        unit = fits.CompImageHDU(
            stored.astype(np.int32), name=name, compression_type="RICE_1", tile_shape=tile
        )
    else:
        step = noise_of(stored) / const.PACKING_STEPS
        exact = {"compression_type": "GZIP_2", "quantize_level": 0.0}
        packed = {
            "compression_type": "RICE_1",
            "quantize_level": -step,
            "quantize_method": 1,
            "dither_seed": 1,
        }
        unit = fits.CompImageHDU(
            stored.astype(np.float32), name=name, tile_shape=tile, **(packed if step else exact)
        )
        unit.header["STEP"] = (step, "values are stored in steps, with dither")
    return unit


def noise_of(pixels: NDArray[np.float32]) -> float:
    """Return the scatter of neighbouring pixels along x, small where the image is smooth."""
    step = np.diff(np.asarray(pixels, dtype=np.float64), axis=-1)
    size = np.abs(step[np.isfinite(step)])
    return const.SIGMA_PER_MAD * float(np.median(size)) / np.sqrt(2.0) if size.size else 0.0


def write_units(path: Path, units: Sequence[Any], cards: Sequence[tuple[str, Any, str]]) -> None:
    """Write a primary header with these cards and the units behind it, whole or not at all."""
    from astropy.io import fits

    primary = fits.PrimaryHDU()
    for keyword, value, comment in cards:
        primary.header[keyword] = (value, comment)
    # In memory first, so that a full disk is an OSError for packed images too.
    content = io.BytesIO()
    fits.HDUList([primary, *units]).writeto(content, checksum=True)
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content.getbuffer())
        Path(temporary).chmod(0o644)
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


@contextmanager
def open_checked(path: Path) -> Iterator[Any]:
    """Open a file of ours once every unit of it has its size and its checksums.

    Raises ValueError when one has not; and whatever else astropy makes of a damaged file.
    """
    from astropy.io import fits

    with warnings.catch_warnings():
        warnings.simplefilter("error")  # of a truncated file astropy only warns
        size = path.stat().st_size
        # The file is opened here, so that it is closed whatever astropy makes of its content.
        with (
            path.open("rb") as file,
            fits.open(file, memmap=False, disable_image_compression=True) as raw,
        ):
            for unit in raw:
                if unit.size > size:
                    msg = f"'{unit.name}' promises {unit.size} bytes, the file has {size}"
                    raise ValueError(msg)
                # 1: present and right; 0: wrong; 2: absent, and ours are never absent.
                if unit.verify_checksum() != 1 or unit.verify_datasum() != 1:
                    msg = f"'{unit.name}' does not match its checksum"
                    raise ValueError(msg)
        with path.open("rb") as file, fits.open(file, memmap=False) as units:
            yield units
