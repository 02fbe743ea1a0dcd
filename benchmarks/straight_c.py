"""The same solver as straight-line C: what a careful hand would write, as the yardstick for the compiled Python.

Takes the statements of ``fetsim.engine.emit``, prints them as C with the devices written out by hand, compiles with
gcc and marches the same multistep method. Only the benchmark uses it.
"""

import ctypes
import subprocess
import tempfile
from pathlib import Path

import numpy as np

from fetsim.engine.assembly import System
from fetsim.engine.emit import SolverText, difference
from fetsim.engine.plan import Plan

FLAGS = ("-O3", "-march=native", "-ffp-contract=fast", "-fno-math-errno", "-shared", "-fPIC")

DEVICES = """
static inline double limit_junction(double v, double old, double critical, double inv) {
    double start = old > critical ? old : critical, steps = (v - start) * inv;
    return steps <= 2.0 ? v : start + (2.0 + log(steps - 1.0)) / inv;
}
static inline double exponential(double a) {
    a = a > -700.0 ? a : -700.0; a = a < 80.0 ? a : 80.0;
    double y = a * (1.0 / 1024.0);
    double p = 1.0 + y * (1.0 + y * (1/2. + y * (1/6. + y * (1/24. + y * (1/120. + y * (1/720. + y / 5040.))))));
    p *= p; p *= p; p *= p; p *= p; p *= p; p *= p; p *= p; p *= p; p *= p; return p * p;
}
#define diode(i, g, v, e, is, slope) i = is * (e - 1.0); g = is * e / slope;
#define core(i, g, phi, il, is) { double q = phi * is; q *= q; q = q * q * q; \\
    i = phi * il * (1.0 + q); g = il * (1.0 + 7.0 * q); }
#define bjt(it, gf, gr, ib, gb, ic, gc, vbe, vbc, ee, ec, is, bf, br, va, vt) { \\
    double early = 1.0 - vbc * va, f = is * ee, r = is * ec, df = f * vt, dr = r * vt, w = f - r; \\
    it = w * early; gf = df * early; gr = -dr * early - w * va; \\
    ib = (f - is) * bf; gb = df * bf; ic = (r - is) * br; gc = dr * br; }
#define jfet(id, gs, gd, i1, g1, i2, g2, vgs, vgd, es, ed, beta, vp, lam, is, slope) { \\
    double os = vgs - vp, od = vgd - vp; os = os > 0 ? os : 0; od = od > 0 ? od : 0; \\
    double vds = vgs - vgd, l = vds >= 0 ? lam : -lam, m = 1 + l * vds, q = beta * (os * os - od * od), t = q * l; \\
    id = q * m; gs = 2 * beta * os * m + t; gd = -2 * beta * od * m - t; \\
    i1 = is * (es - 1.0); g1 = is * es / slope; i2 = is * (ed - 1.0); g2 = is * ed / slope; }
"""


def c_source(text: SolverText, system: System, plan: Plan) -> str:
    """Stage function and multistep loop in C."""
    n = system.size
    ports = [p for d in text.devices for p in d.ports]
    statements = [
        *text.linear_rows, *text.core_rows, *text.equivalents, *text.factor, *text.solve, *text.backward
    ]  # fmt: skip
    names = sorted({name for name, _ in statements} | {f"d{k}" for k in range(n)})
    names += [f"{letter}{p.number}" for p in ports for letter in "wcvt"]
    names += [name for d in text.devices for name in d.results]

    def assign(block: list[tuple[str, str]]) -> list[str]:
        return [f"{name} = {expression};" for name, expression in block]

    lines = [
        "#include <math.h>",
        DEVICES,
        "static int stage(const double *restrict lin, const double *restrict dev, const double *restrict x,",
        "  const double *restrict s, double *restrict d, double *restrict v, double u0, double tol, int most) {",
        f"double {', '.join(names)};",
        f"double arg[{max(text.junction_count, 1)}];",
        *(f"const double x{k} = x[{k}];" for k in text.old_states),
        *(f"const double s{k} = s[{k}];" for k in text.past_states),
        *(f"d{k} = d[{k}];" for k in range(plan.linear, n)),
        *assign(text.linear_rows + text.core_rows),
        *(f"w{p.number} = {difference('x', p.pair)}; c{p.number} = {difference('d', p.pair)};" for p in ports),
        "for (int it = 0; it < most; it++) {",
    ]
    for p in ports:
        k = p.number
        lines.append(f"v{k} = w{k} + c{k};")
        if p.limits is not None:
            lim = p.limits
            lines.append(
                f"if (v{k} > dev[{lim}]) {{ v{k} = limit_junction(v{k}, v[{k}], dev[{lim}], dev[{lim + 1}]);"
                f" c{k} = v{k} - w{k}; }}"
            )
    lines += [f"arg[{k}] = {e};" for d in text.devices for k, e in d.arguments]
    lines.append(f"for (int k = 0; k < {text.junction_count}; k++) arg[k] = exponential(arg[k]);")
    lines += [f"{d.function}({', '.join([*d.results, *d.inputs])})" for d in text.devices]
    lines += [*assign(text.equivalents + text.factor + text.solve), "int done = 1;"]
    for p in ports:
        k = p.number
        quiet = "0" if p.limits is None else f"fmax(v{k}, w{k} + t{k}) <= dev[{p.limits + 2}]"
        lines += [
            f"t{k} = {difference('d', p.pair)};",
            f"if (!(fabs(t{k} - c{k}) <= tol * {p.tolerance})) done &= {quiet};",
            f"v[{k}] = v{k}; c{k} = t{k};",
        ]
    lines += [
        "if (done) {",
        *assign(text.backward),
        *(f"d[{k}] = d{k};" for k in range(n)),
        *(f"v[{p.number}] = w{p.number} + c{p.number};" for p in ports),
        "return it + 1; } }",
        "return -1; }",
        f"""
long march(const double *lin, const double *dev, const double *w, const double *u, long steps, double *x,
           double *past, double *v, double tol, long recorded, double *out) {{
    static double s[{n}], d[{n}];
    long total = 0;
    for (long k = 0; k < steps; k++) {{
        for (int j = 0; j < {n}; j++) {{
            s[j] = w[0] * past[j] + w[1] * past[{n} + j] + w[2] * past[{2 * n} + j];
            d[j] = 2.0 * past[j] - past[{n} + j];
        }}
        int used = stage(lin, dev, x, s, d, v, u[k], tol, 100);
        if (used < 0) return -1;
        total += used;
        for (int j = 0; j < {n}; j++) {{
            past[{2 * n} + j] = past[{n} + j]; past[{n} + j] = past[j]; past[j] = d[j]; x[j] += d[j];
        }}
        out[k] = x[recorded];
    }}
    return total;
}}
""",
    ]
    return "\n".join(lines)


class StraightC:
    """The compiled C solver; needs gcc on the path."""

    def __init__(self, text: SolverText, system: System, plan: Plan) -> None:
        self._folder = tempfile.TemporaryDirectory()
        source, library = (Path(self._folder.name) / name for name in ("march.c", "march.so"))
        source.write_text(c_source(text, system, plan))
        subprocess.run(["gcc", *FLAGS, "-o", str(library), str(source), "-lm"], check=True)
        self._march = ctypes.CDLL(str(library)).march
        self._march.restype = ctypes.c_long

    def march(
        self, lin: np.ndarray, dev: np.ndarray, weights: np.ndarray, u: np.ndarray, x: np.ndarray,
        past: np.ndarray, v: np.ndarray, tolerance_v: float, recorded: int,
    ) -> tuple[np.ndarray, int]:  # fmt: skip
        """Output of unknown ``recorded`` at every step, and the Newton iterations used (-1: failed)."""

        def pointer(array: np.ndarray) -> ctypes.c_void_p:
            return ctypes.c_void_p(array.ctypes.data)

        out = np.empty(len(u))
        total = self._march(
            pointer(lin),
            pointer(dev),
            pointer(weights),
            pointer(u),
            ctypes.c_long(len(u)),
            pointer(x),
            pointer(past),
            pointer(v),
            ctypes.c_double(tolerance_v),
            ctypes.c_long(recorded),
            pointer(out),
        )
        return out, int(total)
