"""Files to one stack of equal light frames: what is left out, and what is refused.

Target pixel files of a space telescope: tables of small images, laid side by side as frames.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.errors import InputError
from blursplit.frames.layout import Slab, Table, read_layout
from blursplit.frames.timestamps import Stamps
from blursplit.result import Note
from blursplit.rig import Setting
from blursplit.types import ImageArray


@dataclass(frozen=True)
class _Target:
    cadence: NDArray[np.int64]
    time_d: NDArray[np.float64]
    flux: ImageArray
    table: Table


def _is_target_pixels(table: Table) -> bool:
    """Return whether a table holds a small image a row, with its time."""
    names = table.columns
    return {"TIME", "FLUX"} <= set(names) and f"TDIM{names.get('FLUX')}" in table.header


def _read(table: Table) -> _Target:
    numbered = {"CADENCENO": np.int64} if "CADENCENO" in table.columns else {}
    flux, time_d, *numbers = table.read(FLUX=np.float32, TIME=np.float64, **numbered)
    cadence = numbers[0] if numbers else np.arange(time_d.size, dtype=np.int64)
    if flux.ndim != 3:  # noqa: PLR2004
        raise InputError(table.path, "its FLUX column holds no images", "leave it out")
    time_d[~(np.abs(time_d) < const.LONGEST_TIME_S / const.DAY_S)] = np.nan
    order = np.argsort(cadence, kind="stable")
    return _Target(cadence[order], time_d[order], flux[order], table)


def _mosaic(targets: list[_Target], shared: NDArray[np.int64]) -> ImageArray:
    """Return [frame, y, x] with the images on a square grid of equal cells."""
    margin = const.MOSAIC_MARGIN_PX
    cell = np.max([target.flux.shape[1:] for target in targets], axis=0) + margin
    across = math.ceil(math.sqrt(len(targets)))
    down = math.ceil(len(targets) / across)
    shape = (shared.size, *(np.array([down, across]) * cell + margin).tolist())
    if 4 * math.prod(shape) > const.MOSAIC_MOST_BYTES:
        path = targets[0].table.path
        raise InputError(path, "too many images for one sequence", "give fewer files")
    frames = np.full(shape, np.nan, dtype=np.float32)
    for number, target in enumerate(targets):
        y, x = np.array(divmod(number, across)) * cell + margin
        image = target.flux[np.searchsorted(target.cadence, shared)]
        frames[:, y : y + image.shape[1], x : x + image.shape[2]] = image
    return frames


def _exposure(table: Table) -> Setting | None:
    header = table.header
    light, reads = header.number("INT_TIME"), header.number("NUM_FRM")
    if light is not None and reads is not None and light[0] > 1e-2:  # noqa: PLR2004
        return Setting(light[0] * reads[0], "header", "INT_TIME x NUM_FRM")
    return None


def _facts(table: Table) -> dict[str, Setting]:
    known: dict[str, Setting] = {}
    column = table.columns["FLUX"]
    step = table.header.number(f"1CDLT{column}", f"2CDLT{column}")
    if step is not None and step[0]:
        known["pixel_scale_arcsec"] = Setting(abs(step[0]) * 3600, "header", step[1])
    exposure = _exposure(table)
    unit = table.header.word(f"TUNIT{column}").lower()
    if exposure is not None and unit in {"e-/s", "electron/s", "electrons/s"}:
        note = "FLUX counts electrons a second: one unit is that many electrons an exposure"
        known["gain_e_per_adu"] = Setting(float(exposure.value), "header", note)
    noise = table.header.number("READNOIS")
    reads = table.header.number("NREADOUT")
    if noise is not None and reads is not None and noise[0] > 0:
        total = noise[0] * math.sqrt(reads[0])
        known["read_noise_e"] = Setting(total, "header", "READNOIS x sqrt(NREADOUT)")
    return known


# --- images ---------------------------------------------------------------------------------------
@dataclass
class Units:
    """The usable stacks of a sequence, in the order of their files."""

    slabs: list[Slab] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)  # binary tables of the files that hold cubes
    # Reason -> number of frames or files left out.
    dropped: dict[str, int] = field(default_factory=dict)
    notes: list[Note] = field(default_factory=list)

    def drop(self, bad: list[Slab], reason: str, code: str, why: str = "") -> None:
        """Take stacks out, and count and name them."""
        gone = {id(slab) for slab in bad}
        self.slabs = [slab for slab in self.slabs if id(slab) not in gone]
        names = [f"{slab.path.name}{why}" for slab in bad]
        self.leave_out(reason, code, names, sum(slab.planes for slab in bad))

    def leave_out(self, reason: str, code: str, names: list[str], count: int | None = None) -> None:
        """Count what is dropped and name the first few."""
        if not names:
            return
        count = len(names) if count is None else count
        self.dropped[reason] = self.dropped.get(reason, 0) + count
        more = ["..."] if len(names) > const.NAMES_SHOWN else []
        shown = ", ".join([*names[: const.NAMES_SHOWN], *more])
        self.notes.append((code, {"count": count, "reason": reason, "names": shown}))

    @classmethod
    def read(cls, files: list[Path], *, growing: bool = False) -> Units:
        """Read the headers of all files and keep the light frames of one kind.

        Where no file holds an image but all hold target pixels, only `tables` is filled. A lone bad
        file, or more than half of many, is an InputError.
        """
        units = cls()
        failures: list[InputError] = []
        for path in files:
            try:
                layout = read_layout(path, growing=growing)
            except InputError as error:
                failures.append(error)
                continue
            units.slabs.extend(layout.slabs)
            units.notes.extend(note for slab in layout.slabs for note in slab.notes)
            units.tables.extend(layout.tables)
        if failures and (len(failures) > len(files) / 2 or not (units.slabs or units.tables)):
            raise failures[0]
        names = [f"{failure.source} ({failure.problem})" for failure in failures]
        units.leave_out("unreadable file", "unreadable-files", names)
        if not units.slabs:
            if all(_is_target_pixels(table) for table in units.tables) and units.tables:
                return units
            what = "a table, not an image" if units.tables else "no image"
            raise InputError(files[0], f"holds {what}", "give FITS files with images")
        _compare_sums(units)
        _keep_lights(units)
        seconds = [slab.header.exposure_s for slab in units.slabs]
        _keep_commonest(units, seconds, "other exposure", "mixed_exposures")
        keywords = ("FILTER", "FILTERS", "FILTER1", "FILTNAM")
        filters = [(slab.header.string(*keywords) or (None,))[0] for slab in units.slabs]
        _keep_commonest(units, filters, "other filter", "mixed_filters")
        _refuse_mixed(units.slabs)
        _name_contradictions(units)
        return units

    def target_pixels(self) -> tuple[ImageArray, Stamps, Setting | None, dict[str, Setting]]:
        """Lay the images of all targets side by side, one frame a cadence that all of them have.

        Returns the frames, their times, the exposure, and pixel scale and gain.
        """
        targets = [_read(table) for table in self.tables]
        shared = targets[0].cadence[np.isfinite(targets[0].time_d)]
        for target in targets[1:]:
            shared = np.intersect1d(shared, target.cadence[np.isfinite(target.time_d)])
        if shared.size == 0:
            problem = "shares no cadence with the other files"
            raise InputError(self.tables[0].path, problem, "give one run")
        frames = _mosaic(targets, shared)
        first = targets[0]
        rows = np.searchsorted(first.cadence, shared)
        days = first.time_d[rows]
        reference = (first.table.header.number("BJDREFI") or (0.0, ""))[0]
        reference += (first.table.header.number("BJDREFF") or (0.0, ""))[0]
        mjd = float(days[0]) + reference - const.JD_AT_MJD_0 if reference else None
        note = "barycentric times in days, taken as UTC within minutes"
        stamps = Stamps((days - days[0]) * const.DAY_S, mjd, "TIME column", "middle", 1e-2, note)
        return frames, stamps, _exposure(first.table), _facts(first.table)


def _compare_sums(units: Units) -> None:
    """Leave out files whose pixels do not match their DATASUM; where most do not, say so.

    No more than 64 MB are summed, files spread over the sequence. A sum that most files contradict
    was kept by a program that changed the pixels: they are measured, with a note.
    """
    summed = [slab for slab in units.slabs if slab.packing == "plain" and _sum_of(slab) is not None]
    size = sum(_data_bytes(slab) for slab in summed)
    every = max(1, -(-size // const.CHECKED_BYTES))
    looked = [slab for slab in summed[::every] if _data_bytes(slab) <= const.CHECKED_BYTES]
    wrong = [slab for slab in looked if _summed(slab) != _sum_of(slab)]
    if not wrong:
        return
    if 2 * len(wrong) > len(looked):
        units.notes.append(("checksum-differs", {"file": str(wrong[0].where)}))
        return
    why = " (its pixels do not match DATASUM)"
    units.drop(wrong, "unreadable file", "unreadable-files", why)


def _sum_of(slab: Slab) -> int | None:
    text = slab.header.text("DATASUM") if "DATASUM" in slab.header.keys() else ""  # noqa: SIM118
    return int(text) if text.isdecimal() and len(text) <= 10 else None  # noqa: PLR2004


def _data_bytes(slab: Slab) -> int:
    return -(-slab.planes * slab.frame_bytes // const.FITS_BLOCK) * const.FITS_BLOCK


def _summed(slab: Slab) -> int | None:
    """Return the sum of a header unit's data by the rule of the FITS standard 4.0, appendix J."""
    try:
        words = np.fromfile(slab.path, ">u4", _data_bytes(slab) // 4, offset=slab.offset)
    except OSError:
        return None
    total = int(words.sum(dtype=np.uint64))
    while total >> 32:
        total = (total & 0xFFFFFFFF) + (total >> 32)
    return total


def _keep_lights(units: Units) -> None:
    kinds = [slab.header.calibration_kind for slab in units.slabs]
    if kinds and all(kinds):
        units.notes.append(("calibration-frames", {"which": "all", "kind": kinds[0]}))
    else:
        others = [slab for slab, kind in zip(units.slabs, kinds, strict=True) if kind]
        units.drop(others, "calibration frame", "calibration-frames")


def _keep_commonest(units: Units, keys: Sequence[Hashable], reason: str, code: str) -> None:
    """Leave out stacks whose key differs from that of most frames (a long exposure among short)."""
    if len(set(keys)) < 2:  # noqa: PLR2004
        return
    counts: Counter[Hashable] = Counter()
    pairs = list(zip(keys, units.slabs, strict=True))
    for one, slab in pairs:
        counts[one] += slab.planes
    usual = counts.most_common(1)[0][0]
    units.drop([slab for one, slab in pairs if not _alike(one, usual)], reason, code)


def _alike(one: Hashable, usual: Hashable) -> bool:
    if isinstance(one, float) and isinstance(usual, float):
        return max(one, usual) <= const.RUN_SAME_EXPOSURE * min(one, usual)
    return one == usual


def _refuse_mixed(slabs: Iterable[Slab]) -> None:
    first: Slab | None = None
    for slab in slabs:
        first = first or slab
        if slab.shape != first.shape:
            sizes = [f"{one.shape[1]} x {one.shape[0]}" for one in (slab, first)]
            problem = f"frames of {sizes[0]} pixels among frames of {sizes[1]}"
            raise InputError(slab.where, problem, "give frames of one size and binning")
        if slab.stride != first.stride:
            raise InputError(slab.where, "colour among grey frames", "give frames of one kind")
        binning = [one.header.number("XBINNING", "CCDXBIN", "BINX") for one in (slab, first)]
        if binning[0] is not None and binning[1] is not None and binning[0][0] != binning[1][0]:
            problem = f"binning changes from {binning[1][0]:g} to {binning[0][0]:g}"
            raise InputError(slab.where, problem, "give frames of one binning")


def _name_contradictions(units: Units) -> None:
    found: dict[str, str] = {}
    for slab in units.slabs:
        for key in slab.header.contradictions:
            found.setdefault(key, slab.path.name)
    if found:
        few = list(found.items())[: const.NAMES_SHOWN]
        text = ", ".join(f"{key} ({name})" for key, name in few)
        units.notes.append(("duplicate-keywords", {"keywords": text}))
