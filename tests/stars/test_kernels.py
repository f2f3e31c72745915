"""The compiled kernels against their twins in numpy, which are what is used without a compiler."""

from __future__ import annotations

import sys
from functools import partial

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.special import erf

from blursplit.compiled import SWITCH, compiled_kernels, ready_kernels
from blursplit.frames.source import gather, gather_stored, to_adu
from blursplit.stars import block
from blursplit.stars.centroid import WindowSetup
from blursplit.stars.geometry import masked_median

kernels = compiled_kernels()
needs_kernels = pytest.mark.skipif(kernels is None, reason="numba is not installed")

SIZE, SIGMA = 25, 1.6
EPSILON = float(np.finfo(np.float32).eps)


@pytest.fixture
def rng():
    return np.random.default_rng(7)


def _recipe(*, compiled: bool) -> WindowSetup:
    none = np.zeros(0, dtype=np.int64)
    return WindowSetup(SIGMA, 1.5 * SIGMA, 17, SIZE, 1.0, 64.0, None, none, none, compiled=compiled)


def _stamps(rng, count=400, sky=100.0):
    """Return stamps of stars within 0.7 px of the middle, some as faint as their noise."""
    centre = SIZE // 2 + rng.uniform(-0.7, 0.7, (2, count))
    edges = np.arange(SIZE + 1) - 0.5
    along = [0.5 * np.diff(erf((edges - c[:, None]) / (2**0.5 * SIGMA)), axis=1) for c in centre]
    flux = np.geomspace(60e3, 300, count)
    light = flux[:, None, None] * along[1][:, :, None] * along[0][:, None, :] + sky
    noisy = rng.poisson(light) + rng.normal(0, 8, light.shape)
    return np.rint(noisy).astype(np.float32), centre


@needs_kernels
@pytest.mark.parametrize("sky", [0.0, 100.0, 20_000.0])
def test_compiled_measurement_agrees_with_numpy(rng, sky):
    stamps, centre = _stamps(rng, sky=sky)
    start = centre + rng.normal(0, 0.4, centre.shape)
    slow = block._first_look(stamps, *start, _recipe(compiled=False))
    fast = block._first_look(stamps, *start, _recipe(compiled=True))
    assert_allclose(fast.sky, slow.sky, rtol=2 * EPSILON, atol=10 * EPSILON)
    # Squares of a noise of 8 to 20 ADU about a mean that is good to half a last digit of the sky.
    assert_allclose(fast.variance, slow.variance, rtol=1e-4, atol=2 * EPSILON * sky * 20)
    found = np.isfinite(slow.shapes.x_px)
    assert_array_equal(np.isfinite(fast.shapes.x_px), found)
    assert found.mean() > 0.6  # the faint ones drown in the photons of the brightest sky
    # numpy projects pixels with their sky in single precision: the light under the window,
    # 2 pi w^2 sky + core, is rounded to a few last digits, which pulls by a window at most.
    core = slow.shapes.core_adu
    bound = 4 * EPSILON * 1.5 * SIGMA * (2 * np.pi * (1.5 * SIGMA) ** 2 * sky + core) / core
    # Where rounding decides whether one more step is taken, the sum of those left out is below
    # five plain steps of 2e-4 px: each is at most four fifths of the one before.
    off = np.hypot(fast.shapes.x_px - slow.shapes.x_px, fast.shapes.y_px - slow.shapes.y_px)
    one_more = off > bound
    assert one_more.sum() <= 0.01 * found.sum()
    assert np.nanmax(off) < 1e-3
    same = found & ~one_more
    assert_allclose(
        fast.shapes.width_px[same], slow.shapes.width_px[same], rtol=1e-3, equal_nan=True
    )
    for one, other in zip(fast.brightest, slow.brightest, strict=True):
        assert_allclose(one, other, rtol=2 * EPSILON)


@needs_kernels
def test_gaps_and_empty_stamps_come_out_as_in_numpy(rng):
    stamps, centre = _stamps(rng, 60)
    stamps[3, 12, 12] = np.nan  # under the star
    stamps[4, 0, :] = np.nan  # of the border only
    stamps[5] = np.nan
    stamps[6, 12, 12] = np.inf
    results = []
    for compiled in (False, True):
        recipe = _recipe(compiled=compiled)
        first = block._first_look(stamps, *centre, recipe)
        whole, holed, anew, shapes = block._shapes_near(
            stamps, first.sky, *centre, recipe, first.shapes
        )
        results.append((first.sky, shapes.x_px, holed, anew, first.empty, whole))
    slow, fast = results
    for one, other in zip(fast, slow, strict=True):
        assert_allclose(one, other, rtol=1e-5, equal_nan=True)
    assert_array_equal(slow[2], [3, 4, 6])


@needs_kernels
def test_windowed_centroid_is_where_the_first_moment_vanishes(rng):
    """The definition, in double precision, without a basis and without the kernel's shortcuts."""
    stamps, centre = _stamps(rng, 40)
    stamps, centre = stamps[:20], centre[:, :20]  # bright enough for Newton's steps
    found = block._first_look(stamps, *centre, _recipe(compiled=True))
    y, x = np.mgrid[:SIZE, :SIZE]
    window = 1.5 * SIGMA
    for stamp, sky, at_x, at_y in zip(
        stamps, found.sky, found.shapes.x_px, found.shapes.y_px, strict=True
    ):
        if not np.isfinite(at_x):
            continue
        weight = np.exp(-0.5 * ((x - at_x) ** 2 + (y - at_y) ** 2) / window**2)
        light = weight * (stamp.astype(float) - sky)
        # A plain step would be twice this; Newton's error after its last step is below 4e-5 px.
        assert abs((light * (x - at_x)).sum() / light.sum()) < 1e-4
        assert abs((light * (y - at_y)).sum() / light.sum()) < 1e-4


@needs_kernels
@pytest.mark.parametrize("dtype", ["u1", "<u2", ">u2", "<i2", ">i2"])
@pytest.mark.parametrize("bzero", [0.0, 32768.0, -7.0])
def test_compiled_copying_gives_the_same_pixels(rng, dtype, bzero):
    class Slab:
        blank, bscale = None, 1.0

    Slab.bzero = bzero
    kind = np.dtype(dtype)
    info = np.iinfo(kind)
    frames = rng.integers(info.min, info.max, (7, 40, 60), endpoint=True).astype(kind)
    x0, y0 = rng.integers(0, 60 - 13, (7, 5)), rng.integers(0, 40 - 13, (7, 5))
    slow = np.empty((7, 5, 13, 13), dtype=np.float32)
    fast = np.empty_like(slow)
    gather(frames, x0, y0, 13, partial(to_adu, slab=Slab), slow)
    gather_stored(frames, x0, y0, 13, Slab, fast)
    assert_array_equal(fast, slow)


@needs_kernels
def test_stamps_over_the_edge_are_left_to_numpy(rng):
    class Slab:
        blank, bscale, bzero = None, 1.0, 0.0

    frames = rng.integers(0, 99, (2, 20, 20)).astype(">u2")
    corner = np.array([[-3, 12], [4, 5]])
    out = np.empty((2, 2, 13, 13), dtype=np.float32)
    gather_stored(frames, corner, corner, 13, Slab, out)
    assert np.isnan(out[0]).any(axis=(1, 2)).all()
    assert_array_equal(out[1, 0], frames[1, 4:17, 4:17])


@needs_kernels
@pytest.mark.parametrize("columns", [1, 2, 7, 8, 30, 301])
def test_compiled_median_is_exact(rng, columns):
    values = rng.normal(size=(50, columns)).round(1)  # with ties
    mask = rng.random(values.shape) < 0.7
    mask[0] = False
    expected = [np.median(v[m]) if m.any() else np.nan for v, m in zip(values, mask, strict=True)]
    assert_array_equal(masked_median(values, mask), expected)


def test_switched_off_kernels_are_not_loaded(monkeypatch):
    monkeypatch.setenv(SWITCH, "off")
    compiled_kernels.cache_clear()
    assert ready_kernels(10**9) is None
    compiled_kernels.cache_clear()


def test_a_missing_compiler_leaves_the_work_to_numpy(monkeypatch):
    monkeypatch.setitem(sys.modules, "blursplit.kernels", None)  # importing it raises ImportError
    compiled_kernels.cache_clear()
    assert ready_kernels(10**9) is None
    compiled_kernels.cache_clear()


def test_short_sequences_do_not_load_the_kernels(monkeypatch):
    monkeypatch.delitem(sys.modules, "blursplit.kernels", raising=False)
    assert ready_kernels(1000) is None
    assert "blursplit.kernels" not in sys.modules
