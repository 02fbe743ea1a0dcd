"""Results as plain numbers, texts, lists and tables, ready for JSON."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from math import isfinite
from typing import Any

import numpy as np


def plain(value: Any) -> Any:
    """The same with dataclasses as tables, arrays and tuples as lists, and what is not finite as None."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, np.ndarray):
        return [plain(entry) for entry in value.tolist()]
    if isinstance(value, list | tuple):
        return [plain(entry) for entry in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    return None if isinstance(value, float) and not isfinite(value) else value
