"""The focus curve on the page: what it says, and that it is absent without focus runs."""

from __future__ import annotations

import numpy as np

from blursplit import result as record
from blursplit.report.evidence import evidence_sections
from blursplit.report.figures import Plots
from blursplit.series import Series


def estimate(value, error):
    return record.Estimate(
        value=value,
        low=value - error,
        high=value + error,
        low95=value - 2 * error,
        high95=value + 2 * error,
    )


POSITION = np.array([12080.0, 11920.0, 11960.0, 12000.0, 12040.0])
WIDTH = np.array([1.1, 1.2, 0.9, 0.8, 0.9])
GRID = np.linspace(11900.0, 12100.0, 41)
CURVE = np.hypot(0.8, 0.01 * (GRID - 12003.0))
ARRAYS = {
    "focus_position": POSITION,
    "focus_fwhm_arcsec": WIDTH,
    "focus_fwhm_low_arcsec": WIDTH - 0.05,
    "focus_fwhm_high_arcsec": WIDTH + 0.05,
    "focus_curve_position": GRID,
    "focus_curve_low_arcsec": CURVE - 0.02,
    "focus_curve_arcsec": CURVE,
    "focus_curve_high_arcsec": CURVE + 0.02,
}


def result_with(focus):
    return record.Result(
        sequence=record.SequenceInfo(files=1, frames=100, frames_used=100, stars_used=4),
        instrument=record.InstrumentPart(
            defocus_arcsec=estimate(0.6, 0.05),
            astigmatism_arcsec=record.Estimate(value=None, low=0.0, high=0.1, high95=0.1),
            focus=focus,
        ),
    )


FOCUS = record.Focus(
    used_position=12080.0,
    best_position=estimate(12003.0, 4.0),
    rest_fwhm_arcsec=estimate(0.8, 0.02),
    slope_arcsec=estimate(0.0052, 0.0002),
    predicted_slope_arcsec=0.0056,
)


def test_the_section_says_best_focus_and_defocus_with_their_intervals():
    sections, _ = evidence_sections(result_with(FOCUS), Series(ARRAYS))
    (section,) = [one for one in sections if one.name == "focus"]
    assert "12003 (11999 to 12007)" in section.text
    assert "0.60 arcsec (0.55 to 0.65)" in section.text
    assert "astigmatism: < 0.10" in section.text
    assert section.pictures[0].svg.startswith("<svg")


def test_there_is_no_section_without_focus_runs():
    for focus, arrays in ((None, ARRAYS), (FOCUS, {})):
        sections, missing = evidence_sections(result_with(focus), Series(arrays))
        assert "focus" not in [section.name for section in sections]
        assert "focus positions" not in missing  # nobody brought such runs, and nobody misses them


def test_the_figure_shows_every_run_once_and_the_measured_one_filled():
    figure = Plots(result_with(FOCUS), Series(ARRAYS)).focus()
    (axes,) = figure.axes
    drawn = [
        (line.get_xdata(), line.get_markerfacecolor())
        for line in axes.get_lines()
        if line.get_marker() == "o"
    ]
    assert sorted(np.concatenate([x for x, _ in drawn])) == sorted(POSITION)
    assert len({str(face) for _, face in drawn}) == 2
