"""All evidence in the order of the page."""

from __future__ import annotations

from typing import TYPE_CHECKING

from blursplit.report import figures as draw
from blursplit.report.air_sections import (
    exposure_section,
    otf_section,
    pairs_section,
    shape_section,
)
from blursplit.report.by_time_section import by_time_section
from blursplit.report.focus_section import focus_section
from blursplit.report.motion_sections import (
    ellipses_section,
    motion_section,
    periodic_section,
    spectrum_section,
)

if TYPE_CHECKING:
    from blursplit.report.sections import Section
    from blursplit.result import Result
    from blursplit.series import Series

__all__ = ["evidence_sections"]

_ALL = {
    "motion of pairs of stars": pairs_section,
    "transfer function of the registered star": otf_section,
    "several focus positions": focus_section,
    "spectrum and coherence": spectrum_section,
    "motion over time": motion_section,
    "density by time and frequency": by_time_section,
    "direction of the motion by cause": ellipses_section,
    "periodic error": periodic_section,
    "width against exposure time": exposure_section,
    "shared elongation": shape_section,
}


def evidence_sections(result: Result, series: Series) -> tuple[list[Section], list[str]]:
    """Return the pieces of evidence that the data allow, and the names of those they do not."""
    with draw.figure_style():
        made = {name: build(result, series) for name, build in _ALL.items()}
    missing = [name for name, section in made.items() if section is None]
    return [section for section in made.values() if section is not None], missing
