"""The laws of a topology's devices as text, with everything of their modules that they use.

The generated solver holds the source of what it compiles instead of importing it: so its text, and the hash of that
text, change whenever a law changes, or a helper or constant that a law calls.
"""

import inspect
from collections.abc import Callable, Iterable, Sequence
from functools import cache
from types import FunctionType, ModuleType
from typing import Any

import numpy as np

from fetsim.devices.kinds import KINDS
from fetsim.devices.law import clamp, select
from fetsim.devices.noise import NoiseLaw
from fetsim.engine import numeric
from fetsim.engine.assembly import Device

KNOWN = (clamp, select)
"""What has a meaning for lanes, and so is imported by every solver."""
APART, IN_PLACE = "@njit(**options)", "@njit(forceinline=True, **options)"
FREE = '@njit(**{**options, "fastmath": {"contract", "reassoc"}})'
HELPERS = (numeric.exponentials, numeric.limited)
"""What the generated text itself calls besides the laws."""


def functions_of(devices: Iterable[Device], *, noisy: bool = False) -> list[Callable[..., Any]]:
    """Each law's functions once, and the solver's helpers; those of noise only where it is ``noisy``."""
    laws = [function for d in devices for function in (d.law.function, d.law.accept) if function is not None]
    noises = [KINDS[d.kind].noise for d in devices] if noisy else []
    of_noise = [noise.function for noise in noises if isinstance(noise, NoiseLaw)]
    return list(dict.fromkeys([*laws, *of_noise, *HELPERS, *([numeric.roots] if noisy else [])]))


def freely_summed(devices: Iterable[Device]) -> list[Callable[..., Any]]:
    """Those functions of laws whose sums may be taken in any order."""
    return [d.law.function for d in devices if d.law.sums_freely]


def laws_text(functions: Iterable[Callable[..., Any]], free: Sequence[Callable[..., Any]] = ()) -> str:
    """Compiled definitions of these functions, after all that they refer to; those in ``free`` add up in any order."""
    texts: dict[str, str] = {}
    owners: dict[str, Any] = {}
    for function in functions:
        _add(function, function.__name__, texts, owners, free)
    return "\n\n".join(texts.values())


def _add(
    value: Any, name: str, texts: dict[str, str], owners: dict[str, Any], free: Sequence[Callable[..., Any]] = ()
) -> None:
    if any(value is one for one in KNOWN):
        return
    if name in owners:
        if owners[name] is not value and not np.array_equal(owners[name], value):
            raise ValueError(f"two laws mean different things by {name!r}; rename one")
        return
    owners[name] = value
    if isinstance(value, ModuleType):
        texts[name] = f"import {value.__name__} as {name}"
    elif isinstance(value, FunctionType):
        for used in value.__code__.co_names:
            if used in value.__globals__:
                _add(value.__globals__[used], used, texts, owners, free)
        compiled = APART if value in HELPERS else FREE if value in free else IN_PLACE
        texts[name] = f"{compiled}\n{_source(value)}".rstrip()
    elif isinstance(value, int | float):
        texts[name] = f"{name} = {value!r}"
    elif isinstance(value, np.ndarray):
        _add(np, "np", texts, owners)
        texts[name] = f"{name} = np.array({value.tolist()!r})"
    elif callable(value):
        texts[name] = f"from {value.__module__} import {value.__name__} as {name}"
    else:
        raise ValueError(f"a law uses {name!r}, which is neither a number, an array nor a function")


@cache
def _source(function: FunctionType) -> str:
    """Read once: finding where a function ends takes a millisecond."""
    return inspect.getsource(function)
