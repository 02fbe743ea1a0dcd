"""The current into a terminal of a part, whatever its kind: all that its equations put into that terminal's row.

    i = G x + C dx/dt - b - b_u u + the law's currents

So a current probe, the unit at rest and the solver cannot disagree about a part, and a new kind needs no hook for it.
"""

from collections.abc import Mapping

from fetsim.devices.kind import Kind
from fetsim.devices.law import Number, Values, Volts

Rates = Mapping[str, Number]
"""Terminal, wired or inner -> its change by time, 1/s."""


def current_into_a(
    kind: Kind, terminal: str, values: Values, volts: Volts, rates: Rates, input_v: Number = 0.0
) -> Number:
    """Current from the node into the part at a wired terminal [A], at one state or at many.

    The same direction for every kind and polarity: into a collector, drain, anode or first end it counts positive, so
    that of a conducting pnp or p-channel type is negative, and so is that of a supply which feeds a positive rail.
    """
    if kind.law is not None and kind.law.memory and any(terminal in flow for flow in kind.law.flows):
        # its current depends on what was before: it is what the other terminals leave
        others = (other for other in kind.terminals if other != terminal)
        return -sum(current_into_a(kind, other, values, volts, rates, input_v) for other in others)
    row = _Row(terminal, volts, rates, input_v)
    kind.linear(row, values)
    if kind.law is not None:
        for (start, end), flow in zip(kind.law.flows, kind.law.evaluate(values, volts), strict=True):
            row.total = row.total + ((start == terminal) - (end == terminal)) * flow.current
    return row.total


class _Row:
    """Takes a stamp's terms and adds up those of one row."""

    def __init__(self, terminal: str, volts: Volts, rates: Rates, input_v: Number) -> None:
        self.total: Number = 0.0
        self._terminal, self._volts, self._rates, self._input_v = terminal, volts, rates, input_v

    def g(self, row: str, column: str, value: float) -> None:
        if row == self._terminal:
            self.total = self.total + value * self._volts[column]

    def c(self, row: str, column: str, value: float) -> None:
        if row == self._terminal:
            self.total = self.total + value * self._rates[column]

    def b(self, row: str, constant: float, per_input: float) -> None:
        if row == self._terminal:
            self.total = self.total - (constant + per_input * self._input_v)
