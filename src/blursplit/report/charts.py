"""Data of the interactive charts: a spectrum and time series, as what the page's script draws."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.plain import plain
from blursplit.report.figures._canvas import block_means, decimate
from blursplit.report.figures.motion import shared_density

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from blursplit.result import Result
    from blursplit.series import Series

__all__ = ["charts_of"]

MOST_POINTS = 6000


def _rounded(values: ArrayLike, digits: int = 5) -> list[float | None]:
    """Return numbers short enough to embed; what is not finite becomes None."""
    return [
        float(f"{value:.{digits - 1}e}") if np.isfinite(value) else None
        for value in np.asarray(values, dtype=float)
    ]


def _band(series: Series, name: str, colour: str) -> dict[str, Any]:
    """Return the 68 % band of a density, averaged over stretches; empty without one."""
    ends = [series.arrays.get(f"{name}_psd_{end}_arcsec2_hz") for end in ("low", "high")]
    frequency = series.arrays["frequency_hz"]
    low, high = ends
    if low is None or high is None:
        return {"colour": colour, "x": [], "low": [], "high": []}
    good = (frequency > 0) & (low > 0) & (high > 0)
    columns = block_means([frequency[good], low[good], high[good]], 300, logarithmic=True)
    x, bottom, top = (_rounded(column, 4) for column in columns)
    return {"colour": colour, "x": x, "low": bottom, "high": top}


def _spectrum(result: Result, series: Series) -> dict[str, Any] | None:
    frequency, total = series.arrays.get("frequency_hz"), shared_density(series)
    if frequency is None or total is None:
        return None
    inside = np.flatnonzero(frequency > 0)
    if not np.any(total[inside] > 0):
        return None
    if inside.size > MOST_POINTS:
        # Above this length only a peak's neighbours matter: keep the highest of each stretch.
        edges = np.unique(np.geomspace(1, inside.size, MOST_POINTS).astype(int))
        peaks = [a + int(np.argmax(total[inside[a:b]])) for a, b in itertools.pairwise(edges)]
        inside = inside[[0, *peaks]]
    curves: list[tuple[str, Any, str, list[int]]] = [
        ("shared by all stars", total, "recorded", []),
        ("air's part of it", series.arrays.get("air_psd_arcsec2_hz"), "atmosphere", [8, 3]),
        (
            "one star against the others",
            series.arrays.get("differential_psd_arcsec2_hz"),
            "instrument",
            [4, 2],
        ),
        ("noise", series.arrays.get("noise_psd_arcsec2_hz"), "muted", [2, 3]),
    ]
    return {
        "id": "spectrum",
        "logarithmic": True,
        "x": {"label": "frequency", "unit": "Hz", "values": _rounded(frequency[inside])},
        "y": {"label": "density, both axes", "unit": "arcsec²/Hz"},
        "series": [
            {
                "label": label,
                "colour": colour,
                "dash": dash,
                "values": _rounded(np.where(values[inside] > 0, values[inside], np.nan)),
            }
            for label, values, colour, dash in curves
            if values is not None
        ],
        "marks": [
            {"x": line.frequency_hz.value, "label": f"{index}: {plain(line.cause)}"}
            for index, line in enumerate(result.lines, start=1)
            if line.frequency_hz.value is not None
        ],
        "spans": [],
        "bands": [
            _band(series, "common", "recorded"),
            _band(series, "air", "atmosphere"),
        ],
    }


def _times(result: Result, series: Series, axis: str) -> dict[str, Any] | None:
    time_s, common = series.arrays.get("time_s"), series.arrays.get(f"common_{axis}_arcsec")
    if time_s is None or common is None or not np.isfinite(common).any():
        return None
    kept = np.arange(time_s.size)
    if time_s.size > MOST_POINTS:
        kept = np.asarray(decimate(kept, common, MOST_POINTS)[0], dtype=int)
    curves: list[tuple[str, Any, str, list[int]]] = [
        ("shared motion", common, "quiet", []),
        ("structure", series.arrays.get(f"structure_{axis}_arcsec"), "structure", []),
        ("tracking", series.arrays.get(f"tracking_{axis}_arcsec"), "tracking", [6, 3]),
    ]
    return {
        "id": f"motion-{axis}",
        "logarithmic": False,
        "x": {"label": "time", "unit": "s", "values": _rounded(time_s[kept], 7)},
        "y": {"label": f"shift along {axis}", "unit": "arcsec"},
        "series": [
            {"label": label, "colour": colour, "dash": dash, "values": _rounded(values[kept], 4)}
            for label, values, colour, dash in curves
            if values is not None
        ],
        "marks": [],
        "bands": [],
        "spans": [[event.start_s, event.start_s + event.duration_s] for event in result.events],
    }


def charts_of(result: Result, series: Series) -> list[dict[str, Any]]:
    """Return the charts that the page's script draws in place of the still figures.

    Returns
    -------
    list of dict
        JSON-ready; each with ``id`` (that of the still figure it replaces), ``x``, ``y`` and
        ``series`` with labels and units. At most some thousand points each, peaks kept.
    """
    found = [_spectrum(result, series), _times(result, series, "x"), _times(result, series, "y")]
    return [chart for chart in found if chart is not None]
