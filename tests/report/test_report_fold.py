"""The drive's curve folded on its period."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.report.figures.motion import fold


@pytest.mark.parametrize("turns", [1.0, 1.3, 2.5])
def test_line_beside_few_turns_takes_nothing_of_the_curve(turns):
    period_s = 40.0
    time_s = np.arange(0.0, turns * period_s, 0.1)
    drift = 0.05 * time_s
    phase, mean, _ = fold(time_s, drift + 1.5 * np.sin(2 * np.pi * time_s / period_s), period_s)
    # the mean of a sine over a bin of 1/24 turn is 0.3 % below its middle
    assert_allclose(mean, 1.5 * np.sin(2 * np.pi * phase), atol=0.02)


def test_less_than_a_turn_leaves_the_rest_open():
    time_s = np.arange(0.0, 30.0, 0.1)
    _, mean, _ = fold(time_s, np.sin(2 * np.pi * time_s / 90.0), 90.0)
    assert_allclose(np.isfinite(mean).mean(), 1 / 3, atol=1 / 24)
