"""Sources of noise -> source text of what a noisy march does for one topology: strengths, and sums row by row.

The statements are of the kind that ``emit`` writes. Names: n a density that a device tells; ``noise`` are the values of
``PreparedNoise``, ``rms`` the strength of each moving source (its square at first), ``z`` the numbers
of a step, or of several steps side by side.
"""

from fetsim.devices.kinds import KINDS
from fetsim.devices.noise import NoiseLaw
from fetsim.engine.assembly import NO_UNKNOWN, System
from fetsim.engine.emit import SolverText
from fetsim.engine.noise import MovingSource, NoiseShape

STRENGTHS_ARGUMENTS = ("dev", "noise", "v", "arg", "rms")
ROWS_ARGUMENTS = ("noise", "rms", "z", "rows")
SOME_KELVIN = 300.0  # how many parameters there are does not depend on it


def strengths_source(shape: NoiseShape, system: System, text: SolverText) -> str:
    """The function that fills the strengths, at the port voltages of a state."""
    lines = _strengths(shape, system, text)
    return _function("strengths", STRENGTHS_ARGUMENTS, lines)


def rows_source(shape: NoiseShape) -> str:
    """The function that adds up what each noisy row gets."""
    terms: dict[int, list[str]] = {row: [] for row in shape.rows}
    weight, number = 1, 0
    for columns, moving, strength in (
        (shape.fixed, shape.moving, 0), (shape.fixed_pink, shape.moving_pink, len(shape.moving))
    ):  # fmt: skip
        for rows in columns:
            for row in rows:
                terms[row].append(f"+ noise[{weight}] * z[{number}]")
                weight += 1
            number += 1
        for k, one in enumerate(moving, start=strength):
            for row, sign in ((one.start, "-"), (one.end, "+")):
                if row != NO_UNKNOWN:
                    terms[row].append(f"{sign} rms[{k}] * z[{number}]")
            number += 1
    return _function("rows", ROWS_ARGUMENTS, [f"rows[{k}] = {_sum(terms[row])}" for k, row in enumerate(shape.rows)])


def _function(name: str, arguments: tuple[str, ...], lines: list[str]) -> str:
    return "\n".join([f"def {name}({', '.join(arguments)}):", *(f"    {line}" for line in lines), "    return 0", ""])


def _sum(terms: list[str]) -> str:
    first, *others = terms
    return " ".join([first.removeprefix("+ "), *others])


def _strengths(shape: NoiseShape, system: System, text: SolverText) -> list[str]:
    """Rms of each moving source."""
    sources: tuple[MovingSource, ...] = (*shape.moving, *shape.moving_pink)
    if not sources:
        return []
    arguments, calls = [], []
    place = 1 + shape.weights
    for number, (device, written) in enumerate(zip(system.devices, text.devices, strict=True)):
        kind = KINDS[device.kind]
        law = kind.noise
        if not isinstance(law, NoiseLaw):
            continue
        arguments += [f"v{port.number} = v[{port.number}]" for port in written.ports]
        arguments += [f"arg[{k}] = {expression}" for k, expression in written.arguments]
        count = len(law.parameters(kind.typical, SOME_KELVIN))
        more = [f"noise[{place + k}]" for k in range(count)]
        place += count
        results = "".join(f"n{number}_{k}, " for k in range(len(law.sources)))
        calls.append(f"{results}= {law.function.__name__}({', '.join([*written.inputs, *more])})")
    powers = [f"rms[{k}] = n{one.device}_{one.place}" for k, one in enumerate(sources)]
    return [*arguments, "exponentials(arg)", *calls, *powers, "roots(rms, noise[0])"]
