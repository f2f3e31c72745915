"""Sums and copies over many pixels at once, in the words of the compiler behind numba.

Only other kernels import this module. What numba makes of such loops over arrays keeps
running sums in memory and takes rows of a known length pixel by pixel: four to ten times as slow.
Each has a twin in numpy, which says what it does and stands in where nothing is compiled.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numba import config, types
from numba.core.cgutils import get_or_insert_function
from numba.extending import intrinsic

from blursplit import constants as const

_HALF = const.LANES // 2


class _Words:
    """What the compiler is told for one call."""

    def __init__(self, context: Any, builder: Any, signature: Any, arguments: Any) -> None:
        from llvmlite import ir

        self.ir, self.builder, self.arguments = ir, builder, arguments
        self.number, self.single, self.double = ir.IntType(64), ir.FloatType(), ir.DoubleType()
        self._context, self._types = context, signature.args

    def data(self, argument: int) -> Any:
        """Return where an array begins."""
        kind, value = self._types[argument], self.arguments[argument]
        return self._context.make_array(kind)(self._context, self.builder, value).data

    def at(self, start: Any, place: Any) -> Any:
        """Return the place of an element."""
        return self.builder.gep(start, [place])

    def many(self, kind: Any) -> Any:
        """Return the type of a row of values."""
        return self.ir.VectorType(kind, _HALF)

    def load(self, start: Any, kind: Any) -> Any:
        """Return a row of values."""
        place = self.builder.bitcast(start, self.many(kind).as_pointer())
        return self.builder.load(place, align=1)

    def store(self, values: Any, start: Any) -> None:
        """Write a row of values."""
        place = self.builder.bitcast(start, values.type.as_pointer())
        self.builder.store(values, place, align=1)

    def spread(self, value: Any) -> Any:
        """Return a row of one value."""
        kind = self.many(value.type)
        nothing = self.ir.Constant(kind, self.ir.Undefined)
        one = self.builder.insert_element(nothing, value, self.ir.IntType(32)(0))
        every = self.ir.Constant(self.many(self.ir.IntType(32)), [0] * _HALF)
        return self.builder.shuffle_vector(one, nothing, every)

    def call(self, name: str, result: Any, *values: Any, loose: bool = False) -> Any:
        """Return what one of the compiler's own functions says."""
        kind = self.ir.FunctionType(result, [value.type for value in values])
        function = get_or_insert_function(self.builder.module, kind, name)  # type: ignore[no-untyped-call]
        return self.builder.call(function, values, fastmath=("reassoc", "nsz") if loose else ())

    def joined(self, one: Any, other: Any, total: Any) -> Any:
        """Return one times the other plus the total."""
        bits = 64 if total.type.element == self.double else 32
        return self.call(f"llvm.fmuladd.v{_HALF}f{bits}", total.type, one, other, total)

    def repeat(self, count: Any, starts: list[Any], body: Callable[[Any, list[Any]], Any]) -> Any:
        """Go through body(number, values) -> values at least once; return the last values."""
        builder = self.builder
        before = builder.block
        loop, after = (builder.append_basic_block(name) for name in ("loop", "after"))
        builder.branch(loop)
        builder.position_at_end(loop)
        number = builder.phi(self.number)
        number.add_incoming(self.number(0), before)
        held = [builder.phi(start.type) for start in starts]
        values = body(number, held)
        following = builder.add(number, self.number(1))
        number.add_incoming(following, builder.block)
        for phi, start, value in zip(held, starts, values, strict=True):
            phi.add_incoming(start, before)
            phi.add_incoming(value, builder.block)
        builder.cbranch(builder.icmp_signed("<", following, count), loop, after)
        builder.position_at_end(after)
        return values


def _told(say: Callable[[_Words], None]) -> Callable[..., Any]:
    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        say(_Words(context, builder, signature, arguments))
        return context.get_dummy_value()

    return generate


def _either(typed: Callable[..., Any], twin: Callable[..., None]) -> Any:
    return twin if getattr(config, "DISABLE_JIT", 0) else intrinsic(typed)


# --- rows of stored pixels as numbers -------------------------------------------------------------
def _say_copy(words: _Words) -> None:
    builder, ir = words.builder, words.ir
    place, nx, rows, lanes, swapped, flip, zero = words.arguments[1:8]
    source, target = words.at(words.data(0), place), words.data(8)
    pixel = source.type.pointee
    whole = ir.IntType(32)
    flips = words.spread(builder.zext(flip, whole))
    zeros = words.spread(zero)
    halves = builder.udiv(lanes, words.number(_HALF))

    def copy(number: Any, _held: list[Any]) -> list[Any]:
        row, half = builder.udiv(number, halves), builder.urem(number, halves)
        column = builder.mul(half, words.number(_HALF))
        here = words.at(source, builder.add(builder.mul(row, nx), column))
        stored = words.load(here, pixel)
        if pixel.width > 8:  # noqa: PLR2004 - bits, of which the order of bytes is one
            other = words.call(f"llvm.bswap.v{_HALF}i{pixel.width}", stored.type, stored)
            stored = builder.select(swapped, other, stored)
        value = builder.xor(builder.zext(stored, words.many(whole)), flips)
        adu = builder.fadd(builder.sitofp(value, words.many(words.single)), zeros)
        words.store(adu, words.at(target, builder.mul(number, words.number(_HALF))))
        return []

    words.repeat(builder.mul(rows, halves), [], copy)


def _type_copy(
    _typing: Any,
    pixels: Any,
    _place: Any,
    _nx: Any,
    _rows: Any,
    _lanes: Any,
    _swapped: Any,
    _flip: Any,
    _zero: Any,
    out: Any,
) -> Any:
    size, yes, mask, number = types.intp, types.boolean, types.uint16, types.float32
    signature = types.void(pixels, size, size, size, size, yes, mask, number, out)
    return signature, _told(_say_copy)


def _copy_in_numpy(
    pixels: Any,
    place: int,
    nx: int,
    rows: int,
    lanes: int,
    swapped: bool,
    flip: Any,
    zero: float,
    out: Any,
) -> None:
    stored = pixels[place + nx * np.arange(rows)[:, None] + np.arange(lanes)]
    stored = stored.byteswap() if swapped else stored
    out[: rows * lanes] = ((stored ^ flip).astype(np.float32) + np.float32(zero)).ravel()


copy_rows: Any = _either(_type_copy, _copy_in_numpy)
"""Write rows of pixels as float32: `pixels, place, nx, rows, lanes, swapped, flip, zero, out`.

The first begins at `place`, each other `nx` pixels later; `lanes` of each, whole times
`constants.LANES`, are written one row after the other. What the pixels are packed like:
see `stamp_kernels.gather`.
"""


# --- rows that are wanted soon --------------------------------------------------------------------
def _say_fetch(words: _Words) -> None:
    builder, ir, whole = words.builder, words.ir, words.ir.IntType(32)
    source, byte = words.data(0), ir.IntType(8).as_pointer()
    place, nx, rows, lanes = words.arguments[1:]

    def fetch(row: Any, _held: list[Any]) -> list[Any]:
        first = builder.add(place, builder.mul(row, nx))
        for pixel in (first, builder.add(first, builder.sub(lanes, words.number(1)))):
            at = builder.bitcast(words.at(source, pixel), byte)
            read, near, data = whole(0), whole(3), whole(1)
            name = f"llvm.prefetch.{byte.intrinsic_name}"
            words.call(name, ir.VoidType(), at, read, near, data)
        return []

    words.repeat(rows, [], fetch)


def _type_fetch(_typing: Any, pixels: Any, _place: Any, _nx: Any, _rows: Any, _lanes: Any) -> Any:
    size = types.intp
    return types.void(pixels, size, size, size, size), _told(_say_fetch)


def _fetch_nothing(pixels: Any, place: int, nx: int, rows: int, lanes: int) -> None:
    """Do nothing: it changes how long a copy takes, not what is copied."""


fetch_rows: Any = _either(_type_fetch, _fetch_nothing)
"""Have rows of pixels brought near while others are worked on: `pixels, place, nx, rows, lanes`.

They are those that `copy_rows` would copy; they may lie anywhere, beyond the pixels too.
"""


# --- pieces of a border ---------------------------------------------------------------------------
def _say_pieces(words: _Words) -> None:
    builder, ir, number = words.builder, words.ir, words.number
    stamp, places, rows = words.data(0), words.data(1), words.arguments[2]
    base = words.spread(words.arguments[3])
    none = ir.Constant(base.type, [0.0] * _HALF)

    def add(row: Any, held: list[Any]) -> list[Any]:
        begin = builder.mul(row, number(_HALF))
        pixels = ir.Constant(words.many(words.single), ir.Undefined)
        for i in range(_HALF):  # one by one, as through memory they would wait for each other
            place = builder.load(words.at(places, builder.add(begin, number(i))))
            pixel = builder.load(words.at(stamp, place))
            pixels = builder.insert_element(pixels, pixel, ir.IntType(32)(i))
        off = builder.fsub(builder.fpext(pixels, base.type), base)
        return [builder.fadd(held[0], off), words.joined(off, off, held[1])]

    sums = words.repeat(rows, [none, none], add)
    count = builder.sitofp(rows, words.double)
    share = words.spread(builder.fdiv(words.double(1.0), count))
    mean, square = (builder.fmul(total, share) for total in sums)
    words.store(mean, words.data(4))
    words.store(builder.fsub(square, builder.fmul(mean, mean)), words.data(5))


def _type_pieces(
    _typing: Any, stamp: Any, places: Any, _rows: Any, _base: Any, mean: Any, variance: Any
) -> Any:
    signature = types.void(stamp, places, types.intp, types.float64, mean, variance)
    return signature, _told(_say_pieces)


def _pieces_in_numpy(
    stamp: Any, places: Any, rows: int, base: float, mean: Any, variance: Any
) -> None:
    off = stamp[places[: rows * _HALF].reshape(rows, _HALF)].astype(float) - base
    mean[:], variance[:] = off.mean(axis=0), off.var(axis=0)


add_pieces: Any = _either(_type_pieces, _pieces_in_numpy)
"""Write mean and variance of pieces of a stamp: `stamp, places, rows, base, mean, variance`.

`places` (rows * 16,): where in `stamp`, float32, are so many pixels of each of sixteen pieces, side
by side. `base`: near all of them; the means are less by it. `mean`, `variance` (16,): NaN where a
pixel is not finite.
"""


# --- light under a window -------------------------------------------------------------------------
def _say_weigh(words: _Words) -> None:
    builder, ir, number = words.builder, words.ir, words.number
    light, down, out = words.at(words.data(0), words.arguments[1]), words.data(2), words.data(8)
    across = words.at(words.data(5), words.arguments[6])
    none = ir.Constant(words.many(words.single), [0.0] * _HALF)

    def add(row: Any, held: list[Any]) -> list[Any]:
        begin = builder.mul(row, number(const.LANES))
        here = [
            words.load(words.at(light, builder.add(begin, number(_HALF * half))), words.single)
            for half in range(2)
        ]
        far = builder.fsub(builder.sitofp(row, words.double), words.arguments[4])
        off = words.spread(builder.fptrunc(far, words.single))
        weight = words.spread(builder.load(words.at(down, row)))
        values = []
        for k in range(3):
            values += [words.joined(here[i], weight, held[2 * k + i]) for i in range(2)]
            weight = builder.fmul(weight, off)
        return values

    sums = words.repeat(words.arguments[3], [none] * 6, add)
    window = []
    for half in range(2):
        places = [float(_HALF * half + i) for i in range(_HALF)]
        lanes = ir.Constant(words.many(words.double), places)
        far = builder.fsub(lanes, words.spread(words.arguments[7]))
        off = builder.fptrunc(far, none.type)
        weight = words.load(words.at(across, number(_HALF * half)), words.single)
        once = builder.fmul(weight, off)
        window.append((weight, once, builder.fmul(once, off)))
    for place, (y, x) in enumerate(const.MOMENT_POWERS):
        one = builder.fmul(sums[2 * y], window[0][x])
        product = words.joined(sums[2 * y + 1], window[1][x], one)
        name = f"llvm.vector.reduce.fadd.v{_HALF}f32"
        total = words.call(name, words.single, words.single(0.0), product, loose=True)
        builder.store(total, words.at(out, number(place)))


def _type_weigh(
    _typing: Any,
    light: Any,
    _first: Any,
    down: Any,
    _rows: Any,
    _y: Any,
    across: Any,
    _begin: Any,
    _x: Any,
    out: Any,
) -> Any:
    size, far = types.intp, types.float64
    signature = types.void(light, size, down, size, far, across, size, far, out)
    return signature, _told(_say_weigh)


def _weigh_in_numpy(
    light: Any,
    first: int,
    down: Any,
    rows: int,
    y: float,
    across: Any,
    begin: int,
    x: float,
    out: Any,
) -> None:
    pixels = light[first : first + rows * const.LANES].reshape(rows, const.LANES)
    power = np.arange(3)
    by_y = down[:rows] * (np.arange(rows) - y) ** power[:, None]
    by_x = across[begin : begin + const.LANES] * (np.arange(const.LANES) - x) ** power[:, None]
    table = by_y @ pixels @ by_x.T
    out[:] = [table[j, i] for j, i in const.MOMENT_POWERS]


weigh_rows: Any = _either(_type_weigh, _weigh_in_numpy)
"""Write sums of light under a window: `light, first, down, rows, y, across, begin, x, out`.

Those of 1, x, y, xx, yy, xy about (x, y), counted from the first pixel. `light`: rows of
`constants.LANES` pixels from `first` on. `down` (rows,), and `across` from `begin` on: the window
along either axis. All of them float32.
"""


# --- powers of modes ------------------------------------------------------------------------------
def _say_logarithms(words: _Words) -> None:
    builder, whole = words.builder, words.ir.IntType(32)
    one, many = words.spread(words.single(1.0)), words.many(words.single)

    def take(row: Any, _held: list[Any]) -> list[Any]:
        place = words.at(words.data(0), builder.mul(row, words.number(_HALF)))
        bits = builder.bitcast(words.load(place, words.single), words.many(whole))
        above = builder.sub(bits, words.spread(whole(const.SINGLE_ROOT_HALF)))
        power = builder.ashr(above, words.spread(whole(const.SINGLE_FRACTION_BITS)))
        shifted = builder.shl(power, words.spread(whole(const.SINGLE_FRACTION_BITS)))
        rest = builder.bitcast(builder.sub(bits, shifted), many)
        part = builder.fdiv(builder.fsub(rest, one), builder.fadd(rest, one))
        square = builder.fmul(part, part)
        total = words.spread(words.single(2.0 / const.LOGARITHM_TERMS[0]))
        for order in const.LOGARITHM_TERMS[1:]:
            total = words.joined(total, square, words.spread(words.single(2.0 / order)))
        whole_part = builder.sitofp(power, many)
        doubling = words.spread(words.single(float(np.log(2.0))))
        words.store(words.joined(whole_part, doubling, builder.fmul(total, part)), place)
        return []

    words.repeat(words.arguments[1], [], take)


def _type_logarithms(_typing: Any, values: Any, _rows: Any) -> Any:
    return types.void(values, types.intp), _told(_say_logarithms)


def _logarithms_in_numpy(values: Any, rows: int) -> None:
    values[: rows * _HALF] = np.log(values[: rows * _HALF])


take_logarithms: Any = _either(_type_logarithms, _logarithms_in_numpy)
"""Take the logarithms of rows of sixteen positive numbers, float32, in place: `values, rows`.

Of x = 2^n m with m between the roots of a half and of two: n ln 2 + 2 artanh((m - 1)/(m + 1)), a
series of odd powers that errs by less than single precision holds.
"""


def _say_whiten(words: _Words) -> None:
    builder, number = words.builder, words.number
    values, whiten, bins = words.data(0), words.data(1), words.arguments[2]
    keep, share = words.load(words.data(4), words.single), words.arguments[5]
    none = words.ir.Constant(words.many(words.single), [0.0] * _HALF)
    name = f"llvm.vector.reduce.fadd.v{_HALF}f32"

    def add_up(these: Any) -> Any:
        return words.call(name, words.single, words.single(0.0), these, loose=True)

    def whitened(row: Any, _held: list[Any]) -> list[Any]:
        factors = words.at(whiten, builder.mul(row, words.arguments[3]))

        def add(part: Any, held: list[Any]) -> list[Any]:
            sums = []
            for k, before in enumerate(held):  # four sums, as each product waits for its own
                column = builder.add(builder.mul(part, number(len(held))), number(k))
                here = words.at(values, builder.mul(column, number(_HALF)))
                factor = words.spread(builder.load(words.at(factors, column)))
                sums.append(words.joined(factor, words.load(here, words.single), before))
            return sums

        parts = builder.udiv(
            builder.add(row, number(const.SUMS_AT_ONCE)), number(const.SUMS_AT_ONCE)
        )
        one, two, three, four = words.repeat(parts, [none] * const.SUMS_AT_ONCE, add)
        total = builder.fadd(builder.fadd(one, two), builder.fadd(three, four))
        mean = builder.fmul(add_up(builder.fmul(total, keep)), share)
        off = builder.fmul(builder.fsub(total, words.spread(mean)), keep)
        builder.store(mean, words.at(words.data(6), row))
        builder.store(add_up(builder.fmul(off, off)), words.at(words.data(7), row))
        return []

    words.repeat(bins, [], whitened)


def _type_whiten(
    _typing: Any,
    values: Any,
    whiten: Any,
    _bins: Any,
    _length: Any,
    keep: Any,
    _share: Any,
    mean: Any,
    squares: Any,
) -> Any:
    size, share = types.intp, types.float32
    signature = types.void(values, whiten, size, size, keep, share, mean, squares)
    return signature, _told(_say_whiten)


def _whiten_in_numpy(
    values: Any,
    whiten: Any,
    bins: int,
    length: int,
    keep: Any,
    share: float,
    mean: Any,
    squares: Any,
) -> None:
    white = whiten.reshape(bins, length) @ values[: length * _HALF].reshape(length, _HALF)
    mean[:] = share * (white @ keep)
    squares[:] = ((white - mean[:, None]) ** 2) @ keep


whiten_rows: Any = _either(_type_whiten, _whiten_in_numpy)
"""Whiten modes over their bins: `values, whiten, bins, length, keep, share, mean, squares`.

All float32. `values` (length * 16,): a row of sixteen modes for each bin, then finite ones.
`whiten` (bins * length,): a row for each white one, zero beyond the diagonal; `length` is `bins`
and what is wanting to a multiple of four. `keep` (16,): one for modes that count, else zero.
`share`: one over their number. Written are `mean` over the modes and sum of the `squares` of what
it leaves, (bins,) each.
"""
