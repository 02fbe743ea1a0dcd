"""The generated solver as C++ with vector types, as a yardstick for the compiled Python.

The same text, translated statement by statement: laws, helpers and stage as ``fetsim.engine`` writes them, with one
number type for a single circuit (double) and one for several (a vector of doubles). Only the multistep loop around
them is written by hand. Compiled by g++; only benchmarks use it.
"""

import ast
import ctypes
import inspect
import re
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FunctionType

import numpy as np

from fetsim.engine.emit import python_source, solver_text
from fetsim.engine.lanes import WIDTH, lanes_stack
from fetsim.engine.laws_text import functions_of
from fetsim.engine.prepared import Prepared

COMPILER = "g++"
FLAGS = ("-O3", "-march=native", "-ffp-contract=fast", "-fno-math-errno", "-w", "-shared", "-fPIC")

PRELUDE = """#include <math.h>
#if LANES > 1
typedef double value __attribute__((vector_size(8 * LANES)));
typedef double number __attribute__((vector_size(8 * LANES), aligned(8)));
typedef long long mask __attribute__((vector_size(8 * LANES)));
static inline value wide(double a) { return a - value{}; }
static inline value log(value a) { for (int k = 0; k < LANES; k++) a[k] = log(a[k]); return a; }
static inline value abs(value a) { return (value)((mask)a & 0x7fffffffffffffffLL); }
static inline value max(value a, double b) { return wide(b) > a ? wide(b) : a; }
static inline value min(value a, double b) { return wide(b) < a ? wide(b) : a; }
static inline value select(mask m, double a, double b) { return m ? wide(a) : wide(b); }
static inline value select(mask m, double a, value b) { return m ? wide(a) : b; }
static inline value select(mask m, value a, double b) { return m ? a : wide(b); }
static inline bool any_lane(mask m) { long long r = 0; for (int k = 0; k < LANES; k++) r |= m[k]; return r; }
static inline bool all_lanes(mask m) { long long r = -1; for (int k = 0; k < LANES; k++) r &= -(m[k] != 0); return r; }
#else
typedef double value, number;
typedef bool mask;
static inline bool any_lane(mask m) { return m; }
static inline bool all_lanes(mask m) { return m; }
#endif
static inline value max(value a, value b) { return b > a ? b : a; }
static inline value min(value a, value b) { return b < a ? b : a; }
static inline value select(mask m, value a, value b) { return m ? a : b; }
"""

MARCH = """
extern "C" long march(number *lin, number *dev, number *memory, double *w, number *u,
                      long steps, number *x, number *past, number *v, number *arg, double tolerance, long recorded,
                      number *out) {
    static number s[UNKNOWNS], d[UNKNOWNS], kept[PORTS], failed[1];
    long total = 0;
    for (long k = 0; k < steps; k++) {
        for (int j = 0; j < PORTS; j++) kept[j] = v[j];
        for (int j = 0; j < UNKNOWNS; j++) {
            s[j] = w[0] * past[j] + w[1] * past[UNKNOWNS + j] + w[2] * past[2 * UNKNOWNS + j];
            d[j] = past[j] + (past[j] - past[UNKNOWNS + j]);
        }
        long used = stage(lin, dev, memory, x, s, d, v, arg, failed, INPUT(k), tolerance, 100);
        if (used < 0) return -1;
        total += used;
        for (int j = 0; j < UNKNOWNS; j++) {
            past[2 * UNKNOWNS + j] = past[UNKNOWNS + j]; past[UNKNOWNS + j] = past[j];
            past[j] = d[j]; x[j] = x[j] + d[j];
        }
        out[k] = x[recorded];
    }
    return total;
}
"""


def found() -> bool:
    """Whether there is a compiler on this machine."""
    return shutil.which(COMPILER) is not None


class Native:
    """The compiled march of a circuit, or of several of one topology side by side; multistep methods only."""

    def __init__(self, circuits: list[Prepared], recorded: str) -> None:
        first = circuits[0]
        self._circuits, self._lanes = circuits, len(circuits)
        self._recorded = int(first.recorder([recorded]).columns[0])
        self._folder = tempfile.TemporaryDirectory()
        source, library = (Path(self._folder.name) / name for name in ("march.cpp", "march.so"))
        source.write_text(_source(first, self._lanes))
        subprocess.run([COMPILER, *FLAGS, f"-DLANES={self._lanes}", "-o", library, source, "-lm"], check=True)
        self._march = ctypes.CDLL(str(library)).march
        self._march.restype = ctypes.c_long
        self._lin = side_by_side([p.values.lin for p in circuits])
        self._dev = side_by_side([p.values.dev for p in circuits])

    def starting(self, bias: list[np.ndarray]) -> Callable[[np.ndarray], np.ndarray]:
        """A march from these states of rest: takes one input for all [shape=(steps,)] and gives the recorded unknown
        [shape=(steps, lanes)]."""
        states = [p.state_at(rest) for p, rest in zip(self._circuits, bias, strict=True)]
        x, past, ports = (side_by_side([getattr(s, name) for s in states]) for name in ("x", "past", "ports"))
        arg = side_by_side([p.scratch().arg for p in self._circuits])
        memory = side_by_side([np.zeros(1)] * self._lanes)
        weights = self._circuits[0].tableau.past

        def advance(u: np.ndarray) -> np.ndarray:
            inputs, out = np.repeat(u[:, None], self._lanes, axis=1), np.empty((len(u), self._lanes))
            total = self._march(
                _at(self._lin), _at(self._dev), _at(memory), _at(weights), _at(inputs), ctypes.c_long(len(u)), _at(x),
                _at(past), _at(ports), _at(arg), ctypes.c_double(self._circuits[0].tolerance_v),
                ctypes.c_long(self._recorded), _at(out),
            )  # fmt: skip
            assert total > 0, "a step found no solution"
            return out

        return advance


def side_by_side(arrays: list[np.ndarray]) -> np.ndarray:
    """As the lanes have them, vectors where the processor takes each in one piece."""
    return lanes_stack(arrays) if len(arrays) == WIDTH else np.stack(arrays, axis=-1)


def _at(array: np.ndarray) -> ctypes.c_void_p:
    return ctypes.c_void_p(array.ctypes.data)


def _source(prepared: Prepared, lanes: int) -> str:
    system, plan = prepared.reduced.system, prepared.solver.plan
    sizes = {
        "UNKNOWNS": system.size, "PORTS": sum(len(d.ports) for d in system.devices),
        "SHAPE_arg": len(prepared.scratch().arg) if lanes == 1 else max(prepared.solver.junction_count, 1),
    }  # fmt: skip
    stage = python_source(solver_text(system, plan), system, plan)
    an_array = re.search(r"\bu\[", stage) is not None  # where the circuit may have several inputs
    functions = {f.__name__: f for law in functions_of(system.devices) for f in _with_helpers(law)}
    texts = [*(inspect.getsource(f) for f in functions.values()), stage]
    numbers = {n: x for f in functions.values() for n, x in f.__globals__.items() if isinstance(x, float)}
    return "\n".join([
        *(f"#define {name} {size}" for name, size in sizes.items()),
        f"#define INPUT(k) {'u + k' if an_array else 'u[k]'}", PRELUDE,
        *(f"static const double {name} = {number!r};" for name, number in numbers.items() if np.isfinite(number)),
        *(_Function(text).text for text in texts), MARCH,
    ])  # fmt: skip


def _with_helpers(function: FunctionType) -> Iterator[FunctionType]:
    """A law after the functions of its module that it calls."""
    for name in function.__code__.co_names:
        helper = function.__globals__.get(name)
        if isinstance(helper, FunctionType) and name != "select":
            yield from _with_helpers(helper)
    yield function


SIGNS: dict[type, str] = {
    ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/", ast.BitAnd: "&", ast.BitOr: "|", ast.USub: "-",
    ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=",
}  # fmt: skip
KINDS = {"iterations": "long", "done": "mask", "tolerance": "double", "max_iterations": "long"}
"""Of variables that are no numbers of a circuit."""


class _Function:
    """A Python function in C++: several results become references in front of the arguments, an array's length a
    constant named after the stage's array."""

    def __init__(self, text: str) -> None:
        (node,) = ast.parse(text).body
        assert isinstance(node, ast.FunctionDef)
        arrays = {n.value.id for n in ast.walk(node) if isinstance(n, ast.Subscript) and isinstance(n.value, ast.Name)}
        if node.name == "stage":
            arrays |= set(STAGE_ARRAYS)
        last = node.body[-1]
        results = last.value.elts if isinstance(last, ast.Return) and isinstance(last.value, ast.Tuple) else []
        parameters = [f"number &result{k}" for k in range(len(results))]
        for argument in node.args.args:
            kind = KINDS.get(argument.arg, "value")
            kind = "number *__restrict" if argument.arg in arrays else kind
            parameters.append(f"{kind} {argument.arg}")
        made = {n.id for n in ast.walk(node) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)}
        made -= {a.arg for a in node.args.args} | {n.target.id for n in ast.walk(node) if isinstance(n, ast.For)}
        kind = "long" if node.name == "stage" else "value" if isinstance(last, ast.Return) and not results else "void"
        constant = "static inline" if node.name != "stage" else "static __attribute__((noinline))"
        self.text = "\n".join([
            f"{constant} {kind} {node.name}({', '.join(parameters)}) {{",
            *(f"{KINDS.get(name, 'value')} {name};" for name in sorted(made)),
            *(self._statement(s) for s in node.body), "}",
        ])  # fmt: skip

    def _statement(self, node: ast.stmt) -> str:
        match node:
            case ast.Expr(value=ast.Constant()):
                return ""
            case ast.Expr(value=value):
                return f"{self._value(value)};"
            case ast.Assign(targets=[ast.Tuple(elts=targets)], value=ast.Tuple(elts=values)):
                return "".join(f"{self._value(t)} = {self._value(v)};" for t, v in zip(targets, values, strict=True))
            case ast.Assign(targets=[ast.Tuple(elts=targets)], value=ast.Call() as call):
                arguments = ", ".join(self._value(a) for a in (*targets, *call.args))
                return f"{self._value(call.func)}({arguments});"
            case ast.Assign(targets=[target], value=value):
                return f"{self._value(target)} = {self._value(value)};"
            case ast.AugAssign(target=target, op=sign, value=value):
                return f"{self._value(target)} {SIGNS[type(sign)]}= {self._value(value)};"
            case ast.If(test=test, body=body, orelse=[]):
                return f"if ({self._value(test)}) {{ {self._block(body)} }}"
            case ast.While(body=body):
                return f"while (true) {{ {self._block(body)} }}"
            case ast.For(target=target, iter=ast.Call(args=[count]), body=body):
                k = self._value(target)
                return f"for (long {k} = 0; {k} < {self._value(count)}; {k}++) {{ {self._block(body)} }}"
            case ast.Break():
                return "break;"
            case ast.Return(value=ast.Tuple(elts=values)):
                return "".join(f"result{k} = {self._value(v)};" for k, v in enumerate(values))
            case ast.Return(value=value) if value is not None:
                return f"return {self._value(value)};"
        raise TypeError(f"not translated: {ast.unparse(node)}")

    def _block(self, body: list[ast.stmt]) -> str:
        return "\n".join(self._statement(s) for s in body)

    def _value(self, node: ast.expr) -> str:
        match node:
            case ast.Constant(value=bool(value)):
                return str(value).lower()
            case ast.Constant(value=value):
                return repr(float(value))
            case ast.Name(id=name):
                return name
            case ast.Subscript(value=array, slice=ast.Constant(value=k)):
                if ast.unparse(array).endswith(".shape"):
                    return "SHAPE_arg"
                return f"{self._value(array)}[{k}]"
            case ast.Subscript(value=array, slice=ast.Name(id=k)):
                return f"{self._value(array)}[{k}]"
            case ast.BinOp(left=a, op=sign, right=b):
                return f"({self._value(a)} {SIGNS[type(sign)]} {self._value(b)})"
            case ast.UnaryOp(op=sign, operand=a):
                return f"({SIGNS[type(sign)]}{self._value(a)})"
            case ast.Compare(left=a, ops=[sign], comparators=[b]):
                return f"({self._value(a)} {SIGNS[type(sign)]} {self._value(b)})"
            case ast.IfExp(test=test, body=yes, orelse=no):
                return f"({self._value(test)} ? {self._value(yes)} : {self._value(no)})"
            case ast.Call(func=function, args=arguments):
                return f"{self._value(function)}({', '.join(self._value(a) for a in arguments)})"
        raise TypeError(f"not translated: {ast.unparse(node)}")


STAGE_ARRAYS = ("lin", "dev", "memory", "x", "s", "d", "v", "arg", "failed")
