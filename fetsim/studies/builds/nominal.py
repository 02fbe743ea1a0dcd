"""The nominal unit of many builds: where its figures lie, and the steady states from which theirs are looked for."""

from dataclasses import dataclass
from functools import cached_property

from fetsim.audio.arrays import real_number
from fetsim.engine.state import State
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.bursts import steady_level
from fetsim.measurements.curve.procedure import THRESHOLDS_DB
from fetsim.measurements.timing.procedure import step_levels_dbu
from fetsim.rig.quality import quality_named
from fetsim.rig.request import check_tone
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.knee import Knee, LevelMeter, nominal_knee


@dataclass(frozen=True, kw_only=True, eq=False)
class Nominal:
    """What a build starts from; plain data, so that it can be sent to other processes."""

    unit: Unit
    quality: str
    curve_hz: float
    step_hz: float
    before_dbu: float
    """Source level before the attack and after the release,"""
    level_dbu: float
    """and between them: the same for all builds."""
    rest: State
    knee: Knee
    quiet: State
    """Steady at ``before_dbu``, at phase zero of the tone,"""
    loud: State
    """and at ``level_dbu``."""

    @cached_property
    def bench(self) -> Bench:
        """The nominal unit itself."""
        return Bench(self.unit, self.quality)

    def __getstate__(self) -> dict[str, object]:
        return {name: value for name, value in vars(self).items() if name != "bench"}

    def carried(self, state: State, rest: State) -> State:
        """A state of the nominal unit as a start for a build that is at rest at ``rest``: as far from there as it is
        from the nominal rest. What devices remember stays the build's own."""
        return rest.with_vector(rest.vector() + state.vector() - self.rest.vector())


def nominal_of(
    unit: Unit, *, quality: str, curve_hz: float, step_hz: float, before_dbu: float | None, level_dbu: float | None
) -> Nominal:
    """Measure what the builds are to start from.

    Raises InputError for a unit without gain cell, or whose gain reduction does not reach the thresholds, and
    ConvergenceError for one that does not come to rest.
    """
    for name, hertz in (("curve_hz", curve_hz), ("step_hz", step_hz)):
        check_tone(real_number(hertz, name))
    quality_named(quality)
    bench = Bench(unit, quality)
    bench.gain_cell  # noqa: B018 - says so where there is none
    before_dbu, level_dbu = step_levels_dbu(bench, before_dbu, level_dbu, step_hz)
    rest = bench.run().state
    quiet = steady_level(bench, before_dbu, step_hz)
    loud = steady_level(bench, level_dbu, step_hz, quiet.run)
    return Nominal(
        unit=unit, quality=quality, curve_hz=curve_hz, step_hz=step_hz, before_dbu=before_dbu, level_dbu=level_dbu,
        rest=rest, knee=nominal_knee(LevelMeter(bench, curve_hz), rest, THRESHOLDS_DB),
        quiet=quiet.run.state, loud=loud.run.state,
    )  # fmt: skip
