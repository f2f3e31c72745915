"""What the account looks at: all stars as they are, or one star through a mask."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from blursplit.budget.mask_route import MaskFailure, MaskReading, read_mask
from blursplit.motion import fit_common_motion, pair_statistics

if TYPE_CHECKING:
    from blursplit.budget.facts import Facts
    from blursplit.budget.focus_runs import FocusSeries
    from blursplit.motion import CommonMotion, PairStatistics
    from blursplit.rig import Instrument
    from blursplit.stars.tracks import StarTracks

ABOVE_THE_AIR = "target-pixels"  # note of the frames room


@dataclass(frozen=True)
class View:
    """Tracks and facts that the account is drawn up from.

    Parameters
    ----------
    tracks : StarTracks
        Behind a mask: one star, which moves as the mean of its two images.
    images : StarTracks
        The tracks with stamps, image by image; their widths are measured on these.
    motion : CommonMotion
    pairs : PairStatistics
    facts : Facts
        Behind a mask: with the optics of one opening.
    mask : MaskReading or None
    barred : (code, text) or None
        Why nothing may be said of the air.
    focus : FocusSeries or None
        Runs at other focus positions.
    second : StarTracks or None
        Frames of the run at another rate.
    """

    tracks: StarTracks
    images: StarTracks
    motion: CommonMotion
    pairs: PairStatistics
    facts: Facts
    mask: MaskReading | None = None
    barred: tuple[str, str] | None = None
    focus: FocusSeries | None = None
    second: StarTracks | None = None


def view_of(
    tracks: StarTracks,
    instrument: Instrument,
    facts: Facts,
    motion: CommonMotion,
    pairs: PairStatistics,
) -> View:
    """Return what the account is to look at.

    Parameters
    ----------
    tracks : StarTracks
    instrument : Instrument
    facts : Facts
    motion : CommonMotion
    pairs : PairStatistics
    """
    whole = View(tracks, tracks, motion, pairs, facts)
    if any(code == ABOVE_THE_AIR for code, _ in tracks.notes):
        text = (
            "a telescope in space sees no air: what its stars do differently is pointing, focus "
            "and the pixels, so nothing is said of an atmosphere"
        )
        return replace(whole, facts=replace(facts, optics=None), barred=("above-the-air", text))
    reading = read_mask(tracks, instrument, facts)
    if reading is None:
        return whole
    if isinstance(reading, MaskFailure):
        barred = (reading.code, reading.text)
        return replace(whole, facts=replace(facts, optics=None), barred=barred)
    merged = reading.tracks
    shared = fit_common_motion(merged)
    none = pair_statistics(
        merged, reference_x_px=shared.reference_x_px, reference_y_px=shared.reference_y_px
    )
    return View(merged, tracks, shared, none, reading.facts, mask=reading)
