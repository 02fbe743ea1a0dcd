"""All that a page is told: every message to it, as text or, where it is sound, as bytes."""

import json
import struct
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import orjson

import fetsim
from fetsim.engine.assembly import Array
from fetsim.live.facts import needle_facts, unit_facts
from fetsim.live.figures import Figures
from fetsim.live.happened import Sounded, Took
from fetsim.live.scope import Picture
from fetsim.live.session import Session
from fetsim.live.voices import LOG_ROWS
from fetsim.safe_text import printable
from fetsim.schematic.unit import Unit

SOUND = struct.Struct("<ddIII")
"""In front of samples: the first frame, that of the edition, the edition, channels, frames."""
ROWS = ("gain_reduction_mean_db", "gain_reduction_max_db", "input_rms_dbu", "input_peak_dbu", "output_rms_dbu",
        "output_peak_dbu", "control_mean_v", "channel_resistance_min_ohm")  # fmt: skip
"""Of the log, those that the page draws."""
FARTHEST = 1e15
"""What is beyond is told as nothing."""


def hello(session: Session, folder: str) -> str:
    """What does not change while it is turned."""
    programme = session.programme
    return text(
        "hello", unit=unit_facts(session.unit), rate_hz=programme.rate_hz, channels=programme.channels,
        programme=printable(programme.name), frames=programme.frames, folder=printable(folder),
        rows_hz=LOG_ROWS * programme.rate_hz / session.block, version=fetsim.__version__,
    )  # fmt: skip


def state(session: Session, unit: Unit, facts: Mapping[str, Any]) -> str:
    """How everything stands, the unit as it is turned."""
    place, rate_hz = session.place, session.programme.rate_hz
    loop = {"from_s": place.start / rate_hz, "to_s": place.end / rate_hz}
    return text("state", **facts, quality=session.now.quality, loop=loop, needles=needle_facts(unit))


def figures(found: Figures) -> str:
    """Of the present state."""
    return text("figures", **asdict(found))


def took(happened: Took) -> str:
    """From which frame on a change can be heard."""
    return text("took", at_frame=happened.at_frame, quality=happened.quality)


def sound(sounded: Sounded) -> bytes:
    """Output: 32 bit floats, channel after channel."""
    output = sounded.heard.output
    header = SOUND.pack(
        float(sounded.heard.first_frame), float(sounded.since), sounded.edition, output.shape[1], len(output)
    )
    return header + output.T.astype("<f4").tobytes()


def meters(sounded: Sounded, late: int) -> str:
    """What is read off a block; ``late``: blocks that came too late so far."""
    heard = sounded.heard
    rows = [{name: [_rounded(x, 3) for x in getattr(log, name)] for name in ROWS} for log in heard.logs]
    return text(
        "meters", frame=heard.first_frame, frames=len(heard.output), rows=rows, busy=round(sounded.busy, 3),
        coils=[[_rounded(x, 5) for x in coil] for coil in heard.coils], march_s=heard.march_s,
        late=late, place_s=round(sounded.place_s, 4), scope=_scope(sounded.picture),
    )  # fmt: skip


def text(kind: str, **content: Any) -> str:
    """A message of this kind."""
    message = {"is": kind, **content}
    try:
        return orjson.dumps(message).decode()
    except orjson.JSONEncodeError:  # a file's name may hold the half of a letter
        return json.dumps(message)


def _scope(picture: Picture | None) -> dict[str, Any] | None:
    if picture is None:
        return None
    return {"triggered": picture.triggered, "smallest": _five(picture.smallest), "largest": _five(picture.largest)}


def _five(rows: Array) -> list[list[float]]:
    """With five figures, which are enough to be drawn."""
    return [[float(f"{x:.5g}") for x in row] for row in rows]


def _rounded(value: float, digits: int) -> float | None:
    return round(float(value), digits) if abs(value) < FARTHEST else None
