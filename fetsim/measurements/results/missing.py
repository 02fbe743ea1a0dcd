"""A figure that cannot be had, with the reason as data: programs go by the cause, people read the text."""

from dataclasses import dataclass
from typing import Literal

Cause = Literal[
    "not defined",  # for this kind of step, unit or setting: nothing is wrong
    "not reached",  # the range that was measured ends before
    "reached before",  # the range that was measured begins too late
    "nothing to measure",  # no change, no compression
    "too short",  # the signal ends before the figure does
    "too coarse",  # faster or smaller than what was resolved
    "unsteady",  # noise, ripple or a drift hide it
    "not computed",  # a solution did not come about
]


@dataclass(frozen=True, kw_only=True)
class Missing:
    """In the place of a figure."""

    cause: Cause
    text: str
    """Why, and what to do about it, as a clause without a full stop."""
