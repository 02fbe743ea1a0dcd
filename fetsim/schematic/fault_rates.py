"""How often parts fail and how, as relative figures: the table of the library, and a user's own on top of it."""

import tomllib
from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files
from math import isfinite
from pathlib import Path

from fetsim.errors import InputError
from fetsim.files.reading import read_text
from fetsim.schematic.fields import suggestion

LARGEST_FILE = 100_000  # bytes
EACH, SOURCE = "each", "source"
MISTAKES = "mistakes"

Rates = Mapping[str, Mapping[str, float]]
"""Class of parts -> ``each`` and the share of each fault word; mistakes have no ``each``."""


@lru_cache
def library_rates() -> Rates:
    """Those of the library."""
    table = tomllib.loads(files("fetsim.library").joinpath("fault_rates.toml").read_text(encoding="utf-8"))
    return {name: {key: one for key, one in row.items() if key != SOURCE} for name, row in table.items()}


def read_rates(path: Path | None) -> Rates:
    """The library's, with what a TOML file says in place of it. Raises InputError with every mistake.

    >>> import fetsim
    >>> fetsim.read_rates(None)["resistor"]["open"]
    0.55
    """
    rates = {name: dict(row) for name, row in library_rates().items()}
    if path is None:
        return rates
    try:
        table = tomllib.loads(read_text(path, largest_bytes=LARGEST_FILE, what="table of failure rates"))
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: is not valid TOML ({str(error)[:200]})") from None
    mistakes = []
    for name, row in table.items():
        if name not in rates or not isinstance(row, dict):
            hint = suggestion(name, rates)
            mistakes.append(f"{path}: {name[:40]}: no such table{hint}; there are {', '.join(rates)}")
            continue
        for key, number in row.items():
            if key == SOURCE:
                continue
            if key not in rates[name]:
                hint = suggestion(key, rates[name])
                mistakes.append(f"{path}: {name}.{key[:40]}: no such key{hint}; there are {', '.join(rates[name])}")
            elif isinstance(number, bool) or not isinstance(number, int | float) or not _fits(number):
                mistakes.append(f"{path}: {name}.{key}: must be a number from 0 to a million, of which ratios count")
            else:
                rates[name][key] = float(number)
    if mistakes:
        raise InputError("\n".join(mistakes))
    return rates


def _fits(number: float) -> bool:
    return isfinite(number) and 0.0 <= number <= 1e6
