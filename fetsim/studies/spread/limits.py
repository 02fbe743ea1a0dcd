"""Limits that a build must meet, as they are written: ``threshold=-12..-9``, ``release=..0.6s``."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import inf

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.schematic.unit import Unit
from fetsim.schematic.values import parse_value
from fetsim.studies.builds.asked import Figure, figure_named

DOTS = ".."
EXAMPLE = "such as threshold=-12..-9, release=..0.6s or volts@ctl=-6V.."


@dataclass(frozen=True, kw_only=True)
class Limit:
    """Where a figure must lie."""

    figure: Figure
    low: float
    """-inf where there is none,"""
    high: float
    """inf where there is none."""

    def met(self, values: Array) -> NDArray[np.bool_]:
        """Whether each value is inside; one that could not be had is not."""
        return np.isfinite(values) & (values >= self.low) & (values <= self.high)

    def beyond(self, values: Array) -> Array:
        """How far each value is outside, negative inside; NaN where it could not be had."""
        return np.maximum(self.low - values, values - self.high)


def limits_of(texts: Iterable[str], unit: Unit) -> tuple[Limit, ...]:
    """All limits, those of one figure as one. Raises InputError, also where two of them leave no room."""
    if isinstance(texts, str):
        raise InputError("limit: give a list of limits, not one text")
    found: dict[str, Limit] = {}
    for text in texts:
        one = _limit(text, unit)
        before = found.get(one.figure.key)
        if before is not None:
            one = replace(one, low=max(one.low, before.low), high=min(one.high, before.high))
            if one.low > one.high:
                raise InputError(f"limit: those of {one.figure.key} contradict each other; no value meets them all")
        found[one.figure.key] = one
    return tuple(found.values())


def limited(figures: Sequence[Figure], others: Iterable[Figure]) -> tuple[Figure, ...]:
    """The figures, and those that only limits or readings are about."""
    return tuple({one.key: one for one in (*figures, *others)}.values())


def _limit(text: str, unit: Unit) -> Limit:
    name, sign, limits = (piece.strip() for piece in str(text).partition("="))
    low, dots, high = (piece.strip() for piece in limits.partition(DOTS))
    if not (name and sign and dots) or not (low or high):
        raise InputError(f"limit: {str(text)[:60]!r} is not NAME=LOW..HIGH, {EXAMPLE}")
    figure = figure_named(name, unit)
    one = Limit(figure=figure, low=_end(low, -inf, figure), high=_end(high, inf, figure))
    if one.low > one.high:
        raise InputError(f"limit: {str(text)[:60]!r} runs backwards; write the lower end first")
    return one


def _end(text: str, missing: float, figure: Figure) -> float:
    return amount_of(text, figure, "limit") if text else missing


def amount_of(text: str, figure: Figure, what: str) -> float:
    """An amount of a figure as it is written. Raises InputError, which says ``what`` was wanted."""
    try:
        return parse_value(text.removesuffix("dBu").strip() if figure.unit == "dBu" else text, figure.quantity)
    except InputError as error:
        raise InputError(f"{what}: {figure.key}: {error}") from None
