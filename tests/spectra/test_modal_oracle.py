"""A general modal-analysis library (pyOMA2) finds the same modes in the same records."""

from __future__ import annotations

from pathlib import Path

import pytest

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"


@pytest.fixture
def oracle(monkeypatch):
    """Return the benchmark that makes records and asks the library."""
    pytest.importorskip("pyoma2", reason="pyOMA2 comes with the test extra")
    monkeypatch.syspath_prepend(BENCHMARKS)
    import modal_oracle

    return modal_oracle


def _compare(ours, theirs, modes):
    for mode, (hz, damping) in zip(modes, theirs.tolist(), strict=True):
        f, f_error, z, z_error = ours(mode[0])
        # Both see the same noise, and a subspace is the less efficient of the two: over 63 modes
        # of other seeds they differed by at most 3.2 of our stated errors.
        assert abs(f - hz) < 4.0 * f_error
        assert abs(z - damping) < 4.0 * z_error
        assert abs(f - mode[0]) < 4.0 * f_error
        assert abs(z - mode[1]) < 4.0 * z_error


@pytest.mark.slow
@pytest.mark.parametrize(
    "modes",
    [
        [(6.3, 0.015, 4.0, 37.0)],
        [(14.8, 0.004, 4.0, 10.0)],
        [(6.3, 0.02, 4.0, 0.0), (9.1, 0.01, 3.0, 90.0)],
    ],
)
def test_free_decays_agree(oracle, modes):
    """One mode, a lightly damped one, two on two axes; after a tap, in still air."""
    times, motion = oracle.decay_record(modes, 0.0, 77)
    late = times >= oracle.TAP_S + 0.02
    theirs = oracle.by_subspace(motion[late], [mode[0] for mode in modes])
    _compare(lambda f: oracle.ours_of_decay(times, motion, f), theirs, modes)


@pytest.mark.slow
@pytest.mark.parametrize("number", range(5))
def test_modes_under_unknown_forces_agree(oracle, number):
    """Ten minutes of output alone; the last record has two modes 4 % apart on two axes."""
    _, modes, air_rms = oracle.UNKNOWN_FORCES[number]
    times, motion = oracle.forced_record(modes, air_rms, 88 + number)
    theirs = oracle.by_subspace(motion, [mode[0] for mode in modes])
    _compare(lambda f: oracle.ours_of_forces(times, motion, f), theirs, modes)
