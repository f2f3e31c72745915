"""Events in words: one row each, the frames they touch, and what would have been seen."""

from __future__ import annotations

from typing import TYPE_CHECKING

from blursplit.report.wording import UNKNOWN, estimate_text, number, setting

if TYPE_CHECKING:
    from blursplit.result import Event, Result

__all__ = ["KEPT", "MOST_EVENTS", "event_row", "event_words"]

MOST_EVENTS = 40
"""Rows of the page's table; the result file has all."""

KINDS = {"shock": "shock", "shocks": "several shocks", "gust": "gust"}

KEPT = (
    "No frame is left out for an event: its motion counts as structure as far as a line explains "
    "it, else with the shared motion of open cause, and it stays in the star images."
)


def event_row(index: int, event: Event) -> dict[str, str]:
    """Return the texts of one event.

    Parameters
    ----------
    index : int
        Its number, from 1, as the figures mark it.
    event : Event
    """
    kind = KINDS[event.kind]
    if event.kind == "shocks":
        kind += f" ({event.onsets} or more)"
    low, high = number(event.frequency_low_hz, 2), number(event.frequency_high_hz, 2)
    return {
        "number": str(index),
        "start": f"{event.start_s:.2f} s",
        "utc": UNKNOWN if event.start_utc is None else event.start_utc.replace("T", " "),
        "duration": f"{number(event.duration_s, 2)} s",
        "kind": kind,
        "peak": estimate_text(event.peak_arcsec, "arcsec"),
        "frequency": f"{number(event.frequency_hz, 2)} Hz ({low} to {high})",
        "frames": str(event.frames),
    }


def event_words(result: Result) -> list[str]:
    """Return what the search says beside its rows, the count first; nothing without a search."""
    search = result.event_search
    if search is None:
        return []
    seen = (
        f"an oscillation of {number(search.smallest_peak_arcsec, 2)} arcsec peak, faster than "
        f"1 Hz and {setting(search.window_s)} s long"
    )
    chance = (
        f"Steady motion passes the threshold in {100 * search.false_alarm_probability:.2g} % of "
        "such records at most."
    )
    if not result.events:
        none = f"No event was found in {search.frames_searched} frames"
        return [f"{none}; {seen}, would have been.", chance]
    share = 100.0 * search.frames_affected / max(search.frames_searched, 1)
    held = 100.0 * search.fast_motion_share
    left = len(result.events) - MOST_EVENTS
    more = [f"{left} more events are in the result file."] if left > 0 else []
    counted = (
        f"{search.frames_affected} of {search.frames_searched} frames ({number(share, 2)} %) lie "
        f"in events; they hold {number(held, 2)} % of the mean square of the shared motion faster "
        "than 1 Hz."
    )
    smallest = f"The smallest event that would be found: {seen}."
    return [counted, smallest, chance, *more, KEPT]
