"""Tracks on disk: tracks.fits and stamps.fits, one image extension an array, read back exactly."""

from __future__ import annotations

import json
import os
import tempfile
import warnings
from dataclasses import asdict, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.errors import InputError, OutputError
from blursplit.stars.tracks import PixelStatistics, Stamps, StarTracks

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Arrays = dict[str, NDArray[Any]]

SCHEMA = "blursplit-tracks/1"
TRACKS_NAME, STAMPS_NAME = "tracks.fits", "stamps.fits"
FACTS_NAME = "FACTS"

# array -> (unit, what it is, axes in the order of the array)
TRACK_ARRAYS: dict[str, tuple[str, str, str]] = {
    "time_s": ("s", "middle of exposure since the first frame", "frame"),
    "segment": ("", "stretch without gap or dither", "frame"),
    "frame": ("", "number in the sequence", "frame"),
    "row_time_s": ("s", "delay of the star's row", "frame,star"),
    "x_px": ("pixel", "centroid, first pixel is 0", "frame,star"),
    "y_px": ("pixel", "centroid, first pixel is 0", "frame,star"),
    "sigma_px": ("pixel", "one-axis noise of the centroid", "frame,star"),
    "flux_adu": ("adu", "flux", "frame,star"),
    "width_px": ("pixel", "one-axis sigma of the star", "frame,star"),
    "e1": ("", "elongation along x", "frame,star"),
    "e2": ("", "elongation along the diagonal", "frame,star"),
    "peak_adu": ("adu", "peak above the sky", "frame,star"),
    "good": ("", "1 where the sample can be used", "frame,star"),
    "finder_adu": ("adu", "mean of the first frames", "y,x"),
}
STAMP_ARRAYS: dict[str, tuple[str, str, str]] = {
    "star": ("", "column of the tracks", "stamp"),
    "pixels_adu": ("adu", "cut-outs with their sky", "frame,stamp,y,x"),
    "x0_px": ("pixel", "column of the first pixel", "frame,stamp"),
    "y0_px": ("pixel", "row of the first pixel", "frame,stamp"),
    "sky_adu": ("adu", "local sky", "frame,stamp"),
}
_FACTS = ("exposure_s", "timing", "cadence_s", "start_utc", "notes", "dropped")
_DAMAGE = (
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


def save_tracks(tracks: StarTracks, folder: Path) -> None:
    """Write tracks.fits and, where there are stamps, stamps.fits into a folder.

    Parameters
    ----------
    tracks : StarTracks
    folder : Path
        Made if it is not there; older files of these names are replaced.

    Raises
    ------
    OutputError
        When the folder cannot be written.

    Notes
    -----
    Each file is written to a temporary name and moved into place. Facts that are no arrays
    (times, notes, reasons) are UTF-8 JSON in the byte image FACTS, so that any text survives.
    """
    folder = Path(folder)
    facts = {name: getattr(tracks, name) for name in _FACTS}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if tracks.stamps is None:
            (folder / STAMPS_NAME).unlink(missing_ok=True)
        else:
            arrays = {name: getattr(tracks.stamps, name) for name in STAMP_ARRAYS}
            _write(folder / STAMPS_NAME, arrays, STAMP_ARRAYS, {})
        present = {name: getattr(tracks, name) for name in TRACK_ARRAYS}
        arrays = {name: value for name, value in present.items() if value is not None}
        facts["stamps"] = tracks.stamps is not None
        facts["pixels"] = None if tracks.pixels is None else _plain(asdict(tracks.pixels))
        _write(folder / TRACKS_NAME, arrays, TRACK_ARRAYS, facts)
    except OSError as error:
        raise OutputError(
            folder, f"cannot be written ({error.strerror or error})", "check space and permissions"
        ) from error


def load_tracks(folder: Path) -> StarTracks:
    """Read tracks and stamps that `save_tracks` has written.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    StarTracks
        Exactly as saved; without stamps where stamps.fits has been deleted.

    Raises
    ------
    InputError
        When the folder holds no tracks, or a file is damaged or of another format.
    """
    folder = Path(folder)
    path = folder / TRACKS_NAME
    if not path.is_file():
        raise InputError(folder, f"holds no {TRACKS_NAME}", "give the folder that measure wrote")
    try:
        arrays, facts = _read(path, TRACK_ARRAYS)
        if "finder_adu" not in arrays:
            arrays["finder_adu"] = None  # type: ignore[assignment]
        tracks = StarTracks(
            **arrays,
            exposure_s=facts["exposure_s"],
            timing=facts["timing"],
            cadence_s=facts["cadence_s"],
            start_utc=facts["start_utc"],
            notes=tuple((str(code), str(text)) for code, text in facts["notes"]),
            dropped={str(reason): int(n) for reason, n in facts["dropped"].items()},
            stamps=_load_stamps(folder / STAMPS_NAME) if facts["stamps"] else None,
            pixels=_pixel_statistics(facts.get("pixels")),
        )
        _check_stamps(tracks)
    except _DAMAGE as error:
        raise InputError(
            path, f"is damaged or of another format ({error})", "run measure again on the frames"
        ) from error
    return tracks


def _plain(value: Any) -> Any:
    """Return numbers as JSON has them: NaN becomes null."""
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    return None if isinstance(value, float) and not np.isfinite(value) else value


def _pixel_statistics(stored: dict[str, Any] | None) -> PixelStatistics | None:
    if stored is None:
        return None
    known = {field.name for field in fields(PixelStatistics)}
    read: dict[str, Any] = {
        key: tuple(np.nan if one is None else one for one in value)
        if isinstance(value, list)
        else (np.nan if value is None else value)
        for key, value in stored.items()
        if key in known
    }
    return PixelStatistics(**read)


def _load_stamps(path: Path) -> Stamps | None:
    if not path.is_file():
        return None
    arrays, _ = _read(path, STAMP_ARRAYS)
    return Stamps(**arrays)


def _check_stamps(tracks: StarTracks) -> None:
    stamps = tracks.stamps
    if stamps is None:
        return
    lead = (tracks.n_frames, stamps.star.size)
    shapes = [
        stamps.pixels_adu.shape[:2],
        stamps.x0_px.shape,
        stamps.y0_px.shape,
        stamps.sky_adu.shape,
    ]
    if any(shape != lead for shape in shapes) or np.any(stamps.star >= tracks.n_stars):
        msg = f"{STAMPS_NAME} does not belong to {TRACKS_NAME}"
        raise ValueError(msg)


def _write(
    path: Path,
    arrays: Mapping[str, NDArray[Any]],
    described: Mapping[str, tuple[str, str, str]],
    facts: dict[str, Any],
) -> None:
    from astropy.io import fits

    content = {
        **facts,
        "schema": SCHEMA,
        "arrays": {name: [list(a.shape), a.dtype.name] for name, a in arrays.items()},
    }
    text = json.dumps(content, ensure_ascii=False, allow_nan=False).encode()
    primary = fits.PrimaryHDU()
    primary.header["SCHEMA"] = (SCHEMA, "format of this file")
    facts_hdu = fits.ImageHDU(np.frombuffer(text, dtype=np.uint8), name=FACTS_NAME)
    facts_hdu.header["COMMENT"] = "The bytes are UTF-8 text (JSON)."
    hdus = [primary, facts_hdu]
    for name, array in arrays.items():
        if array.size == 0:
            continue  # FITS has no axis of length 0; the shape stands in FACTS
        stored = array.astype(np.uint8) if array.dtype == bool else array
        hdu = fits.ImageHDU(stored, name=name.upper())
        unit, meaning, axes = described[name]
        if unit:
            hdu.header["BUNIT"] = unit
        hdu.header["CONTENT"] = (meaning, "what the values are")
        hdu.header["AXES"] = (axes, "slowest axis first")
        hdus.append(hdu)
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            fits.HDUList(hdus).writeto(file, checksum=True)
        Path(temporary).chmod(0o644)
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def _read(
    path: Path, described: Mapping[str, tuple[str, str, str]]
) -> tuple[Arrays, dict[str, Any]]:
    from astropy.io import fits

    with warnings.catch_warnings():
        warnings.simplefilter("error")  # of a truncated file astropy only warns
        # The file is opened here, so that it is closed whatever astropy makes of its content.
        with path.open("rb") as file, fits.open(file, memmap=False) as hdus:
            size = path.stat().st_size
            facts = json.loads(_image(hdus[FACTS_NAME], size).tobytes().decode())
            if facts["schema"] != SCHEMA:
                msg = f"schema {facts['schema']!r}, this version reads {SCHEMA!r}"
                raise ValueError(msg)
            arrays: Arrays = {}
            for name, (shape, dtype) in facts["arrays"].items():
                if name not in described:
                    continue  # a newer version may store more
                kind = np.dtype(dtype)
                if 0 in shape:
                    arrays[name] = np.zeros(shape, dtype=kind)
                    continue
                data = _image(hdus[name.upper()], size)
                if list(data.shape) != shape:
                    msg = f"{name} has shape {list(data.shape)}, not {shape}"
                    raise ValueError(msg)
                arrays[name] = np.ascontiguousarray(data, dtype=kind)
    missing = [name for name in described if name not in arrays and name != "finder_adu"]
    if missing:
        msg = f"{missing[0]} is missing"
        raise ValueError(msg)
    return arrays, facts


def _image(hdu: Any, file_bytes: int) -> NDArray[Any]:
    """Return an extension's pixels, once its size and checksums are right."""
    if hdu.size > file_bytes:
        msg = f"extension {hdu.name} promises {hdu.size} bytes, the file has {file_bytes}"
        raise ValueError(msg)
    # 1: present and right; 0: wrong; 2: absent, and ours are never absent.
    if hdu.verify_checksum() != 1 or hdu.verify_datasum() != 1:
        msg = f"extension {hdu.name} does not match its checksum"
        raise ValueError(msg)
    return np.asarray(hdu.data)
