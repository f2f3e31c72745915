"""Follow the stars of a field through all frames of a sequence."""

from __future__ import annotations

from typing import TYPE_CHECKING

from blursplit.stars.assemble import assemble_tracks
from blursplit.stars.centroid import CENTROID_METHODS
from blursplit.stars.detect import find_stars
from blursplit.stars.journey import Journey

if TYPE_CHECKING:
    from collections.abc import Callable

    from blursplit.frames import Sequence
    from blursplit.stars.centroid import CentroidMethod
    from blursplit.stars.tracks import StarTracks


def follow_stars(
    sequence: Sequence,
    *,
    centroid: CentroidMethod = "windowed",
    max_stars: int = 60,
    max_stamps: int = 3,
    progress: Callable[[int, int], None] | None = None,
) -> StarTracks:
    """Follow every star of a sequence: positions, noise, flux and shape, frame by frame.

    Parameters
    ----------
    sequence : Sequence
    centroid : {"windowed", "com", "quadratic", "2dg"}
        How positions are measured; fluxes, shapes and noise always come from the window.
    max_stars : int
        Follow at most so many.
    max_stamps : int
        Keep the stamps of at most so many bright, isolated stars.
    progress : callable, optional
        Called with (frames done, frames in all).

    Returns
    -------
    StarTracks
        Samples that were lost are NaN and not `good`; frames in which no star was found are
        left out and counted in `dropped`.

    Raises
    ------
    TooFewStarsError
        When no star is found, or none can be followed.
    InputError
        When all stars are saturated.
    ValueError
        For an unknown centroid method.
    """
    if centroid not in CENTROID_METHODS:
        msg = f"centroid method {centroid!r} is none of {', '.join(CENTROID_METHODS)}"
        raise ValueError(msg)
    field = find_stars(sequence, max_stars)
    journey = Journey(sequence, field, method=centroid, max_stamps=max_stamps)
    done = 0
    while done < sequence.source.n_frames:
        done = journey.advance(done)
        if progress is not None:
            progress(done, sequence.source.n_frames)
    return assemble_tracks(sequence, field, journey)
