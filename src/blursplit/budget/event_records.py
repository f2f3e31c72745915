"""Events of the shared motion as records of the result, and the view by time and frequency."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from blursplit.estimate import Estimate
from blursplit.result import Event, EventSearch

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.motion.grid import GridData
    from blursplit.spectra import MotionEvent

    FloatArray = NDArray[np.float64]

SIGMAS_95 = 1.96


def find_shared_events(
    grid: GridData, start_utc: str | None
) -> tuple[list[Event], EventSearch | None]:
    """Find events in each stretch of the shared motion.

    Parameters
    ----------
    grid : GridData
        In arcsec, drive terms removed.
    start_utc : str or None
        ISO time at which the grid's times are zero.

    Returns
    -------
    list of Event
    EventSearch
        Its smallest peak is that of the least sensitive stretch.
    """
    from blursplit.constants import EVENT_FALSE_ALARM as FALSE_ALARM
    from blursplit.spectra import find_events

    searches = [
        find_events(
            segment.start_s + np.arange(len(segment.real), dtype=np.float64) * grid.cadence_s,
            segment.shared_arcsec,
            grid.cadence_s,
            real=segment.real,
            # the longer a stretch, the larger its part of what may go wrong in the record
            false_alarm=FALSE_ALARM * len(segment.real) * grid.cadence_s / grid.duration_s,
        )
        for segment in grid.segments
    ]
    events = [_record(event, start_utc) for search in searches for event in search.events]
    energy = sum(search.energy for search in searches)
    affected = sum(search.energy_affected for search in searches)
    return events, EventSearch(
        frames_searched=sum(int(segment.real.sum()) for segment in grid.segments),
        frames_affected=sum(int(search.affected.sum()) for search in searches),
        fast_motion_share=affected / energy if energy > 0 else 0.0,
        smallest_peak_arcsec=max(search.smallest_peak for search in searches),
        window_s=searches[0].window_s,
        false_alarm_probability=FALSE_ALARM,
    )


def _record(event: MotionEvent, start_utc: str | None) -> Event:
    error = event.peak_error
    return Event(
        start_s=event.start_s,
        start_utc=_later(start_utc, event.start_s),
        duration_s=event.duration_s,
        frames=event.frames,
        kind=event.kind,
        onsets=event.onsets,
        peak_arcsec=Estimate(
            value=event.peak,
            low=max(event.peak - error, 0.0),
            high=event.peak + error,
            low95=max(event.peak - SIGMAS_95 * error, 0.0),
            high95=event.peak + SIGMAS_95 * error,
        ),
        frequency_hz=event.frequency_hz,
        frequency_low_hz=event.low_hz,
        frequency_high_hz=event.high_hz,
    )


def _later(start_utc: str | None, seconds: float) -> str | None:
    """Return an ISO time so much later, to the hundredth of a second."""
    if start_utc is None:
        return None
    moment = datetime.fromisoformat(start_utc)
    if moment.tzinfo is not None:
        moment = moment.astimezone(UTC).replace(tzinfo=None)
    # rounded, not cut: 5 ms up
    moment += timedelta(seconds=seconds, milliseconds=5)
    return moment.isoformat(timespec="milliseconds")[:-1]


def time_frequency_arrays(grid: GridData) -> dict[str, FloatArray]:
    """Return the shared motion's density by time and frequency; empty for too short a record.

    Parameters
    ----------
    grid : GridData
        In arcsec.
    """
    from blursplit.spectra import time_frequency

    times = [s.start_s + np.arange(len(s.real)) * grid.cadence_s for s in grid.segments]
    number = [np.full(len(s.real), k) for k, s in enumerate(grid.segments)]
    try:
        view = time_frequency(
            np.concatenate(times),
            np.concatenate([s.shared_arcsec for s in grid.segments]),
            grid.cadence_s,
            segment=np.concatenate(number),
            real=np.concatenate([s.real for s in grid.segments]),
        )
    except ValueError:
        return {}
    return {
        "time_edge_s": view.time_edge_s,
        "frequency_edge_hz": view.frequency_edge_hz,
        "common_psd_by_time_arcsec2_hz": view.psd,
    }
