"""What the record says of the drive: turns covered, periodic error, right ascension, polar axis."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from blursplit.budget.drive_curve import drive_curves
from blursplit.budget.right_ascension import found_direction, read_polar, stated_direction
from blursplit.drive.periods import declared_periods

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from blursplit.budget.drift import DriveTerm
    from blursplit.budget.drive_record import DriveRecord
    from blursplit.estimate import Estimate
    from blursplit.result import PhaseCurve, RightAscension
    from blursplit.rig import Instrument

FEW_TURNS = 2.0  # below, worm and drift trade places


def read_drive(
    instrument: Instrument,
    record: DriveRecord,
    terms: Sequence[DriveTerm],
    rng: np.random.Generator,
    rate_arcsec_s: NDArray[np.float64] | None = None,
) -> tuple[dict[str, Any], list[str]]:
    """Return what goes into the result's tracking, and sentences on it.

    Parameters
    ----------
    instrument : Instrument
        For periods, the kind of mount, guiding and the direction of right ascension.
    record : DriveRecord
    terms : sequence of DriveTerm
    rng : numpy.random.Generator
    rate_arcsec_s : ndarray, shape (n, 2), optional
        Draws of the drift; from the record where there was no split.
    """
    is_equatorial = instrument.get("mount_kind") != "altazimuth"
    ra = stated_direction(instrument) if is_equatorial else None
    angle = None if ra is None else ra.angle_deg.value
    curves = drive_curves(record, terms, rng, angle)
    wanted = instrument.get("mount_kind") == "equatorial" or instrument.get("drive") == "off"
    notes = [_size_note(curve.record) for curve in curves]
    if instrument.get("guide_period_s") and curves:
        notes.append("The run was guided: its periodic error is what the guiding left of it.")
    found: dict[str, Any] = {"phase_curves": [curve.record for curve in curves]}
    if not wanted:
        return found | {"right_ascension": ra}, notes
    if rate_arcsec_s is None:
        rate_arcsec_s = record.draw_rate(terms, rng)
    if ra is None and is_equatorial:
        ra = found_direction(instrument, curves, rate_arcsec_s)
    notes.append(_direction_note(ra))
    polar = read_polar(instrument, ra, rate_arcsec_s, rng)
    if polar is not None:
        found["polar"] = polar[0]
        notes.append(polar[1][0].upper() + polar[1][1:] + ".")
    return found | {"right_ascension": ra}, notes


def turn_notes(instrument: Instrument, terms: Sequence[DriveTerm]) -> list[str]:
    """Return how many turns of each declared period the record covers."""
    if instrument.get("drive") == "off" and _periods(instrument):
        return ["The drive was off: no drive period was sought."]
    notes = []
    for name, term in {term.name: term for term in terms}.items():
        words = f"The record covers {term.turns:.2f} turns of the {name} ({term.period_s:.1f} s)"
        if term.turns < FEW_TURNS:
            words += ": too few to tell its error from drift"
        notes.append(words + ".")
    return notes


def _periods(instrument: Instrument) -> bool:
    return bool(declared_periods(instrument.get("worm_period_s"), instrument.get("wheel_teeth")))


def _size_note(curve: PhaseCurve) -> str:
    size = curve.peak_to_peak_arcsec
    name = f"Periodic error of the {curve.name}"
    if size is None:
        return f"{name}: nothing in this part of the turn limits it."
    if size.value is None:
        return f"{name}: not shown; below {size.high:.2g} arcsec peak to peak (95 %)."
    words = f"{name}: {_plain(size)} arcsec peak to peak (95 %: {_ends(size)})"
    if curve.turns_covered < 1.0:
        words += ", most of the turn being inferred from the bend of the part seen"
    return words + "."


def _plain(size: Estimate) -> str:
    return f"{size.value:.3g}"


def _ends(size: Estimate) -> str:
    return f"{size.low95:.2g} to {size.high95:.2g}"


def _direction_note(ra: RightAscension | None) -> str:
    if ra is None:
        return (
            "Which way right ascension lies in the image is not known, nor does the record show "
            "it: state mount.ra_angle_deg or camera.position_angle_deg, or record the stars "
            "trailing with the drive off."
        )
    angle = ra.angle_deg
    assert angle.low is not None  # noqa: S101 - directions have all ends
    assert angle.high is not None  # noqa: S101
    half = 0.5 * (angle.high - angle.low)
    return (
        f"Right ascension lies along {angle.value:.0f} ± {half:.1f} deg from +x toward +y "
        f"({ra.origin})."
    )
