"""Fast lines under a rolling shutter: found, identified, and sized, though the mean loses them."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.budget.line_search import _search_lines
from blursplit.evidence.rolling_rows import _zones_to_search
from blursplit.motion.common import GridData, GridSegment
from blursplit.rig import Rig, Setup

RATE, N, STARS = 60.0, 1800, 8
EXPOSURE_S = 0.005
FINE = 40


@pytest.fixture(scope="module")
def scenes():
    """Return the module of motion scenes, loaded from benchmarks/."""
    path = Path(__file__).parents[2] / "benchmarks" / "motion_scenes.py"
    spec = importlib.util.spec_from_file_location("motion_scenes_of_zones", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _air(scenes, rng, n, rms, wind_m_s, outer_scale_m):
    return scenes.air(
        n,
        RATE,
        rng,
        wind_m_s=wind_m_s,
        outer_scale_m=outer_scale_m,
        aperture_m=0.2,
        gradient=False,
        rms=rms,
    )


def _grid(scenes, seed, rms):
    """Eight stars on 480 rows, 25 us apart, at 60 frames/s; a mode of 44 Hz, shared and own air."""
    rng = np.random.default_rng(seed)
    rows = np.sort(rng.uniform(10, 470, STARS)) * 25e-6
    times = np.arange(N) / RATE
    mode = rms * scenes.damped_mode(N + 4, RATE, 44.0, 0.015, rng, oversampling=FINE)
    # 5 ms of exposure are 12 steps of 1/2400 s
    mode = np.convolve(mode, np.ones(12) / 12, "same")
    fine = np.arange(mode.size) / (FINE * RATE)
    air = _air(scenes, rng, N + 8, 0.4, 8.0, 25.0)
    at = (np.arange(N + 8) - 4) / RATE
    seen = np.stack([np.interp(times + row, fine, mode) for row in rows], axis=1)
    parts = []
    for axis, share in enumerate((0.8, 0.6)):
        shared = np.stack([np.interp(times + row, at, air[:, axis]) for row in rows], axis=1)
        own = np.stack([_air(scenes, rng, N, 0.08, 12.0, 10.0)[:, axis] for _ in rows], axis=1)
        parts.append(shared + share * seen + own + 0.02 * rng.normal(size=own.shape))
    mean = np.stack([part.mean(axis=1) for part in parts], axis=1)
    piece = GridSegment(
        0.0, mean, np.concatenate(parts, axis=1), np.ones(N, bool), np.arange(N, dtype=np.int64)
    )
    white = 2 * 0.02**2 / RATE
    nothing = np.zeros(STARS)
    grid = GridData(
        (piece,),
        np.arange(STARS),
        nothing,
        nothing,
        nothing + white,
        white / STARS,
        1 / RATE,
        EXPOSURE_S,
        rows,
    )
    return grid.rows_aligned()


def _lines(grid):
    instrument = Rig.of_setup(
        Setup.model_validate({"camera": {"row_order": "first-row-first"}})
    ).with_header({})
    return _search_lines(grid, SimpleNamespace(timing="regular"), instrument, None)[1]


@pytest.mark.parametrize("seed", [100, 101, 103])
def test_weak_fast_line_is_found_identified_and_sized(scenes, seed):
    """0.15 arcsec at 44 Hz; the mean over the rows keeps an eighth of its power.

    Of twelve such scenes the plain mean finds three, the zones all twelve.
    """
    found = _lines(_grid(scenes, seed, 0.15))
    line = min(found, key=lambda each: abs(each.fit.frequency_hz - 16.0))
    assert_allclose(line.alias.best_hz, 44.0, atol=0.5)
    assert line.alias.is_decided
    told = line.to_result(exposure_s=EXPOSURE_S, in_arcsec=True, rng=np.random.default_rng(0))
    # 0.15 is the process: 30 s of this mode hold 60 correlation times, 9 % of its rms
    assert_allclose(told.rms_arcsec.value, 0.15, rtol=0.3)


def test_air_alone_shows_no_line_in_any_zone(scenes):
    """Six scenes without a mode; at 2 % each, one false line has a chance of 1 in 9."""
    assert sum(len(_lines(_grid(scenes, 200 + seed, 0.0))) for seed in range(6)) <= 1


def test_zones_are_searched_only_where_rows_spread_them(scenes):
    """Half a millisecond of rows leaves the mean nearly whole; one star has no rows to compare."""
    grid = _grid(scenes, 1, 0.1)
    assert _zones_to_search(grid) == [(1, -1), (1, 1), (2, -1), (2, 1)]
    close = GridData(**{**vars(grid), "row_time_s": 0.04 * grid.row_time_s})
    assert _zones_to_search(close) == []
    assert _zones_to_search(GridData(**{**vars(grid), "row_time_s": None})) == []
