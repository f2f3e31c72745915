"""Pixel levels found in the data: saturation, the step of the digits, blank frames."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from blursplit.frames.source import FrameSource

SAMPLES = 8
SAMPLED_PIXELS = 20_000  # of a frame: their median has 1 % of the scatter as error
PILED_PIXELS = 3
FULL_SHARE = 0.9  # of the pixels at the top: nothing is left to measure
# Full scales of 8 to 16 bits, also of 12 and 14 bits shifted left to fill 16.
_BITS = ((8, 0), (10, 0), (10, 6), (12, 0), (12, 4), (14, 0), (14, 2), (16, 0))
_FULL_SCALES = frozenset(float((2**bits - 1) << shift) for bits, shift in _BITS)


@dataclass(frozen=True)
class Levels:
    """What a few frames spread over the sequence show.

    Parameters
    ----------
    lowest_adu, median_adu, highest_adu : float
    saturation_adu : float or None
        Level at which pixels pile up, None where they do not.
    step_adu : int
        Common divisor of all values above the lowest (16 for 12-bit data shifted left); 0 where
        they are not whole numbers.
    bad_share : float
        Share of pixels that are NaN or infinite.
    """

    lowest_adu: float
    median_adu: float
    highest_adu: float
    saturation_adu: float | None
    step_adu: int
    bad_share: float


def find_levels(source: FrameSource, name: str, frames: Iterable[int] | None = None) -> Levels:
    """Look at a few frames for saturation and blankness.

    Parameters
    ----------
    source : FrameSource
        Before calibration, so that levels are those of the converter.
    name : str
        For messages.
    frames : iterable of int, optional
        Which ones; 8 spread over the sequence by default.

    Raises
    ------
    InputError
        When all pixels are equal, bad, or nearly all saturated.

    Notes
    -----
    A level counts as saturation when at least 3 pixels of a frame stand exactly at its maximum,
    the same in other frames, and either it is a full scale of 8 to 16 bits, or more pixels stand
    there than in the ten percent below.
    """
    chosen = frames
    if chosen is None:
        chosen = np.unique(np.linspace(0, source.n_frames - 1, SAMPLES).astype(int)).tolist()
    images = [source.read(number, number + 1)[0] for number in chosen]
    good = [image[np.isfinite(image)] for image in images]
    bad_share = 1 - sum(part.size for part in good) / sum(image.size for image in images)
    good = [part for part in good if part.size]
    failures = getattr(source, "failures", {})
    if not good and failures:
        raise InputError(name, f"cannot be read ({next(iter(failures.values()))})", "copy it again")
    if not good:
        raise InputError(
            name,
            "no pixel holds a usable number (all NaN, infinite or beyond 1e15)",
            "write it anew",
        )
    if len(images) > 2 and all(np.array_equal(images[0], image) for image in images[1:]):  # noqa: PLR2004
        raise InputError(
            name, "all its frames are the same picture", "give frames one after another"
        )
    lowest = float(min(part.min() for part in good))
    highest = float(max(part.max() for part in good))
    if lowest == highest:
        raise InputError(
            name, f"all pixels have the same value {lowest:g}", "check exposure and camera"
        )
    top = [int(np.count_nonzero(part == highest)) for part in good]
    if sum(top) > FULL_SHARE * sum(part.size for part in good):
        share = 100 * sum(top) / sum(part.size for part in good)
        raise InputError(
            name, f"{share:.0f} % of the pixels are saturated at {highest:g}", "expose less"
        )
    return Levels(
        lowest,
        float(np.median([np.median(_sample(part)) for part in good])),
        highest,
        highest if _is_piled(good, highest, top) else None,
        _step(good, lowest),
        float(bad_share),
    )


def _is_piled(parts: list[NDArray[np.float32]], highest: float, top: list[int]) -> bool:
    if max(top) < PILED_PIXELS:
        return highest in _FULL_SCALES and sum(count > 0 for count in top) > len(top) / 2
    if highest in _FULL_SCALES:
        return True
    below = sum(int(np.count_nonzero((p > 0.9 * highest) & (p < highest))) for p in parts)
    return sum(top) > below and sum(count > 0 for count in top) > 1


def _sample(pixels: NDArray[np.float32]) -> NDArray[np.float32]:
    return pixels[:: max(1, pixels.size // SAMPLED_PIXELS)]


def _step(parts: list[NDArray[np.float32]], lowest: float) -> int:
    values = np.concatenate([_sample(part) for part in parts]) - lowest
    if not np.all(values == np.rint(values)):
        return 0
    return max(int(np.gcd.reduce(values.astype(np.int64))), 1)
