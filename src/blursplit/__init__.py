"""How much of a star's width is atmosphere, tracking, structure and instrument.

The names below are the public interface; everything is imported when it is first asked for, so
that ``import blursplit`` costs nothing. Arrays and records carry the unit in the name
(``rms_arcsec``); the conversions of the air take and return astropy quantities.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from blursplit.campaign import Store, archive, compare, judge, plan, read_limits
    from blursplit.errors import BlursplitError, InputError, OutputError
    from blursplit.estimate import Estimate
    from blursplit.folder import Measurement, read_result, read_result_folder, write_result_folder
    from blursplit.frames import open_frames
    from blursplit.frames.inspection import inspect_sequence
    from blursplit.measure import measure as measure_sequence
    from blursplit.pier.report import analyse_pier
    from blursplit.pier.setup import read_pier
    from blursplit.report import render_page
    from blursplit.report.notebook import budget_table, lines_table
    from blursplit.result import Result
    from blursplit.rig import Rig, Setup, read_setup
    from blursplit.simulate import Scene, read_scene, write_sequence
    from blursplit.spectra.tap_result import measure_taps
    from blursplit.turbulence.conversions import (
        image_motion,
        long_exposure_fwhm,
        r0_at,
        r0_from_seeing,
        seeing_from_r0,
    )

__all__ = [
    "BlursplitError",
    "Estimate",
    "InputError",
    "Measurement",
    "OutputError",
    "Result",
    "Rig",
    "Scene",
    "Setup",
    "Store",
    "analyse_pier",
    "archive",
    "budget_table",
    "compare",
    "image_motion",
    "inspect_sequence",
    "judge",
    "lines_table",
    "long_exposure_fwhm",
    "measure_sequence",
    "measure_taps",
    "open_frames",
    "plan",
    "r0_at",
    "r0_from_seeing",
    "read_limits",
    "read_pier",
    "read_result",
    "read_result_folder",
    "read_scene",
    "read_setup",
    "render_page",
    "seeing_from_r0",
    "write_result_folder",
    "write_sequence",
]

# Name -> module that holds it.
_HOMES: dict[str, str] = {
    name: module
    for module, names in {
        "turbulence.conversions": (
            "image_motion",
            "long_exposure_fwhm",
            "r0_at",
            "r0_from_seeing",
            "seeing_from_r0",
        ),
        "campaign.accept": ("judge",),
        "campaign.archive": ("archive",),
        "campaign.compare": ("compare",),
        "campaign.limits": ("read_limits",),
        "campaign.plan": ("plan",),
        "campaign.store": ("Store",),
        "errors": ("BlursplitError", "InputError", "OutputError"),
        "folder": ("Measurement", "read_result", "read_result_folder", "write_result_folder"),
        "frames.inspection": ("inspect_sequence",),
        "frames.sequence": ("open_frames",),
        "rig": ("Rig", "Setup", "read_setup"),
        "measure": ("measure_sequence",),
        "pier.report": ("analyse_pier",),
        "pier.setup": ("read_pier",),
        "report.notebook": ("budget_table", "lines_table"),
        "report.page": ("render_page",),
        "estimate": ("Estimate",),
        "result": ("Result",),
        "simulate.scene": ("Scene", "read_scene"),
        "simulate.write": ("write_sequence",),
        "spectra.tap_result": ("measure_taps",),
    }.items()
    for name in names
}
# A function that bore the name of its module would be hidden by it after the first import.
_OWN_NAMES = {"measure_sequence": "measure"}


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from importlib.metadata import version

        return version("blursplit")
    if name not in _HOMES:
        msg = f"module 'blursplit' has no attribute {name!r}"
        raise AttributeError(msg)
    return getattr(import_module(f"blursplit.{_HOMES[name]}"), _OWN_NAMES.get(name, name))


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
