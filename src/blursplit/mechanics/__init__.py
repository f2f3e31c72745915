"""Drive periods, and naming the cause of a line.

`draw_periodic_error` draws the error of a known period from a record, `name_lines` compares lines
with everything declared.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from blursplit.mechanics.causes import (
        Cause,
        LineFacts,
        is_steady,
        list_causes,
        name_causes,
        name_lines,
    )
    from blursplit.mechanics.folding import bin_errors, bin_means, phase_bins
    from blursplit.mechanics.guide import GuideLoop, find_guide_loop, residual_gain
    from blursplit.mechanics.periodic_error import (
        PeriodicError,
        PeriodView,
        draw_periodic_error,
        harmonic_columns,
        view_period,
    )
    from blursplit.mechanics.periods import DrivePeriod, declared_periods, worm_period_s
    from blursplit.mechanics.polar import (
        PolarReading,
        ra_axis_from_position_angle,
        read_polar_axis,
    )

__all__ = [
    "Cause",
    "DrivePeriod",
    "GuideLoop",
    "LineFacts",
    "PeriodView",
    "PeriodicError",
    "PolarReading",
    "bin_errors",
    "bin_means",
    "declared_periods",
    "draw_periodic_error",
    "find_guide_loop",
    "harmonic_columns",
    "is_steady",
    "list_causes",
    "name_causes",
    "name_lines",
    "phase_bins",
    "ra_axis_from_position_angle",
    "read_polar_axis",
    "residual_gain",
    "view_period",
    "worm_period_s",
]

_HOMES = {
    "causes": ("Cause", "LineFacts", "is_steady", "list_causes", "name_causes", "name_lines"),
    "folding": ("bin_errors", "bin_means", "phase_bins"),
    "guide": ("GuideLoop", "find_guide_loop", "residual_gain"),
    "periodic_error": (
        "PeriodView",
        "PeriodicError",
        "draw_periodic_error",
        "harmonic_columns",
        "view_period",
    ),
    "periods": ("DrivePeriod", "declared_periods", "worm_period_s"),
    "polar": ("PolarReading", "ra_axis_from_position_angle", "read_polar_axis"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    """Import a public name from its file when it is first used, so that start-up stays quick."""
    if name not in _HOME_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"{__name__}.{_HOME_OF[name]}"), name)
