"""The compiled kernels against plain numpy, which says in a line what each of them does."""

from __future__ import annotations

import os
import subprocess
import sys
from functools import partial

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy import ndimage
from scipy.interpolate import RegularGridInterpolator
from scipy.special import erf, i0e

from blursplit.compiled import air_kernels, frame_kernels
from blursplit.compiled import median_kernels as medians
from blursplit.compiled import stamp_kernels as kernels
from blursplit.constants import STAMP_NUMBERS
from blursplit.frames.source import _gather, _pack, _to_adu
from blursplit.stars import block
from blursplit.stars.centroid import WindowedShapes, WindowSetup, kernel_window
from blursplit.stars.pixels import border_places, brightest_near, measure_sky
from blursplit.stars.register import smoothed
from blursplit.stars.robust import level_and_scatter, masked_median, median_of

SIZE, SIGMA = 25, 1.6
EPSILON = float(np.finfo(np.float32).eps)
REACH_PX = 2.0, 7.0
WINDOWS = tuple(kernel_window(SIZE, 1.5 * SIGMA, reach_px) for reach_px in REACH_PX)
RECIPE = border_places(SIZE)[0], WINDOWS, 4


@pytest.fixture
def rng():
    return np.random.default_rng(7)


def _recipe() -> WindowSetup:
    none = np.zeros(0, dtype=np.int64)
    return WindowSetup(SIGMA, 1.5 * SIGMA, 17, SIZE, 1.0, 64.0, None, none, none)


def _stamps(rng, count=400, sky=100.0):
    """Return stamps of stars within 0.7 px of the middle, some as faint as their noise."""
    centre = SIZE // 2 + rng.uniform(-0.7, 0.7, (2, count))
    edges = np.arange(SIZE + 1) - 0.5
    along = [0.5 * np.diff(erf((edges - c[:, None]) / (2**0.5 * SIGMA)), axis=1) for c in centre]
    flux = np.geomspace(60e3, 300, count)
    light = flux[:, None, None] * along[1][:, :, None] * along[0][:, None, :] + sky
    noisy = rng.poisson(light) + rng.normal(0, 8, light.shape)
    return np.rint(noisy).astype(np.float32), centre


def _measure(stamps, centre):
    found = np.empty((STAMP_NUMBERS, len(stamps)))
    kernels.measure_stamps(stamps.reshape(len(stamps), -1), *centre, *RECIPE, found)
    return found.T


def test_middle_of_twelve_is_their_median(rng):
    for values in rng.normal(size=(200, 12)).round(1):  # with ties
        assert kernels._middle(values) == np.median(values)


@pytest.mark.parametrize("sky", [0.0, 100.0, 20_000.0])
def test_sky_is_the_median_over_pieces_of_the_border(rng, sky):
    stamps, _ = _stamps(rng, 50, sky)
    stamps[7, 0, 3] = 60_000.0  # a cosmic ray
    places, factor = border_places(SIZE)
    pieces = stamps.astype(float).reshape(50, -1)[:, places]
    level, variance = measure_sky(stamps)
    assert_allclose(level, np.median(pieces.mean(axis=2), axis=1), rtol=1e-12, atol=1e-12)
    assert_allclose(variance, factor * np.median(pieces.var(axis=2), axis=1), rtol=1e-9)


def test_windowed_centroid_is_where_the_first_moment_vanishes(rng):
    """The definition, in double precision and without the kernel's shortcuts."""
    stamps, centre = _stamps(rng, 40)
    stamps, centre = stamps[:20], centre[:, :20]  # bright enough for Newton's steps
    found = _measure(stamps, centre)
    y, x = np.mgrid[:SIZE, :SIZE]
    for stamp, (sky, _, at_x, at_y, core) in zip(stamps, found[:, :5], strict=True):
        weight = np.exp(-0.5 * ((x - at_x) ** 2 + (y - at_y) ** 2) / (1.5 * SIGMA) ** 2)
        light = weight * (stamp.astype(float) - sky)
        # A plain step would be twice this; Newton's error after its last step is below 4e-5 px.
        assert abs((light * (x - at_x)).sum() / light.sum()) < 1e-4
        assert abs((light * (y - at_y)).sum() / light.sum()) < 1e-4
        assert_allclose(core, light.sum(), rtol=1e-3)  # of the step before the last


def test_one_pass_says_what_its_parts_say(rng):
    stamps, centre = _stamps(rng)
    stamps[3] = np.roll(stamps[3], 4, axis=1)
    found = _measure(stamps, centre)
    sky, variance = measure_sky(stamps)
    assert_array_equal(found[:, 0], sky)
    assert_allclose(found[:, 1] * border_places(SIZE)[1], variance, rtol=1e-12)
    start = {"start_x_px": centre[0], "start_y_px": centre[1]}
    near, far = (
        WindowedShapes.measure(stamps, sky, 1.5 * SIGMA, **start, reach_px=r) for r in REACH_PX
    )
    missed = np.isnan(near.x_px)
    assert missed[3]
    assert abs(far.x_px[3] - centre[0, 3] - 4.0) < 0.1
    assert_array_equal(found[:, 2], np.where(missed, far.x_px, near.x_px))
    assert_array_equal(found[:, 4], np.where(missed, far.core_adu, near.core_adu))
    brightest = brightest_near(stamps, found[:, 2], found[:, 3], _recipe())
    assert_array_equal(found[:, 10:].T, brightest)
    for stamp, x, y, top in zip(stamps, *brightest[:3], strict=True):
        assert top == stamp[int(y), int(x)] >= stamp[9:16, 9:16].max()


def test_gaps_are_found_and_empty_stamps_have_no_sky(rng):
    stamps, centre = _stamps(rng, 60)
    stamps[3, 12, 12] = np.nan  # under the star
    stamps[4, 0, :] = np.nan  # of the border only
    stamps[5] = np.nan
    stamps[6, 12, 12] = np.inf
    setup = _recipe()
    found = np.ascontiguousarray(_measure(stamps, centre).T)
    seen = block._first_look(stamps.__getitem__, found, setup)
    assert_array_equal(np.flatnonzero(seen.empty), [5])
    given = stamps.__getitem__, seen.sky, *centre, setup, REACH_PX[1], seen.shapes
    whole, holed, shapes = block._fill_and_measure(*given)
    assert np.isfinite(whole).all()
    assert_array_equal(holed, [3, 4, 6])
    assert_allclose(shapes.x_px[[3, 4, 6]], centre[0, [3, 4, 6]], atol=0.1)
    clean = np.delete(stamps[4], 0, axis=0).astype(float)
    assert abs(seen.sky[4] - np.median(clean)) < 8.0  # sigma of a pixel's noise


@pytest.mark.parametrize("dtype", ["u1", "<u2", ">u2", "<i2", ">i2"])
@pytest.mark.parametrize("bzero", [0.0, 32768.0, -7.0])
def test_stamps_are_the_same_pixels_as_numpy_copies(rng, dtype, bzero):
    class Slab:
        blank, bscale = None, 1.0

    Slab.bzero = bzero
    kind = np.dtype(dtype)
    info = np.iinfo(kind)
    frames = rng.integers(info.min, info.max, (7, 40, 60), endpoint=True).astype(kind)
    x0, y0 = rng.integers(-6, 60 - 7, (7, 5)), rng.integers(-6, 40 - 7, (7, 5))
    slow = np.empty((7, 5, 13, 13), dtype=np.float32)
    fast = np.empty_like(slow)
    _gather(frames, x0, y0, 13, partial(_to_adu, slab=Slab), slow)
    kernels.gather(*_pack(frames, Slab), x0, y0, fast)
    assert_array_equal(fast, slow)
    assert np.isnan(fast).any()


@pytest.mark.parametrize("dtype", ["u1", "<u2", ">u2", ">i2"])
def test_sums_of_stored_stamps_are_those_of_cut_ones(rng, dtype):
    """Within the frame, over its edge and with hot pixels: these count as the others' mean."""

    class Slab:
        blank, bscale, bzero = None, 1.0, 32768.0

    info = np.iinfo(np.dtype(dtype))
    frames = rng.integers(info.min, info.max, (7, 40, 60), endpoint=True).astype(dtype)
    x0, y0 = rng.integers(0, 60 - 13, (7, 4)), rng.integers(0, 40 - 13, (7, 4))
    x0[:, 2] -= 30
    hot = x0[:, 1] + 3, y0[:, 1] + 5, np.array([0, 0, 7, 7, 7])
    cuts = np.empty((7, 4, 13, 13), dtype=np.float32)
    _gather(frames, x0, y0, 13, partial(_to_adu, slab=Slab), cuts)
    kernels.blank_pixels(cuts, x0, y0, hot)
    sums = np.empty((7, 4, 2, 13), dtype=np.float32)
    kernels.sum_stored(*_pack(frames, Slab), x0, y0, hot, sums)
    assert_array_equal(np.isnan(cuts).any(axis=(0, 2, 3)), [False, True, True, False])
    # thirteen values or their mean, rounded to single precision at each of so many steps
    assert_allclose(sums, block._sum_cuts(cuts), rtol=13 * EPSILON, atol=0)


@pytest.mark.parametrize("change", [{"blank": 5}, {"bscale": 2.0}, {"bzero": 0.5}])
def test_pixels_that_need_more_than_a_sum_are_left_to_numpy(change):
    class Slab:
        blank, bscale, bzero = None, 1.0, 0.0

    for name, value in change.items():
        setattr(Slab, name, value)
    assert _pack(np.zeros((2, 4, 4), dtype=">i2"), Slab)[1] is None


def test_stored_frames_are_measured_as_their_stamps_are(rng):
    """Gathering, blanking of hot pixels and measuring in one go: the same numbers."""
    stamps, _ = _stamps(rng, 3)
    frame = np.concatenate(list(np.clip(stamps, 0, 60_000)), axis=1).astype(">u2")[np.newaxis]

    class Slab:
        blank, bscale, bzero = None, 1.0, 0.0

    x0, y0 = np.array([[0, 25, 50]]), np.zeros((1, 3), dtype=np.int64)
    hot = np.array([30, 52]), np.array([12, 3]), np.array([0, 0, 1, 2])
    at = x0 + 12.0, y0 + 12.0
    cuts, found = np.empty((1, 3, SIZE, SIZE), dtype=np.float32), np.empty((STAMP_NUMBERS, 1, 3))
    column = np.array([0, 1, 2])
    kernels.measure_stored(*_pack(frame, Slab), x0, y0, hot, *at, *RECIPE, column, cuts, found)
    expected = np.clip(stamps, 0, 60_000)
    expected[1, 12, 5] = expected[2, 3, 2] = np.nan
    assert_array_equal(cuts[0], expected)
    one = np.empty((1, 1, SIZE, SIZE), dtype=np.float32)
    again = np.empty_like(found)
    column = np.array([-1, 0, -1])
    kernels.measure_stored(*_pack(frame, Slab), x0, y0, hot, *at, *RECIPE, column, one, again)
    assert_array_equal(one[0, 0], expected[1])
    assert_array_equal(again, found)
    assert_array_equal(found[:, 0].T, _measure(expected, np.full((2, 3), 12.0)))


@pytest.mark.parametrize("columns", [0, 1, 2, 7, 8, 30, 64, 301])
def test_compiled_median_is_exact(rng, columns):
    values = rng.normal(size=(50, columns)).round(1)  # with ties
    mask = rng.random(values.shape) < 0.7
    mask[:1] = False
    expected = [np.median(v[m]) if m.any() else np.nan for v, m in zip(values, mask, strict=True)]
    assert_array_equal(masked_median(values, mask), expected)
    if columns:
        assert median_of(values[1]) == np.median(values[1])


@pytest.mark.parametrize("count", [9, 10, 2001, 16_384])
def test_median_of_many_is_exact(rng, count):
    """Also where half of them are one value, in order, and rising to fall again."""
    for values in (
        rng.normal(size=count),
        rng.integers(4, 8, count).astype(float),
        np.where(rng.random(count) < 0.2, rng.normal(size=count), 6.0),
        np.arange(float(count)),
        -np.abs(np.arange(float(count)) - 0.5 * count),
        np.full(count, 3.0),
    ):
        assert median_of(values) == np.median(values)
    assert np.isnan(median_of(np.append(values, np.nan)))


def test_level_and_scatter_are_those_of_finite_pixels(rng):
    image = rng.normal(size=(181, 97)).astype(np.float32)
    image[rng.random(image.shape) < 0.05] = np.nan
    image[8, 4] = np.inf
    known = image[::4, ::4].astype(float)
    known = known[np.isfinite(known)]
    middle = np.median(known)
    expected = known.size, middle, np.median(np.abs(known - middle))
    assert level_and_scatter(image, 4) == expected


def test_deviations_in_sigmas_are_those_from_the_median(rng):
    values, mask = rng.normal(size=(5, 40)), rng.random((5, 40)) < 0.8
    out = np.empty_like(values)
    medians.in_sigmas(values, mask, 1e-9, out)
    for row, kept, found in zip(values, mask, out, strict=True):
        off = row - np.median(row[kept])
        assert_allclose(found, off / np.median(np.abs(off[kept])), rtol=1e-12)


@pytest.mark.parametrize("each", [True, False])
def test_what_stars_differ_from_the_others_is_counted_in_their_own_sigmas(rng, each):
    values = rng.normal(size=(50, 7))
    values[rng.random(values.shape) < 0.2] = np.nan
    values[3, 4] = np.inf
    known = np.isfinite(values)
    values_there = np.where(known, values, np.nan)
    off = values_there - np.nanmedian(values_there, axis=1, keepdims=True)
    off -= np.nanmedian(off, axis=0 if each else None)
    expected = np.where(known, off / np.nanmedian(np.abs(off), axis=0 if each else None), 0.0)
    out = np.empty_like(values)
    medians.apart_in_sigmas(values, each, 1e-9, out)
    assert_allclose(out, expected, rtol=1e-12)


def test_a_star_alone_in_most_frames_has_the_spread_of_the_others(rng):
    values = rng.normal(size=(40, 2))
    values[12:, 1] = np.nan
    out = np.empty_like(values)
    medians.apart_in_sigmas(values, np.True_, 1e-9, out)
    off = 0.5 * (values[:12, 0] - values[:12, 1])
    off -= np.median(off)
    assert_allclose(out[:12, 0], off / np.median(np.abs(off)), rtol=1e-12)
    assert_array_equal(out[12:], 0.0)


def test_smoothing_is_that_of_scipy(rng):
    image = rng.normal(size=(31, 47)).astype(np.float32)
    smooth, around = smoothed(image, 1.7, half=9)
    assert_allclose(smooth, ndimage.gaussian_filter(image.astype(float), 1.7), atol=20 * EPSILON)
    assert_allclose(around, ndimage.uniform_filter(image.astype(float), 19), atol=20 * EPSILON)


def test_local_maxima_are_those_of_a_maximum_filter(rng):
    image = rng.normal(size=(31, 47)).round(1).astype(np.float32)  # with ties
    out = np.empty(image.size, dtype=np.int64)
    n = frame_kernels.local_maxima(image, 0.5, 2, out)
    expected = (image > 0.5) & (image == ndimage.maximum_filter(image, size=5))
    assert_array_equal(out[:n], np.flatnonzero(expected))


def test_frames_are_added_where_they_differ_little(rng):
    frames = rng.normal(size=(3, 9, 11)).astype(np.float32)
    frame = frames[1]
    frame[2, 3] = np.nan
    hot = rng.random(frame.shape) < 0.1
    middle, limit = np.full_like(frame, 0.1), np.full_like(frame, 1.5)
    total, count, squared = np.zeros_like(frame), np.zeros_like(frame), True
    moved = np.array([[1, 2, -1], [0, 11, 0], [2, 0, -9]])  # two of them beyond the edge
    frame_kernels.add_within(frames, moved, middle, limit, hot, squared, total, count)
    off = frame - middle
    kept = (np.abs(off) <= limit) & ~hot
    expected = np.zeros_like(frame)
    expected[:-1, 2:] = np.where(kept, np.square(off), 0)[1:, :-2]
    assert_array_equal(total, expected)
    assert count.sum() == kept[1:, :-2].sum()


def test_patterns_are_correlated_with_moved_ones(rng):
    one = rng.normal(size=(2, 3, 10, 10))
    other = np.roll(one, (1, -2), axis=(2, 3))
    table = np.empty((2, 49))
    frame_kernels.pattern_products(one, other, 3, table)
    inner, part = one[:, :, 3:-3, 3:-3], other[:, :, 2:6, 4:8]
    scale = np.sqrt((inner**2).sum(axis=(1, 2, 3)) * (part**2).sum(axis=(1, 2, 3)))
    assert_allclose(table[:, 2 * 7 + 4], (inner * part).sum(axis=(1, 2, 3)) / scale, rtol=1e-12)
    assert_array_equal(table.argmax(axis=1), 4 * 7 + 1)


def test_changes_and_neighbours_are_clipped(rng):
    images = rng.normal(size=(6, 30))
    images[4] = images[3]
    total, same = frame_kernels.clipped_changes(images, 1, 0.7)
    assert_allclose(total, np.square(np.clip(np.diff(images, axis=0), -0.7, 0.7)).sum())
    assert same == 1
    patches = rng.normal(size=(2, 3, 8, 8))
    clipped = np.clip(patches, -0.5, 0.5)
    across = (clipped[..., :-2] * clipped[..., 2:]).mean()
    along = (clipped[..., :-2, :] * clipped[..., 2:, :]).mean()
    product_of_two = frame_kernels.neighbour_products(patches, 2, 0.5)
    assert_allclose(product_of_two, 0.5 * (across + along))


def test_without_the_compiler_the_same_code_gives_the_same_numbers(rng, tmp_path):
    stamps, centre = _stamps(rng, 12)
    np.savez(tmp_path / "in.npz", stamps=stamps, x=centre[0], y=centre[1])
    code = (
        "import sys, numpy as np; from blursplit.stars.pixels import measure_sky;"
        "from blursplit.stars.centroid import WindowedShapes;"
        "given = np.load(sys.argv[1]); sky, _ = measure_sky(given['stamps']);"
        "found = WindowedShapes.measure(given['stamps'], sky, 2.4,"
        " start_x_px=given['x'], start_y_px=given['y'], reach_px=2.0);"
        "np.save(sys.argv[2], [sky, found.x_px, found.y_px])"
    )
    environment = {**os.environ, "NUMBA_DISABLE_JIT": "1"}
    command = [sys.executable, "-c", code, str(tmp_path / "in.npz"), str(tmp_path / "out.npy")]
    subprocess.run(command, check=True, env=environment)
    sky, x, y = np.load(tmp_path / "out.npy")
    found = _measure(stamps, centre)
    assert_allclose(sky, found[:, 0], rtol=1e-12)
    # Sums in another order, in single precision, of light that is 1.5 windows wide.
    assert_allclose([x, y], found[:, 2:4].T, atol=1e-4)


def test_places_between_rows_and_nodes_are_read_linearly_and_clipped_at_the_ends():
    rng = np.random.default_rng(8)
    rows = rng.standard_normal((5, 4, 3))
    at, other = np.array([-1.0, 0.3, 2.75, 9.0, np.nan]), np.array([0.5, 2.9, -3.0, 1.25, 0.0])
    places = np.clip(np.nan_to_num(at), 0.0, 4.0), np.clip(other, 0.0, 3.0)
    expected = RegularGridInterpolator((np.arange(5), np.arange(4)), rows)(np.stack(places, -1))
    node, weight = np.empty((5, 4), dtype=np.int64), np.empty((5, 4))
    air_kernels.corners(rows.shape[:2], at, other, node, weight)
    got = np.zeros((5, 3))
    air_kernels.weighted_sums(rows.reshape(-1, 3), node, weight, got)
    assert_allclose(got, expected, rtol=1e-12, atol=1e-12)
    air_kernels.rows_between(rows[:, 0], at, got)
    along = [np.interp(places[0], np.arange(5), rows[:, 0, c]) for c in range(3)]
    assert_allclose(got.T, along, rtol=1e-12, atol=1e-12)


def test_turned_densities_are_those_of_a_rotated_covariance():
    """A steady wind 30 degrees from x: R diag(along, across) R^T."""
    angle, pair = np.deg2rad(30.0), np.array([[[5.0], [2.0]]])
    got = np.zeros((1, 3, 1))
    air_kernels.turn(pair, np.array([3.0]), np.array([[np.cos(2 * angle), np.sin(2 * angle)]]), got)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    expected = 3.0 * turn @ np.diag(pair[0, :, 0]) @ turn.T
    assert_allclose(got[0, :, 0], expected[[0, 1, 0], [0, 1, 1]], rtol=1e-12)


def test_logarithms_of_rows_are_those_of_numpy():
    """Exact powers of two, neighbours of the roots of a half and two, and all sizes between."""
    edges = np.sqrt([0.5, 2.0], dtype=np.float32)
    near = [np.nextafter(edges, np.float32(0)), edges, np.nextafter(edges, np.float32(9))]
    spread = np.geomspace(1e-30, 1e30, 83)
    values = np.concatenate([2.0 ** np.arange(-3, 4), *near, spread]).astype(np.float32)
    bins = len(values)
    keep = np.zeros(16, np.float32)
    keep[2] = 1.0
    whiten = np.eye(bins, bins + -bins % 4, dtype=np.float32).ravel()
    no, nodes = np.empty((0, 16 * bins), np.float32), np.empty((1, 0), np.int64)
    first, got, left = np.empty((1, 2, bins)), np.empty((1, bins)), np.empty(1)
    alone = np.repeat(values, 16), np.ones(1), no, nodes, np.empty((1, 0)), whiten, keep
    air_kernels.mode_misfits(*alone, first, got, left)
    # Three units of the last of 24 bits, of the number or of what stands about one.
    expected = np.log(values.astype(float))
    assert_allclose(got[0], expected, rtol=3 * 2.0**-24, atol=3 * 2.0**-24)
    assert left == 0.0


def test_logarithms_of_a_bessel_function_are_those_of_scipy():
    x = np.concatenate([[0.0], np.geomspace(1e-6, 1e4, 200), [14.999, 15.0, 15.001]])[:, None]
    got = np.empty_like(x)
    air_kernels.log_bessel(x, got)
    # the first term left out at 15: (9!!)^2/(5! 8^5 15^5) = 3e-7
    assert_allclose(got, np.log(i0e(x)) + x, rtol=0.0, atol=1e-6)


def test_misfits_of_modes_are_those_of_dense_matrices():
    """Noise and two layers of four nodes each, five modes of sixteen that count, seven bins."""
    rng = np.random.default_rng(9)
    n, bins, modes = 3, 7, 5
    base, table = (rng.uniform(0.5, 2.0, (k, bins * 16)).astype(np.float32) for k in (1, 9))
    scale, weight = rng.uniform(0.5, 2.0, n), rng.uniform(0.0, 1.0, (n, 8))
    node = rng.integers(9, size=(n, 8))
    root = np.tril(rng.standard_normal((bins, bins)))
    whiten = np.zeros((bins, 8), np.float32)
    whiten[:, :bins] = root
    keep = np.zeros(16, np.float32)
    keep[2 : 2 + modes] = 1.0
    first, mean, squares = np.empty((n, 2, bins)), np.empty((n, bins)), np.empty(n)
    air_kernels.mode_misfits(
        base[0], scale, table, node, weight, whiten.ravel(), keep, first, mean, squares
    )
    power = scale[:, None] * base[0] + np.einsum("nk,nkc->nc", weight, table[node])
    power = power.reshape(n, bins, 16)
    white = np.einsum("ba,nam->nbm", root, np.log(power[:, :, 2 : 2 + modes]))
    # single precision
    assert_allclose(first, power[:, :, :2].swapaxes(1, 2), rtol=1e-6)
    assert_allclose(mean, white.mean(axis=2), atol=1e-5)
    left = white - white.mean(axis=2, keepdims=True)
    assert_allclose(squares, (left**2).sum(axis=(1, 2)), rtol=1e-5)


def test_transfer_function_of_an_image_is_the_product_of_its_textbook_factors():
    """Square pixel, an unobstructed circle, Kolmogorov air and Gaussians, one a mean of two."""
    step = np.array([[0.021, -0.006], [0.004, 0.017]])
    row, column = np.indices((9, 6))
    fx, fy = (a * column + b * (row - 4) for a, b in step)
    highest, side = 0.13, 0.8  # the last corner lies beyond the pupil's reach
    baseline = np.hypot(fx, fy) / highest
    axis = np.linspace(0.0, 1.0, 20001)
    pupil = 2.0 / np.pi * (np.arccos(axis) - axis * np.sqrt(1.0 - axis**2))
    ends = np.log([1e-4, 1e2])
    log_air = np.log(3.44) + 5.0 / 3.0 * np.linspace(*ends, 600)
    tensors = np.array([[[0.5, 0.2], [0.2, 0.9]], [[3.0, -1.0], [-1.0, 2.0]], [[0.1, 0], [0, 6.0]]])
    blurs = [
        np.exp(-2.0 * np.pi**2 * (t[0, 0] * fx**2 + t[1, 1] * fy**2 + 2.0 * t[0, 1] * fx * fy))
        for t in tensors
    ]
    expected = np.sinc(side * fx) * np.sinc(side * fy) * np.interp(baseline, axis, pupil)
    expected *= np.exp(-3.44 * baseline ** (5.0 / 3.0)) * blurs[0] * 0.5 * (blurs[1] + blurs[2])
    found = np.empty(fx.shape)
    first = np.array([0, 1, 3])
    air_kernels.without_paths(
        step, highest, (pupil,), log_air[None], ends, tensors, first, side, found
    )
    assert baseline.max() > 1.0
    assert_allclose(found, expected, rtol=1e-9, atol=1e-12)


def test_roots_of_covariances_times_themselves_and_vectors_are_what_numpy_makes():
    rng = np.random.default_rng(10)
    half, vector = rng.standard_normal((6, 2, 2)), rng.standard_normal((6, 2)) * (1.0 + 2.0j)
    covariance = half @ half.swapaxes(1, 2)
    covariance[0] = 0.0  # no motion has no root but zero
    root, got = np.empty_like(covariance), np.empty_like(vector)
    air_kernels.roots(covariance, root)
    assert_allclose(root @ root, covariance, atol=1e-12)
    air_kernels.products(covariance, vector, got)
    assert_allclose(got, (covariance @ vector[:, :, None])[:, :, 0], rtol=1e-12)


def test_powers_of_phases_are_cosines_and_sines_of_multiples():
    angle = np.array([-4.0, 0.0, 0.3, 2.5])
    cosine, sine = np.empty((2, 49, 4), dtype=np.float32)
    air_kernels.powers(angle, cosine, sine)
    turns = np.arange(49)[:, None] * angle
    # single precision: half a unit of the last of 24 bits
    assert_allclose([cosine, sine], [np.cos(turns), np.sin(turns)], atol=1e-7)


def test_half_maximum_of_a_cone_holds_a_quarter_of_its_foot():
    """A cone of radius 20 stands above half its height within a radius of 10."""
    y, x = np.indices((41, 41)) - 20.0
    inside = np.empty((41, 41))
    air_kernels.inside_half_maximum(20.0 - np.hypot(x, y), inside)
    # the contour is taken as straight in each cell: second order in the step
    assert_allclose(inside.sum(), np.pi * 10.0**2, rtol=3e-3)
