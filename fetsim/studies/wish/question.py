"""All that is asked for, as data: read and checked before anything is measured."""

from collections.abc import Iterable
from dataclasses import dataclass

from fetsim.schematic.unit import Unit
from fetsim.studies.builds.asked import DEFAULT_FIGURES, Figure, figures_named
from fetsim.studies.builds.nominal import MARCHED, OF_CELL
from fetsim.studies.wish.wants import Asked, asked_of
from fetsim.studies.wish.ways import Way, ways_of


@dataclass(frozen=True, kw_only=True)
class Question:
    """What is wished for, what may change, and what else is told."""

    asked: tuple[Asked, ...]
    ways: tuple[Way, ...]
    other: tuple[Figure, ...]

    @property
    def wished(self) -> tuple[Figure, ...]:
        """The figures that are wished for,"""
        return tuple(one.figure for one in self.asked)

    @property
    def figures(self) -> tuple[Figure, ...]:
        """and all that are measured in the end."""
        return (*self.wished, *self.other)

    @property
    def plays(self) -> bool:
        """Whether anything is played in time."""
        return any(one.group in MARCHED for one in self.figures)


def question_of(
    unit: Unit, wants: Iterable[str], may: Iterable[str], series: Iterable[str] = (),
    figures: Iterable[str] | None = None,
) -> Question:  # fmt: skip
    """``figures``: what else is told; by default what the unit can have of the default figures. Raises InputError."""
    asked, ways = asked_of(wants, unit), ways_of(may, series, unit)
    if figures is None:
        figures = [one for one in DEFAULT_FIGURES if unit.gain_cell is not None or one not in OF_CELL]
    wished = {one.figure.key for one in asked}
    other = tuple(one for one in figures_named(figures, unit) if one.key not in wished)
    return Question(asked=asked, ways=ways, other=other)
