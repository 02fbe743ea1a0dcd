"""Several circuits in the lanes of one vector register: a number type for numba, and arrays of it.

The generated solver is plain arithmetic, so one text serves floats (one circuit) and ``Lanes`` (several circuits side
by side). A value is one LLVM vector of doubles; an array of them is a view of an ordinary float64 array whose last axis
is the lane. All arithmetic is lane by lane and every lane runs through the same instructions, so that a lane's result
depends neither on its neighbours nor on how many there are.

``select``, ``any_lane`` and ``all_lanes`` have their plain meaning for a single circuit (floats and bools), which the
interpreted solver uses. Built on numba's documented low-level interface for extensions (models, typing, lowering).
"""

import math
import operator
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.core.datamodel import models
from numba.core.extending import intrinsic, lower_builtin, lower_cast, overload, register_model, type_callable
from numba.core.typeconv import Conversion
from numpy.typing import NDArray

from fetsim.devices.law import clamp, select

WIDTH = 4
"""Circuits side by side: one 256-bit register of doubles. Where they are narrower the compiler splits it in two."""


def lanes_empty(shape: tuple[int, ...]) -> NDArray[np.float64]:
    """An array of lanes to be filled [shape=(*shape, WIDTH)], each vector where the processor takes it in one piece:
    from 16 bytes further on, where memory comes from half of the time, a step takes 5 to 9 % more."""
    count, bytes_of_one = math.prod(shape) * WIDTH, 8 * WIDTH
    memory = np.empty(count + WIDTH)
    start = -memory.__array_interface__["data"][0] % bytes_of_one // 8
    return memory[start : start + count].reshape(*shape, WIDTH)


def lanes_zeros(shape: tuple[int, ...]) -> NDArray[np.float64]:
    """The same, of zeros."""
    made = lanes_empty(shape)
    made[...] = 0.0
    return made


def lanes_stack(arrays: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    """``WIDTH`` arrays of one shape side by side [shape=(..., WIDTH)]."""
    return np.stack(arrays, axis=-1, out=lanes_empty(arrays[0].shape))


def any_lane(mask: Any) -> bool:
    """Whether the mask is true in any lane."""
    return bool(mask)


def all_lanes(mask: Any) -> bool:
    """Whether the mask is true in every lane."""
    return bool(mask)


def borrowed(array: NDArray[np.float64]) -> NDArray[np.float64]:
    """The same memory, which the caller keeps alive: in compiled code nobody counts who holds such an array or a part
    of it, and a count is a locked instruction, for which everything before it is waited for."""
    return array


class LanesType(types.Type):  # type: ignore[misc]
    """``width`` doubles, one of each circuit."""

    def __init__(self, width: int) -> None:
        self.width = width
        super().__init__(name=f"Lanes({width})")

    def can_convert_from(self, _context: Any, other: types.Type) -> Any:
        """A number stands for itself in every lane."""
        return Conversion.safe if isinstance(other, types.Number) else None


class MaskType(types.Type):  # type: ignore[misc]
    """``width`` truth values, one of each circuit."""

    def __init__(self, width: int) -> None:
        self.width = width
        super().__init__(name=f"Mask({width})")

    def can_convert_from(self, _context: Any, other: types.Type) -> Any:
        """One truth value stands for itself in every lane."""
        return Conversion.safe if isinstance(other, types.Boolean) else None


def lanes_array(width: int, dimensions: int = 1) -> types.Array:
    """numba's type of an array of lanes. Not aligned: the view may start at any double."""
    return types.Array(LanesType(width), dimensions, "C", aligned=False)


@register_model(LanesType)
class _LanesModel(models.PrimitiveModel):  # type: ignore[misc]
    def __init__(self, manager: Any, kind: LanesType) -> None:
        super().__init__(manager, kind, ir.VectorType(ir.DoubleType(), kind.width))


@register_model(MaskType)
class _MaskModel(models.PrimitiveModel):  # type: ignore[misc]
    def __init__(self, manager: Any, kind: MaskType) -> None:
        super().__init__(manager, kind, ir.VectorType(ir.IntType(1), kind.width))


def _in_every_lane(builder: Any, value: Any, width: int) -> Any:
    vector = ir.Constant(ir.VectorType(value.type, width), ir.Undefined)
    for lane in range(width):
        vector = builder.insert_element(vector, value, ir.Constant(ir.IntType(32), lane))
    return vector


@lower_cast(types.Number, LanesType)  # type: ignore[untyped-decorator]
def _number_to_lanes(context: Any, builder: Any, start: Any, end: Any, value: Any) -> Any:
    return _in_every_lane(builder, context.cast(builder, value, start, types.float64), end.width)


@lower_cast(types.Boolean, MaskType)  # type: ignore[untyped-decorator]
def _bool_to_mask(context: Any, builder: Any, start: Any, end: Any, value: Any) -> Any:
    return _in_every_lane(builder, builder.icmp_unsigned("!=", value, value.type(0)), end.width)


_PAIRS = ((LanesType, LanesType), (LanesType, types.Number), (types.Number, LanesType))


def _of_two(
    operation: Callable[..., Any],
    lowering: Callable[[Any, Any, Any], Any],
    result: Callable[[int], types.Type] = LanesType,
    pairs: tuple[tuple[type, type], ...] = _PAIRS,
) -> None:
    """Teach numba an operation on two vectors, or a vector and a number."""

    @type_callable(operation)  # type: ignore[untyped-decorator]
    def typed(_context: Any) -> Callable[..., Any]:
        def typer(a: Any, b: Any) -> Any:
            if any(isinstance(a, first) and isinstance(b, second) for first, second in pairs):
                return result(next(k.width for k in (a, b) if isinstance(k, LanesType | MaskType)))
            return None

        return typer

    def lowered(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        vector = next(k for k in signature.args if isinstance(k, LanesType | MaskType))
        a, b = (context.cast(builder, v, k, vector) for v, k in zip(arguments, signature.args, strict=True))
        return lowering(builder, a, b)

    for pair in pairs:
        lower_builtin(operation, *pair)(lowered)


def _of_one(operation: Callable[..., Any], lowering: Callable[[Any, Any], Any]) -> None:
    def lowered(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return lowering(builder, arguments[0])

    type_callable(operation)(lambda _context: lambda a: a if isinstance(a, LanesType) else None)
    lower_builtin(operation, LanesType)(lowered)


def _instruction(name: str) -> Callable[[Any, Any, Any], Any]:
    return lambda builder, a, b: getattr(builder, name)(a, b, flags=("contract",))


def _ordered(sign: str) -> Callable[[Any, Any, Any], Any]:
    return lambda builder, a, b: builder.fcmp_ordered(sign, a, b)


def _extreme(sign: str) -> Callable[[Any, Any, Any], Any]:
    # as numba does it for floats: a NaN in the first place stays
    return lambda builder, a, b: builder.select(builder.fcmp_ordered(sign, b, a), b, a)


def _intrinsic(name: str) -> Callable[[Any, Any], Any]:
    def lower(builder: Any, a: Any) -> Any:
        function = ir.FunctionType(a.type, [a.type])
        return builder.call(cgutils.get_or_insert_function(builder.module, function, f"{name}.v{a.type.count}f64"), [a])

    return lower


_of_two(operator.add, _instruction("fadd"))
_of_two(operator.sub, _instruction("fsub"))
_of_two(operator.mul, _instruction("fmul"))
_of_two(operator.truediv, _instruction("fdiv"))
_of_two(operator.lt, _ordered("<"), MaskType)
_of_two(operator.le, _ordered("<="), MaskType)
_of_two(operator.gt, _ordered(">"), MaskType)
_of_two(operator.ge, _ordered(">="), MaskType)
for _operation in (operator.or_,):
    _of_two(_operation, lambda builder, a, b: builder.or_(a, b), MaskType, ((MaskType, MaskType),))
_of_two(max, _extreme(">"))
_of_two(min, _extreme("<"))
for _operation in (operator.and_, operator.iand):
    _of_two(_operation, lambda builder, a, b: builder.and_(a, b), MaskType,
            ((MaskType, MaskType), (types.Boolean, MaskType), (MaskType, types.Boolean)))  # fmt: skip
for _operation in (operator.iadd, operator.isub, operator.imul):
    _of_two(_operation, _instruction({"iadd": "fadd", "isub": "fsub", "imul": "fmul"}[_operation.__name__]))
_of_one(operator.neg, lambda builder, a: builder.fneg(a))
_of_one(abs, _intrinsic("llvm.fabs"))
_of_one(math.log, _intrinsic("llvm.log"))
_of_one(math.sqrt, _intrinsic("llvm.sqrt"))
_of_one(np.sqrt, _intrinsic("llvm.sqrt"))


@intrinsic  # type: ignore[untyped-decorator]
def _select(_context: Any, mask: Any, yes: Any, no: Any) -> Any:
    """One instruction, for a single circuit too: a branch would keep loops from becoming vector instructions."""
    of_one = types.float64 if isinstance(mask, types.Boolean) else LanesType(mask.width)
    kind = next((k for k in (yes, no) if isinstance(k, LanesType | MaskType)), of_one)

    def lower(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        test, a, b = arguments
        ends = [context.cast(builder, v, k, kind) for v, k in ((a, signature.args[1]), (b, signature.args[2]))]
        return builder.select(test, *ends)

    return kind(mask, yes, no), lower


def _bits(builder: Any, mask: Any) -> Any:
    return builder.bitcast(mask, ir.IntType(mask.type.count))


@intrinsic  # type: ignore[untyped-decorator]
def _any_lane(_context: Any, mask: Any) -> Any:
    def lower(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        bits = _bits(builder, arguments[0])
        return builder.icmp_unsigned("!=", bits, bits.type(0))

    return types.boolean(mask), lower


@intrinsic  # type: ignore[untyped-decorator]
def _all_lanes(_context: Any, mask: Any) -> Any:
    def lower(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        bits = _bits(builder, arguments[0])
        return builder.icmp_unsigned("==", bits, bits.type(-1))

    return types.boolean(mask), lower


@overload(select)
def _select_for(mask, yes, no):  # type: ignore[no-untyped-def]
    return lambda mask, yes, no: _select(mask, yes, no)


@overload(clamp)
def _clamp_for(value, bound):  # type: ignore[no-untyped-def]
    return lambda value, bound: min(max(value, -bound), bound)


@overload(any_lane)
def _any_for(mask):  # type: ignore[no-untyped-def]
    return (lambda mask: _any_lane(mask)) if isinstance(mask, MaskType) else (lambda mask: mask)


@overload(all_lanes)
def _all_for(mask):  # type: ignore[no-untyped-def]
    return (lambda mask: _all_lanes(mask)) if isinstance(mask, MaskType) else (lambda mask: mask)


@intrinsic  # type: ignore[untyped-decorator]
def _borrowed(_context: Any, array: Any) -> Any:
    def lower(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        view = context.make_array(array)(context, builder, arguments[0])
        view.meminfo, view.parent = (one.type(None) for one in (view.meminfo, view.parent))
        return view._getvalue()

    return array(array), lower


@overload(borrowed)
def _borrowed_for(array):  # type: ignore[no-untyped-def]
    return lambda array: _borrowed(array)


@intrinsic  # type: ignore[untyped-decorator]
def lane_view(_context: Any, array: Any) -> Any:
    """A C-contiguous float64 array [shape=(..., WIDTH)] as an array of lanes [shape=(...,)], the same memory, which the
    caller keeps alive."""
    seen = lanes_array(WIDTH, array.ndim - 1)

    def lower(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        made = context.make_array(signature.args[0])(context, builder, arguments[0])
        view = context.make_array(seen)(context, builder)
        intp = context.get_value_type(types.intp)
        view.data = builder.bitcast(made.data, view.data.type)
        item = ir.Constant(intp, 8 * WIDTH)
        shape = [builder.extract_value(made.shape, k) for k in range(seen.ndim)]
        strides = [builder.extract_value(made.strides, k) for k in range(seen.ndim)]
        count = ir.Constant(intp, 1)
        for size in shape:
            count = builder.mul(count, size)
        view.shape = cgutils.pack_array(builder, shape, ty=intp)
        view.strides = cgutils.pack_array(builder, strides, ty=intp)
        view.itemsize, view.nitems = item, count
        return view._getvalue()

    return seen(array), lower
