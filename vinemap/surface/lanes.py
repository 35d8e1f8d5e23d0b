"""Eight numbers at a time: a vector type for compiled kernels, so that they need not hope for the compiler.

LLVM vectorises short loops of varying length poorly: loops over rows of a 64 x 64 triangle spend more time
on their starts and ends than on arithmetic. Here a kernel says itself which eight numbers it works on. On
machines with narrower registers LLVM splits the eight up; no compiler is needed beyond what numba brings.
"""

# ruff: noqa: ARG001 (the arguments are fixed by numba)

from __future__ import annotations

from typing import Any

from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic, models, register_model

LANES = 8
_VECTOR = ir.VectorType(ir.DoubleType(), LANES)
_QUARTET = ir.VectorType(ir.DoubleType(), 4)
_LONG = ir.IntType(64)
_SHORT = ir.IntType(32)
_RELAXED = ("contract", "nsz")  # a product and a sum may be fused; infinities and NaN keep their meaning

# Each function below is called at compile time with the types of its arguments, and gives the signature of
# the instruction and what writes it.
in_lanes: Any = intrinsic


class Lanes(types.Type):
    """Numba type of eight floats held in a register; it exists within compiled code only."""

    def __init__(self) -> None:
        super().__init__(name=f"Lanes{LANES}")


LANES_TYPE = Lanes()


@register_model(Lanes)
class _LanesModel(models.PrimitiveModel):
    def __init__(self, manager: Any, kind: Lanes) -> None:
        super().__init__(manager, kind, _VECTOR)  # type: ignore[no-untyped-call]


def _address(context: Any, builder: Any, kind: Any, array: Any, row: Any, column: Any) -> Any:
    """Address of eight numbers of a row of a two-dimensional array, contiguous along rows."""
    view = context.make_array(kind)(context, builder, array)
    stride = cgutils.unpack_tuple(builder, view.strides, 2)[0]  # type: ignore[no-untyped-call]
    offset = builder.add(builder.mul(row, stride), builder.mul(column, ir.Constant(_LONG, 8)))
    start = builder.ptrtoint(view.data, _LONG)
    return builder.inttoptr(builder.add(start, offset), _VECTOR.as_pointer())


@in_lanes
def load(context, array, row, column):  # type: ignore[no-untyped-def]
    """Eight numbers from a row of an array (C order), beginning at a column; bounds are the caller's care."""

    def generate(context, builder, signature, values):  # type: ignore[no-untyped-def]
        return builder.load(_address(context, builder, signature.args[0], *values), align=8)

    return LANES_TYPE(array, types.int64, types.int64), generate


@in_lanes
def store(context, array, row, column, lanes):  # type: ignore[no-untyped-def]
    """Put eight numbers into a row of an array (C order), beginning at a column."""

    def generate(context, builder, signature, values):  # type: ignore[no-untyped-def]
        builder.store(values[3], _address(context, builder, signature.args[0], *values[:3]), align=8)
        return context.get_dummy_value()

    return types.void(array, types.int64, types.int64, LANES_TYPE), generate


@in_lanes
def spread(context, number):  # type: ignore[no-untyped-def]
    """One number eight times."""

    def generate(context, builder, signature, values):  # type: ignore[no-untyped-def]
        nothing = ir.Constant(_VECTOR, ir.Undefined)
        first = builder.insert_element(nothing, values[0], ir.Constant(_SHORT, 0))
        everywhere = ir.Constant(ir.VectorType(_SHORT, LANES), [0] * LANES)
        return builder.shuffle_vector(first, nothing, everywhere)

    return LANES_TYPE(types.float64), generate


@in_lanes
def add_product(context, lanes, one, other):  # type: ignore[no-untyped-def]
    """Lanes plus the product of two, fused where the machine can."""

    def generate(context, builder, signature, values):  # type: ignore[no-untyped-def]
        product = builder.fmul(values[1], values[2], flags=_RELAXED)
        return builder.fadd(values[0], product, flags=_RELAXED)

    return LANES_TYPE(LANES_TYPE, LANES_TYPE, LANES_TYPE), generate


@in_lanes
def take_product(context, lanes, one, other):  # type: ignore[no-untyped-def]
    """Lanes less the product of two, fused where the machine can."""

    def generate(context, builder, signature, values):  # type: ignore[no-untyped-def]
        product = builder.fmul(values[1], values[2], flags=_RELAXED)
        return builder.fsub(values[0], product, flags=_RELAXED)

    return LANES_TYPE(LANES_TYPE, LANES_TYPE, LANES_TYPE), generate


@in_lanes
def subtract(context, lanes, other):  # type: ignore[no-untyped-def]
    """Lanes less others."""

    def generate(context, builder, signature, values):  # type: ignore[no-untyped-def]
        return builder.fsub(*values, flags=_RELAXED)

    return LANES_TYPE(LANES_TYPE, LANES_TYPE), generate


@in_lanes
def multiply(context, lanes, other):  # type: ignore[no-untyped-def]
    """Product of lanes."""

    def generate(context, builder, signature, values):  # type: ignore[no-untyped-def]
        return builder.fmul(*values, flags=_RELAXED)

    return LANES_TYPE(LANES_TYPE, LANES_TYPE), generate


@in_lanes
def smaller(context, lanes, other):  # type: ignore[no-untyped-def]
    """Smaller of two, lane by lane."""

    def generate(context, builder, signature, values):  # type: ignore[no-untyped-def]
        return builder.select(builder.fcmp_ordered("<", *values), *values)

    return LANES_TYPE(LANES_TYPE, LANES_TYPE), generate


@in_lanes
def square_root(context, lanes):  # type: ignore[no-untyped-def]
    """Square root, lane by lane."""

    def generate(context, builder, signature, values):  # type: ignore[no-untyped-def]
        kind = ir.FunctionType(_VECTOR, [_VECTOR])
        name = f"llvm.sqrt.v{LANES}f64"
        root = cgutils.get_or_insert_function(builder.module, kind, name)  # type: ignore[no-untyped-call]
        return builder.call(root, values)

    return LANES_TYPE(LANES_TYPE), generate


@in_lanes
def count_up(context, sums, place, one, other):  # type: ignore[no-untyped-def]
    """Add 1 and two numbers to a row of four sums: one load and one store rather than three each."""

    def generate(context, builder, signature, values):  # type: ignore[no-untyped-def]
        view = context.make_array(signature.args[0])(context, builder, values[0])
        offset = builder.shl(values[1], ir.Constant(_LONG, 5))
        start = builder.ptrtoint(view.data, _LONG)
        address = builder.inttoptr(builder.add(start, offset), _QUARTET.as_pointer())
        more = ir.Constant(_QUARTET, [1.0, 0.0, 0.0, 0.0])
        for position, value in ((1, values[2]), (2, values[3])):
            more = builder.insert_element(more, value, ir.Constant(_SHORT, position))
        builder.store(builder.fadd(builder.load(address, align=8), more), address, align=8)
        return context.get_dummy_value()

    return types.void(sums, types.int64, types.float64, types.float64), generate
