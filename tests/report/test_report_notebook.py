"""Notebook display: an HTML fragment, and tables with units."""

from __future__ import annotations

import sys
import types

import astropy.units as u
import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.report.notebook import budget_table, lines_table, register_display, result_html
from blursplit.result import CONTRIBUTIONS, Result


def test_fragment_is_escaped_and_needs_nothing(cases):
    text = result_html(cases["hostile"].result)
    assert "<script" not in text
    assert "<style" not in text
    assert "&lt;script&gt;" in text
    assert "2.51 arcsec" in text
    assert "< 0.35" not in text  # the sign is escaped


def test_every_result_displays(case):
    assert result_html(case.result).strip().startswith("<div")


def test_budget_table_has_units_and_all_ends_of_the_intervals(full):
    table = budget_table(full.result)
    assert list(table["contribution"]) == list(CONTRIBUTIONS)
    structure = table[list(CONTRIBUTIONS).index("structure")]
    assert structure["fwhm"].unit == u.arcsec
    assert_allclose(structure["fwhm"].to_value(u.mas), 1670.0)
    assert_allclose(structure["share_high95"].value, 0.57)


def test_upper_limit_is_nan_with_its_limit_as_high_end(full):
    row = budget_table(full.result)[list(CONTRIBUTIONS).index("unassigned")]
    assert np.isnan(row["fwhm"])
    assert_allclose(row["fwhm_high"].to_value(u.arcsec), 0.35)


def test_lines_table_has_units(full):
    table = lines_table(full.result)
    assert table["frequency"].unit == u.Hz
    assert table["rms"].unit == u.arcsec
    assert_allclose(table["frequency"].value, [8.31, 19.7])
    assert np.isnan(table["damping_ratio"][1])


def test_lines_without_a_pixel_scale_are_in_pixels(cases):
    table = lines_table(cases["px-only"].result)
    assert table["rms"].unit == u.pix
    assert_allclose(table["rms"].value, [0.8])


@pytest.mark.parametrize("name", ["empty", "undecided"])
def test_no_lines_give_an_empty_table(name, cases):
    assert len(lines_table(cases[name].result)) == 0


def test_display_is_registered_with_a_running_notebook(monkeypatch, full):
    known = {}
    formatter = types.SimpleNamespace(for_type=known.__setitem__)
    shell = types.SimpleNamespace(
        display_formatter=types.SimpleNamespace(formatters={"text/html": formatter})
    )
    module = types.ModuleType("IPython")
    module.get_ipython = lambda: shell
    monkeypatch.setitem(sys.modules, "IPython", module)
    assert register_display()
    assert "2.51 arcsec" in known[Result](full.result)


def test_outside_a_notebook_nothing_is_registered(monkeypatch):
    monkeypatch.delitem(sys.modules, "IPython", raising=False)
    assert not register_display()
