"""From where on a tap's motion is one free decay.

A second tap while the first still rings, a star that runs out of its window at the start, or a
joint that rubs while it moves far: the whole is then no free decay, and a fit of one is wrong by
many of its own errors. What comes later is free again, so the start moves on until it is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.spectra.ringfit import Ring, fit_rings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

STEPS = (0.5, 1.0, 1.5, 2.0, 2.5)
"""Later starts tried, in decay times of the largest mode; a quarter of the size is left at 1.5."""

SHORTEST_RING_S = 0.3
"""Shorter stretches carry no ring-down."""

DISAGREES = 3.0
"""Standard errors between the two fits."""

SMALLEST_CHANGE = 0.03
"""Of the damping ratio: less is no other motion, however strong the tap."""

STILL_SEEN = 0.3
"""Of the largest mode's size: smaller ones may have gone."""

HARMONIC_OFF = 0.015


def fit_free_decay(
    motion: FloatArray,
    cadence_s: float,
    noise: tuple[FloatArray, FloatArray],
    *,
    lowest_hz: float,
) -> tuple[int, tuple[Ring, ...]]:
    """Fit the decaying modes from the first frame on from which they are free.

    Parameters
    ----------
    motion : ndarray, shape (n, 2)
        From the onset on.
    cadence_s : float
    noise : (frequency_hz, psd)
        One-sided density of the undisturbed motion, one axis.
    lowest_hz : float

    Returns
    -------
    start : int
        First frame of the fit; 0 where all is free, or where nothing is left to judge it by.
    rings : tuple of Ring
        Amplitudes at `start`, largest first.

    Notes
    -----
    A fit of the whole is the sharper one where the model holds, that of a later part is right also
    where it does not: their difference has the variance of the later less that of the whole
    (Hausman 1978, Econometrica 46, 1251, from memory). Compared are frequency and damping ratio of
    the largest late mode.
    """
    whole = fit_rings(motion, cadence_s, noise, lowest_hz=lowest_hz)
    if not whole:
        return 0, whole
    decay_frames = 1.0 / (whole[0].decay_s * cadence_s)
    fits = [(0, whole)]
    for step in STEPS:
        start = round(step * decay_frames)
        if (len(motion) - start) * cadence_s < SHORTEST_RING_S:
            break
        late = fit_rings(motion[start:], cadence_s, noise, lowest_hz=lowest_hz)
        if start > 0 and late:
            fits.append((start, late))
    return next(
        (start, rings)
        for k, (start, rings) in enumerate(fits)
        if k == len(fits) - 1
        or (
            third_harmonic(rings) is None
            and all(_agree(rings, late, (at - start) * cadence_s) for at, late in fits[k + 1 :])
        )
    )


def third_harmonic(rings: tuple[Ring, ...]) -> Ring | None:
    """Return a smaller mode at three times another's frequency, or None.

    Motion whose largest part is cut off has it; that modes of a structure lie so is rare.
    """
    for ring in rings:
        for other in rings:
            ratio = ring.frequency_hz / other.frequency_hz
            if ring.amplitude < other.amplitude and abs(ratio / 3.0 - 1.0) < HARMONIC_OFF:
                return ring
    return None


def _agree(early: tuple[Ring, ...], late: tuple[Ring, ...], later_s: float) -> bool:
    """Return whether the largest late mode is among the early ones, as sharply as they say.

    Where the early modes leave more of like size than the late fit tells apart, nothing is said.
    """
    left = [ring.amplitude * np.exp(-ring.decay_s * later_s) for ring in early]
    if sum(size > STILL_SEEN * max(left) for size in left) > len(late):
        return True
    near = min(early, key=lambda ring: abs(ring.frequency_hz - late[0].frequency_hz))
    frequency = _scatter(near.frequency_sigma, late[0].frequency_sigma)
    damping = max(
        _scatter(near.damping_sigma, late[0].damping_sigma),
        SMALLEST_CHANGE * near.damping_ratio / DISAGREES,
    )
    return bool(
        abs(near.frequency_hz - late[0].frequency_hz) <= DISAGREES * frequency
        and abs(near.damping_ratio - late[0].damping_ratio) <= DISAGREES * damping
    )


def _scatter(sharp: float, rough: float) -> float:
    """Return the standard error of the difference; half the rough one at least."""
    return float(np.sqrt(max(rough**2 - sharp**2, (0.5 * rough) ** 2)))
