"""Pier resonances, and naming the cause of a line.

`build_pier` and `analyse_pier` predict the modes of a declared pier, `name_lines` compares lines
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
    from blursplit.mechanics.pier import build_pier, pier_modes, tilt_per_load
    from blursplit.mechanics.pier_report import PierReport, analyse_pier
    from blursplit.mechanics.pier_setup import PierSetup, read_pier
    from blursplit.mechanics.what_if import WhatIfRow, what_if

__all__ = [
    "Cause",
    "LineFacts",
    "PierReport",
    "PierSetup",
    "WhatIfRow",
    "analyse_pier",
    "build_pier",
    "is_steady",
    "list_causes",
    "name_causes",
    "name_lines",
    "pier_modes",
    "read_pier",
    "tilt_per_load",
    "what_if",
]

_HOMES = {
    "causes": ("Cause", "LineFacts", "is_steady", "list_causes", "name_causes", "name_lines"),
    "pier": ("build_pier", "pier_modes", "tilt_per_load"),
    "pier_report": ("PierReport", "analyse_pier"),
    "pier_setup": ("PierSetup", "read_pier"),
    "what_if": ("WhatIfRow", "what_if"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    """Import a public name from its file when it is first used, so that start-up stays quick."""
    if name not in _HOME_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"{__name__}.{_HOME_OF[name]}"), name)
