"""One burst followed round the loop of a unit: what it does at each point, and when.

A steady tone below (or at any) level has settled; then it jumps to the burst's level, stays for a whole number of
cycles, and falls back. The loop answers at the tap behind the divider, at the rectifier, at the control node, in the
FET's channel, in the gain, and so at the output; ``explain_reading`` reads each trace. The record after the burst goes
on until the control has come back, cycle by cycle.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
from typing import Any, ClassVar

import numpy as np

from fetsim.devices.kinds import KINDS
from fetsim.engine.assembly import Array
from fetsim.engine.circuit import GROUND
from fetsim.engine.linear import linearise
from fetsim.errors import ConvergenceError, InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.given import of_unit
from fetsim.measurements.bench.hold import hold_at
from fetsim.measurements.bench.steady import Period, period_of, settle
from fetsim.measurements.bench.transfer import transfers
from fetsim.measurements.explain.figures import LoopFacts, LoopFigures
from fetsim.measurements.explain.moving import Moving
from fetsim.measurements.explain.points import LoopPoints, loop_points
from fetsim.measurements.explain.reading import loop_figures
from fetsim.measurements.explain.traces import BurstTraces, Trace, cycle_starts
from fetsim.measurements.results.result import Result
from fetsim.measurements.to_plain import plain
from fetsim.measurements.traces.checks import positive
from fetsim.rig.gain_cell import Reference, reference_named
from fetsim.rig.points import Point
from fetsim.rig.provenance import provenance
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.unit import Unit

DEFAULT_FREQUENCY_HZ = 1000.0
DEFAULT_LEVEL_DBU = 0.0
DEFAULT_STEP_DB = 25.0  # the step of IEC 60118-2 (55 to 80 dB), from memory
DEFAULT_BURST_S = 0.2
LONGEST_BURST_S = 5.0
LONGEST_RELEASE_S = 6.0  # of its own accord,
LONGEST_RECORD_S = 60.0  # and when asked for
LOWEST_DBU, HIGHEST_DBU = -100.0, 60.0
LEAD_PERIODS = 2  # recorded before the burst
CHUNK_S = 0.05  # of the release, between looks at how far it is
BURST_SHARE = 0.2  # of the progress that is told
RETURNED = 0.02  # share of the control's change that is left when the record may end
AUDIBLE_SWING = 0.1  # of the largest swing: rectifier points with less carry no signal of their own
PROBED_V = 0.1  # of control, by which the gate's coupling is found
LEAST_COUPLING = 1e-3  # volts of gate for a volt of control; less does not control anything
RECTIFIER, NODE, CURRENT = "rectifier ", "node ", "current "


@dataclass(frozen=True, kw_only=True)
class Burst:
    """The signal, as played."""

    frequency_hz: float
    """Within 1e-4 of what was asked for."""
    before_dbu: float
    """At the source, before and after."""
    level_dbu: float
    duration_s: float
    phase_deg: float

    @property
    def step_db(self) -> float:
        return self.level_dbu - self.before_dbu


@dataclass(frozen=True, kw_only=True)
class Explanation(Result):
    """One burst through one unit."""

    ROOM: ClassVar[str] = "explain"

    burst: Burst
    points: LoopPoints
    figures: LoopFigures
    divider_ohm: float
    """Impedance that the FET's channel works against, at 1 kHz."""
    traces: BurstTraces

    def to_dict(self) -> dict[str, Any]:
        """Settings, points and figures, without the traces; infinite resistances are None."""
        return dict(plain({name: value for name, value in vars(self).items() if name != "traces"}))


@of_unit
def measure_explain(
    unit: Unit,
    *,
    level_dbu: float = DEFAULT_LEVEL_DBU,
    before_dbu: float | None = None,
    frequency_hz: float = DEFAULT_FREQUENCY_HZ,
    burst_s: float = DEFAULT_BURST_S,
    phase_deg: float = 0.0,
    tail_s: float | None = None,
    tap: str | None = None,
    rectifier: Sequence[str] = (),
    against: Reference = "idle",
    moving: bool = False,
    quality: str = "standard",
    progress: Progress = unwatched,
) -> Explanation:
    """Follow a burst of ``level_dbu`` at the source out of a tone of ``before_dbu`` (default: 25 dB less).

    The burst begins and ends at ``phase_deg`` of the tone (0: rising through zero) and lasts whole cycles, ``burst_s``
    or a little more. ``tail_s``: length of the record after it (default: until the control has come back, 6 s at
    most). ``tap``, ``rectifier``: probes or nodes to watch instead of those found in the unit. ``against``: what gain
    reduction is counted from, the unit at rest or (``"open"``) the FET taken out. ``moving``: also trace the nodes
    between stages and the currents of diodes and transistors, which page in slow motion and film show.

    Raises InputError for a unit without a gain cell or a setting out of range, ConvergenceError for a unit that never
    settles.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> found = fetsim.measure_explain(unit, level_dbu=-5.0, burst_s=0.05, tail_s=0.1, quality="draft")
    >>> found.figures.control.moves
    True
    """
    before_dbu = level_dbu - DEFAULT_STEP_DB if before_dbu is None else before_dbu
    _check(level_dbu, before_dbu, burst_s, phase_deg, tail_s)
    points = loop_points(unit, tap=tap, rectifier=rectifier)
    bench = Bench(unit, quality, against=reference_named(against))
    period = period_of(frequency_hz, bench)
    phase = float(np.radians(phase_deg % 360.0))
    quiet_v, loud_v = (period.tone(level, phase) for level in (before_dbu, level_dbu))
    recorder = _Recorder(bench, points, period, Moving.of(unit, bench.circuit) if moving else Moving())
    try:
        settle(recorder.run, quiet_v)
    except ConvergenceError as error:
        raise error.at(f"before the burst, at {before_dbu:g} dBu") from None
    repeats = max(1, ceil(burst_s * period.frequency_hz / period.cycles - 1e-6))
    now = recorder.play(np.concatenate((np.tile(quiet_v, LEAD_PERIODS), np.tile(loud_v, repeats))))
    progress(BURST_SHARE)
    after = _release(recorder, quiet_v, now["control"], tail_s, progress)
    traces = _traces(recorder, phase, now, after)
    facts = _facts(bench, points, period.frequency_hz)
    return Explanation(
        provenance=provenance(bench.rig),
        burst=Burst(
            frequency_hz=period.frequency_hz,
            before_dbu=before_dbu,
            level_dbu=level_dbu,
            duration_s=traces.burst_s,
            phase_deg=phase_deg,
        ),
        points=points,
        figures=loop_figures(traces, facts),
        divider_ohm=facts.divider_ohm,
        traces=traces,
    )


class _Recorder:
    """A run whose stretches come out as the quantities that are traced."""

    def __init__(self, bench: Bench, points: LoopPoints, period: Period, moving: Moving) -> None:
        self.bench, self.points, self.period, self.moving = bench, points, period, moving
        self.run = bench.run([*points.nodes, *moving.recorded])

    def play(self, source_v: Array) -> dict[str, Array]:
        """Every quantity at every step; those of rectifier points are called ``rectifier NAME``, those that move
        besides ``node NAME`` and ``current DESIGNATOR``."""
        played = self.run.play(source_v)
        levels = played.nodes
        cell = self.bench.gain_cell
        drain, gate, source = (levels[node] for node in cell.nodes)
        return {
            "source": source_v,
            "tap": self.points.tap.volts(levels),
            **{f"{RECTIFIER}{one.name}": one.volts(levels) for one in self.points.rectifier},
            "control": self.points.control.volts(levels),
            "gate_source": gate - source,
            "conductance": cell.conductance_s(drain, gate, source),
            "reduction": played.reduction_db,
            "output": played.output_v,
            **{f"{NODE}{node}": levels[node] for node in self.moving.nodes},
            **{f"{CURRENT}{name}": current_a for name, current_a in self.moving.currents_a(levels)},
        }

    def cycles(self, source_v: Array) -> dict[str, Array]:
        """Least, mean and largest of every quantity in each cycle [shape=(3, cycles)]."""
        starts = cycle_starts(source_v.size, self.bench.rate_hz, self.period.frequency_hz)
        lengths = np.diff([*starts, source_v.size])
        return {
            name: np.stack((
                np.minimum.reduceat(values, starts),
                np.add.reduceat(values, starts) / lengths,
                np.maximum.reduceat(values, starts),
            ))
            for name, values in self.play(source_v).items()
        }  # fmt: skip


def _check(level_dbu: float, before_dbu: float, burst_s: float, phase_deg: float, tail_s: float | None) -> None:
    if not LOWEST_DBU <= before_dbu < level_dbu <= HIGHEST_DBU:
        raise InputError(
            f"level, before: the burst ({level_dbu:g} dBu) must be louder than what is before it ({before_dbu:g} dBu), "
            f"within {LOWEST_DBU:g} to {HIGHEST_DBU:g} dBu"
        )
    if not np.isfinite(phase_deg):
        raise InputError(f"phase: is {phase_deg}; give degrees")
    for name, value, most in (("burst", burst_s, LONGEST_BURST_S), ("tail", tail_s, LONGEST_RECORD_S)):
        if value is not None and positive(value, name) > most:
            raise InputError(f"{name}: {value:g} s is longer than the {most:g} s that are kept")


def _release(
    recorder: _Recorder, quiet_v: Array, control_v: Array, tail_s: float | None, progress: Progress
) -> dict[str, Array]:
    """Every quantity in each cycle after the burst, until the control is back or ``tail_s`` is over."""
    steps, rate_hz = quiet_v.size, recorder.bench.rate_hz
    rest_v = float(np.mean(control_v[: LEAD_PERIODS * steps]))
    change_v = abs(float(np.mean(control_v[-steps:])) - rest_v)
    chunk_v = np.tile(quiet_v, ceil(CHUNK_S * rate_hz / steps))
    chunks = max(1, ceil((LONGEST_RELEASE_S if tail_s is None else tail_s) * rate_hz / chunk_v.size))
    found: list[dict[str, Array]] = []
    for number in range(1, chunks + 1):
        found.append(recorder.cycles(chunk_v))
        progress(BURST_SHARE + (1.0 - BURST_SHARE) * number / chunks)
        if tail_s is None and abs(found[-1]["control"][1, -1] - rest_v) <= RETURNED * change_v:
            break
    return {name: np.concatenate([part[name] for part in found], axis=1) for name in found[0]}


def _traces(recorder: _Recorder, phase: float, now: dict[str, Array], after: dict[str, Array]) -> BurstTraces:
    lead = LEAD_PERIODS * recorder.period.steps
    every = {name: Trace(values, *after[name]) for name, values in now.items()}
    rectifier = {one.name: every.pop(f"{RECTIFIER}{one.name}") for one in recorder.points.rectifier}
    nodes = {node: every.pop(f"{NODE}{node}") for node in recorder.moving.nodes}
    currents = {one.name: every.pop(f"{CURRENT}{one.name}") for one in recorder.moving.devices}
    return BurstTraces(
        rate_hz=recorder.bench.rate_hz,
        frequency_hz=recorder.period.frequency_hz,
        phase_rad=phase,
        lead=lead,
        window=recorder.period.steps,
        rectifier=_heard(rectifier, lead),
        nodes=nodes,
        currents=currents,
        **every,
    )


def _heard(rectifier: dict[str, Trace], lead: int) -> dict[str, Trace]:
    """Those points that carry a signal: a diode of the bias network may have been found too."""
    swings = {name: float(np.ptp(trace.now[lead:])) for name, trace in rectifier.items()}
    loudest = max(swings.values(), default=0.0)
    return {name: trace for name, trace in rectifier.items() if swings[name] >= AUDIBLE_SWING * loudest}


def _facts(bench: Bench, points: LoopPoints, frequency_hz: float) -> LoopFacts:
    cell = bench.gain_cell
    return LoopFacts(
        sign=cell.sign,
        channel=cell.channel,
        divider_ohm=abs(cell.impedance_ohm),
        control_coupling=_coupling(bench, points.control),
        rectifier_gain=_rectifier_gains(bench, points, frequency_hz),
    )


def _rectifier_gains(bench: Bench, points: LoopPoints, frequency_hz: float) -> dict[str, complex | None]:
    """From the tap to each rectifier point, at rest; None where what drives the point stands at its limit there."""
    linear = linearise(bench.system, bench.bias)
    weights = np.array([point.weights(linear.index) for point in (points.tap, *points.rectifier)])
    tap, *others = (complex(found.gain[0]) for found in transfers(linear, np.array([frequency_hz]), weights))
    stuck = _stuck(bench)
    return {
        one.name: None if stuck.intersection(one.nodes) else gain / tap if tap else 0j
        for one, gain in zip(points.rectifier, others, strict=True)
    }


def _stuck(bench: Bench) -> set[str]:
    """Nodes that are driven by a part which no small signal goes through at rest."""
    volts = {GROUND: 0.0, **{name: float(bench.bias[i]) for name, i in bench.system.index.items()}}
    return {
        one.nodes[KINDS[one.kind].terminals.index(terminal)]
        for one in bench.circuit.elements
        if not KINDS[one.kind].at_rest(one.values, one.at(volts)).passes
        for terminal in KINDS[one.kind].roles.drives
    }


def _coupling(bench: Bench, control: Point) -> float | None:
    """Volts of gate to source for a volt of control that moves slowly; None where nothing can hold the control."""
    rest_v = float(control.weights(bench.system.index) @ bench.bias)
    try:
        moved = hold_at(bench, rest_v + PROBED_V)
    except InputError:
        return None
    coupling = (_gate_source_v(moved) - _gate_source_v(bench)) / PROBED_V
    return coupling if abs(coupling) > LEAST_COUPLING else None


def _gate_source_v(bench: Bench) -> float:
    _, gate, source = bench.gain_cell.nodes
    volts = {GROUND: 0.0, **{name: float(bench.bias[i]) for name, i in bench.system.index.items()}}
    return volts[gate] - volts[source]
