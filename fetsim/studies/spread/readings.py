"""What was read of a real unit, as ``threshold=-9.2``, among the builds: a fault, or no more than tolerance?"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.asked import Figure, figure_named, twice
from fetsim.studies.spread.analysis import CONFIDENCE, Share, share_of
from fetsim.studies.spread.limits import amount_of

OUTER = 0.5 * (1.0 - CONFIDENCE)
"""Share of the builds at either end among which a reading is out of the ordinary."""
EXAMPLE = "such as threshold=-9.2 or release=0.4s"


@dataclass(frozen=True, kw_only=True)
class Reading:
    """A figure of the unit on the bench."""

    figure: Figure
    value: float


@dataclass(frozen=True, kw_only=True)
class Placed:
    """Where a reading lies among the builds; one that has not got the figure is on neither side."""

    reading: Reading
    known: int
    """Builds that have the figure."""
    lower: Share
    """Of the builds, those that read as low or lower,"""
    higher: Share
    """and as high or higher."""

    @property
    def verdict(self) -> str:
        """In words."""
        outer = min(self.lower, self.higher, key=lambda one: one.met)
        if not self.known:
            return "no build has the figure"
        if not outer.met:
            return "no build reads so far out: rather a fault"
        if outer.share < OUTER:
            return "hardly any build reads so far out: perhaps a fault"
        return "within what tolerances do"


def readings_of(texts: Iterable[str], unit: Unit) -> tuple[Reading, ...]:
    """All of them. Raises InputError, also where one figure is read twice."""
    found: dict[object, Reading] = {}
    for text in texts:
        name, sign, value = (piece.strip() for piece in str(text).partition("="))
        if not (name and sign and value):
            raise InputError(f"reading: {str(text)[:60]!r} is not NAME=VALUE, {EXAMPLE}")
        figure = figure_named(name, unit)
        if figure.of in found:
            raise InputError(f"reading: {twice(found[figure.of].figure, figure)}")
        found[figure.of] = Reading(figure=figure, value=amount_of(value, figure, "reading"))
    return tuple(found.values())


def placed(reading: Reading, values: Array) -> Placed:
    """``values`` are those of the builds [shape=(builds,)]; NaN is unknown."""
    return Placed(
        reading=reading, known=int(np.sum(np.isfinite(values))), lower=share_of(values <= reading.value),
        higher=share_of(values >= reading.value),
    )  # fmt: skip
