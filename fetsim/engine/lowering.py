"""The generated solver's text straight into numba's code generator, statement by statement.

numba infers the types of a function's variables by going round until nothing changes and brings its text into static
single assignment: over four fifths of the compile of a text of a thousand statements, and more than linear in their
number. Here every name has the type of what is assigned to it first, so one pass in reading order does. Operators,
functions and casts are numba's own, looked up once for each combination of types, so that the machine code is the same.

The language: assignments to names, tuples of names and elements of arrays at constant places; ``while True`` with
``break``, ``if``, a final ``return``; arithmetic, single comparisons and calls of what numba knows.
"""

import ast
import builtins
import operator
from collections.abc import Callable, Mapping, Sequence
from inspect import Parameter, Signature
from typing import Any

from numba import types
from numba.core import cgutils
from numba.core.extending import intrinsic
from numba.np.arrayobj import load_item, make_array, store_item

_OPERATORS: dict[type, Callable[..., Any]] = {
    ast.Add: operator.add, ast.Sub: operator.sub, ast.Mult: operator.mul, ast.Div: operator.truediv,
    ast.BitAnd: operator.and_, ast.BitOr: operator.or_, ast.USub: operator.neg,
    ast.Lt: operator.lt, ast.LtE: operator.le, ast.Gt: operator.gt, ast.GtE: operator.ge,
}  # fmt: skip

Typed = tuple[Any, Any]
"""An LLVM value and its numba type."""


def lowered(text: str, names: Mapping[str, Any]) -> Any:
    """The function that ``text`` defines, returning an integer, for calls inside what numba compiles.

    ``names`` are its globals: functions that numba knows or has compiled, and numbers.
    """
    (function,) = ast.parse(text).body
    assert isinstance(function, ast.FunctionDef)

    def typed(_context: Any, *arguments: Any) -> Any:
        def lower(context: Any, builder: Any, signature: Any, values: Any) -> Any:
            return _Lowering(context, builder, names).function(function, values, signature)

        return types.int64(*arguments), lower

    parameters = [Parameter(name, Parameter.POSITIONAL_ONLY) for name in ("context", *_parameters(function))]
    typed.__signature__ = Signature(parameters)  # type: ignore[attr-defined]  # numba tells no variable number of them
    return intrinsic(typed)


def _parameters(function: ast.FunctionDef) -> list[str]:
    return [parameter.arg for parameter in function.args.args]


class _Lowering:
    def __init__(self, context: Any, builder: Any, names: Mapping[str, Any]) -> None:
        self._context, self._builder, self._names = context, builder, names
        self._typing = context.typing_context
        self._variables: dict[str, Typed] = {}
        """Places on the stack, which LLVM turns into registers, and what they hold."""
        self._arrays: dict[str, Typed] = {}
        self._data: dict[str, Any] = {}
        self._known: dict[tuple[Any, tuple[Any, ...]], tuple[Any, Any]] = {}
        self._after: list[Any] = []
        """Where the loops around this place end."""

    def function(self, function: ast.FunctionDef, values: Sequence[Any], signature: Any) -> Any:
        for name, value, kind in zip(_parameters(function), values, signature.args, strict=True):
            if isinstance(kind, types.Array):
                self._arrays[name] = value, kind
                self._data[name] = make_array(kind)(self._context, self._builder, value).data
            else:
                self._assign(name, (value, kind))
        *body, last = function.body
        assert isinstance(last, ast.Return) and last.value is not None
        self._block(body)
        return self._cast(self._value(last.value), signature.return_type)

    def _block(self, body: Sequence[ast.stmt]) -> None:
        for statement in body:
            self._statement(statement)

    def _statement(self, statement: ast.stmt) -> None:
        match statement:
            case ast.Assign(targets=[ast.Name(id=name)], value=value):
                self._assign(name, self._value(value))
            case ast.Assign(targets=[ast.Tuple(elts=targets)], value=value):
                whole, kind = self._value(value)
                for k, target in enumerate(targets):
                    assert isinstance(target, ast.Name)
                    self._assign(target.id, (self._builder.extract_value(whole, k), kind[k]))
            case ast.Assign(targets=[ast.Subscript() as target], value=value):
                place, kind = self._place(target)
                store_item(self._context, self._builder, kind, self._cast(self._value(value), kind.dtype), place)
            case ast.AugAssign(target=ast.Name(id=name), op=operation, value=value):
                self._assign(name, self._call(_OPERATORS[type(operation)], [self._read(name), self._value(value)]))
            case ast.Expr(value=value):
                self._value(value)
            case ast.If(test=test, body=body, orelse=[]):
                with self._builder.if_then(self._cast(self._value(test), types.boolean)):
                    self._block(body)
            case ast.While(test=ast.Constant(value=True), body=body, orelse=[]):
                again, after = (self._builder.append_basic_block(name) for name in ("again", "after"))
                self._builder.branch(again)
                self._builder.position_at_end(again)
                self._after.append(after)
                self._block(body)
                self._builder.branch(again)
                self._builder.position_at_end(self._after.pop())
            case ast.Break():
                self._builder.branch(self._after[-1])
            case _:
                raise TypeError(f"no such statement here: {ast.unparse(statement)}")

    def _value(self, node: ast.expr) -> Typed:
        match node:
            case ast.Constant(value=value):
                kind = {bool: types.boolean, int: types.int64, float: types.float64}[type(value)]
                return self._context.get_constant(kind, value), kind
            case ast.Name(id=name):
                return self._read(name)
            case ast.Subscript():
                place, kind = self._place(node)
                return load_item(self._context, self._builder, kind, place), kind.dtype
            case ast.BinOp(left=left, op=operation, right=right):
                return self._call(_OPERATORS[type(operation)], [self._value(left), self._value(right)])
            case ast.UnaryOp(op=operation, operand=operand):
                return self._call(_OPERATORS[type(operation)], [self._value(operand)])
            case ast.Compare(left=left, ops=[sign], comparators=[right]):
                return self._call(_OPERATORS[type(sign)], [self._value(left), self._value(right)])
            case ast.IfExp(test=test, body=yes, orelse=no):
                (a, kind), b = self._value(yes), self._value(no)
                mask = self._cast(self._value(test), types.boolean)
                return self._builder.select(mask, a, self._cast(b, kind)), kind
            case ast.Call(func=ast.Name(id=name), args=arguments, keywords=[]):
                known = self._names[name] if name in self._names else getattr(builtins, name)
                return self._call(known, [self._value(argument) for argument in arguments])
        raise TypeError(f"no such expression here: {ast.unparse(node)}")

    def _call(self, what: Any, arguments: Sequence[Typed]) -> Typed:
        kinds = tuple(kind for _, kind in arguments)
        if (what, kinds) not in self._known:
            function = self._typing.resolve_value_type(what)
            signature = function.get_call_type(self._typing, kinds, {})
            self._known[what, kinds] = self._context.get_function(function, signature), signature
        call, signature = self._known[what, kinds]
        wanted = signature.args
        if isinstance(wanted[-1], types.BaseTuple):  # as many as there are: ``max`` and ``min`` of numbers
            values = [self._cast(value, kind) for value, kind in zip(arguments, wanted[-1], strict=True)]
            values = [self._context.make_tuple(self._builder, wanted[-1], values)]
        else:
            values = [self._cast(value, kind) for value, kind in zip(arguments, wanted, strict=True)]
        return call(self._builder, values), signature.return_type

    def _cast(self, value: Typed, kind: Any) -> Any:
        return value[0] if value[1] == kind else self._context.cast(self._builder, *value, kind)

    def _assign(self, name: str, value: Typed) -> None:
        if name not in self._variables:
            place = cgutils.alloca_once(self._builder, self._context.get_value_type(value[1]), name=name)
            self._variables[name] = place, value[1]
        place, kind = self._variables[name]
        self._builder.store(self._cast(value, kind), place)

    def _read(self, name: str) -> Typed:
        if name in self._arrays:
            return self._arrays[name]
        if name in self._variables:
            place, kind = self._variables[name]
            return self._builder.load(place), kind
        number = self._names[name]
        return self._value(ast.Constant(number))

    def _place(self, node: ast.Subscript) -> tuple[Any, Any]:
        """Address of an element of an array, and the array's type."""
        match node:
            case ast.Subscript(value=ast.Name(id=name), slice=ast.Constant(value=int(number))):
                place = self._context.get_constant(types.intp, number)
                return cgutils.gep_inbounds(self._builder, self._data[name], place), self._arrays[name][1]
        raise TypeError(f"no such place here: {ast.unparse(node)}")
