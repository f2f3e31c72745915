"""Star tracks: what leaves the stars room, and all that the later steps need."""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass, field, fields, replace
from html import escape
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.errors import InputError, OutputError
from blursplit.result import Note
from blursplit.series import (
    DAMAGE,
    Column,
    open_checked,
    packed_image,
    read_table,
    table,
    write_units,
)
from blursplit.types import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Stamps:
    """Cut-outs of a few bright stars, background not removed."""

    star: IntArray  # (n_stamps,): column of the tracks that each stack belongs to
    # (n_frames, n_stamps, size, size): calibrated, but with the sky in them.
    pixels_adu: NDArray[np.float32]
    # `x0_px`, `y0_px`: (n_frames, n_stamps): place of pixel [0, 0] of each stamp in the frame.
    x0_px: IntArray
    y0_px: IntArray
    sky_adu: FloatArray  # (n_frames, n_stamps): level of the local sky


@dataclass(frozen=True)
class PixelStatistics:
    """What single pixels say of how the frames were made, NaN where nothing could be told."""

    # `frames`, `pixels`: frames looked at, and pairs of blank-sky pixels that neighbours were
    # compared in.
    frames: int
    pixels: int
    # `sky_adu`, `sky_noise_adu`: level of blank sky, and the noise of one of its pixels in time.
    sky_adu: float
    sky_noise_adu: float
    # Correlation of a pixel's noise with its own 1, 2 and 3 frames later, repeats left out.
    lag_correlation: tuple[float, ...]
    # Of the noise of pixels side by side, less that of pixels five apart.
    neighbour_correlation: float
    # `pattern_still`, `pattern_moved`: pairs of frames whose fixed pattern lies in one place, and
    # those where it lies whole pixels off.
    pattern_still: int
    pattern_moved: int
    hot_still: int
    hot_moved: int
    # `noise_level_adu`, `noise_variance_adu2`, `noise_count`: variance of star pixels in bins of
    # their level above the sky, and pixels a bin.
    noise_level_adu: tuple[float, ...] = ()
    noise_variance_adu2: tuple[float, ...] = ()
    noise_count: tuple[int, ...] = ()

    @property
    def lies_still(self) -> bool:
        """Whether fixed pattern or hot pixels rule out a window that moves by whole pixels."""
        pattern, hot = (self.pattern_still, self.pattern_moved), (self.hot_still, self.hot_moved)
        return any(still >= const.FEWEST_STILL and moved == 0 for still, moved in (pattern, hot))


@dataclass(frozen=True, repr=False)
class StarTracks:
    """Stars followed through the frames; samples that were lost are masked, never guessed.

    Parameters
    ----------
    time_s : ndarray, shape (n_frames,)
        Middle of each exposure since the first frame's, increasing.
    segment : ndarray of int, shape (n_frames,)
        Number of the gap- and dither-free stretch that the frame belongs to.
    row_time_s : ndarray, shape (n_frames, n_stars)
        Delay of the star's row after the middle of the exposure (zero for a global shutter).
    x_px, y_px : ndarray, shape (n_frames, n_stars)
        Centroids, pixel centres at whole numbers from 0; NaN where not `good`.
    sigma_px : ndarray, shape (n_frames, n_stars)
        One-axis noise of each centroid from photons, sky and read-out.
    flux_adu, width_px, e1, e2, peak_adu : ndarray, shape (n_frames, n_stars)
        Flux, Gaussian-equivalent one-axis sigma, ellipticity ((xx - yy)/(xx + yy),
        2 xy/(xx + yy)) and peak above the sky.
    good : ndarray of bool, shape (n_frames, n_stars)
    exposure_s : float or None
        Exposure of one frame.
    timing : "regular", "jittered" or "irregular"
        Regular: times lie on a grid (frames may be missing).
    cadence_s : float or None
        Frame interval of the grid, or the median interval.
    start_utc : str or None
        ISO time of the first frame's middle.
    frame : ndarray of int, shape (n_frames,)
        Number of the frame in the sequence as sorted by time.
    finder_adu : ndarray, shape (ny, nx) or None
        Mean of the first frames.
    stamps : Stamps or None
    pixels : PixelStatistics or None
        None for positions that were not measured on frames here.
    window_px : float or None
        Sigma of the Gaussian window of the centroids; None for other ones.
    notes : tuple of (code, facts)
        Warnings that go into the result.
    dropped : dict
        Reason -> number of frames dropped.

    Examples
    --------
    >>> from blursplit import StarTracks
    >>> StarTracks.read("night1-result")
    StarTracks(40 frames, 3 stars, 0.78 s, 50 a second)
    """

    time_s: FloatArray
    segment: IntArray
    row_time_s: FloatArray
    x_px: FloatArray
    y_px: FloatArray
    sigma_px: FloatArray
    flux_adu: FloatArray
    width_px: FloatArray
    e1: FloatArray
    e2: FloatArray
    peak_adu: FloatArray
    good: BoolArray
    exposure_s: float | None
    timing: Literal["regular", "jittered", "irregular"] = "regular"
    cadence_s: float | None = None
    start_utc: str | None = None
    frame: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    finder_adu: NDArray[np.float32] | None = None
    stamps: Stamps | None = None
    pixels: PixelStatistics | None = None
    window_px: float | None = None
    notes: tuple[Note, ...] = ()
    dropped: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        shape = self.x_px.shape
        per_sample = ("row_time_s", "y_px", "sigma_px", "flux_adu", "width_px", "e1", "e2")
        for name in (*per_sample, "peak_adu", "good"):
            if getattr(self, name).shape != shape:
                msg = f"{name} has shape {getattr(self, name).shape}, x_px {shape}"
                raise ValueError(msg)
        if self.time_s.shape != shape[:1] or self.segment.shape != shape[:1]:
            msg = f"time_s and segment need shape {shape[:1]}"
            raise ValueError(msg)

    @property
    def n_frames(self) -> int:
        """Number of frames."""
        return int(self.x_px.shape[0])

    @property
    def n_stars(self) -> int:
        """Number of stars."""
        return int(self.x_px.shape[1])

    @property
    def duration_s(self) -> float:
        """Length of the record, one frame interval included."""
        return float(self.time_s[-1] - self.time_s[0]) + (self.cadence_s or 0.0)

    @property
    def longest_stretch_s(self) -> float:
        """Length of the longest stretch without gap or dither, or of all if all are short.

        An image longer than that would hold a jump, and jumps are not blur.
        """
        number, count = np.unique(self.segment, return_counts=True)
        longest = self.time_s[self.segment == number[np.argmax(count)]]
        if len(longest) < const.FEWEST_STRETCH_FRAMES:
            return self.duration_s
        return float(longest[-1] - longest[0]) + (self.cadence_s or 0.0)

    def seen(self, name: str) -> FloatArray:
        """Return the values of a name where the stars were measured well, NaN elsewhere."""
        return np.where(self.good, getattr(self, name), np.nan)

    def __repr__(self) -> str:
        length = float(np.ptp(self.time_s)) if self.n_frames else 0.0
        rate = "" if not self.cadence_s else f", {1.0 / self.cadence_s:.3g} a second"
        return f"StarTracks({self.n_frames} frames, {self.n_stars} stars, {length:.3g} s{rate})"

    def _repr_html_(self) -> str:
        notes = ""
        for code, facts in self.notes:
            told = ", ".join(f"{name} {value}" for name, value in facts.items())
            notes += f"<li>{escape(f'{code}: {told}' if told else code)}</li>"
        return f"<p>{escape(repr(self))}</p><ul>{notes}</ul>"

    @classmethod
    def read(cls, positions: Any, rig: Any = None) -> StarTracks:
        """Return tracks of a table of positions, a CSV or ECSV file, or a result folder.

        Parameters
        ----------
        positions : Table, str or Path
            Columns time, star, x, y and, where known, flux, width, sigma; or a folder that
            `measure` wrote.
        rig : Rig, optional
            Gives pixel scale, exposure and frame interval of positions.
        """
        from blursplit.stars.positions import positions_to_tracks

        if isinstance(positions, str | Path) and Path(positions).is_dir():
            return StarTracks.load(Path(positions))
        return positions_to_tracks(positions, rig)[0]

    def without_stamps(self) -> StarTracks:
        """Return the same tracks without cut-outs."""
        return replace(self, stamps=None)

    def save(self, folder: str | Path) -> None:
        """Write tracks.fits and, where there are cut-outs, stamps.fits into a folder.

        `folder`: made if it is not there; older files of these names are replaced.

        Raises OutputError when the folder cannot be written.

        Facts that are no columns (times, notes, reasons) are UTF-8 JSON in the byte image FACTS, so
        that any text survives. Noise, flux and shapes keep seven digits, the rest all of theirs.
        """
        from astropy.io import fits

        folder = Path(folder)
        n, k = self.x_px.shape
        names = [item.name for item in fields(StarTracks) if item.name not in _APART]
        facts = {name: _plain(getattr(self, name)) for name in names}
        facts |= {"schema": SCHEMA, "stars": k, "stamps": self.stamps is not None}
        facts["numbered"] = bool(self.frame.size)
        values = {
            "time": np.repeat(self.time_s, k),
            "frame": np.repeat(self.frame if self.frame.size else np.arange(n), k),
            "star": np.tile(np.arange(k), n),
            "segment": np.repeat(self.segment, k),
            **{name: getattr(self, attribute).ravel() for name, attribute in _FIELDS.items()},
        }
        if not np.any(self.row_time_s):
            del values["row_time"]  # all rows at once: nothing to say
        start = self.start_utc or ""
        cards = [("TIMESYS", "UTC", "scale of the times"), ("TIMEUNIT", "s", "unit of the times")]
        if _DATE.fullmatch(start):
            cards.append(("DATE-BEG", start, "zero of the times"))
        text = json.dumps(facts, ensure_ascii=False, allow_nan=False).encode()
        facts_unit = fits.ImageHDU(np.frombuffer(text, dtype=np.uint8), name=FACTS)
        facts_unit.header["COMMENT"] = "The bytes are UTF-8 text (JSON)."
        units = [table(TABLE, values, _TRACK_COLUMNS, cards), facts_unit]
        if self.finder_adu is not None:
            units.append(packed_image(FINDER, self.finder_adu))
        schema = [("SCHEMA", SCHEMA, "format of this file")]
        try:
            folder.mkdir(parents=True, exist_ok=True)
            if self.stamps is None:
                (folder / STAMPS_NAME).unlink(missing_ok=True)
            else:
                write_units(folder / STAMPS_NAME, _stamp_units(self.stamps), schema)
            write_units(folder / TRACKS_NAME, units, schema)
        except OSError as error:
            problem = f"cannot be written ({error.strerror or error})"
            raise OutputError(folder, problem, "check space and permissions") from error

    @classmethod
    def load(cls, folder: str | Path) -> StarTracks:
        """Read what `save` has written; without cut-outs where stamps.fits has been deleted.

        Raises InputError when the folder holds no tracks, or a file is damaged or of another
        format.
        """
        folder = Path(folder)
        path = folder / TRACKS_NAME
        if not path.is_file():
            raise InputError(
                folder, f"holds no {TRACKS_NAME}", "give the folder that measure wrote"
            )
        try:
            return _read_tracks(path, folder / STAMPS_NAME)
        except DAMAGE as error:
            problem = f"is damaged or of another format ({error})"
            raise InputError(path, problem, "run measure again on the frames") from error


# --- tracks in a file -----------------------------------------------------------------------------
SCHEMA = "blursplit-tracks/2"
TRACKS_NAME, STAMPS_NAME = "tracks.fits", "stamps.fits"
TABLE, FACTS, FINDER, PIXELS = "TRACKS", "FACTS", "FINDER", "PIXELS"

# Column -> how it is written; positions and times are kept in full.
_TRACK_COLUMNS: dict[str, Column] = {
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
_STAMP_COLUMNS: dict[str, Column] = {
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
    return [table("STAMPS", values, _STAMP_COLUMNS, cards), pixels]


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
    said["notes"] = tuple((str(code), dict(told)) for code, told in facts["notes"])
    said["dropped"] = {str(reason): int(n) for reason, n in facts["dropped"].items()}
    said["pixels"] = _pixel_statistics(facts.get("pixels"))
    stamps = _read_stamps(stamps_path) if facts["stamps"] else None
    if stamps is not None:
        lead = (values["x"].size // k, stamps.star.size)
        own = stamps.pixels_adu[..., 0, 0], stamps.x0_px, stamps.y0_px, stamps.sky_adu
        if any(each.shape != lead for each in own) or np.any(stamps.star >= k):
            msg = f"{STAMPS_NAME} does not belong to {TRACKS_NAME}"
            raise ValueError(msg)
    return StarTracks(
        time_s=values["time"][::k].astype(np.float64),
        segment=values["segment"][::k].astype(np.int64),
        frame=values["frame"][::k].astype(np.int64) if facts["numbered"] else np.zeros(0, np.int64),
        finder_adu=finder,
        stamps=stamps,
        **arrays,
        **said,
    )


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
