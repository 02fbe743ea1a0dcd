"""What a recorded test file gives, as plain data."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

from fetsim.errors import InputError
from fetsim.files.tables import Row
from fetsim.measurements.recordings.loopback import Loopback
from fetsim.measurements.results.result import Measured
from fetsim.rig.provenance import Program
from fetsim.studies.builds.asked import KINDS
from fetsim.studies.observed.readings import STEP
from fetsim.studies.signals.reading import ChannelReading, Read
from fetsim.studies.signals.sequence import Sequence


@dataclass(frozen=True, kw_only=True)
class RecordedChannel:
    """One channel of the recording."""

    number: int
    """Counted from 1, in the recording."""
    delay_s: float
    clock_ppm: float
    polarity: int
    """-1 where it was upside down; turned round."""
    scatter_s: float
    """rms of the markers about the line through them."""
    gaps_s: tuple[tuple[float, float], ...]
    """Where the recording stands still while something is played, from and to, on the clock of the test file."""
    reading: ChannelReading
    simulated: ChannelReading | None
    """The same file played through a unit in simulation and read in the same way; None without one."""
    interface: ChannelReading | None
    """The same of the loop-back: what the interface does on its own."""
    loopback: Loopback | None


@dataclass(frozen=True, kw_only=True)
class SignalsReading(Measured):
    """All figures of a real unit out of one recording."""

    ROOM: ClassVar[str] = "signals"
    FLOOR: ClassVar[str] = "studies"

    provenance: Program
    name: str
    """Of the recording."""
    sequence: Sequence
    recorded_full_scale_dbu: float | None
    """Level at the unit's output for 0 dBFS recorded; None where it is not known."""
    unit_name: str
    """Of the unit that was simulated; empty without one."""
    channels: tuple[RecordedChannel, ...]

    def readings(self, number: int | None = None) -> list[Row]:
        """Rows of a file of readings for one channel (default: the first), as ``fetsim.read_readings`` takes them.

        Raises InputError where the channel has no figure that such a file may hold.
        """
        chosen = [one for one in self.channels if number is None or one.number == number]
        rows = [row for one in chosen[:1] for row in _rows(one.reading.figures, self.sequence)]
        if not rows:
            raise InputError(f"{self.name}: holds no figure that a file of readings takes")
        return rows


def _rows(figures: tuple[Read, ...], sequence: Sequence) -> Iterator[Row]:
    for one in figures:
        kind = KINDS.get(one.key.partition("@")[0])
        if kind is None or one.value is None:
            continue
        value, accuracy = f"{one.value:.6g}", f"{one.accuracy:.3g}"
        if kind.quantity == "second":
            value, accuracy = f"{1e3 * one.value:.6g}ms", f"{100.0 * one.accuracy / one.value:.3g}%"
        elif kind.quantity == "hertz":
            value, accuracy = f"{one.value:.6g}Hz", f"{100.0 * one.accuracy / one.value:.3g}%"
        elif kind.quantity == "share":
            value, accuracy = f"{100.0 * one.value:.6g}%", f"{100.0 * one.accuracy / one.value:.3g}%"
        levels = zip(STEP, (sequence.before, sequence.level), strict=True)
        step = "; ".join(f"{name}={dbu:g}dBu" for name, dbu in levels) if kind.group == "step" else ""
        yield {"figure": one.key, "value": value, "accuracy": accuracy, "meter": "", "settings": step}
