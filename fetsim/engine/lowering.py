"""The generated solver's text straight into numba's code generator, statement by statement.

numba infers the types of a function's variables by going round until nothing changes and brings its text into static
single assignment: over four fifths of the compile of a text of a thousand statements, and more than linear in their
number. Here every name has the type of what is assigned to it first, so one pass in reading order does. Operators,
functions and casts are numba's own, looked up once for each combination of types, so that the machine code is the same.

The language: assignments to names, tuples of names and elements of arrays at constant places; ``while True`` with
``break``, ``if``, a final ``return``; arithmetic, single comparisons and calls of what numba knows. A long text becomes
several functions, so that the time of the compile stays in proportion to its length.
"""

import ast
import builtins
import operator
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from inspect import Parameter, Signature
from typing import Any

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.core.extending import intrinsic
from numba.np.arrayobj import load_item, make_array, store_item

_OPERATORS: dict[type, Callable[..., Any]] = {
    ast.Add: operator.add, ast.Sub: operator.sub, ast.Mult: operator.mul, ast.Div: operator.truediv,
    ast.BitAnd: operator.and_, ast.BitOr: operator.or_, ast.USub: operator.neg,
    ast.Lt: operator.lt, ast.LtE: operator.le, ast.Gt: operator.gt, ast.GtE: operator.ge,
}  # fmt: skip

WHOLE, PIECE = 2400, 200
"""Statements of a text that stays whole, and of a piece of a longer one. LLVM's passes take more than linear time on a
function of thousands of statements; what pieces hand each other goes through memory. The Dunlin in pieces of 100 would
take a third more time a step."""
_ARRAY_BYTES = 64  # of what numba holds of an array, and more than any number has

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


def _stored(*nodes: ast.AST) -> list[str]:
    """Names that these assign, as often as they do."""
    found = (name for node in nodes for name in ast.walk(node) if isinstance(name, ast.Name))
    return [name.id for name in found if isinstance(name.ctx, ast.Store)]


def _assigned_again(function: ast.FunctionDef) -> frozenset[str]:
    """Names that have no one value: assigned more than once, or on condition."""
    tests = [node for node in ast.walk(function) if isinstance(node, ast.If)]
    counts = Counter([*_stored(function), *_stored(*tests), *_parameters(function)])
    return frozenset(name for name, count in counts.items() if count > 1)


def _pieces(body: Sequence[ast.stmt]) -> list[list[ast.stmt]]:
    """Statements in order; those without a jump in pieces of bounded length."""
    found: list[list[ast.stmt]] = [[]]
    for statement in body:
        jumps = any(isinstance(node, ast.While | ast.Break | ast.Return) for node in ast.walk(statement))
        if jumps or len(found[-1]) >= PIECE:
            found.append([])
        found[-1].append(statement)
        if jumps:
            found.append([])
    return [piece for piece in found if piece]


def _all_pieces(body: Sequence[ast.stmt]) -> Iterator[Sequence[ast.stmt]]:
    """Those inside loops too."""
    for piece in _pieces(body):
        if isinstance(piece[0], ast.While):
            yield from _all_pieces(piece[0].body)
        else:
            yield piece


def _named(piece: Sequence[ast.stmt]) -> set[str]:
    return {node.id for statement in piece for node in ast.walk(statement) if isinstance(node, ast.Name)}


class _Frame:
    """Where a text in pieces keeps what more than one of them needs: memory of the whole function, by name."""

    def __init__(self, context: Any, signature: Any, function: ast.FunctionDef, again: frozenset[str]) -> None:
        seen = Counter(name for piece in _all_pieces(function.body) for name in _named(piece))
        self.shared = {name for name, count in seen.items() if count > 1} | set(_parameters(function))
        self.again = again
        number = next(kind.dtype for kind in signature.args if isinstance(kind, types.Array))
        self._unit = max(8, context.get_abi_sizeof(context.get_value_type(number)))
        self.size = self._unit * len(self.shared) + _ARRAY_BYTES * (len(signature.args) + 1)
        self.known: dict[str, tuple[int, Any]] = {}
        """Offset of a name and its type."""
        self._used = 0

    def place(self, name: str, kind: Any) -> tuple[int, Any]:
        """Where a name stands, and its type: that of what is put there first."""
        if name not in self.known:
            room = _ARRAY_BYTES if isinstance(kind, types.Array) else self._unit
            self._used = -(-self._used // room) * room
            self.known[name] = self._used, kind
            self._used += room
        return self.known[name]


class _Lowering:
    """One LLVM function that the text, or a piece of it, is written into."""

    def __init__(self, context: Any, builder: Any, names: Mapping[str, Any]) -> None:
        self._context, self._builder, self._names = context, builder, names
        self._typing = context.typing_context
        self._values: dict[str, Typed] = {}
        """What is assigned once, and arguments."""
        self._variables: dict[str, Typed] = {}
        """What is assigned again: places on the stack, which LLVM turns into registers, and what they hold."""
        self._again: frozenset[str] = frozenset()
        self._data: dict[str, Any] = {}
        """Where an array begins."""
        self._known: dict[tuple[Any, tuple[Any, ...]], tuple[Any, Any]] = {}
        """Operations looked up already."""
        self._after: list[Any] = []
        """Where the loops around this place end."""
        self._frame: _Frame | None = None
        self._base: Any = None
        """Address of the frame."""
        self._in_piece = False
        """Whether this is a piece: what is read outside of any condition may be read again from a register."""
        self._conditions = 0

    def function(self, function: ast.FunctionDef, values: Sequence[Any], signature: Any) -> Any:
        """All of it; its value."""
        self._again = _assigned_again(function)
        if sum(isinstance(node, ast.stmt) for node in ast.walk(function)) > WHOLE:
            frame = self._frame = _Frame(self._context, signature, function, self._again)
            size = self._context.get_constant(types.intp, frame.size)
            self._base = cgutils.alloca_once(self._builder, ir.IntType(8), size=size, name="frame")
            self._base.align = _ARRAY_BYTES
        for name, value, kind in zip(_parameters(function), values, signature.args, strict=True):
            self._argument(name, (value, kind))
            if self._frame is not None:
                self._builder.store(value, self._shared(name, kind)[0])
        *body, last = function.body
        assert isinstance(last, ast.Return) and last.value is not None
        self._block(body)
        return self._cast(self._value(last.value), signature.return_type)

    def _argument(self, name: str, value: Typed) -> None:
        self._values[name] = value
        if isinstance(value[1], types.Array):
            self._data[name] = make_array(value[1])(self._context, self._builder, value[0]).data

    def _block(self, body: Sequence[ast.stmt]) -> None:
        if self._frame is None or self._in_piece:
            for statement in body:
                self._statement(statement)
            return
        for piece in _pieces(body):
            if len(piece) > 1:
                self._piece(piece)
            else:
                self._statement(piece[0])

    def _piece(self, piece: Sequence[ast.stmt]) -> None:
        """A function of its own, by numba's convention for calls: what it calls may return an error through it."""
        builder, (result, excuse, *_) = self._builder, self._builder.function.args
        kind = ir.FunctionType(ir.IntType(32), [result.type, excuse.type, self._base.type])
        name = builder.module.get_unique_name(f"{builder.function.name}.piece")
        made = ir.Function(builder.module, kind, name)
        made.linkage = "internal"
        made.attributes.add("noinline")
        made.args[2].add_attribute("noalias")
        inner = _Lowering(self._context, ir.IRBuilder(made.append_basic_block("entry")), self._names)
        inner._frame, inner._base, inner._again, inner._known = self._frame, made.args[2], self._again, self._known
        inner._in_piece = True
        for used in sorted(_named(piece) & set(self._values)):
            place, of = inner._shared(used)
            inner._argument(used, (inner._builder.load(place), of))
        inner._block(piece)
        inner._builder.ret(ir.Constant(ir.IntType(32), 0))
        code = builder.call(made, [result, excuse, self._base])
        with cgutils.if_unlikely(builder, builder.icmp_signed("!=", code, code.type(0))):
            builder.ret(code)

    def _shared(self, name: str, kind: Any = None) -> Typed:
        """Address in the frame and type of a name."""
        assert self._frame is not None
        offset, kind = self._frame.place(name, kind)
        address = cgutils.gep_inbounds(self._builder, self._base, self._context.get_constant(types.intp, offset))
        return self._builder.bitcast(address, self._context.get_value_type(kind).as_pointer()), kind

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
                    self._conditions += 1
                    for one in body:
                        self._statement(one)
                    self._conditions -= 1
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
        if self._frame is not None and name in self._frame.shared:
            place, kind = self._shared(name, value[1])
            cast = self._cast(value, kind)
            self._builder.store(cast, place)
            if self._in_piece and name not in self._again:
                self._values[name] = cast, kind
            return
        if name not in self._again:
            self._values[name] = value
            return
        if name not in self._variables:
            place = cgutils.alloca_once(self._builder, self._context.get_value_type(value[1]), name=name)
            self._variables[name] = place, value[1]
        place, kind = self._variables[name]
        self._builder.store(self._cast(value, kind), place)

    def _read(self, name: str) -> Typed:
        if name in self._values:
            return self._values[name]
        if name in self._variables:
            place, kind = self._variables[name]
            return self._builder.load(place), kind
        if self._frame is not None and name in self._frame.known:
            place, kind = self._shared(name)
            value = self._builder.load(place), kind
            if self._in_piece and self._conditions == 0 and name not in self._again:
                self._values[name] = value
            return value
        return self._value(ast.Constant(self._names[name]))

    def _place(self, node: ast.Subscript) -> tuple[Any, Any]:
        """Address of an element of an array, and the array's type."""
        match node:
            case ast.Subscript(value=ast.Name(id=name), slice=ast.Constant(value=int(number))):
                place = self._context.get_constant(types.intp, number)
                return cgutils.gep_inbounds(self._builder, self._data[name], place), self._values[name][1]
        raise TypeError(f"no such place here: {ast.unparse(node)}")
