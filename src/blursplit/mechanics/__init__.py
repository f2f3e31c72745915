"""Drive periods, pier resonances, and naming the cause of a line.

`fit_drive` reads drift and periodic error from the shared motion, `build_pier` and `analyse_pier`
predict the modes of a declared pier, `name_lines` compares lines with everything declared.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from blursplit.mechanics.causes import (
        Cause,
        LineFacts,
        list_causes,
        name_causes,
        name_lines,
    )
    from blursplit.mechanics.drive import fit_drive
    from blursplit.mechanics.drive_records import DriveFit, DriveTerm, Rate
    from blursplit.mechanics.guide import GuideLoop, find_guide_loop, residual_gain
    from blursplit.mechanics.periods import (
        DrivePeriod,
        declared_periods,
        recognise_teeth,
        worm_period_s,
    )
    from blursplit.mechanics.phase_curve import PhaseCurve, fold_on_period
    from blursplit.mechanics.pier import build_pier, pier_modes, tilt_per_load
    from blursplit.mechanics.pier_report import PierReport, analyse_pier
    from blursplit.mechanics.pier_setup import PierSetup, read_pier
    from blursplit.mechanics.polar import (
        PolarReading,
        RaDirection,
        ra_axis_from_position_angle,
        read_polar_axis,
    )
    from blursplit.mechanics.what_if import WhatIfRow, what_if

__all__ = [
    "Cause",
    "DriveFit",
    "DrivePeriod",
    "DriveTerm",
    "GuideLoop",
    "LineFacts",
    "PhaseCurve",
    "PierReport",
    "PierSetup",
    "PolarReading",
    "RaDirection",
    "Rate",
    "WhatIfRow",
    "analyse_pier",
    "build_pier",
    "declared_periods",
    "find_guide_loop",
    "fit_drive",
    "fold_on_period",
    "list_causes",
    "name_causes",
    "name_lines",
    "pier_modes",
    "ra_axis_from_position_angle",
    "read_pier",
    "read_polar_axis",
    "recognise_teeth",
    "residual_gain",
    "tilt_per_load",
    "what_if",
    "worm_period_s",
]

_HOMES = {
    "causes": ("Cause", "LineFacts", "list_causes", "name_causes", "name_lines"),
    "drive": ("fit_drive",),
    "drive_records": ("DriveFit", "DriveTerm", "Rate"),
    "guide": ("GuideLoop", "find_guide_loop", "residual_gain"),
    "periods": ("DrivePeriod", "declared_periods", "recognise_teeth", "worm_period_s"),
    "phase_curve": ("PhaseCurve", "fold_on_period"),
    "pier": ("build_pier", "pier_modes", "tilt_per_load"),
    "pier_report": ("PierReport", "analyse_pier"),
    "pier_setup": ("PierSetup", "read_pier"),
    "polar": ("PolarReading", "RaDirection", "ra_axis_from_position_angle", "read_polar_axis"),
    "what_if": ("WhatIfRow", "what_if"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    """Import a public name from its file when it is first used, so that start-up stays quick."""
    if name not in _HOME_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"{__name__}.{_HOME_OF[name]}"), name)
