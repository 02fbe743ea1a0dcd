"""What the first suspects would give where the real unit was observed, to be set beside what it gave."""

from collections.abc import Sequence

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.studies.suspects.columns import Columns
from fetsim.studies.suspects.gains import gain_db, level_curve, levels_db
from fetsim.studies.suspects.hypotheses import Hypothesis
from fetsim.studies.suspects.record import Foretold
from fetsim.studies.suspects.recorded import Heard
from fetsim.studies.suspects.search import Search

DRAWN = "as drawn"


def foretold(search: Search, hypotheses: Sequence[Hypothesis]) -> tuple[Foretold, ...]:
    """The unit as drawn, and each of these played where it stands; one that cannot be played is left out."""
    columns = search.columns
    taken = columns.base.readings[: columns.taken]
    found = [_one(DRAWN, taken, columns, [None if one is None else np.asarray(one, np.float64)
                                          for one in columns.draft.outputs])]  # fmt: skip
    builds = [search.build(one) for one in hypotheses]
    plays = columns.predicted(builds, keep=False) if columns.heard else [columns.draft] * len(builds)
    for one, play in zip(hypotheses, plays, strict=True):
        outputs = [None if each is None else np.asarray(each, np.float64) for each in play.outputs]
        if all(each is not None for each in outputs):
            found.append(_one(one.name, search.readings(one)[: columns.taken], columns, outputs))
    return tuple(found)


def _one(name: str, readings: Array, columns: Columns, outputs: Sequence[Array | None]) -> Foretold:
    each = [
        _levels(heard, heard.cut(output))
        for heard, output in zip(columns.heard, outputs, strict=False) if output is not None
    ]  # fmt: skip
    return Foretold(
        name=name, readings=tuple(readings.tolist()), gains_db=tuple(gain for gain, _ in each),
        out_db=tuple(out for _, out in each),
    )  # fmt: skip


def _levels(heard: Heard, played: Array) -> tuple[Array, Array]:
    """Gain over time and levels out, at the level at which a play is nearest to the recording."""
    wet_db = levels_db(heard.level(played - heard.model) * played, heard.window)
    return gain_db(heard.dry_db, wet_db), level_curve(heard.dry_db, wet_db)[1]
