"""What became of each line, and the smallest line a run could show."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.campaign.compare import _compare_lines
from blursplit.campaign.estimates import Background
from blursplit.rig import Setting


def states(changes) -> list[str]:
    """Return the states in order of frequency."""
    return [c.state for c in changes]


def test_line_missing_where_it_would_have_been_seen_is_gone(make) -> None:
    before = [make.result(name="a", lines=[make.line(8.0, 0.5)])]
    changes = _compare_lines(before, [make.result(name="b")])
    assert states(changes) == ["gone"]
    assert changes[0].smallest_line_arcsec < 0.5


def test_line_missing_below_what_could_be_seen_is_not_decided(make) -> None:
    before = [make.result(name="a", lines=[make.line(8.0, 0.005)])]
    assert states(_compare_lines(before, [make.result(name="b")])) == ["not decided"]


def test_line_missing_in_a_run_without_seeing_or_aperture_is_not_decided(make) -> None:
    blind = make.result(name="b", seeing=None)
    before = [make.result(name="a", lines=[make.line(8.0, 0.5)])]
    assert states(_compare_lines(before, [blind])) == ["not decided"]


def test_new_line_is_new(make) -> None:
    after = [make.result(name="b", lines=[make.line(12.0, 0.5)])]
    assert states(_compare_lines([make.result(name="a")], after)) == ["new"]


def test_stiffer_pier_shifts_its_line(make) -> None:
    before = [make.result(name="a", lines=[make.line(10.0, 0.5)])]
    after = [make.result(name="b", lines=[make.line(11.5, 0.5)])]
    assert states(_compare_lines(before, after)) == ["shifted"]


@pytest.mark.parametrize(("rms", "state"), [(0.1, "weaker"), (0.5, "same"), (1.5, "stronger")])
def test_line_at_the_same_frequency_is_judged_by_its_size(make, rms: float, state: str) -> None:
    before = [make.result(name="a", lines=[make.line(10.0, 0.5)])]
    after = [make.result(name="b", lines=[make.line(10.01, rms)])]
    assert states(_compare_lines(before, after)) == [state]


def test_nearest_lines_are_paired_once(make) -> None:
    before = [make.result(name="a", lines=[make.line(10.0, 0.5), make.line(11.0, 0.5)])]
    after = [make.result(name="b", lines=[make.line(11.0, 0.5)])]
    changes = _compare_lines(before, after)
    assert states(changes) == ["gone", "same"]


def test_line_in_one_of_three_runs_does_not_count(make) -> None:
    runs = [make.result(name=str(i)) for i in range(3)]
    runs[0].lines.append(make.line(10.0, 0.5))
    assert _compare_lines(runs, [make.result(name="b")]) == []


def white(density: float = 0.01, duration_s: float = 10.24) -> Background:
    """Return white background at 50 frames a second, N = 512 samples for the default length."""
    f = np.linspace(0.1, 25.0, 200)
    level = np.full_like(f, density)
    return Background(f, level, level, level, duration_s, 0.02, 0.0)


def test_smallest_line_falls_with_the_root_of_the_length() -> None:
    short, long = white(duration_s=10.24), white(duration_s=40.96)
    ratio = short.smallest_arcsec(5.0) / long.smallest_arcsec(5.0)
    # A little less than 2: the longer run searches more bins.
    assert 1.8 < ratio < 2.0


def test_line_beyond_nyquist_is_judged_where_it_folds_to_and_by_what_the_exposure_leaves() -> None:
    f = np.linspace(0.1, 25.0, 200)
    level = np.full_like(f, 0.01)
    exposed = Background(f, level, level, level, 10.24, 0.02, 0.02)
    ratio = exposed.smallest_arcsec(38.0) / white().smallest_arcsec(38.0)
    assert_allclose(ratio, 1 / abs(np.sinc(38.0 * 0.02)), rtol=1e-9)
    assert np.isinf(exposed.smallest_arcsec(50.0))


def test_damped_modes_need_more_than_steady_lines_and_broad_ones_most() -> None:
    narrow, broad = (white(duration_s=60.0).smallest_arcsec(8.0, z) for z in (0.01, 0.1))
    assert white(duration_s=60.0).smallest_arcsec(8.0) < narrow < broad < 1.0


def test_measured_density_gives_the_background_when_there_is_one(make) -> None:
    from blursplit.series import Series

    f = np.linspace(0.0, 25.0, 751)
    density = np.full_like(f, 0.02)
    density[240] = 5.0  # the line itself must not raise its own threshold
    series = Series(
        arrays={
            "frequency_hz": f,
            "common_psd_x_arcsec2_hz": density,
            "common_psd_y_arcsec2_hz": 0.5 * density,
        }
    )
    background = Background.of(make.result(), series)
    assert_allclose(background.at(8.0), 0.02, rtol=1e-9)


def test_model_background_sums_to_the_variance_of_air_and_noise(make) -> None:
    """Integral over frequency = K1 lambda^2 r0^(-5/3) D^(-1/3) (von Karman) + noise."""
    run = make.result(noise=0.1, duration_s=4000.0)
    run.setup["outer_scale_m"] = Setting([20.0, 20.0], "setup file")
    run.setup["wind_m_s"] = Setting([10.0, 10.0], "setup file")
    run.sequence.wavelength_m = 500e-9
    run.sequence.frame_exposure_s = 1e-6
    background = Background.of(run)
    variance = np.trapezoid(background.middle, background.frequency_hz)
    r0 = 0.975863 * 500e-9 * 206264.806 / 1.5
    # Z-tilt 0.18192, ratio 0.6936 for D 0.2 m, L0 20 m (table of the method notes).
    air = 0.18192 * 0.6936 * (500e-9 * 206264.806) ** 2 * r0 ** (-5 / 3) * 0.2 ** (-1 / 3)
    # Trapezoids on 400 logarithmic bins: 1 %.
    assert_allclose(variance, air + 0.1**2, rtol=0.015)
