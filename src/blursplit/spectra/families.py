"""Lines that are whole multiples of one frequency."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

HIGHEST_HARMONIC = 12
LARGEST_CHANCE = 0.05
"""A match that pure accident would bring more often than this does not make a family."""

SIGMAS = 2.5


@dataclass(frozen=True)
class Family:
    """A fundamental and its harmonics.

    Parameters
    ----------
    fundamental_hz : float
        Weighted over the members.
    members : tuple of int
        Indices of the lines.
    harmonics : tuple of int
        Their multiples of the fundamental.
    chance : float
        Probability that lines placed at random would match as well.
    """

    fundamental_hz: float
    members: tuple[int, ...]
    harmonics: tuple[int, ...]
    chance: float


def group_harmonics(frequency_hz: FloatArray, sigma_hz: FloatArray) -> tuple[Family, ...]:
    """Group lines whose frequencies are whole multiples of the lowest of them.

    Parameters
    ----------
    frequency_hz, sigma_hz : ndarray, shape (l,)
        Frequencies and standard errors. The fundamental must be among them.

    Returns
    -------
    tuple of Family
        Each line belongs to one family at most; the least accidental family is taken first.
    """
    left = set(range(frequency_hz.size))
    families: list[Family] = []
    while True:
        found = [_family_of(k, frequency_hz, sigma_hz, left) for k in sorted(left)]
        proper = [f for f in found if f is not None and f.chance <= LARGEST_CHANCE]
        if not proper:
            return tuple(families)
        best = min(proper, key=lambda family: family.chance)
        families.append(best)
        left -= set(best.members)


def _family_of(
    base: int, frequency: FloatArray, sigma: FloatArray, left: set[int]
) -> Family | None:
    members, harmonics, chance = [base], [1], 1.0
    for other in sorted(left - {base}):
        multiple = round(float(frequency[other] / frequency[base]))
        if not 2 <= multiple <= HIGHEST_HARMONIC:  # noqa: PLR2004
            continue
        reach = SIGMAS * float(np.hypot(sigma[other], multiple * sigma[base]))
        if abs(frequency[other] - multiple * frequency[base]) <= reach:
            members.append(other)
            harmonics.append(multiple)
            # a line at random falls this near to some multiple with this probability
            chance *= min(1.0, 2.0 * reach / float(frequency[base]))
    if len(members) == 1:
        return None
    trials = max(1, len(left) - 1)
    weights = (np.array(harmonics) / sigma[members]) ** 2
    values = frequency[members] / np.array(harmonics)
    return Family(
        float(np.sum(weights * values) / weights.sum()),
        tuple(members),
        tuple(harmonics),
        min(1.0, chance * trials),
    )
