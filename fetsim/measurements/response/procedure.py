"""Small-signal response at any point of a unit: gain, phase, group delay, gain reduction against frequency.

Three states can be measured, all against the open-circuit voltage of the source:

* at rest: the circuit linearised at its bias point;
* held at a gain reduction: linearised with the control node held still (see ``hold``), the loop open;
* with the loop closed: steady tones in time at one source level, each frequency on its own, the gain
  reduction settled. This is what sweeping a real unit at that level shows: where the sidechain hears less,
  less is reduced. Only the fundamental is read and there is no group delay.

The gain reduction at a frequency is the gain there at rest less the gain in the state. It is not the same at
all frequencies: the divider works out of the transformer's impedance and into that of the preamp.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from fetsim.audio.levels import dbu_to_rms_v
from fetsim.devices.kinds import KINDS
from fetsim.engine.assembly import Array
from fetsim.engine.circuit import PROGRAM
from fetsim.errors import ConvergenceError, InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.frequencies import HIGH_HZ, LOW_HZ, PER_OCTAVE, grid_hz
from fetsim.measurements.bench.given import of_unit
from fetsim.measurements.bench.hold import HeldBench, hold, linear_at_rest, state_in_words
from fetsim.measurements.bench.steady import highest_tone_hz, period_of, phasor, settle
from fetsim.measurements.bench.transfer import SILENT, corners_hz, transfers
from fetsim.measurements.results.result import Result
from fetsim.measurements.traces.spectrum import tones
from fetsim.rig.gain_cell import REFERENCE_HZ
from fetsim.rig.points import OUTPUT, Point, find_point, output_point
from fetsim.rig.provenance import provenance
from fetsim.rig.request import check_work, settling_s
from fetsim.rig.runner import run_all
from fetsim.schematic.unit import Unit

SWEPT_HZ = (20.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1e3, 2e3, 4e3, 8e3, 16e3, 20e3)
"""Octaves of ISO 266 and both ends of the audio band."""
CHECK_QUALITY = "fine"  # the circuit is to be compared, not the step: a coarser one alone is 0.02 dB off at 20 kHz
CHECK_HZ = (20.0, 50.0, 200.0, 1000.0, 5000.0, 10e3, 20e3)
CHECK_LEVEL_DBU = -50.0  # of each tone at the source: far below any threshold, harmonics under -100 dB
CHECK_FADE_S = 0.25  # a slow start does not set coupling capacitors and transformers ringing
CHECK_S = 0.4  # s, over which they are read after that


@dataclass(frozen=True, kw_only=True)
class Response:
    """Response from the source to one point in one state; arrays of shape (n,)."""

    point: str
    state: str
    """In words."""
    reduction_db: float
    """Gain reduction of the state at the output, 1 kHz."""
    control_v: float | None
    """Voltage at which the control node is held; None where nothing is held."""
    level_dbu: float | None
    """Source level of the tones that were played; None where the circuit was linearised."""
    frequency_hz: Array
    gain_db: Array
    """Voltage at the point over source voltage."""
    phase_deg: Array
    group_delay_s: Array
    """NaN with the loop closed."""
    gain_reduction_db: Array
    """Gain of the same point at rest less this gain."""
    gain_1khz_db: float
    low_corner_hz: float | None
    """Where the gain is 3 dB below that at 1 kHz; None if not in 0.01 Hz to 10 MHz, or the loop is closed."""
    high_corner_hz: float | None

    def value_at(self, frequency_hz: float, trace: Array) -> float | None:
        """One of the arrays at a frequency, on straight lines over lg f; None outside the range."""
        if not self.frequency_hz[0] <= frequency_hz <= self.frequency_hz[-1]:
            return None
        return float(np.interp(np.log(frequency_hz), np.log(self.frequency_hz), trace))


@dataclass(frozen=True, kw_only=True)
class ToneCheck:
    """Linearised gain beside that of small tones played through the whole circuit in time [shape=(n,)]."""

    point: str
    state: str
    frequency_hz: Array
    linear_db: Array
    tones_db: Array

    @property
    def largest_difference_db(self) -> float:
        return float(np.max(np.abs(self.linear_db - self.tones_db)))

    @property
    def largest_at_hz(self) -> float:
        return float(self.frequency_hz[int(np.argmax(np.abs(self.linear_db - self.tones_db)))])


@dataclass(frozen=True, kw_only=True)
class ResponseMeasurement(Result):
    """All responses asked for, state after state and in each point after point."""

    ROOM: ClassVar[str] = "response"

    responses: tuple[Response, ...]
    checks: tuple[ToneCheck, ...]
    source: str = PROGRAM
    """The input that they are from."""
    remembering: tuple[str, ...] = ()
    """Parts with hysteresis, which small tones go further into than the linearised circuit."""
    left_out_hz: tuple[float, ...] = ()
    """Tones of the sweep with the loop closed that are too high for the steps of the quality asked for."""

@of_unit
def measure_response(
    unit: Unit,
    *,
    points: Sequence[str] = (OUTPUT,),
    reductions_db: Sequence[float] = (0.0,),
    levels_dbu: Sequence[float] = (),
    low_hz: float = LOW_HZ,
    high_hz: float = HIGH_HZ,
    per_octave: int = PER_OCTAVE,
    check: bool = False,
    source: str = PROGRAM,
    quality: str = "standard",
) -> ResponseMeasurement:
    """Responses at ``points`` (nodes, probes, ``output``, ``input``) in every state asked for.

    ``source`` is the input that they are from, the program's or another one of the unit; the others are silent.

    ``reductions_db``: gain reductions to hold, 0 for the state at rest. ``levels_dbu``: source levels at
    which steady tones are played with the loop closed, at ``quality``. ``check`` plays small tones in time at
    rest or held, at fine quality, and compares.

    Raises InputError for an unknown point, a range that does not rise, more gain reduction than can be had.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> round(fetsim.measure_response(unit, quality="draft").responses[0].gain_1khz_db, 2)
    27.86
    """
    grid = grid_hz(low_hz, high_hz, per_octave)
    if not points:
        raise InputError("points: give at least one node or probe")
    if source not in unit.inputs:
        raise InputError(f"source: {unit.name} has no input {source[:40]!r}; inputs are {', '.join(unit.inputs)}")
    if source != PROGRAM and levels_dbu:
        raise InputError("levels: with the loop closed, tones are played at the program's input alone")
    bench = Bench(unit, quality)
    check_work(
        unit, len(levels_dbu) * sum(map(settling_s, SWEPT_HZ)), bench.rate_hz, "give fewer levels"
    )
    places = [find_point(unit, name) for name in points]
    states = [hold(bench, wanted) for wanted in reductions_db]
    found = [
        response
        for wanted, state in zip(reductions_db, states, strict=True)
        for response in _linear(bench, state, wanted, places, grid, source)
    ]
    checks = []
    if check:
        for wanted, state in zip(reductions_db, states, strict=True):
            checks += _checked(replace(state, quality=CHECK_QUALITY), state_in_words(wanted), places, source)
    carried = tuple(f for f in SWEPT_HZ if f <= highest_tone_hz(bench.rate_hz))
    swept = run_all({level: level for level in levels_dbu}, lambda level, _: _swept(bench, level, places, carried))
    found += [response for one in swept.values() for response in one]
    left_out = SWEPT_HZ[len(carried) :] if levels_dbu else ()
    return ResponseMeasurement(
        provenance=provenance(bench.rig), responses=tuple(found), checks=tuple(checks), source=source,
        left_out_hz=left_out,
        remembering=tuple(one.name for one in bench.circuit.elements if KINDS[one.kind].starts),
    )  # fmt: skip


def _linear(
    bench: Bench, state: Bench, wanted_db: float, places: Sequence[Point], grid: Array, source: str
) -> list[Response]:
    linear, at_rest = linear_at_rest(state), linear_at_rest(bench)
    weights = np.array([place.weights(linear.index) for place in places])
    reference = transfers(at_rest, grid, weights, source)
    middle = transfers(linear, np.array([REFERENCE_HZ]), weights, source)
    found = []
    for place, row, transfer, quiet, one in zip(
        places, weights, transfers(linear, grid, weights, source), reference, middle, strict=True
    ):
        if not np.all(np.abs(transfer.gain) > SILENT):
            name = "the input" if source == PROGRAM else f"the input {source}"
            raise InputError(
                f"point: nothing of {name} arrives at {place.name}, {state_in_words(wanted_db)}; "
                "choose another point"
            )
        low, high = corners_hz(linear, row, source, middle_hz=REFERENCE_HZ)
        found.append(
            Response(
                point=place.name,
                state=state_in_words(wanted_db),
                reduction_db=wanted_db,
                control_v=state.control_v if isinstance(state, HeldBench) else None,
                level_dbu=None,
                frequency_hz=grid,
                gain_db=transfer.gain_db,
                phase_deg=transfer.phase_deg,
                group_delay_s=transfer.group_delay_s,
                gain_reduction_db=quiet.gain_db - transfer.gain_db,
                gain_1khz_db=float(one.gain_db[0]),
                low_corner_hz=low,
                high_corner_hz=high,
            )
        )
    return found


def _checked(state: Bench, words: str, places: Sequence[Point], source: str) -> list[ToneCheck]:
    """All tones at once: at this level the circuit is linear, so they do not disturb each other."""
    linear = linear_at_rest(state)
    frequencies = np.array(CHECK_HZ)
    weights = np.array([place.weights(linear.index) for place in places])
    steps, fade = round((CHECK_FADE_S + CHECK_S) * state.rate_hz), round(CHECK_FADE_S * state.rate_hz)
    time = np.arange(1, steps + 1) / state.rate_hz
    peak_v = dbu_to_rms_v(CHECK_LEVEL_DBU) * np.sqrt(2.0)
    rising = np.sin(0.5 * np.pi * np.minimum(time / CHECK_FADE_S, 1.0)) ** 2
    together = sum(np.sin(2.0 * np.pi * f * time) for f in CHECK_HZ)
    run = state.run([node for place in places for node in place.nodes])
    played = run.play({source: peak_v * rising * together})
    found = []
    for place, transfer in zip(places, transfers(linear, frequencies, weights, source), strict=True):
        heard = tones(place.volts(played.nodes)[fade:], rate_hz=state.rate_hz, frequencies_hz=CHECK_HZ)
        tones_db = 20.0 * np.log10(heard.amplitude / peak_v)
        found.append(
            ToneCheck(
                point=place.name, state=words, frequency_hz=frequencies, linear_db=transfer.gain_db, tones_db=tones_db
            )
        )
    return found


def _swept(bench: Bench, level_dbu: float, places: Sequence[Point], tones_hz: Sequence[float]) -> list[Response]:
    """Steady tones one after the other, each from the state that the one before has left."""
    linear = linear_at_rest(bench)
    frequencies = np.array(tones_hz)
    watched = [*places, output_point(bench.unit)]
    weights = np.array([place.weights(linear.index) for place in watched])
    at_rest = transfers(linear, frequencies, weights)
    run = bench.run([node for place in watched for node in place.nodes])
    gains = np.empty((len(watched), len(frequencies)), dtype=np.complex128)
    for number, frequency in enumerate(tones_hz):
        period = period_of(frequency, bench)
        emf_v = period.tone(level_dbu)
        try:
            steady = settle(run, emf_v)
        except ConvergenceError as error:
            raise error.at(f"at {level_dbu:g} dBu, {frequency:g} Hz") from None
        for row, place in enumerate(watched):
            gains[row, number] = phasor(place.volts(steady.block.nodes), period) / phasor(emf_v, period)
    levels, middle = 20.0 * np.log10(np.abs(gains)), tones_hz.index(REFERENCE_HZ)
    reductions = np.array([one.gain_db for one in at_rest]) - levels
    return [
        Response(
            point=place.name,
            state=f"loop closed, {level_dbu:+g} dBu",
            reduction_db=float(reductions[-1, middle]),
            control_v=None,
            level_dbu=level_dbu,
            frequency_hz=frequencies,
            gain_db=levels[row],
            phase_deg=np.degrees(np.unwrap(np.angle(gains[row]))),
            group_delay_s=np.full(len(frequencies), np.nan),
            gain_reduction_db=reductions[row],
            gain_1khz_db=float(levels[row, middle]),
            low_corner_hz=None,
            high_corner_hz=None,
        )
        for row, place in enumerate(places)
    ]
