"""Stepped attenuators: a chain of resistors with a contact at each joint, written as its steps in decibels.

As an element it is the track of a potentiometer that stands at one of its contacts: what lies above and below the
contact in use is one resistor each, so the circuit is that of the whole chain. Wafers of one shaft are several such
parts on one control; other ladders (two resistors a step, constant impedance) are selectors with resistors.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, log10

from fetsim.schematic.eseries import nearest

OFF = "off"
OFF_DB = -inf
SERIES = "E96"
"""Of the resistors that a chain is built from."""
SAME_STEP_DB = 0.005


def step_number(steps: Sequence[float], position: float) -> int:
    """At which contact a control stands [0 to 1], counted from fully counter-clockwise."""
    return round(position * (len(steps) - 1))


def step_at(steps: Sequence[float], position: float, direction: str | None) -> int:
    """``step_number`` of a control that turns its wiper this way."""
    return step_number(steps, 1.0 - position if direction == "falling" else position)


def position_of(steps: Sequence[float], decibel: float) -> float | None:
    """Where the control has to stand for a step [dB]; None where there is none of that size."""
    near = (k for k, step in enumerate(steps) if step == decibel or abs(step - decibel) <= SAME_STEP_DB)
    found = next(near, None)
    return None if found is None else found / (len(steps) - 1)


def share(decibel: float) -> float:
    """Of the chain, from its bottom to the contact of a step."""
    return 10.0 ** (decibel / 20.0)


def step_text(decibel: float) -> str:
    """``-12 dB`` or ``off``."""
    return OFF if decibel == OFF_DB else f"{decibel:g} dB"


@dataclass(frozen=True, kw_only=True)
class Rung:
    """One resistor of a chain, below the contact of a step; the last one has no contact above it."""

    step: float | None
    """In dB; None above the last contact, where that is not the top."""
    position: float | None
    """Of the control."""
    ohm: float
    bought_ohm: float
    """The preferred value next to it; 0 where there is none."""
    bought_db: float | None
    """What the step comes to when all are preferred values."""


def chain(total_ohm: float, steps: Sequence[float]) -> tuple[Rung, ...]:
    """The resistors, from the bottom; ``total_ohm`` is that of all of them."""
    ends = [share(step) for step in steps]
    ohms = [total_ohm * (high - low) for low, high in zip([0.0, *ends], [*ends, 1.0], strict=True)]
    bought = [nearest(ohm, SERIES) if ohm > 1e-9 * total_ohm else 0.0 for ohm in ohms]
    rungs = []
    for k, (ohm, one) in enumerate(zip(ohms, bought, strict=True)):
        below = sum(bought[: k + 1]) / sum(bought)
        rungs.append(Rung(
            step=steps[k] if k < len(steps) else None, position=k / (len(steps) - 1) if k < len(steps) else None,
            ohm=ohm, bought_ohm=one,
            bought_db=None if k == len(steps) else 20.0 * log10(below) if below > 0.0 else OFF_DB,
        ))  # fmt: skip
    return tuple(rungs if rungs[-1].ohm > 1e-9 * total_ohm else rungs[:-1])
