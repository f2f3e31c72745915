"""A rolling shutter that nobody stated: one delay from row to row in every line, on both axes."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.evidence.rolling_rows import find_row_delay
from blursplit.motion.common import GridData, GridSegment
from blursplit.spectra import LineSearch

CADENCE, N, STARS = 0.02, 3000, 6
RNG = np.random.default_rng(5)
X, Y = RNG.uniform(20, 460, (2, STARS))
ROW_S = 20e-6


def ringing(frequency_hz: float, delay_s: Any, seed: int, phase: float = 0.0) -> Any:
    """Return a mode of damping 0.01 and rms 1 seen so much later, shape (n, stars)."""
    rng = np.random.default_rng(seed)
    f = np.fft.rfftfreq(N, CADENCE)
    gain = 1.0 / (frequency_hz**2 - f**2 + 2j * 0.01 * frequency_hz * f)
    wave = gain * (rng.normal(size=f.size) + 1j * rng.normal(size=f.size))
    turn = np.exp(2j * np.pi * np.outer(f, np.broadcast_to(delay_s, STARS)) + 1j * phase)
    seen = np.fft.irfft(wave[:, None] * turn, n=N, axis=0)
    return seen / seen[:, 0].std()


def field(x: Any, y: Any, noise: float = 0.1, seed: int = 3, **known: Any) -> tuple[Any, ...]:
    """Return grid, tracks and lines of a field that moves so, each star with noise of its own."""
    both = np.concatenate([x, y], axis=1)
    both = both + noise * np.random.default_rng(seed).normal(size=both.shape)
    shared = np.stack([both[:, :STARS].mean(axis=1), both[:, STARS:].mean(axis=1)], axis=1)
    piece = GridSegment(0.0, shared, both, np.ones(N, bool), np.arange(N))
    zero = np.zeros(STARS)
    grid = GridData((piece,), np.arange(STARS), X, Y, zero, 0.0, CADENCE, 0.01, **known)
    tracks = SimpleNamespace(x_px=X[None], y_px=Y[None])
    return grid, tracks, LineSearch.of(grid.time_s, shared, cadence_s=CADENCE).lines


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize(("sign", "order"), [(1, "first-row-first"), (-1, "last-row-first")])
def test_one_mode_on_both_axes_tells_the_time_from_row_to_row(
    seed: int, sign: int, order: str
) -> None:
    moved = ringing(7.0, sign * ROW_S * Y, seed)
    (check,) = find_row_delay(*field(moved, 0.6 * moved, seed=seed))
    assert (check.code, check.severity) == ("rows-delayed", "doubt")
    assert check.facts["row_order"] == order
    # phases of 0.25 rad between the stars against noise of a hundredth of a line's bin
    assert_allclose(check.facts["row_time_us"], 20.0, rtol=0.1)
    assert check.facts["low_us"] < 20.0 < check.facts["high_us"]
    assert_allclose(check.facts["frequency_hz"], 7.0, rtol=0.02)


def test_two_modes_of_one_axis_each_agree() -> None:
    x, y = ringing(4.0, ROW_S * Y, 1), ringing(11.0, ROW_S * Y, 2)
    (check,) = find_row_delay(*field(x, y))
    assert check.facts["low_us"] < 20.0 < check.facts["high_us"]


def test_rows_that_are_read_at_once_are_not_accused() -> None:
    moved = ringing(7.0, 0.0, 1)
    assert find_row_delay(*field(moved, 0.6 * moved)) == ()


def test_a_row_time_that_is_stated_is_not_asked_for() -> None:
    moved = ringing(7.0, ROW_S * Y, 1)
    assert find_row_delay(*field(moved, 0.6 * moved, row_time_s=ROW_S * Y)) == ()


def test_a_delay_along_the_columns_is_no_shutter() -> None:
    """Air that drifts sideways looks so."""
    moved = ringing(7.0, ROW_S * X, 1)
    assert find_row_delay(*field(moved, 0.6 * moved)) == ()


def test_a_field_that_turns_out_of_step_with_its_shift_is_no_shutter() -> None:
    """On x the rows lag, on y the columns do the other way."""
    moved, turned = ringing(7.0, 0.0, 1), ringing(7.0, 0.0, 1, phase=np.pi / 2)
    x, y = moved - 1e-3 * turned * (Y - Y.mean()), 0.6 * moved + 1e-3 * turned * (X - X.mean())
    assert find_row_delay(*field(x, y)) == ()


def test_one_axis_alone_does_not_decide() -> None:
    moved = ringing(7.0, ROW_S * Y, 1)
    assert find_row_delay(*field(moved, 0.0 * moved)) == ()


def test_without_lines_or_a_grid_nothing_is_said() -> None:
    grid, tracks, _ = field(np.zeros((N, STARS)), np.zeros((N, STARS)))
    assert find_row_delay(grid, tracks, ()) == find_row_delay(None, tracks, ()) == ()
