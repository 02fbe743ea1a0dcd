"""A session made again from its log, to the same samples bit for bit."""

from collections.abc import Iterable

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.live.log import Entry
from fetsim.live.programme import Programme
from fetsim.live.session import Session, prepare
from fetsim.schematic.unit import Unit


def replay(unit: Unit, programme: Programme, log: Iterable[Entry], frames: int, quality: str = "standard") -> Array:
    """What a session brought out after so many frames were given [shape=(n, channels)]."""
    session = Session(unit, programme, quality)
    left = list(log)
    found = []
    while session.frame < frames:
        due = [one for one in left if one.frame == session.frame]
        left = left[len(due) :]
        _take_entries(session, due)
        found.append(session.advance().output)
    return np.concatenate(found)


def _take_entries(session: Session, due: Iterable[Entry]) -> None:
    """All that was done before one block, in its order; neighbouring changes together, as they were made."""
    changes = dict(session.now.changes)
    turned = False
    for one in due:
        if one.kind == "change":
            changes.pop(one.name, None)
            changes.update({} if one.value is None else {one.name: one.value})
            turned = True
            continue
        if turned:
            session.take(prepare(session, changes, session.now.quality))
            turned = False
        if one.kind == "quality":
            session.take_quality(prepare(session, session.now.changes, str(one.value)))
        elif one.kind == "loop" and one.place is not None:
            session.take_place(one.place)
    if turned:
        session.take(prepare(session, changes, session.now.quality))
