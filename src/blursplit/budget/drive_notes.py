"""What the record says of drive and polar axis, in words: turns covered, declination drift."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.mechanics.periods import declared_periods

if TYPE_CHECKING:
    from blursplit.budget.drift import DriftDraws
    from blursplit.instrument import Instrument

FEW_TURNS = 2.0  # below, worm and drift trade places


def drive_notes(instrument: Instrument, drift: DriftDraws, length_s: float) -> list[str]:
    """Return sentences on declared periods and the polar axis.

    Parameters
    ----------
    instrument : Instrument
        For periods, the kind of mount, guiding and the direction of right ascension.
    drift : DriftDraws
    length_s : float
        Length of the record.
    """
    notes = []
    periods = declared_periods(instrument.get("worm_period_s"), instrument.get("wheel_teeth"))
    for period in periods:
        turns = length_s / period.period_s
        words = (
            f"The record covers {turns:.2f} turns of the {period.name} ({period.period_s:.1f} s)"
        )
        if turns < FEW_TURNS:
            words += ": too few to tell its error from drift"
        notes.append(words + ".")
    polar = _polar(instrument, drift)
    if polar is not None:
        notes.append(polar[0].upper() + polar[1:] + ".")
    return notes


def _polar(instrument: Instrument, drift: DriftDraws) -> str | None:
    """Read the polar axis off the drift across right ascension, where that direction is known."""
    if instrument.get("mount_kind") != "equatorial" or instrument.get("guide_period_s"):
        return None
    angle = _ra_angle_deg(instrument)
    if angle is None:
        return None
    from blursplit.mechanics.polar import read_polar_axis

    turn = np.radians(angle)
    across = -drift.rate_arcsec_s[:, 0] * np.sin(turn) + drift.rate_arcsec_s[:, 1] * np.cos(turn)
    rate = 60.0 * across
    return read_polar_axis(float(np.median(rate)), float(np.std(rate))).text


def _ra_angle_deg(instrument: Instrument) -> float | None:
    declared = instrument.get("ra_angle_deg")
    if declared is not None:
        return float(declared)
    position = instrument.get("position_angle_deg")
    if position is None:
        return None
    # East is at position angle 90; +y at `position`: see `Facts.position_angle_deg`.
    turn = 90.0 - float(position)
    return (90.0 - turn if instrument.get("flip") else 90.0 + turn) % 180.0
