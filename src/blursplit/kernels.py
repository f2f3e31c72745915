"""Inner loops over pixels, compiled by numba at their first use on a machine.

Only `blursplit.compiled` imports this module. Pixels are summed in single precision; what is
made of the sums is double. Flat views are taken by `ravel` and rows copied by loops: the messages
that `reshape` and assigned slices could raise take the compiler seconds.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
from numba import config, njit, types
from numba.extending import intrinsic

_LANES = 32  # pixels of a row that are summed together; windows are padded with zeros
_PIECES = 12  # of a stamp's border, a median of them forgives a neighbour or two
_NOTHING = (math.nan,) * 8
_FEW, _MANY = 64, 2000  # values whose median is found by their ranks, and after looking at a sample
_SAMPLE, _SAMPLE_MARGIN = 512, 40  # of which 3.5 sigmas of the binomial share are 40


Kernel = TypeVar("Kernel", bound=Callable[..., Any])


def exact(function: Kernel, **options: Any) -> Kernel:
    """Compile a function; where no folder can keep the machine code, anew in each process."""
    compiled: Kernel
    try:
        compiled = njit(cache=True, nogil=True, **options)(function)
    except RuntimeError:
        compiled = njit(nogil=True, **options)(function)
    return compiled


def loose(function: Kernel) -> Kernel:
    """Compile so that sums may be reordered and products joined; NaN and infinity stay."""
    return exact(function, fastmath={"contract", "reassoc", "nsz", "arcp"})


def _generate_prefetch(_typing: Any, pixels: Any, _place: Any) -> Any:  # pragma: no cover
    from llvmlite import ir

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        array = context.make_array(signature.args[0])(context, builder, arguments[0])
        byte, number = ir.IntType(8).as_pointer(), ir.IntType(32)
        kind = ir.FunctionType(ir.VoidType(), [byte, number, number, number])
        function = builder.module.declare_intrinsic("llvm.prefetch", [byte], kind)
        pixel = builder.bitcast(builder.gep(array.data, [arguments[1]]), byte)
        builder.call(function, [pixel, number(0), number(3), number(1)])  # read, keep, data
        return context.get_dummy_value()

    return types.void(pixels, types.intp), generate


def _wait_for_pixels(_pixels: Any, _place: int) -> None:
    """Stand in for `_prefetch` where nothing is compiled."""


# Tells the processor that a pixel is needed soon.
_prefetch: Any = (
    _wait_for_pixels if getattr(config, "DISABLE_JIT", 0) else intrinsic(_generate_prefetch)
)


@exact
def gather(  # pragma: no cover - compiled
    raw: Any, packing: Any, x0: Any, y0: Any, out: Any
) -> None:
    """Copy stamps into float32 [frame, star, y, x]; what lies beyond the frame is NaN.

    `raw` (ndarray of uint8 or uint16, shape (n, ny, nx)). `packing`: whether the bytes of 16-bit
    numbers stand in the other order; 0x8000 where they have a sign; and what is added to them,
    which is then less by 32768.
    """
    stars, size = x0.shape[1], out.shape[2]
    stored = np.empty(size * size, dtype=raw.dtype)
    for number in range(raw.shape[0]):
        for star in range(stars):
            stamp = out[number, star].ravel()
            copy_stamp(raw[number], packing, x0[number], y0[number], star, stored, stamp)


@exact
def copy_stamp(  # pragma: no cover - compiled
    frame: Any, packing: Any, x0: Any, y0: Any, star: int, stored: Any, stamp: Any
) -> None:
    """Copy the stamp of one star, and fetch the next star's pixels into the cache."""
    swapped, flip, zero = packing
    ny, nx = frame.shape
    size = round(math.sqrt(stamp.size))
    x, y = x0[star], y0[star]
    add = np.float32(zero)
    if not is_inside(x, y, size, nx, ny):
        _copy_over_edge(frame, packing, x, y, size, stamp)
        return
    pixels = frame.ravel()
    if star + 1 < x0.size and is_inside(x0[star + 1], y0[star + 1], size, nx, ny):
        _fetch(pixels, y0[star + 1] * nx + x0[star + 1], nx, size)
    place = y * nx + x
    for row in range(size):
        source = pixels[place : place + size]
        target = stored[row * size : (row + 1) * size]
        for i in range(size):
            target[i] = source[i]
        place += nx
    if swapped:
        for i in range(size * size):
            value = np.uint16(stored[i])
            value = np.uint16((value << 8) | (value >> 8))
            stamp[i] = np.float32(np.int32(value ^ flip)) + add
    else:
        for i in range(size * size):
            stamp[i] = np.float32(np.int32(stored[i] ^ flip)) + add


@exact
def _copy_over_edge(  # pragma: no cover - compiled
    frame: Any, packing: Any, x: int, y: int, size: int, stamp: Any
) -> None:
    swapped, flip, zero = packing
    ny, nx = frame.shape
    for i in range(size * size):
        column, row = x + i % size, y + i // size
        stamp[i] = np.float32(math.nan)
        if 0 <= column < nx and 0 <= row < ny:
            value = np.uint16(frame[row, column])
            if swapped:
                value = np.uint16((value << 8) | (value >> 8))
            stamp[i] = np.float32(np.int32(value ^ flip)) + np.float32(zero)


@exact
def is_inside(x: int, y: int, size: int, nx: int, ny: int) -> bool:  # pragma: no cover - compiled
    """Return whether all of a stamp lies within the frame."""
    return bool((x >= 0) & (y >= 0) & (x + size <= nx) & (y + size <= ny))


@exact
def _fetch(frame: Any, at: int, nx: int, size: int) -> None:  # pragma: no cover - compiled
    """Begin to load both ends of every row of a stamp: nobody waits for them."""
    for place in range(at, at + size * nx, nx):
        _prefetch(frame, place)
        _prefetch(frame, place + size - 1)


@exact
def masked_median(values: Any, mask: Any, out: Any) -> None:  # pragma: no cover - compiled
    """Write the median of each row's values under the mask, NaN where there is none."""
    rows, columns = values.shape
    kept = np.empty(columns)
    for row in range(rows):
        n = _keep(values[row], mask[row], kept)
        out[row] = median_of(kept, n)


@exact
def in_sigmas(values: Any, mask: Any, least: float, out: Any) -> None:  # pragma: no cover
    """Write each row's deviations from its median under the mask in median deviations.

    Median deviations are `least` at least; a row without any value under the mask is NaN.
    """
    rows, columns = values.shape
    kept = np.empty(columns)
    for row in range(rows):
        n = _keep(values[row], mask[row], kept)
        middle = median_of(kept, n)
        for i in range(n):
            kept[i] = abs(kept[i] - middle)
        spread = max(median_of(kept, n), least)
        for column in range(columns):
            out[row, column] = (values[row, column] - middle) / spread


@exact
def _keep(values: Any, mask: Any, kept: Any) -> int:  # pragma: no cover - compiled
    """Write the values under the mask one after the other and return how many they are."""
    n = 0
    for i in range(values.size):
        if mask[i]:
            kept[n] = values[i]
            n += 1
    return n


@exact
def median_of(kept: Any, n: int) -> float:  # pragma: no cover - compiled
    """Return the median of the first n values, which lose their order."""
    gaps = 0
    for i in range(n):
        gaps += math.isnan(kept[i])
    if n == 0 or gaps:
        return math.nan
    if n <= _FEW:
        return _median_of_few(kept, n)
    if n > _MANY:
        return _median_of_many(kept, n)
    upper = n // 2
    _select(kept, n, upper)
    high = kept[upper]
    if n % 2:
        return float(high)
    low = kept[0]
    for i in range(1, upper):
        low = max(low, kept[i])
    return float(0.5 * (low + high))


@exact
def _median_of_few(kept: Any, n: int) -> float:  # pragma: no cover - compiled
    """Return the median by the rank of each value: no branch to guess but the last."""
    lower, upper = (n - 1) // 2, n // 2
    low, high, found = kept[0], kept[0], 0
    for i in range(n):
        value = kept[i]
        below, within = 0, 0
        for j in range(n):
            below += kept[j] < value
            within += kept[j] <= value
        if below <= lower < within:
            low = value
            found |= 1
        if below <= upper < within:
            high = value
            found |= 2
        if found == 3:  # noqa: PLR2004 - both
            break
    return float(high if n % 2 else 0.5 * (low + high))


@exact
def _median_of_many(kept: Any, n: int) -> float:  # pragma: no cover - compiled
    """Return the median from the values between two that a sample says are close about it.

    In 8-bit pixels half of all values are one and the same: those equal to the two are counted.
    """
    sample = np.empty(_SAMPLE)
    step = n // _SAMPLE
    for i in range(_SAMPLE):
        sample[i] = kept[i * step]
    _select(sample, _SAMPLE, _SAMPLE // 2 - _SAMPLE_MARGIN)
    first = sample[_SAMPLE // 2 - _SAMPLE_MARGIN]
    _select(sample, _SAMPLE, _SAMPLE // 2 + _SAMPLE_MARGIN)
    last = sample[_SAMPLE // 2 + _SAMPLE_MARGIN]
    between = np.empty(n)
    below, at_first, at_last, inner = 0, 0, 0, 0
    for i in range(n):
        value = kept[i]
        between[inner] = value
        inner += (value > first) & (value < last)
        below += value < first
        at_first += value == first
        at_last += (value == last) & (last > first)
    upper = n // 2
    high = _ranked(between, inner, upper, below, (first, at_first), (last, at_last))
    if n % 2 == 0 and not math.isnan(high):
        low = _ranked(between, inner, upper - 1, below, (first, at_first), (last, at_last))
    else:
        low = high
    if math.isnan(high + low):  # the sample was no fair one
        _select(kept, n, upper)
        high = kept[upper]
        low = high
        if n % 2 == 0:
            low = kept[0]
            for i in range(1, upper):
                low = max(low, kept[i])
    return float(0.5 * (low + high))


@exact
def _ranked(  # pragma: no cover - compiled
    between: Any, inner: int, rank: int, below: int, at_first: Any, at_last: Any
) -> float:
    """Return the value of a rank: of those at `first`, between, or at `last`, else NaN."""
    first, firsts = at_first
    last, lasts = at_last
    rank -= below
    if rank < 0 or rank >= firsts + inner + lasts:
        return math.nan
    if rank < firsts:
        return float(first)
    if rank >= firsts + inner:
        return float(last)
    _select(between, inner, rank - firsts)
    return float(between[rank - firsts])


@exact
def level_and_scatter(image: Any, step: int) -> Any:  # pragma: no cover - compiled
    """Return number, median and median deviation of the finite ones of every few pixels."""
    ny, nx = image.shape
    kept = np.empty(-(-ny // step) * -(-nx // step))
    n = 0
    for y in range(0, ny, step):
        row = image[y]
        for x in range(0, nx, step):
            value = row[x]
            kept[n] = value
            n += abs(value) < math.inf  # which NaN is not
    middle = median_of(kept, n)
    for i in range(n):
        kept[i] = abs(kept[i] - middle)
    return n, middle, median_of(kept, n)


@exact
def _select(values: Any, n: int, wanted: int) -> None:  # pragma: no cover - compiled
    """Bring the value of rank `wanted` to its place, smaller ones before it (Hoare 1961)."""
    first, last = 0, n - 1
    while last - first > 8:  # noqa: PLR2004
        middle = (first + last) // 2
        a, b, c = values[first], values[middle], values[last]
        pivot = max(min(a, b), min(max(a, b), c))
        i, j = first, last
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if wanted <= j:
            last = j
        elif wanted >= i:
            first = i
        else:
            return
    for i in range(first + 1, last + 1):
        value = values[i]
        j = i - 1
        while j >= first and values[j] > value:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = value


@loose
def _middle(values: Any) -> float:  # pragma: no cover - compiled
    """Return the median of twelve values by the rank of each: no branch to guess."""
    low, high = 0.0, 0.0
    for i in range(_PIECES):
        rank = 0
        for j in range(_PIECES):
            rank += (values[j] < values[i]) | ((values[j] == values[i]) & (j < i))
        low += values[i] if rank == _PIECES // 2 - 1 else 0.0
        high += values[i] if rank == _PIECES // 2 else 0.0
    return 0.5 * (low + high)


@loose
def _sky(  # pragma: no cover - compiled
    stamp: Any, places: Any, edge: Any, level: Any, spread: Any
) -> tuple[float, float]:
    """Return the sky and the variance of its pixels: medians over pieces of the border."""
    each = places.shape[1]
    flat = places.ravel()
    for i in range(flat.size):
        edge[i] = stamp[flat[i]]
    base = np.float64(edge[0])  # squares of the level itself would not be exact
    whole = 0.0
    for piece in range(_PIECES):
        total, squares = 0.0, 0.0
        pixels = edge[piece * each : (piece + 1) * each]
        for i in range(each):
            value = pixels[i] - base
            total += value
            squares += value * value
        level[piece] = total / each
        spread[piece] = squares / each - level[piece] * level[piece]
        whole += squares
    if whole < math.inf:  # which NaN is not
        return float(base + _middle(level)), float(_middle(spread))
    return _sky_with_gaps(stamp, places, level, spread)


@exact
def _sky_with_gaps(  # pragma: no cover - compiled
    stamp: Any, places: Any, level: Any, spread: Any
) -> tuple[float, float]:
    each = places.shape[1]
    base, known = np.float64(0.0), 0
    for place in places.flat:
        if abs(stamp[place]) < math.inf:
            base += float(stamp[place])
            known += 1
    if not known:
        return math.nan, math.nan
    base /= known
    full = int(known * 0)  # for a bare 0 the median would be compiled once more
    for piece in range(_PIECES):
        total, squares, known = 0.0, 0.0, 0
        for i in range(each):
            value = stamp[places[piece, i]] - base
            if abs(value) < math.inf:
                total += value
                squares += value * value
                known += 1
        if known:
            level[full] = total / known
            spread[full] = squares / known - level[full] * level[full]
            full += 1
    return float(base + median_of(level, full)), float(median_of(spread, full))


@loose
def _windows(  # pragma: no cover - compiled
    x: float, y: float, scale: float, used: int, along_x: Any, along_y: Any
) -> None:
    """Write the window about (x, y) along both axes, with its first and second moments.

    Neighbouring values of a Gaussian have ratios that change by one constant factor.
    """
    value_x, value_y = math.exp(-0.5 * scale * x * x), math.exp(-0.5 * scale * y * y)
    ratio_x, ratio_y = math.exp(scale * (x - 0.5)), math.exp(scale * (y - 0.5))
    factor = math.exp(-scale)
    for i in range(used):
        dx, dy = i - x, i - y
        along_x[0, i] = value_x
        along_x[1, i] = value_x * dx
        along_x[2, i] = value_x * dx * dx
        along_y[0, i] = value_y
        along_y[1, i] = value_y * dy
        along_y[2, i] = value_y * dy * dy
        value_x *= ratio_x
        value_y *= ratio_y
        ratio_x *= factor
        ratio_y *= factor


@exact
def _four(values: Any, first: int) -> Any:  # pragma: no cover - compiled
    return values[first], values[first + 1], values[first + 2], values[first + 3]


@loose
def _moments(  # pragma: no cover - compiled
    light: Any, used: int, along_x: Any, along_y: Any, sums: Any
) -> tuple[float, float, float, float, float, float]:
    """Return sums of light under the window: 1, x, y, xx, yy, xy about its centre.

    Rows are joined first, four at a time, so that no sum has to be taken across a row but the last.
    """
    for i in range(sums.size):
        sums[i] = 0
    lanes = light.shape[1]
    for first in range(0, lanes, _LANES):
        once = sums[first : first + _LANES]
        by_y = sums[lanes + first : lanes + first + _LANES]
        by_yy = sums[2 * lanes + first : 2 * lanes + first + _LANES]
        for row in range(0, used, 4):
            p, q = light[row, first : first + _LANES], light[row + 1, first : first + _LANES]
            r, s = light[row + 2, first : first + _LANES], light[row + 3, first : first + _LANES]
            a, b, c, d = _four(along_y[0], row)
            e, f, g, h = _four(along_y[1], row)
            t, u, v, w = _four(along_y[2], row)
            for i in range(_LANES):
                once[i] += a * p[i] + b * q[i] + c * r[i] + d * s[i]
                by_y[i] += e * p[i] + f * q[i] + g * r[i] + h * s[i]
                by_yy[i] += t * p[i] + u * q[i] + v * r[i] + w * s[i]
    core, x, y, xx, yy, xy = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(lanes):
        u, v, w = sums[i], sums[lanes + i], sums[2 * lanes + i]
        core += u * along_x[0, i]
        x += u * along_x[1, i]
        xx += u * along_x[2, i]
        y += v * along_x[0, i]
        xy += v * along_x[1, i]
        yy += w * along_x[0, i]
    return core, x, y, xx, yy, xy


@loose
def _centroid(  # pragma: no cover - compiled
    light: Any,
    size: int,
    lead: int,
    x: float,
    y: float,
    window: float,
    reach: float,
    darkest: float,
    rules: Any,
    along_x: Any,
    along_y: Any,
    sums: Any,
) -> Any:
    """Bring the window to its own centroid."""
    most_steps, tolerance, last_step, gain, flattest = rules
    used = size - 2 * lead
    half = (used - 1) / 2
    scale = 1.0 / (window * window)
    for step in range(most_steps):
        _windows(x, y, scale, used, along_x, along_y)
        core, mx, my, xx, yy, xy = _moments(light, used, along_x, along_y, sums)
        if not core > darkest:
            break
        mx, my, xx, yy, xy = mx / core, my / core, xx / core, yy / core, xy / core
        step_x, step_y, enough = gain * mx, gain * my, tolerance
        if step:
            a, b, c = 1.0 - xx * scale, 1.0 - yy * scale, -xy * scale
            determinant = a * b - c * c
            if a > flattest and b > flattest and determinant > flattest * min(a, b):
                step_x = (b * mx - c * my) / determinant
                step_y = (a * my - c * mx) / determinant
                enough = last_step
        x += min(max(step_x, -2.0 * window), 2.0 * window)
        y += min(max(step_y, -2.0 * window), 2.0 * window)
        if not max(abs(x - half), abs(y - half)) < reach:
            break
        if step and max(abs(step_x), abs(step_y)) < enough:
            return x + lead, y + lead, core, mx, my, xx, yy, xy
    return _NOTHING


@loose
def border_sky(stamps: Any, places: Any, out: Any) -> None:  # pragma: no cover - compiled
    """Write sky and variance of stamps, float32 (m, size * size), into (m, 2); as `measure`."""
    level, spread = np.empty(_PIECES), np.empty(_PIECES)
    edge = np.empty(places.size, dtype=np.float32)
    for number in range(stamps.shape[0]):
        out[number, 0], out[number, 1] = _sky(stamps[number], places, edge, level, spread)


@loose
def settle_windows(  # pragma: no cover - compiled
    stamps: Any, sky: Any, start_x: Any, start_y: Any, window: Any, out: Any
) -> None:
    """Write x, y, core and moments as `measure_stamps` does into (m, 8), the sky being known."""
    size = round(math.sqrt(stamps.shape[1]))
    room = _room(size, window)
    for number in range(stamps.shape[0]):
        at = start_x[number], start_y[number]
        _settle(stamps[number], sky[number], at, size, window, room, out[number])


@exact
def _room(size: int, window: Any) -> Any:  # pragma: no cover - compiled
    """Return room for the light under a window, for the windows along both axes and for sums."""
    used = size - 2 * window[0]
    lanes, rows = -(-used // _LANES) * _LANES, -(-used // 4) * 4
    return (
        np.zeros((rows, lanes), dtype=np.float32),
        np.zeros((3, lanes), dtype=np.float32),
        np.zeros((3, rows), dtype=np.float32),
        np.empty(3 * lanes, dtype=np.float32),
    )


@loose
def _settle(  # pragma: no cover - compiled
    stamp: Any, sky: float, start: Any, size: int, window: Any, room: Any, out: Any
) -> None:
    """Take the sky off a stamp and bring the window to its centroid, where all is finite."""
    lead, sigma, reach, rounding, rules = window
    light, along_x, along_y, sums = room
    flat = np.float32(sky)
    gaps = flat * np.float32(0)
    for i in range(size * size):
        gaps += stamp[i] * np.float32(0)
    found = _NOTHING
    if gaps == 0:  # which NaN is not
        used = size - 2 * lead
        for row in range(used):
            source = stamp[(lead + row) * size + lead : (lead + row) * size + lead + used]
            target = light[row, :used]
            for i in range(used):
                target[i] = source[i] - flat
        x, y = start[0] - lead, start[1] - lead
        darkest = rounding * sigma * sigma * abs(sky)
        found = _centroid(
            light, size, lead, x, y, sigma, reach, darkest, rules, along_x, along_y, sums
        )
    for i in range(8):
        out[i] = found[i]


@exact
def _brightest(  # pragma: no cover - compiled
    stamp: Any, size: int, look: int, x: float, y: float, out: Any
) -> None:
    """Write x, y and height of the brightest pixel within `look` of (x, y), and the mean about it.

    It is looked for in the middle of the stamp where (x, y) is NaN.
    """
    middle = size // 2
    left, top = middle - look, middle - look
    # Most stars are in the middle of their stamp; the others get a window of their own.
    if max(abs(x - middle), abs(y - middle)) > 1.5:  # noqa: PLR2004
        left = min(max(int(np.rint(x)) - look, 1), size - 2 * look - 2)
        top = min(max(int(np.rint(y)) - look, 1), size - 2 * look - 2)
    at = top * size + left
    for base in range(at, at + (2 * look + 1) * size, size):
        for i in range(base, base + 2 * look + 1):
            if stamp[i] > stamp[at]:
                at = i
    out[0], out[1], out[2] = at % size, at // size, stamp[at]
    around = np.float64(stamp[at - 1]) + stamp[at + 1] + stamp[at - size] + stamp[at + size]
    out[3] = 0.25 * around


@exact
def brightest_pixels(  # pragma: no cover - compiled
    stamps: Any, x: Any, y: Any, look: int, out: Any
) -> None:
    """Write the brightest pixel near each place into (m, 4), as `measure_stamps` does."""
    size = round(math.sqrt(stamps.shape[1]))
    for number in range(stamps.shape[0]):
        _brightest(stamps[number], size, look, x[number], y[number], out[number])


@loose
def measure_stamps(  # pragma: no cover - compiled
    stamps: Any, start_x: Any, start_y: Any, places: Any, window: Any, look: int, out: Any
) -> None:
    """Measure sky, windowed centroid, moments and brightest pixel of stamps.

    `stamps` (m, size * size) float32. `start_x`, `start_y` (m,): where the window begins. `places`
    (12, n): pixels of the border's pieces. `window`: pixels at either edge that no window touches;
    sigma of the window; how far from the middle of the stamp it may go; share of the sky under it
    that may be rounding alone; and most steps, tolerance, last step of Newton's, gain of a plain
    step, flattest window. `look`: the brightest pixel is looked for so far from the star. `out` (m,
    14): sky, variance; x, y; core, mean x, y, xx, yy, xy; brightest pixel's x, y and height, mean
    of its four neighbours. NaN in x where a pixel is not finite or nothing was found.
    """
    size = round(math.sqrt(stamps.shape[1]))
    room = _room(size, window)
    border = np.empty(places.size, dtype=np.float32), np.empty(_PIECES), np.empty(_PIECES)
    for number in range(stamps.shape[0]):
        at = start_x[number], start_y[number]
        _measure(stamps[number], size, at, places, window, look, border, room, out[number])


@loose
def _measure(  # pragma: no cover - compiled
    stamp: Any,
    size: int,
    at: Any,
    places: Any,
    window: Any,
    look: int,
    border: Any,
    room: Any,
    out: Any,
) -> None:
    edge, level, spread = border
    out[0], out[1] = _sky(stamp, places, edge, level, spread)
    _settle(stamp, out[0], at, size, window, room, out[2:10])
    _brightest(stamp, size, look, out[2], out[3], out[10:])


@loose
def measure_stored(  # pragma: no cover - compiled
    raw: Any,
    packing: Any,
    x0: Any,
    y0: Any,
    hot: Any,
    x: Any,
    y: Any,
    places: Any,
    window: Any,
    look: int,
    stamps: Any,
    out: Any,
) -> None:
    """Do what `gather`, `blank_pixels` and `measure_stamps` do while a stamp is in the cache.

    `x`, `y` (n, stars) are places in the frames; `stamps` and `out` begin with (n, stars).
    """
    stars, size = x0.shape[1], stamps.shape[2]
    stored = np.empty(size * size, dtype=raw.dtype)
    room = _room(size, window)
    border = np.empty(places.size, dtype=np.float32), np.empty(_PIECES), np.empty(_PIECES)
    for number in range(raw.shape[0]):
        for star in range(stars):
            stamp = stamps[number, star].ravel()
            copy_stamp(raw[number], packing, x0[number], y0[number], star, stored, stamp)
            blank(stamp, size, x0[number, star], y0[number, star], hot, star)
            at = x[number, star] - x0[number, star], y[number, star] - y0[number, star]
            _measure(stamp, size, at, places, window, look, border, room, out[number, star])


@exact
def blank_pixels(stamps: Any, x0: Any, y0: Any, hot: Any) -> None:  # pragma: no cover - compiled
    """Set the hot pixels of stamps [frame, star, y, x] to NaN.

    `hot`: x and y of hot pixels, in the order of the stars near which they lie, and where each
    star's begin, shape (stars + 1,).
    """
    n, stars, size, _ = stamps.shape
    for number in range(n):
        for star in range(stars):
            stamp = stamps[number, star].ravel()
            blank(stamp, size, x0[number, star], y0[number, star], hot, star)


@exact
def blank(  # pragma: no cover - compiled
    stamp: Any, size: int, x0: int, y0: int, hot: Any, star: int
) -> None:
    """Set the hot pixels of one star's stamp to NaN, as `blank_pixels` does."""
    hot_x, hot_y, first = hot
    for i in range(first[star], first[star + 1]):
        column, row = hot_x[i] - x0, hot_y[i] - y0
        if 0 <= column < size and 0 <= row < size:
            stamp[row * size + column] = np.float32(math.nan)


@loose
def weighted_sums(values: Any, node: Any, weight: Any, out: Any) -> None:  # pragma: no cover
    """Add a table's rows times weights to `out` (n, columns); `node`, `weight` (n, terms)."""
    for i in range(node.shape[0]):
        for k in range(node.shape[1]):
            row, factor = node[i, k], weight[i, k]
            for c in range(values.shape[1]):
                out[i, c] += factor * values[row, c]


@loose
def _square(residual: Any, whiten: Any) -> float:  # pragma: no cover - compiled
    """Return the squared length of residual @ whiten, an upper triangle."""
    total = 0.0
    for j in range(residual.size):
        white = 0.0
        for i in range(j + 1):
            white += residual[i] * whiten[i, j]
        total += white * white
    return total


@loose
def folded_shapes(  # pragma: no cover - compiled
    at: Any, gain: Any, centre: Any, half_width: Any, out: Any
) -> None:
    """Write two-sided Lorentzians of unit area, summed over the folds of each frequency.

    `at`, `gain` (bins, folds): true frequencies, none negative, and what is left of them there.
    `centre`, `half_width` (n,). `out` (n, bins).
    """
    for t in range(centre.size):
        c, square = centre[t], half_width[t] * half_width[t]
        for b in range(at.shape[0]):
            total = 0.0
            for k in range(at.shape[1]):
                above, below = at[b, k] - c, at[b, k] + c
                one, other = square + above * above, square + below * below
                total += gain[b, k] * (one + other) / (one * other)
            out[t, b] = total * half_width[t] / math.pi


@loose
def log_power_misfits(  # pragma: no cover - compiled
    log_shared: Any, fisher: Any, log_own: Any, measured: Any, whiten: Any, most: Any, out: Any
) -> None:
    """Write the squared, whitened misfits of powers: their sum goes to `out` (n,).

    `log_shared` (2, n, bins), `fisher` (n, bins), `log_own` (n, bins, modes): modelled, logarithms
    and Fisher's z of the coherence, which numpy takes sooner. `measured`: the same without n.
    `whiten`: matrices of shared, coherence, the mean of the own and each of them. `most`: largest
    residuals of shared powers and coherence that count; a shared power may lie below the model by
    any size.
    """
    seen_shared, seen_fisher, seen_own = measured
    bins, modes = seen_fisher.size, log_own.shape[2]
    x, y, z, mean = np.empty(bins), np.empty(bins), np.empty(bins), np.zeros(bins)
    left = np.empty((modes, bins))
    for t in range(fisher.shape[0]):
        for b in range(bins):
            x[b] = min(seen_shared[0, b] - log_shared[0, t, b], most[0][b])
            y[b] = min(seen_shared[1, b] - log_shared[1, t, b], most[0][b])
            z[b] = max(-most[1][b], min(seen_fisher[b] - fisher[t, b], most[1][b]))
            if modes:
                mean[b] = 0.0
                for m in range(modes):
                    left[m, b] = seen_own[b, m] - log_own[t, b, m]
                    mean[b] += left[m, b] / modes
                for m in range(modes):
                    left[m, b] -= mean[b]
        out[t] = _square(x, whiten[0]) + _square(y, whiten[0]) + _square(z, whiten[1])
        if modes:
            out[t] += _square(mean, whiten[2])
        if modes > 1:
            for m in range(modes):
                out[t] += _square(left[m], whiten[3])
