"""What could be read of a unit that nobody has read yet, by how it stands on the bench: what it is set to and fed with.

At the settings as they are: signal and mean volts of all nodes under tones of three levels. At each end of every
control on its panel and each other position of its switches: volts at rest of all nodes; then the tone in the middle.
Last, at all of them, attack and release, which take most time on the bench, and here. Levels lie around the threshold
of the unit as drawn; one without gain reduction has tones alone. A node is left out where a meter would load it: what
is expected under a tone has no meter in it.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from fetsim.errors import FetsimError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.timing.procedure import step_levels_dbu
from fetsim.rig.rig import Rig
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.asked import figure_named
from fetsim.studies.observed.observations import Observations
from fetsim.studies.observed.readings import METER_OHM, Reading

QUALITY = "draft"
PLAIN_DBU = (-30.0, 0.0)
"""Of a tone and of a louder one, of a unit without a threshold."""
LOUDER_DB = 10.0
"""A third tone lies so far above the loud one."""
APART_TURN = 0.2
"""An end of a control that is nearer is no other setting."""
STIFF_OHM = 30e3
"""A node of more, at rest, is moved by a meter of 10 Mohm and its lead by 0.3 % and more."""


@dataclass(frozen=True, kw_only=True)
class Stand:
    """The unit on the bench in one way, with all that could be read of it so."""

    settings: Mapping[str, str]
    readings: tuple[Reading, ...]


def stands_of(observations: Observations) -> Iterator[list[Stand]]:
    """All of them but volts at rest as the unit stands, without what has been read, in lots, the least work first;
    values are 0."""
    unit = observations.unit
    taken = {one.name for one in observations.readings}
    quiet, loud = _levels_dbu(observations)
    under = [
        f"{kind}@{node}" for kind, hertz in (("signal", observations.curve_hz), ("mean", 0.0))
        for node in _stiff_nodes(unit, hertz)
    ]  # fmt: skip
    volts = [f"volts@{node}" for node in unit.nodes]
    times = [] if unit.gain_cell is None else ["attack", "release"]
    others = other_settings(unit)

    def lot(each: Iterable[tuple[Mapping[str, str], list[str]]]) -> list[Stand]:
        found = []
        for settings, names in each:
            readings = tuple(reading_at(unit, name, settings) for name in names)
            left = tuple(one for one in readings if one.name not in taken)
            found += [Stand(settings=settings, readings=left)] if left else []
        return found

    plain: Mapping[str, str] = {}
    tones = [(plain, _under_tone(under, level)) for level in (quiet, loud, loud + LOUDER_DB)]
    yield lot([*tones, *((settings, volts) for settings in others)])
    yield lot((settings, _under_tone(under, loud)) for settings in others)
    yield lot((settings, times) for settings in (plain, *others))


def reading_at(unit: Unit, name: str, settings: Mapping[str, str]) -> Reading:
    """One that has not been taken."""
    figure = figure_named(name, unit)
    return Reading(
        figure=figure, value=0.0, accuracy=0.0, meter_ohm=METER_OHM if figure.kind == "volts" else None,
        settings=settings,
    )  # fmt: skip


def other_settings(unit: Unit) -> list[dict[str, str]]:
    """The ends of each control on the panel and what else each switch bank can be set to, one change at a time."""
    found = [
        {name: f"{end:g}"}
        for name, one in unit.controls.items()
        for end in (0.0, 1.0)
        if one.role == "panel" and abs(one.position - end) >= APART_TURN
    ]
    for name, bank in unit.banks.items():
        states = bank.switches if bank.exclusive else ("none", *bank.switches)
        found += [{name: state} for state in states if state != bank.state]
    return found


def _under_tone(names: list[str], level_dbu: float) -> list[str]:
    return [f"{name}@{level_dbu:g}" for name in ("output", *names)]


def _levels_dbu(observations: Observations) -> tuple[float, float]:
    """Of a tone and of a louder one, in whole dB."""
    try:
        bench = Bench(observations.unit, QUALITY)
        found = step_levels_dbu(bench, observations.before_dbu, observations.level_dbu, observations.step_hz)
    except FetsimError:
        return PLAIN_DBU
    return round(found[0]), round(found[1])


def _stiff_nodes(unit: Unit, frequency_hz: float) -> list[str]:
    """Nodes that a meter does not move at this frequency."""
    linear = Rig(unit, QUALITY).linear
    places = [linear.index[node] for node in unit.nodes]
    ohm = np.abs(linear.solve(frequency_hz, np.eye(len(linear.index))[:, places])[places, range(len(places))])
    return [node for node, one in zip(unit.nodes, ohm, strict=True) if one < STIFF_OHM]
