"""A figure that cannot be had, with the reason as data: programs go by the cause, people read the text."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

Cause = Literal[
    "not defined",  # for this kind of step, unit or setting: nothing is wrong
    "not reached",  # the range that was measured ends before
    "reached before",  # the range that was measured begins too late
    "nothing to measure",  # no change, no compression
    "too short",  # the signal ends before the figure does
    "too coarse",  # faster or smaller than what was resolved
    "unsteady",  # noise, ripple or a drift hide it
    "of another shape",  # what was measured does not run as the figure supposes: no exponential, say
    "not computed",  # a solution did not come about
]


@dataclass(frozen=True, kw_only=True)
class Missing:
    """In the place of a figure."""

    cause: Cause
    text: str
    """Why, and what to do about it, as a clause without a full stop."""


def with_advice(missing: Missing, advice: Mapping[Cause, str]) -> Missing:
    """The same with what to do about it, where there is advice for its cause.

    An analyser of arrays says what is wrong with them; only who made the arrays knows what to do.
    """
    words = advice.get(missing.cause)
    return missing if words is None else replace(missing, text=f"{missing.text}; {words}")
