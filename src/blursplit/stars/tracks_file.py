"""Tracks on disk: a table with a row for each frame and star, and cut-outs of the best stars."""

from __future__ import annotations

import json
import re
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

import numpy as np

from blursplit.errors import InputError, OutputError
from blursplit.fits_tables import (
    DAMAGE,
    Column,
    open_checked,
    packed_image,
    read_table,
    table,
    write_units,
)
from blursplit.stars.tracks import PixelStatistics, Stamps, StarTracks

SCHEMA = "blursplit-tracks/2"
TRACKS_NAME, STAMPS_NAME = "tracks.fits", "stamps.fits"
TABLE, FACTS, FINDER, PIXELS = "TRACKS", "FACTS", "FINDER", "PIXELS"

# Column -> how it is written; positions and times are kept in full.
TRACK_COLUMNS: dict[str, Column] = {
    "time": Column("s", "time.duration;obs", "middle of exposure since the first frame", "D"),
    "frame": Column("", "meta.id;obs.image", "number in the sequence", "J"),
    "star": Column("", "meta.id;src", "number of the star", "I"),
    "segment": Column("", "meta.id;obs.sequence", "stretch without gap or dither", "I"),
    "row_time": Column("s", "time.duration;instr.det", "delay of the star's row"),
    "x": Column("pixel", "pos.cartesian.x;instr.det", "centroid, first pixel is 0", "D"),
    "y": Column("pixel", "pos.cartesian.y;instr.det", "centroid, first pixel is 0", "D"),
    "sigma": Column("pixel", "stat.error;pos.cartesian;instr.det", "one-axis noise of x and y"),
    "flux": Column("adu", "phot.count", "flux"),
    "width": Column("pixel", "phys.angSize;src", "one-axis sigma of the star"),
    "e1": Column("", "src.ellipticity", "elongation along x"),
    "e2": Column("", "src.ellipticity", "elongation along the diagonal"),
    "peak": Column("adu", "phot.count;stat.max", "peak above the sky"),
    "good": Column("", "meta.code.qual", "whether the sample can be used", "L"),
}
STAMP_COLUMNS: dict[str, Column] = {
    "star": Column("", "meta.id;src", "number of the star in the tracks", "I"),
    "x0": Column("pixel", "pos.cartesian.x;instr.det", "column of the first pixel", "J"),
    "y0": Column("pixel", "pos.cartesian.y;instr.det", "row of the first pixel", "J"),
    "sky": Column("adu", "phot.count;instr.background", "local sky", "D"),
}
_FIELDS = {
    "row_time": "row_time_s",
    "x": "x_px",
    "y": "y_px",
    "sigma": "sigma_px",
    "flux": "flux_adu",
    "width": "width_px",
    "e1": "e1",
    "e2": "e2",
    "peak": "peak_adu",
    "good": "good",
}
_APART = {*_FIELDS.values(), "time_s", "frame", "segment", "finder_adu", "stamps"}
_DATE = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?")


def save_tracks(tracks: StarTracks, folder: str | Path) -> None:
    """Write tracks.fits and, where there are cut-outs, stamps.fits into a folder.

    Parameters
    ----------
    folder : str or Path
        Made if it is not there; older files of these names are replaced.

    Raises
    ------
    OutputError
        When the folder cannot be written.

    Notes
    -----
    Facts that are no columns (times, notes, reasons) are UTF-8 JSON in the byte image FACTS, so
    that any text survives. Noise, flux and shapes keep seven digits, the rest all of theirs.
    """
    from astropy.io import fits

    folder = Path(folder)
    n, k = tracks.x_px.shape
    facts = {
        item.name: _plain(getattr(tracks, item.name))
        for item in fields(StarTracks)
        if item.name not in _APART
    }
    facts |= {"schema": SCHEMA, "stars": k, "stamps": tracks.stamps is not None}
    facts["numbered"] = bool(tracks.frame.size)
    values = {
        "time": np.repeat(tracks.time_s, k),
        "frame": np.repeat(tracks.frame if tracks.frame.size else np.arange(n), k),
        "star": np.tile(np.arange(k), n),
        "segment": np.repeat(tracks.segment, k),
        **{name: getattr(tracks, attribute).ravel() for name, attribute in _FIELDS.items()},
    }
    if not np.any(tracks.row_time_s):
        del values["row_time"]  # all rows at once: nothing to say
    start = tracks.start_utc or ""
    cards = [("TIMESYS", "UTC", "scale of the times"), ("TIMEUNIT", "s", "unit of the times")]
    if _DATE.fullmatch(start):
        cards.append(("DATE-BEG", start, "zero of the times"))
    text = json.dumps(facts, ensure_ascii=False, allow_nan=False).encode()
    facts_unit = fits.ImageHDU(np.frombuffer(text, dtype=np.uint8), name=FACTS)
    facts_unit.header["COMMENT"] = "The bytes are UTF-8 text (JSON)."
    units = [table(TABLE, values, TRACK_COLUMNS, cards), facts_unit]
    if tracks.finder_adu is not None:
        units.append(packed_image(FINDER, tracks.finder_adu))
    schema = [("SCHEMA", SCHEMA, "format of this file")]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if tracks.stamps is None:
            (folder / STAMPS_NAME).unlink(missing_ok=True)
        else:
            write_units(folder / STAMPS_NAME, _stamp_units(tracks.stamps), schema)
        write_units(folder / TRACKS_NAME, units, schema)
    except OSError as error:
        raise OutputError(
            folder, f"cannot be written ({error.strerror or error})", "check space and permissions"
        ) from error


def _stamp_units(stamps: Stamps) -> list[Any]:
    n, k = stamps.x0_px.shape
    values = {
        "star": np.tile(stamps.star, n),
        "x0": stamps.x0_px.ravel(),
        "y0": stamps.y0_px.ravel(),
        "sky": stamps.sky_adu.ravel(),
    }
    pixels = packed_image(PIXELS, stamps.pixels_adu)
    pixels.header["BUNIT"] = "adu"
    pixels.header["COMMENT"] = "Cut-outs with their sky, a plane for each row of STAMPS."
    cards = [("STARS", k, "cut-outs of each frame")]
    return [table("STAMPS", values, STAMP_COLUMNS, cards), pixels]


def load_tracks(folder: str | Path) -> StarTracks:
    """Read tracks and cut-outs that `save_tracks` has written.

    Returns
    -------
    StarTracks
        As saved; without cut-outs where stamps.fits has been deleted.

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
        tracks = _read_tracks(path, folder / STAMPS_NAME)
    except DAMAGE as error:
        raise InputError(
            path, f"is damaged or of another format ({error})", "run measure again on the frames"
        ) from error
    return tracks


def _read_tracks(path: Path, stamps_path: Path) -> StarTracks:
    with open_checked(path) as units:
        facts = json.loads(np.asarray(units[FACTS].data).tobytes().decode())
        if facts["schema"] != SCHEMA:
            msg = f"schema {facts['schema']!r}, this version reads {SCHEMA!r}"
            raise ValueError(msg)
        values = read_table(units[TABLE])
        finder = None
        if FINDER in [unit.name for unit in units]:
            finder = np.asarray(units[FINDER].data, dtype=np.float32)
    k = int(facts["stars"])
    values.setdefault("row_time", np.zeros(values["x"].size))
    arrays: dict[str, Any] = {
        attribute: values[name].reshape(-1, k).astype(np.bool_ if name == "good" else np.float64)
        for name, attribute in _FIELDS.items()
    }
    known = {item.name for item in fields(StarTracks)} - _APART
    said: dict[str, Any] = {key: value for key, value in facts.items() if key in known}
    said["notes"] = tuple((str(code), str(text)) for code, text in facts["notes"])
    said["dropped"] = {str(reason): int(n) for reason, n in facts["dropped"].items()}
    said["pixels"] = _pixel_statistics(facts.get("pixels"))
    tracks = StarTracks(
        time_s=values["time"][::k].astype(np.float64),
        segment=values["segment"][::k].astype(np.int64),
        frame=values["frame"][::k].astype(np.int64) if facts["numbered"] else np.zeros(0, np.int64),
        finder_adu=finder,
        stamps=_read_stamps(stamps_path) if facts["stamps"] else None,
        **arrays,
        **said,
    )
    _check_stamps(tracks)
    return tracks


def _pixel_statistics(stored: dict[str, Any] | None) -> PixelStatistics | None:
    if stored is None:
        return None
    known = {item.name for item in fields(PixelStatistics)}
    said: dict[str, Any] = {
        key: tuple(np.nan if one is None else one for one in value)
        if isinstance(value, list)
        else (np.nan if value is None else value)
        for key, value in stored.items()
        if key in known
    }
    return PixelStatistics(**said)


def _read_stamps(path: Path) -> Stamps | None:
    if not path.is_file():
        return None
    with open_checked(path) as units:
        k = int(units["STAMPS"].header["STARS"])
        values = read_table(units["STAMPS"])
        pixels = np.asarray(units[PIXELS].data, dtype=np.float32)
    return Stamps(
        star=values["star"][:k].astype(np.int64),
        pixels_adu=pixels.reshape(-1, k, *pixels.shape[-2:]),
        x0_px=values["x0"].reshape(-1, k).astype(np.int64),
        y0_px=values["y0"].reshape(-1, k).astype(np.int64),
        sky_adu=values["sky"].reshape(-1, k).astype(np.float64),
    )


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


def _plain(value: Any) -> Any:
    """Return what JSON can hold: records become dictionaries, NaN becomes null."""
    if hasattr(value, "__dataclass_fields__"):
        return _plain(asdict(value))
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(one) for one in value]
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not np.isfinite(value) else value
