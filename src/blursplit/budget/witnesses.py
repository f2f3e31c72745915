"""Sensors beside the frames: what of the shared motion they own is taken out before the fit.

The coherent path is subtracted from the motion that the fit sees and given back to every history
as its owner's; a line that a sensor explains is reported, and no part of the fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np

from blursplit import constants as const
from blursplit.budget.lines import FoundLine
from blursplit.budget.record import Lines, Motion
from blursplit.errors import InputError
from blursplit.evidence.guest import Guest, Record
from blursplit.evidence.sensor import CLAIMS, Claim, SensorEvidence, explain_shared_motion
from blursplit.evidence.sensor_record import SensorRecord
from blursplit.motion.grid import GridData
from blursplit.result import Remark, Witness
from blursplit.stars.tracks import StarTracks
from blursplit.types import FloatArray


@dataclass(frozen=True)
class Weighed(Guest):
    """What the witnesses leave, and what they own: a guest that brings their part of the result."""

    motion: Motion  # without the coherent paths
    lines: Lines  # without the lines that a sensor explains
    # (path, sigma) by owner: on the grid of all segments, with the error of its rms
    # along x and y [arcsec].
    owned: dict[str, tuple[FloatArray, FloatArray]] = field(default_factory=dict)
    witnesses: tuple[Witness, ...] = ()
    said: tuple[Remark, ...] = ()
    # (sensor, owner) by the line's frequency: what a sensor on the column goes with.
    explained: dict[float, tuple[str, Claim]] = field(default_factory=dict)
    curves: dict[str, FloatArray] = field(default_factory=dict)  # for the page

    @property
    def known_paths(self) -> dict[str, tuple[FloatArray, FloatArray]]:
        """Return what it owns of the motion."""
        return self.owned

    def named(self, lines: Lines) -> Lines:
        """Return the lines as found, those that a sensor explains with their cause."""
        found = []
        for line in lines.found:
            known = self.explained.get(line.fit.frequency_hz)
            if known is not None:
                sensor, owner = known
                cause = f"coherent with {sensor}"
                line = replace(line, cause=cause, cause_odds={cause: 1.0}, owner=owner)  # noqa: PLW2901
            found.append(line)
        return replace(lines, found=tuple(found))

    def parts(self, parts: dict[str, Any]) -> dict[str, Any]:
        """Return the parts of the result with the witnesses."""
        return {**parts, "witnesses": list(self.witnesses)}

    def arrays(self, record: Record) -> dict[str, FloatArray]:
        """Return a coherent sensor's curves."""
        del record
        return self.curves

    def remarks(self) -> tuple[Remark, ...]:
        """Return what is to be said of them."""
        return self.said


def weigh_sensors(
    record: Record, motion: Motion, lines: Lines, sensors: Sequence[SensorRecord], seed: int
) -> Weighed:
    """Find what each sensor explains of the motion that those before it left.

    Raises InputError when a sensor does not overlap with the frames.
    """
    out = Weighed(motion, lines)
    for sensor in sensors:
        name = sensor.source.rsplit("/", maxsplit=1)[-1]
        if out.motion.quiet is None or record.facts.scale_arcsec is None:
            remark = Remark(code="sensor-not-used", facts={"name": name})
            out = replace(out, said=(*out.said, remark))
            continue
        out = _weigh(record, out, sensor, name, seed)
    return out


def _weigh(record: Record, so_far: Weighed, sensor: SensorRecord, name: str, seed: int) -> Weighed:
    grid = so_far.motion.quiet
    assert grid is not None  # noqa: S101 - the caller looked
    time_s, shared = grid.time_s, grid.shared_arcsec
    real = np.concatenate([segment.real for segment in grid.segments])
    placed = sensor.placed(start_of(record.tracks), float(time_s[-1]))
    remarks = [Remark(code=code, facts={"name": name, **facts}) for code, facts in placed.remarks]
    owner = CLAIMS[sensor.kind]
    if owner is None:
        remarks.append(Remark(code="sensor-proves-nothing", facts={"name": name}))
        witness = Witness(kind=sensor.kind, name=name, used=False)
        return replace(
            so_far,
            witnesses=(*so_far.witnesses, witness),
            said=(*so_far.said, *remarks),
        )
    try:
        found = explain_shared_motion(
            time_s[real], shared[real], grid.exposure_s, placed, seed=seed
        )
    except ValueError as error:
        raise InputError(sensor.source, str(error), "give the record of the whole run") from error
    best = max(found.rms_arcsec, key=lambda rms: (rms.value or 0.0, rms.high or 0.0))
    seen = found.frequency_hz[np.any(found.seen, axis=1)]
    blind = found.blind_band_hz
    witness = Witness(
        kind=sensor.kind,
        name=name,
        offset_s=found.offset_s,
        coherent_rms_arcsec=None if best.high is None else best,
        band_hz=(float(seen.min()), float(seen.max())) if seen.size else None,
        blind_band_hz=blind[0] if blind else None,
        used=found.coherent,
    )
    code = "sensor-coherent" if found.coherent else "sensor-incoherent"
    if best.high is None:
        code = "sensor-blind"
    facts = {"name": name, "rms_arcsec": best.high}
    if best.value is not None:
        facts = {"name": name, "rms_arcsec": best.value, "low": best.low, "high": best.high}
    out = replace(
        so_far,
        witnesses=(*so_far.witnesses, witness),
        said=(*so_far.said, *remarks, Remark(code=code, facts=facts)),
    )
    return _taken(out, found, owner, real, name) if found.coherent else out


def start_of(tracks: StarTracks) -> datetime | None:
    """Return the zero of the tracks' times, None where it is not known."""
    text = tracks.start_utc
    if text is None:
        return None
    moment = datetime.fromisoformat(text)
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def _taken(
    so_far: Weighed, found: SensorEvidence, owner: Claim, real: np.ndarray, name: str
) -> Weighed:
    """Return what is left without the path, which the owner gets."""
    path = np.zeros((real.size, 2))
    path[real] = np.nan_to_num(found.path_arcsec)
    motion = so_far.motion
    left = replace(
        motion,
        grid=None if motion.grid is None else _without(motion.grid, path),
        quiet=None if motion.quiet is None else _without(motion.quiet, path),
    )
    sigma = np.array(
        [
            0.0 if rms.high is None or rms.low is None else 0.5 * (rms.high - rms.low)
            for rms in found.rms_arcsec
        ]
    )
    before = so_far.owned.get(owner)
    if before is not None:
        path, sigma = path + before[0], np.hypot(sigma, before[1])
    kept = tuple(line for line in so_far.lines.found if not _explains(found, line))
    explained = {
        line.fit.frequency_hz: (name, owner)
        for line in so_far.lines.found
        if _explains(found, line)
    }
    return replace(
        so_far,
        motion=left,
        lines=replace(so_far.lines, found=kept),
        owned={**so_far.owned, owner: (path, sigma)},
        explained=so_far.explained | explained,
        curves={
            "sensor_frequency_hz": found.frequency_hz,
            "sensor_motion_psd_arcsec2_hz": found.motion.sum(axis=1),
            "sensor_explained_psd_arcsec2_hz": found.explained.sum(axis=1),
            "sensor_coherence": found.coherence.mean(axis=1),
            "sensor_sees": np.any(found.seen, axis=1).astype(np.float64),
        },
    )


def _explains(found: SensorEvidence, line: FoundLine) -> bool:
    at = int(np.argmin(np.abs(found.frequency_hz - line.fit.frequency_hz)))
    return bool(found.coherence[at].max() > const.COHERENT_LINE)


def _without(grid: GridData, path: FloatArray) -> GridData:
    segments, first = [], 0
    for segment in grid.segments:
        part = path[first : first + len(segment.real)]
        first += len(segment.real)
        n_stars = segment.stars_arcsec.shape[1] // 2
        each = np.repeat(part, n_stars, axis=1)
        as_read = segment.as_read_arcsec
        segments.append(
            replace(
                segment,
                shared_arcsec=segment.shared_arcsec - part,
                stars_arcsec=segment.stars_arcsec - each,
                as_read_arcsec=None if as_read is None else as_read - each,
            )
        )
    return replace(grid, segments=tuple(segments))
