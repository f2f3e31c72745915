"""Linear fits under noise of unknown colour."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.drive.terms import _averaged, _blocks, _fit_in_red_noise

LOOSE = np.full((2, 2), 1e4)


def coloured(rng, n, step_s, kind):
    """Return two series of unit rms with the slopes of air or of slow currents."""
    longer = 4 * n
    f = np.fft.rfftfreq(longer, step_s)
    f[0] = f[1]
    density = {
        "white": np.ones_like(f),
        # Tilt of frozen air: flat below V/L0 = 0.1 Hz, -2/3 up to a knee at 3 Hz, then -11/3.
        "air": (f**2 + 0.1**2) ** (-1 / 3) * (1 + (f / 3.0) ** 2) ** -1.5,
        "slow": 1.0 / (f**2 + 0.03**2),
    }[kind]
    density /= density.sum() * f[1]
    noise = rng.standard_normal((2, f.size)) + 1j * rng.standard_normal((2, f.size))
    return np.fft.irfft(noise * longer * np.sqrt(density * f[1]) / 2.0, n=longer, axis=1)[:, :n]


def line(time_s):
    return np.stack([np.ones_like(time_s), time_s - time_s.mean()], axis=1)


def test_noise_generator_has_unit_rms():
    rng = np.random.default_rng(0)
    # Mean square of 40 draws of 400 s: slow noise of 5 s correlation has 40 independent pieces
    # each, so the mean square is known to sqrt(2/(40*2*40)) = 2.5 %; 4 sigmas.
    for kind in ("white", "air", "slow"):
        square = np.mean([np.mean(coloured(rng, 800, 0.5, kind) ** 2) for _ in range(40)])
        assert_allclose(square, 1.0, atol=0.10)


def test_exact_line_comes_back():
    time_s = np.arange(0.0, 60.0, 0.5)
    values = line(time_s) @ np.array([[3.0, -1.0], [0.2, 0.05]])
    fit = _fit_in_red_noise(time_s, values, line(time_s), LOOSE)
    assert_allclose(fit.mean, [[3.0, 0.2], [-1.0, 0.05]], atol=1e-6)


def test_white_noise_gives_the_ordinary_error():
    rng = np.random.default_rng(1)
    time_s = np.arange(0.0, 64.0, 0.5)
    found = [
        _fit_in_red_noise(time_s, rng.standard_normal((128, 2)), line(time_s), LOOSE).covariance
        for _ in range(20)
    ]
    slope = np.sqrt(np.mean([c[:, 1, 1] for c in found]))
    plain = 1.0 / np.sqrt(np.sum((time_s - time_s.mean()) ** 2))
    # Noise that may be a little red makes it wider, at most by half; the level itself is known
    # to 1/sqrt(2 x 128 x 40) = 1 %.
    assert 0.97 < slope / plain < 1.5


def test_blocks_do_not_cross_parts():
    time_s = np.arange(300.0)
    segment = np.repeat([0, 1, 2], [100, 37, 163])
    blocks = _blocks(time_s, segment, 50)
    assert all(len(np.unique(segment[rows])) == 1 for rows in blocks)
    assert sorted(np.concatenate(blocks)) == list(range(300))
    assert np.all(np.diff(_averaged(blocks, time_s)) > 0)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["white", "air", "slow"])
def test_slope_lies_inside_its_interval(kind):
    rng = np.random.default_rng(11)
    time_s = np.arange(0.0, 60.0, 0.05)
    blocks = _blocks(time_s, np.zeros(len(time_s), dtype=np.intp), 128)
    middle_s, design = _averaged(blocks, time_s), _averaged(blocks, line(time_s))
    pull = []
    for _ in range(40):
        values = _averaged(blocks, 0.5 * coloured(rng, len(time_s), 0.05, kind).T)
        fit = _fit_in_red_noise(middle_s, values, design, LOOSE)
        pull.append(fit.mean[:, 1] / np.sqrt(fit.covariance[:, 1, 1]))
    # 80 slopes: binomial error of 68 % is 5.2 %, of 95 % 2.4 %; two sigmas below. The interval may
    # be wide, because the run does not know its own noise; wider than twice is refused.
    assert np.mean(np.abs(pull) < 1) > 0.57
    assert np.mean(np.abs(pull) < 2) > 0.90
    assert np.std(pull) > 0.5
