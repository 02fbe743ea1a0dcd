"""How raw values become text in a table: one function a kind of figure, none of which knows where it is printed."""

from collections.abc import Callable
from functools import partial
from math import isfinite, isinf

from fetsim.schematic.values import format_value

Format = Callable[[float], str]


def fixed(digits: int, *, sign: bool = False) -> Format:
    """So many decimals, with a sign where ``sign``; no negative zero."""
    return partial(_fixed, digits=digits, sign=sign)


def general(digits: int) -> Format:
    """So many significant digits."""
    return partial(_general, digits=digits)


def amount(quantity: str, digits: int = 4, smallest: float = 0.0) -> Format:
    """``4.7 kohm``, ``-13.99 V``: a quantity of the unit files with its prefix; below ``smallest`` it reads zero."""
    return partial(_amount, quantity=quantity, digits=digits, smallest=smallest)


def ratio(value: float) -> str:
    """A local ratio in dB per dB, also where the output no longer rises (infinite) or falls (negative)."""
    if isinf(value):
        return "infinite"
    return "falls" if value < 0.0 else _fixed(value, digits=1 if value >= 10.0 else 2, sign=False)


def seconds(value: float) -> str:
    """``52.6 us``, ``1.15 ms``, ``0.371 s``, three significant digits."""
    for limit, factor, unit in ((1e-3, 1e6, "us"), (0.1, 1e3, "ms")):
        if value < limit:
            return f"{_three(value * factor)} {unit}"
    return f"{_three(value)} s"


def short_time(value: float) -> str:
    """``-0.572 us``, ``5.31 ms``, with its sign and no more than a nanosecond's digits."""
    return f"{1e3 * value:.4g} ms" if abs(value) >= 1e-3 else f"{round(1e6 * value, 3) + 0.0:.4g} us"


def hertz(value: float) -> str:
    """``20 Hz``, ``4.78 kHz``, ``1.2 MHz``."""
    for factor, name in ((1e6, "MHz"), (1e3, "kHz")):
        if value >= factor:
            return f"{value / factor:.3g} {name}"
    return f"{value:.3g} Hz"


def _fixed(value: float, *, digits: int, sign: bool) -> str:
    if not isfinite(value):
        return "-"
    return f"{round(value, digits) + 0.0:{'+' if sign else ''}.{digits}f}"


def _general(value: float, *, digits: int) -> str:
    return f"{value:.{digits}g}" if isfinite(value) else "-"


def _amount(value: float, *, quantity: str, digits: int, smallest: float) -> str:
    return format_value(0.0 if abs(value) < smallest else value, quantity, digits)


def _three(value: float) -> str:
    return f"{value:.3g}" if value < 999.5 else f"{value:.0f}"


def percent(ratio: float) -> str:
    """A ratio as ``1.73 %``, ``0.0466 %``."""
    return f"{100.0 * ratio:.3g} %" if ratio >= 1e-6 or ratio == 0.0 else f"{100.0 * ratio:.1e} %"


def quantity(name: str, digits: int = 4) -> Format:
    """A value of a part with prefix and unit, ``name`` as in ``schematic.values``."""
    return partial(format_value, quantity=name, digits=digits)


LEVEL = fixed(1, sign=True)
FINE_LEVEL = fixed(2, sign=True)
