"""The test file written, and its recording read.

``write_signals``: choices -> ``Sequence`` -> sound file, whose title tells them. ``read_signals``: title ->
``Sequence``; recording -> interface taken out -> in step by the markers -> figures of each channel; the same samples
through a unit in simulation, and through the interface alone, are read in the same way.
"""

from pathlib import Path

import numpy as np

from fetsim.audio.files import AudioWriter, container_for
from fetsim.audio.render import render
from fetsim.errors import InputError
from fetsim.files.whole_files import Outputs
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.operating import threshold_dbu
from fetsim.measurements.curve.procedure import DEFAULT_FREQUENCY_HZ as CURVE_HZ
from fetsim.measurements.recordings.loopback import Loopback, loopback_in_step
from fetsim.measurements.recordings.sound import Sound, check_audible, check_clipping, read_sound
from fetsim.measurements.traces.checks import Samples
from fetsim.measurements.traces.interruptions import dropouts, told_dropouts
from fetsim.rig.provenance import program
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.load import given_unit
from fetsim.schematic.unit import Unit
from fetsim.studies.signals.place import Placed, placed
from fetsim.studies.signals.reading import ChannelReading, quiet_of, read_channel
from fetsim.studies.signals.record import RecordedChannel, SignalsReading
from fetsim.studies.signals.sequence import Sequence, sequence_of, title_of

DEFAULT_FULL_SCALE_DBU = 18.0  # EBU R 68
DEFAULT_RATE = 48000
UNDER_DB, OVER_DB, ABOVE_DB = 10.0, 10.0, 24.0  # of the threshold: steps from and to, highest tone
UNKNOWN_BEFORE_DBU, UNKNOWN_LEVEL_DBU, UNKNOWN_HIGHEST_DBU = -20.0, 0.0, 10.0
BITS = "24"
FARTHEST_FULL_SCALE_DBU = 60.0  # as of units
QUANTISED = 2.0**-20  # by which a file may differ from what it was written from


def write_signals(
    path: str | Path,
    *,
    unit: Unit | str | Path | None = None,
    full_scale_dbu: float = DEFAULT_FULL_SCALE_DBU,
    rate: int = DEFAULT_RATE,
    channels: int | None = None,
    lowest: float | None = None,
    highest: float | None = None,
    before: float | None = None,
    level: float | None = None,
    overwrite: bool = False,
) -> Sequence:
    """Write the test file and tell what it holds.

    ``full_scale_dbu``: level that the interface gives for 0 dBFS. Levels in dBu at the unit's input: tones from
    ``lowest`` to ``highest``, steps from ``before`` to ``level``; by default about the threshold of ``unit``, where one
    is given. ``channels``: 2 for a pair. Raises InputError.

    >>> import fetsim
    >>> round(fetsim.write_signals("test.wav", level=0.0).length_s)
    57
    """
    target = Path(path)
    if BITS not in container_for(target).bits:
        raise InputError(f"{target}: cannot hold {BITS} bits; write a WAV file")
    loaded = None if unit is None else given_unit(unit)
    sequence = _about(loaded, full_scale_dbu, rate, channels, lowest, highest, before, level)
    with Outputs(overwrite=overwrite) as outputs:
        staged = outputs.stage(target)
        with AudioWriter(staged, target, sequence.rate, sequence.channels, BITS, {"title": sequence.text}) as file:
            file.write(sequence.samples())
    return sequence


def read_signals(
    played: str | Path,
    recorded: str | Path,
    *,
    loopback: str | Path | None = None,
    channel: int | None = None,
    recorded_full_scale_dbu: float | None = None,
    unit: Unit | str | Path | None = None,
    quality: str = "standard",
    progress: Progress = unwatched,
) -> SignalsReading:
    """All figures of a real unit out of ``recorded``, its recording of the test file ``played``.

    ``loopback``: a recording of the same file with the interface's output wired to its input, which is taken out and
    tells the level. ``recorded_full_scale_dbu``: level at the recorder's input for 0 dBFS, where there is no loop-back.
    ``unit``: simulated and read beside. Raises InputError, UnitError or ConvergenceError.

    >>> import fetsim
    >>> import soundfile
    >>> sequence = fetsim.write_signals("test.wav", highest=-20.0, level=-20.0, before=-30.0)
    >>> samples, rate_hz = soundfile.read("test.wav")
    >>> soundfile.write("wire.wav", 0.5 * samples, rate_hz, subtype="FLOAT")
    >>> found = fetsim.read_signals("test.wav", "wire.wav", recorded_full_scale_dbu=18.0)
    >>> round(found.channels[0].reading.figures[0].value, 2)
    -6.02
    """
    sequence, heard = _sequence_in(Path(played)), read_sound(Path(recorded))
    loaded = None if unit is None else given_unit(unit).changed(full_scale_dbu=sequence.full_scale)
    chosen = heard if channel is None else heard.channel(channel)
    if chosen.channels > sequence.channels:
        raise InputError(
            f"{recorded}: has {heard.channels} channels, the test file has {sequence.channels}; choose one of them"
        )
    _check(chosen, sequence)
    _check_level(recorded_full_scale_dbu)
    _check_take(chosen, sequence, "the unit")
    looped = None if loopback is None else read_sound(Path(loopback))
    if looped is not None:
        _check(looped, sequence)
        _check_take(looped, sequence, "the interface with its output wired to its input")
    simulated = _simulated(loaded, sequence, quality, progress)
    found = []
    for place in range(chosen.channels):
        number = channel if channel is not None else place + 1
        wire, alone = (None, None) if looped is None else _interface(looped, number, sequence)
        samples = chosen.samples[:, place]
        step = _in_place(samples if wire is None else wire.taken_out(samples), sequence, chosen.path)
        gaps = _gaps(samples, step, sequence)
        full_scale = sequence.full_scale if wire is not None else recorded_full_scale_dbu
        found.append(
            RecordedChannel(
                number=number, delay_s=step.delay_s - (0.0 if wire is None else wire.delay_s),
                clock_ppm=step.clock_ppm, polarity=step.polarity, scatter_s=step.scatter_s,
                gaps_s=_in_seconds(gaps, sequence),
                reading=_read(step, sequence, full_scale, alone, chosen.path, gaps),
                simulated=simulated[min(place, len(simulated) - 1)] if simulated else None,
                interface=alone, loopback=wire,
            )
        )  # fmt: skip
    return SignalsReading(
        provenance=program(),
        name=heard.path.name,
        sequence=sequence,
        recorded_full_scale_dbu=sequence.full_scale if looped is not None else recorded_full_scale_dbu,
        unit_name="" if loaded is None else loaded.name,
        channels=tuple(found),
    )


def _about(
    unit: Unit | None,
    full_scale_dbu: float,
    rate: int,
    channels: int | None,
    lowest: float | None,
    highest: float | None,
    before: float | None,
    level: float | None,
) -> Sequence:
    """The sequence of these choices, the rest about the unit's threshold."""
    threshold = None
    if unit is not None and unit.gain_cell is not None and None in (lowest, highest, before, level):
        threshold = round(threshold_dbu(Bench(unit), CURVE_HZ))
    if threshold is None:
        own = (-34.0, UNKNOWN_HIGHEST_DBU, UNKNOWN_BEFORE_DBU, UNKNOWN_LEVEL_DBU)
    else:
        own = (threshold - 20.0, threshold + ABOVE_DB, threshold - UNDER_DB, threshold + OVER_DB)
    highest = min(own[1], full_scale_dbu) if highest is None else highest
    return Sequence(
        rate=rate,
        channels=(2 if unit is not None and unit.channels else 1) if channels is None else channels,
        full_scale=full_scale_dbu,
        lowest=own[0] if lowest is None else lowest,
        highest=highest,
        before=own[2] if before is None else before,
        level=min(own[3], highest) if level is None else level,
    )


def _sequence_in(path: Path) -> Sequence:
    sound = read_sound(path)
    try:
        sequence = sequence_of(title_of(path))
    except InputError as error:
        raise InputError(f"{path}: {error}") from None
    wanted = sequence.samples()
    if sound.rate_hz != sequence.rate or sound.samples.shape != wanted.shape:
        raise InputError(f"{path}: was cut or converted since it was written; give the file as it was written")
    if np.max(np.abs(sound.samples - wanted)) > QUANTISED:
        raise InputError(f"{path}: its samples were changed since it was written; give the file as it was written")
    return sequence


def _check(sound: Sound, sequence: Sequence) -> None:
    check_audible(sound)
    check_clipping(sound)
    if sound.rate_hz != sequence.rate:
        raise InputError(
            f"{sound.path}: its rate is {sound.rate_hz} Hz, that of the test file {sequence.rate} Hz; record at that"
        )


def _check_level(recorded_full_scale_dbu: float | None) -> None:
    if recorded_full_scale_dbu is not None and not abs(recorded_full_scale_dbu) <= FARTHEST_FULL_SCALE_DBU:
        limits = f"{-FARTHEST_FULL_SCALE_DBU:g} to {FARTHEST_FULL_SCALE_DBU:g} dBu"
        raise InputError(f"recorded full scale: {recorded_full_scale_dbu:g} dBu is outside {limits}")


def _check_take(heard: Sound, sequence: Sequence, what: str) -> None:
    played = sequence.samples()[:, : heard.channels]
    if heard.samples.shape == played.shape and np.max(np.abs(heard.samples - played)) <= QUANTISED:
        raise InputError(f"{heard.path}: is the test file itself; give what was recorded of {what}")


def _read(
    step: Placed,
    sequence: Sequence,
    full_scale_dbu: float | None,
    alone: ChannelReading | None,
    path: Path,
    gaps: list[slice],
) -> ChannelReading:
    try:
        return read_channel(
            step.samples, sequence, recorded_full_scale_dbu=full_scale_dbu,
            own_noise=None if alone is None else alone.floor.noise_density,
            broken=gaps,
        )  # fmt: skip
    except InputError as error:
        why = "was the recording interrupted, or does the unit give next to nothing?"
        raise InputError(f"{path}: {str(error).removeprefix('signal: ')}; {why}") from None


def _gaps(samples: Samples, step: Placed, sequence: Sequence) -> list[slice]:
    """Where the recording stands still, in samples of what was played."""
    delay, clock = step.delay_s * sequence.rate, 1e-6 * step.clock_ppm
    found = dropouts(samples, sequence.samples()[:, 0], delay=delay, clock=clock, rate_hz=float(sequence.rate))
    return [slice(*(int((at - delay) / (1.0 + clock)) for at in (gap.start, gap.stop))) for gap in found]


def _in_seconds(gaps: list[slice], sequence: Sequence) -> tuple[tuple[float, float], ...]:
    return tuple((gap.start / sequence.rate, gap.stop / sequence.rate) for gap in gaps)


def _in_place(samples: Samples, sequence: Sequence, path: Path) -> Placed:
    markers = [(piece.start, sequence.waveform(piece)) for piece in sequence.of("marker")]
    try:
        return placed(samples, markers, sequence.pieces[-1].stop, float(sequence.rate))
    except InputError as error:
        raise InputError(f"{path}: {error}") from None


def _interface(looped: Sound, number: int, sequence: Sequence) -> tuple[Loopback, ChannelReading]:
    """The interface's own channel, and what it does alone."""
    sound = looped.channel(min(number, looped.channels))
    step = _in_place(sound.samples[:, 0], sequence, sound.path)
    gaps = _gaps(sound.samples[:, 0], step, sequence)
    if gaps:
        told = told_dropouts(_in_seconds(gaps, sequence))
        raise InputError(f"{sound.path}: {told} of the test file while something is played; record it again")
    sweep = sequence.of("sweep")[0]
    wire = loopback_in_step(
        sequence.samples()[:, 0], step.samples, name=sound.path.name, rate_hz=float(sequence.rate),
        delay_s=step.delay_s, clock_ppm=step.clock_ppm, polarity=step.polarity,
        floor=quiet_of(step.samples, sequence)[0],
        broadband=slice(sweep.start, sweep.stop + sequence.rate // 4),
    )  # fmt: skip
    alone = read_channel(
        wire.polarity * wire.taken_out(step.samples), sequence, recorded_full_scale_dbu=sequence.full_scale
    )
    return wire, alone


def _simulated(
    unit: Unit | None, sequence: Sequence, quality: str, progress: Progress
) -> tuple[ChannelReading, ...]:
    if unit is None:
        return ()
    sound = sequence.samples()
    played = render(
        sound if unit.channels else sound[:, 0], sequence.rate, unit=unit, quality=quality, noise_seed=0,
        progress=progress,
    ).output  # fmt: skip
    columns = played.T if played.ndim == 2 else played[None, :]
    return tuple(read_channel(one, sequence, recorded_full_scale_dbu=sequence.full_scale) for one in columns)
