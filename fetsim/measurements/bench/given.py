"""The unit that a measurement is asked of: a unit, or what ``render`` takes for one too."""

from collections.abc import Callable
from functools import wraps
from typing import Any, TypeVar, cast

from fetsim.schematic.load import given_unit

AnyMeasure = TypeVar("AnyMeasure", bound=Callable[..., Any])


def of_unit(measure: AnyMeasure) -> AnyMeasure:
    """A function whose first argument may also be the name of a shipped unit or the path of a file; UnitError, which
    says so, for anything else."""

    @wraps(measure)
    def given(unit: Any, *rest: Any, **more: Any) -> Any:
        return measure(given_unit(unit), *rest, **more)

    return cast(AnyMeasure, given)
