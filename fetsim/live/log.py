"""The log of a session: what was turned, and the frame from which on it counts. It is all that a replay needs."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Literal

from fetsim.live.programme import Place

Value = str | float | None
"""Of a change; None: as it was when the session began."""
Kind = Literal["change", "quality", "loop", "failure"]


@dataclass(frozen=True, kw_only=True)
class Entry:
    """A line of the log."""

    frame: int
    """How many frames had been given to the unit: the block that begins with this one is the first."""
    kind: Kind
    name: str = ""
    """Of what was changed; why, of a failure."""
    value: Value = None
    """Its value; the name of a quality."""
    place: Place | None = None
    """Of a loop."""


def changed(frame: int, before: Mapping[str, str | float], after: Mapping[str, str | float]) -> list[Entry]:
    """What differs between two states of the unit."""
    return [
        Entry(frame=frame, kind="change", name=name, value=after.get(name))
        for name in dict.fromkeys([*before, *after])
        if before.get(name) != after.get(name)
    ]


def log_text(frames: int, log: Sequence[Entry]) -> str:
    """The log of so many frames as JSON, with what ``read_log`` takes it back from."""
    return json.dumps({"frames": frames, "log": [asdict(one) for one in log]}, indent=1)


def read_log(text: str) -> tuple[int, list[Entry]]:
    """How many frames were given, and the entries, of a log written by this program."""
    found = json.loads(text)
    entries = [
        Entry(**{**one, "place": None if one["place"] is None else Place(**one["place"])}) for one in found["log"]
    ]
    return int(found["frames"]), entries
