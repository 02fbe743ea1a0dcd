"""A unit with its trims set, for the thousands: each step of its alignment in a few readings.

What the bench would do before anything is measured: 9 to 10 ms a build of the Dunlin beside the 7 that its bias point
takes anyway, three readings each (60 builds, V_P and R62 drawn, on a busy core). Steps that need a tone (``toned``) are
taken where that is asked for, else left as they are and told: four to six steady states a build, at draft 0.06 s of a
core beside the 0.16 s of the default figures (the Greenshank 0.05 beside 0.09; 8 builds of each on a busy core).
``study`` says how sharply each is defined.
"""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType

from fetsim.errors import FetsimError, InputError
from fetsim.rig.rig import Rig
from fetsim.schematic.alignment import READINGS
from fetsim.schematic.fields import suggestion
from fetsim.schematic.load import given_unit
from fetsim.schematic.model import channel_of
from fetsim.schematic.unit import AlignmentStep, Unit
from fetsim.studies.trims.readings import is_accepted, missed_at_rest, read_at_rest
from fetsim.studies.trims.resting import Rests
from fetsim.studies.trims.search import find
from fetsim.studies.trims.toned import set_under_tone
from fetsim.studies.trims.tones import ToneStart, tone_start
from fetsim.studies.trims.travel import SETTLED, TURN_STEP, Travel

MOVED = "is moved by a later step"
JOINED = f"{MOVED}: the channels are joined, so open the link first"
LEFT_OUT = "is read under a tone and left out (--tone-steps takes it)"


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What came of one step."""

    step: str
    set: str
    """What was set."""
    value: float
    """What it is set to: position of the control, value of the part."""
    reached: bool
    """Whether the reading is what it must be."""
    why: str
    """Why not, in a clause; empty where it is."""

    @property
    def left_out(self) -> bool:
        """Whether it was not taken, since it needs a tone."""
        return self.why == LEFT_OUT


def aligned(
    unit: Unit | str | Path,
    *,
    near: Rig | None = None,
    steps: Sequence[str] | None = None,
    tone_steps: bool = False,
    quality: str = "standard",
    starts: Mapping[str, ToneStart] = MappingProxyType({}),
) -> tuple[Unit, list[Outcome]]:
    """The unit with its ``steps`` (default: all) taken in their order, and what came of each.

    ``near``: a rig of a unit of the same topology, from whose bias point this one's is looked for. ``tone_steps``:
    those too that are read under a tone, at this ``quality``, from where that unit has the tones (``tone_starts``). A
    trim that is out of reach stands at the nearest end. Raises InputError for a name that is no step.

    >>> import fetsim
    >>> unit = fetsim.load_unit("dunlin").changed({"J1.pinch_off_voltage": -4.3})
    >>> other, outcomes = fetsim.aligned(unit)
    >>> f"{other.controls['idle_trim'].position:.3f}", outcomes[0].reached
    ('0.464', True)
    """
    unit = given_unit(unit)
    outcomes, own = [], unit.channel
    for step in chosen_steps(unit, steps):
        if not READINGS[step.read].tone:
            unit, near, outcome = _taken(unit, near, step)
        elif tone_steps:
            unit, outcome = _taken_under_tone(unit, near, step, quality, starts.get(step.name))
        else:
            outcome = _outcome(step, Travel.of(unit, step.set).present, LEFT_OUT)
        outcomes.append(outcome)
    return at_channel(unit, own), _read_again(unit, near, outcomes)


def check_asked(trims: bool, tone_steps: bool) -> None:
    """Raises InputError for steps of trims that nobody sets."""
    if tone_steps and not trims:
        raise InputError("tone steps: are steps of the alignment, which is not done; ask for the trims (--trims) too")


def tone_starts(unit: Unit, quality: str) -> dict[str, ToneStart]:
    """Step -> where a unit has its tone, of those that are read under one; what fails is looked for build by build."""
    found = {}
    for step in unit.alignment.values():
        if READINGS[step.read].tone:
            with suppress(FetsimError):
                found[step.name] = tone_start(for_step(unit, step), step, quality)
    return found


def chosen_steps(unit: Unit, names: Sequence[str] | None) -> list[AlignmentStep]:
    """The steps of these names, or all, in the order of the unit; without a channel's name those of both channels of a
    pair. Raises InputError."""
    if not unit.alignment:
        raise InputError(f"{unit.name}: has no [alignment], so nothing says what its trims are set to")
    fronts = ("", *(f"{channel}_" for channel in unit.channels))
    wanted = [f"{front}{name}" for name in names or () for front in fronts]
    for name in names or ():
        if not any(f"{front}{name}" in unit.alignment for front in fronts):
            choices = f"{suggestion(str(name), unit.alignment)}; choices: {', '.join(unit.alignment)}"
            raise InputError(f"step: {unit.name} has no step {str(name)[:40]!r} in its alignment{choices}")
    return [step for name, step in unit.alignment.items() if names is None or name in wanted]


def for_step(unit: Unit, step: AlignmentStep) -> Unit:
    """The unit as it stands while a step is taken, a pair listened to at the channel whose step it is."""
    unit = at_channel(unit, channel_of(step.name))
    return unit.changed(step.settings) if step.settings else unit


def at_channel(unit: Unit, channel: str) -> Unit:
    """A pair listened to at this channel; one without a name, and a unit of one channel, as it is."""
    return unit.listening(channel) if unit.channels and channel else unit


def _taken(unit: Unit, near: Rig | None, step: AlignmentStep) -> tuple[Unit, Rig, Outcome]:
    travel = Travel.of(unit, step.set, step.series)
    rig = Rig(for_step(unit, step), near=near)
    try:
        rests = Rests(rig, step.set)
        found = find(
            lambda way: missed_at_rest(step, rests(travel.value(way))), travel.start, travel.ends, TURN_STEP, SETTLED
        )
        values = travel.preferred(travel.value(found.way))
        value = min(values, key=lambda one: abs(missed_at_rest(step, rests(one)))) if len(values) > 1 else values[0]
    except FetsimError as error:
        return unit, rig, _outcome(step, travel.present, str(error))
    why = "" if found.reached else "is out of reach"
    return unit.changed({step.set: value}), rig, _outcome(step, value, why)


def _taken_under_tone(
    unit: Unit, near: Rig | None, step: AlignmentStep, quality: str, start: ToneStart | None
) -> tuple[Unit, Outcome]:
    try:
        value, why = set_under_tone(for_step(unit, step), step, quality, near, start)
    except FetsimError as error:
        return unit, _outcome(step, Travel.of(unit, step.set).present, str(error))
    return unit.changed({step.set: value}), _outcome(step, value, why)


def _read_again(unit: Unit, near: Rig | None, outcomes: list[Outcome]) -> list[Outcome]:
    """The same, but for steps that are no longer as they must be after the later ones, as where two channels that are
    joined pull at one node."""
    taken = [one for one in outcomes if not one.left_out]
    moved: dict[str, str] = {}
    for one in (one for one in taken[:-1] if not READINGS[unit.alignment[one.step].read].tone):
        step = unit.alignment[one.step]
        if one.reached and step.accepted is not None:
            at = for_step(unit, step)
            rests = Rests(Rig(at, near=near), step.set)
            if not is_accepted(step, read_at_rest(step, rests(Travel.of(at, step.set).present))):
                moved[one.step] = JOINED if at.is_joined else MOVED
    return [replace(one, reached=False, why=moved[one.step]) if one.step in moved else one for one in outcomes]


def _outcome(step: AlignmentStep, value: float, why: str) -> Outcome:
    return Outcome(step=step.name, set=step.set, value=value, reached=not why, why=why)
