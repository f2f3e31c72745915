"""From a tree of files to sequences: one cheap look at each header, then sort and split."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Any

from blursplit import constants as const
from blursplit.errors import InputError
from blursplit.frames.facts import read_facts
from blursplit.frames.header import Header
from blursplit.frames.layout import Slab, is_fits_name, natural_key, read_layout

NOT_SCIENCE = ("master", "focus")  # nor calibration frames
TIME_KEYS = ("DATE-AVG", "DATE-OBS", "DATE-BEG")


@dataclass(frozen=True, slots=True)
class _FileFacts:
    """What grouping needs to know of a file."""

    path: str
    digest: str  # of its size, its header and three samples of its data: the same for a copy
    # Object, telescope, instrument, filter, exposure, binning, size, frames in the file.
    group: tuple[str, ...]
    frames: int  # frames in the file
    time_s: float | None  # start as seconds since 1970 (UTC as the header says it)
    # (name, value) each: conditions: airmass, altitude_deg, azimuth_deg, pier_side, wind_m_s,
    # temperature_c, longitude_deg; absent where the header is silent.
    facts: tuple[tuple[str, float | str], ...] = ()


@dataclass(frozen=True)
class Group:
    """One sequence: files in order, and what their headers say of it."""

    key: str  # digest of the contents of all files: a moved or renamed sequence keeps its key
    files: tuple[_FileFacts, ...]
    facts: dict[str, float | str | None] = field(default_factory=dict)

    @property
    def paths(self) -> list[str]:
        """Paths in the order of the sequence."""
        return [f.path for f in self.files]

    @property
    def frames(self) -> int:
        """Frames in all files."""
        return sum(f.frames for f in self.files)


@dataclass(frozen=True)
class _Walk:
    """What a tree holds."""

    groups: tuple[Group, ...]
    # (path, reason) each: FITS files that could not be read.
    refused: tuple[tuple[str, str], ...]
    skipped: dict[str, int]  # reason -> number of files that are no exposures of the sky, or copies


def walk(
    folder: Path, gap_s: float | None = None, progress: Callable[[int], None] | None = None
) -> _Walk:
    """Find every sequence under a folder.

    `folder`: read only; symbolic links to folders are not followed, so that no file counts twice.
    `gap_s`: a longer pause starts a new sequence; default: 60 s or ten times the usual interval,
    whichever is longer. `progress`: called with the number of files seen.
    """
    if not folder.is_dir():
        raise InputError(folder, "is not a folder", "name the folder that holds the archive")
    seen: dict[str, _FileFacts] = {}
    refused: list[tuple[str, str]] = []
    skipped: dict[str, int] = {}
    for count, path in enumerate(_fits_files(folder), start=1):
        if progress is not None:
            progress(count)
        try:
            facts = _look_at(path)
        except InputError as error:
            refused.append((str(path), f"{error.problem}; {error.remedy}"))
            continue
        if isinstance(facts, str):
            skipped[facts] = skipped.get(facts, 0) + 1
        elif facts.digest in seen:
            skipped["copy of another file"] = skipped.get("copy of another file", 0) + 1
        else:
            seen[facts.digest] = facts
    groups = tuple(_sequences(list(seen.values()), gap_s))
    return _Walk(groups, tuple(refused), skipped)


def _fits_files(folder: Path) -> Iterator[Path]:
    def complain(error: OSError) -> None:
        if Path(error.filename or "") == folder:
            raise InputError(folder, "cannot be listed", f"check its rights ({error.strerror})")

    entered: set[str] = set()  # links are followed, a circle of them once
    for here, folders, names in os.walk(folder, onerror=complain, followlinks=True):
        real = os.path.realpath(here)
        if real in entered:
            folders.clear()
            continue
        entered.add(real)
        folders.sort(key=natural_key)
        # Results of an earlier measurement hold FITS files, but no exposures.
        if "result.json" in names:
            folders.clear()
            continue
        for name in sorted(names, key=natural_key):
            path = Path(here, name)
            if is_fits_name(path):
                yield path


def _look_at(path: Path) -> _FileFacts | str:
    """Read a file's headers and samples of its data; a text says why it is no exposure."""
    layout = read_layout(path)
    if not layout.slabs:
        return "no image in it"
    slab = layout.slabs[0]
    header = slab.header
    kind = header.image_kind
    if header.calibration_kind is not None or any(word in kind for word in NOT_SCIENCE):
        return f"calibration frame ({kind})"
    frames = sum(s.planes for s in layout.slabs)
    return _FileFacts(
        path=str(path),
        digest=_digest(path, slab),
        group=_group_key(slab, frames),
        frames=frames,
        time_s=_start(header),
        facts=tuple(_conditions(header).items()),
    )


def _digest(path: Path, slab: Slab) -> str:
    size = path.stat().st_size
    digest = hashlib.blake2b(str(size).encode(), digest_size=20)
    with path.open("rb") as file:
        # Head, middle and tail hold header cards and pixels; photon noise makes each frame's
        # samples its own even where a writer repeats the header.
        digest.update(file.read(max(slab.offset, const.FITS_BLOCK)))
        for start in (size // 3, size // 2, max(size - const.FITS_BLOCK - const.SAMPLE_BYTES, 0)):
            file.seek(start)
            digest.update(file.read(const.SAMPLE_BYTES))
    return digest.hexdigest()


def _group_key(slab: Slab, frames: int) -> tuple[str, ...]:
    header = slab.header
    exposure = header.number("XPOSURE", "EXPTIME", "EXPOSURE")
    binning = header.number("XBINNING", "BINNING") or header.string("CCDSUM")
    # A cube is a sequence of its own; single frames join those of their kind.
    cube = str(slab.path) if frames > 1 else ""
    return (
        _text(header, "OBJECT").casefold(),
        _text(header, "TELESCOP").casefold(),
        _text(header, "INSTRUME", "CAMERA").casefold(),
        _text(header, "FILTER", "FILTER1").casefold(),
        f"{exposure[0]:.4g}" if exposure else "",
        str(binning[0]) if binning else "",
        f"{slab.shape[1]}x{slab.shape[0]}",
        cube,
    )


def _text(header: Header, *keys: str) -> str:
    found = header.string(*keys)
    return found[0] if found else ""


# Modified and whole Julian date of 1 January 1970, and keywords that hold such dates.
_DAYS_OF_1970: tuple[Any, ...] = (
    (40_587.0, "MJD-AVG", "MJD-BEG", "MJD-OBS"),
    (2_440_587.5, "JD_UTC", "JD-OBS", "JD", "JULIAN"),
)


def _start(header: Header) -> float | None:
    for key in TIME_KEYS:
        text = header.text(key)
        if not text:
            continue
        if "T" not in text:
            clock = header.text("TIME-OBS") or header.text("UT") or header.text("UTSTART")
            text = f"{text}T{clock}" if clock else text
        stamp = _iso_seconds(text)
        if stamp is not None:
            return stamp
    for zero, *keys in _DAYS_OF_1970:
        found = header.number(*keys)
        if found is not None:
            return float((found[0] - zero) * const.DAY_S)
    return None


def _iso_seconds(text: str) -> float | None:
    try:
        moment = datetime.fromisoformat(text.rstrip("Zz"))
    except ValueError:
        return None
    return moment.replace(tzinfo=moment.tzinfo or UTC).timestamp()


# Condition of a sequence, as the store names it -> fact of a header.
_CONDITIONS = {
    "airmass": "airmass",
    "altitude_deg": "altitude_deg",
    "azimuth_deg": "azimuth_deg",
    "wind_m_s": "wind_speed_m_s",
    "temperature_c": "ambient_temperature_c",
    "longitude_deg": "longitude_deg",
    "exposure_s": "exposure_s",
    "object": "object",
    "telescope": "telescope_name",
    "instrument": "camera_name",
    "filter": "filter",
}


def _conditions(header: Header) -> dict[str, float | str]:
    known = read_facts(header)
    exposure = header.exposure
    if exposure is not None:
        known["exposure_s"] = exposure
    found = {name: known[fact].value for name, fact in _CONDITIONS.items() if fact in known}
    side = str(known["pier_side"].value).lower() if "pier_side" in known else ""
    if side in {"east", "west", "e", "w"}:
        found["pier_side"] = "east" if side.startswith("e") else "west"
    return found


def _sequences(files: list[_FileFacts], gap_s: float | None) -> Iterator[Group]:
    kinds: dict[tuple[str, ...], list[_FileFacts]] = {}
    for item in files:
        # Without a time nothing but the folder tells which frames belong together.
        place = "" if item.time_s is not None else str(Path(item.path).parent)
        kinds.setdefault((*item.group, place), []).append(item)
    for _, members in sorted(kinds.items()):
        if members[0].time_s is None:
            yield _group(sorted(members, key=lambda f: natural_key(f.path)))
            continue
        members.sort(key=lambda f: (f.time_s or 0.0, natural_key(f.path)))
        for part in _split(members, gap_s):
            yield _group(part)


def _split(members: list[_FileFacts], gap_s: float | None) -> Iterator[list[_FileFacts]]:
    times = [f.time_s or 0.0 for f in members]
    steps = [b - a for a, b in pairwise(times)]
    usual = median([s for s in steps if s > 0] or [0.0])
    exposure = max(float(dict(members[0].facts).get("exposure_s", 0.0)), 0.0)
    longest = max(const.SEQUENCE_GAP_S, const.SEQUENCE_GAP_INTERVALS * usual)
    longest = max(longest if gap_s is None else gap_s, 2.0 * exposure)
    start = 0
    for index, step in enumerate(steps, start=1):
        if step > longest:
            yield members[start:index]
            start = index
    yield members[start:]


def _group(members: list[_FileFacts]) -> Group:
    digest = hashlib.blake2b(digest_size=16)
    for item in members:
        digest.update(item.digest.encode())
    return Group(digest.hexdigest(), tuple(members), _summary(members))


def _summary(members: list[_FileFacts]) -> dict[str, float | str | None]:
    all_facts = [dict(f.facts) for f in members]
    summary: dict[str, float | str | None] = {}
    for name in list(_CONDITIONS)[:7]:  # the numbers
        values = [f[name] for f in all_facts if isinstance(f.get(name), float | int)]
        summary[name] = float(median(values)) if values else None  # type: ignore[type-var]
    for name in ("object", "telescope", "instrument", "filter", "pier_side"):
        texts = {str(f[name]) for f in all_facts if f.get(name)}
        summary[name] = texts.pop() if len(texts) == 1 else ("mixed" if texts else None)
    first = members[0].time_s
    summary["start_utc"] = _iso(first)
    summary["end_utc"] = _iso(members[-1].time_s)
    summary["night"] = _night(first, summary["longitude_deg"])
    return summary


def _iso(time_s: float | None) -> str | None:
    if time_s is None:
        return None
    return datetime.fromtimestamp(time_s, UTC).isoformat(timespec="milliseconds")[:-6]


def _night(time_s: float | None, longitude_deg: float | str | None) -> str | None:
    """Return the date on which the night began: local noon to noon, UTC where no site is known."""
    if time_s is None:
        return None
    east = longitude_deg if isinstance(longitude_deg, float) else 0.0
    moment = datetime.fromtimestamp(time_s, UTC) + timedelta(hours=east / 15.0 - 12.0)
    return moment.date().isoformat()
