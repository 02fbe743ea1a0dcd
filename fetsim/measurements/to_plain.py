"""Results as JSON, and as the plain numbers, texts, lists and tables that JSON can hold.

One place: what is not finite becomes null, arrays become lists, dataclasses become tables.
"""

from collections.abc import Mapping
from pathlib import PurePath
from typing import Any

import numpy as np
import orjson

OPTIONS = orjson.OPT_SERIALIZE_NUMPY | orjson.OPT_NON_STR_KEYS


def json_text(value: Any) -> str:
    """JSON, indented, with a line feed at its end."""
    return orjson.dumps(value, _other, OPTIONS | orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE).decode()


def plain(value: Any) -> Any:
    """The same with dataclasses as tables, arrays and tuples as lists, and what is not finite as None."""
    return orjson.loads(orjson.dumps(value, _other, OPTIONS))


def _other(value: Any) -> Any:
    """What orjson leaves to its caller: read-only tables, arrays in another order of bytes or axes, paths."""
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, PurePath):
        return str(value)
    raise TypeError  # orjson names the type
