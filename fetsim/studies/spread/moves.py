"""What does this part do? Each value of each part changed alone, up and down, and by how much every figure moves.

Central differences over the same step for all: half of what lies between the build with the value so many per cent up
and the one with it as much down. For small steps that is the slope, whose exact form ``measure sensitivity`` has for
what needs no playing. Moves that are no larger than what a figure is uncertain by are none.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fetsim.audio.arrays import real_number
from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.schematic.model import UnitData
from fetsim.schematic.movable import movable
from fetsim.studies.builds.asked import Figure
from fetsim.studies.builds.figures import Figures

LARGEST_STEP = 0.5
UNCERTAIN: Mapping[str, float] = {"knee": 0.002, "tone": 0.002, "rest": 1e-6, "small": 1e-6, "noise": 1e-6}
"""In dB (V at rest), of figures by group: what a state that has not quite settled leaves (``builds.knee``), and bias
points that are looked for;"""
UNCERTAIN_SHARE: Mapping[str, float] = {"step": 2e-3, "ratio": 4e-3, "thd": 2e-3}
"""and as a share of the figure, by group or kind."""


@dataclass(frozen=True, kw_only=True)
class Move:
    """What one value does."""

    name: str
    """As a change takes it."""
    by: Mapping[str, float | None]
    """Figure -> how much it moves for the step upwards; None where a build has not got it."""


@dataclass(frozen=True, kw_only=True)
class Moves:
    """All of them, in the order of the unit's parts."""

    step: float
    """By how much each value was moved either way, as a share of it."""
    moves: tuple[Move, ...]
    uncertain: Mapping[str, float]
    """Figure -> a move no larger is none."""

    def largest(self, figure: str, count: int) -> list[Move]:
        """Those that move a figure, the largest move first."""
        moved = [one for one in self.moves if abs(one.by.get(figure) or 0.0) > self.uncertain[figure]]
        return sorted(moved, key=lambda one: -abs(one.by[figure] or 0.0))[:count]


def check_step(step: float) -> None:
    """Raises InputError for what no value can be moved by."""
    step = real_number(step, "moves")
    if not 0.0 < step <= LARGEST_STEP:
        most = f"{100.0 * LARGEST_STEP:g} %"
        raise InputError(f"moves: {100.0 * step:g} % is no step; give more than 0 % and at most {most}")


def move_plan(unit: UnitData, step: float) -> list[dict[str, float]]:
    """Changes of each build: every value up, then every value down."""
    values = movable(unit)
    return [{name: value * (1.0 + way * step)} for way in (1.0, -1.0) for name, value in values.items()]


def moves_of(
    unit: UnitData, step: float, rows: Sequence[Figures], figures: Sequence[Figure], nominal: Figures
) -> Moves:
    """Out of the rows of ``move_plan``."""
    names = list(movable(unit))
    up, down = (_columns(rows[start : start + len(names)], figures) for start in (0, len(names)))
    half = 0.5 * (up - down)
    return Moves(
        step=step,
        moves=tuple(
            Move(
                name=name,
                by={one.key: float(half[row, k]) if np.isfinite(half[row, k]) else None
                    for k, one in enumerate(figures)},
            )
            for row, name in enumerate(names)
        ),
        uncertain={one.key: _uncertain(one, nominal.found.get(one.key)) for one in figures},
    )  # fmt: skip


def _columns(rows: Sequence[Figures], figures: Sequence[Figure]) -> Array:
    return np.array([[row.found.get(one.key, np.nan) for one in figures] for row in rows])


def _uncertain(figure: Figure, value: float | None) -> float:
    share = UNCERTAIN_SHARE.get(figure.kind, UNCERTAIN_SHARE.get(figure.group))
    if share is not None:
        return share * abs(value or 0.0)
    return UNCERTAIN[figure.group]
