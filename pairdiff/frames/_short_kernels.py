"""Operations on 16-bit integers for compiled loops.

A processor does twice as many of them at once as floats; numba makes 64 bits of every sum of integers, hence operations of our own.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.extending import intrinsic


def _short(build: Callable[..., Any]) -> Any:
    """Operation on two int16; `build` makes it of an LLVM builder and two LLVM values."""

    @intrinsic
    def operation(context, first, second):  # type: ignore[no-untyped-def]
        return types.int16(types.int16, types.int16), lambda _, builder, __, values: build(builder, *values)

    return operation


def _rounded_product(builder: Any, first: Any, second: Any) -> Any:
    """Of the product, the upper half, rounded by the highest bit of the lower one."""
    short, long = ir.IntType(16), ir.IntType(32)
    product = builder.mul(builder.sext(first, long), builder.sext(second, long))
    high = builder.trunc(builder.lshr(product, ir.Constant(long, 16)), short)
    return builder.add(high, builder.lshr(builder.mul(first, second), ir.Constant(short, 15)))


def _pick(sign: str) -> Callable[..., Any]:
    return lambda builder, first, second: builder.select(builder.icmp_signed(sign, first, second), first, second)


plus = _short(lambda builder, first, second: builder.add(first, second))
minus = _short(lambda builder, first, second: builder.sub(first, second))
times = _short(lambda builder, first, second: builder.mul(first, second))
shifted = _short(lambda builder, first, second: builder.shl(first, second))
part = _short(_rounded_product)
"""first x second / 65536, rounded."""
larger, smaller = _short(_pick(">")), _short(_pick("<"))


def _long(build: Callable[..., Any]) -> Any:
    """Operation on an int32 and an int16; `build` makes it of an LLVM builder and the two, both as int32."""

    @intrinsic
    def operation(context, total, value):  # type: ignore[no-untyped-def]
        def make(_, builder, __, values):  # type: ignore[no-untyped-def]
            return build(builder, values[0], builder.sext(values[1], ir.IntType(32)))

        return types.int32(types.int32, types.int16), make

    return operation


with_value = _long(lambda builder, total, value: builder.add(total, value))
"""A sum, int32, and one more value."""
with_square = _long(lambda builder, total, value: builder.add(total, builder.mul(value, value)))
"""A sum, int32, and the square of one more value."""
