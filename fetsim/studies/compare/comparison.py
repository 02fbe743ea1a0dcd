"""What a comparison found: one record for each version of a unit, all that a table or a page needs.

Version 0 is the unit as it is built; the others follow in the order in which they were asked for. A version that
could not be played has an ``error`` and nothing else. File names are relative to the comparison's folder.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from importlib import import_module
from typing import TYPE_CHECKING, Any, overload

from fetsim.measurements.results.account import Account
from fetsim.measurements.results.table import Table
from fetsim.measurements.to_plain import plain
from fetsim.measurements.traces.checks import Samples
from fetsim.rig.gain_cell import CellAtRest
from fetsim.rig.provenance import Provenance
from fetsim.schematic.change_list import Step

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

AS_BUILT = "as built"
"""Label of version 0."""
NOISE = "noise of the parts"
"""Name of the setting that tells its seed."""
NO_DIFFERENCE_DB = -150.0
"""A difference whose level re the programme is below this is none: the last bit of single precision."""


@dataclass(frozen=True, kw_only=True)
class Outline:
    """A waveform drawn small, all channels together; arrays run over equal stretches [shape=(columns,)]."""

    column_s: float
    """Length of a stretch; the last one may be shorter."""
    minimum: Samples
    """Smallest sample, 1.0 = full scale."""
    maximum: Samples
    rms: Samples


@dataclass(frozen=True, kw_only=True)
class Loudness:
    """How loud a version is, before matching and in its files."""

    loudness_lufs: float | None
    """Integrated loudness (ITU-R BS.1770) before matching; None where every block is below the gate, or none fits."""
    rms_dbfs: float
    """Before matching; a full-scale sine is 0 dBFS."""
    match_gain_db: float
    """Gain that matches it to version 0; 0 for version 0 and without matching."""
    gain_db: float
    """All gain between the unit's output and the files: ``match_gain_db`` and the common headroom gain."""
    peak_dbfs: float
    """Largest sample in the files."""
    true_peak_dbtp: float
    """Largest value between samples in the files, four times oversampled."""


@dataclass(frozen=True, kw_only=True)
class Activity:
    """Gain reduction over time, arrays of shape (rows,): the largest of the channels, and the mean of them."""

    time_s: Samples
    gain_reduction_max_db: Samples
    gain_reduction_mean_db: Samples
    peak_db: float | None
    """Largest gain reduction in the programme; None where only how it moves is known."""
    mean_db: float | None
    """Mean over the programme; likewise."""


@dataclass(frozen=True, kw_only=True)
class BenchFigures:
    """What the bench says of a version; None where ``reasons`` holds a sentence under the same name."""

    threshold_dbu: float | None
    """Input level at which a steady 1 kHz tone gets 0.5 dB of gain reduction."""
    attack_ms: float | None
    """63 % of the fall of gain in dB."""
    release_ms: float | None
    """63 % of its recovery in dB."""
    thd_percent: float | None
    """Harmonics over the fundamental at the output."""
    reasons: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Difference:
    """A version less version 0, both as in their files: what the change adds or takes away."""

    level_db: float
    """rms of the difference re the rms of version 0; FLOOR_DB (-200) when they are equal."""
    outline: Outline
    flac_file: str
    """Empty where there is no difference to hear."""
    wav_file: str
    gain_db: float
    """Gain put on the files of the difference; 0 unless it would have clipped."""

    @property
    def audible_at_all(self) -> bool:
        """Whether anything is left of it above the last bit."""
        return self.level_db >= NO_DIFFERENCE_DB


@dataclass(frozen=True, kw_only=True)
class VersionResult:
    """One version. With an ``error`` everything from ``flac_file`` on is empty or None."""

    label: str
    """As the user wrote it: any text at all."""
    changes: tuple[tuple[str, str, str], ...]
    """(name, before, after) of what differs from version 0, in words; empty for version 0."""
    work: tuple[Step, ...] = ()
    """What makes it out of version 0 with the iron; empty for a version of the same file, whose changes say it, and for
    a unit that has nothing in common with it."""
    error: str = ""
    flac_file: str = ""
    """24 bit, dithered, aligned to the sample with the input and all other files."""
    wav_file: str = ""
    loudness: Loudness | None = None
    activity: Activity | None = None
    outline: Outline | None = None
    figures: BenchFigures | None = None
    difference: Difference | None = None
    """None for version 0."""
    provenance: Provenance | None = None
    """What made it: program, libraries, unit file and changes, how the FET stands at rest; None where nothing did."""
    cautions: tuple[str, ...] = ()
    """About this version alone, such as a change that makes no difference."""

    @property
    def rest(self) -> CellAtRest | None:
        """How the FET stands at rest; None for a unit without a gain cell."""
        return None if self.provenance is None else self.provenance.rest


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """A whole comparison."""

    title: str
    input_name: str
    """File name of the programme, without its folder."""
    unit_name: str
    rate_hz: int
    channels: int
    duration_s: float
    matching: str
    """``loudness``, ``rms`` or ``none``: how the versions were brought to one level."""
    matching_reason: str
    """Why so, in a sentence."""
    headroom_gain_db: float
    """Gain common to all versions so that no true peak is above -1 dBTP; 0 or less."""
    conditions: Mapping[str, str]
    """How the bench figures were taken, by name of the figure, in words."""
    cautions: tuple[str, ...]
    """What to be told before listening."""
    settings: Mapping[str, str]
    """What made it: unit file, changes common to all, load, quality, ..."""
    created: str
    """Local date and time, ISO 8601."""
    package_version: str
    versions: tuple[VersionResult, ...]

    provenance: Provenance | None = None
    """What made version 0: program, libraries, unit file and its changes common to all, quality, method."""

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, texts, lists and tables for JSON; what is not finite is None."""
        return {f.name: plain(getattr(self, f.name)) for f in fields(self)}

    def account(self) -> Account:
        """All that is to be told: tables, what their figures mean, cautions."""
        account: Account = import_module("fetsim.studies.compare.tables").account(self)
        return account

    def tables(self) -> tuple[Table, ...]:
        """Levels and figures of the versions, as raw values under described columns."""
        return self.account().tables

    @overload
    def plot(self) -> "Figure": ...

    @overload
    def plot(self, ax: "Axes") -> "Axes": ...

    def plot(self, ax: "Axes | None" = None) -> "Axes | Figure":
        """Gain reduction, levels and differences over time as a new figure, or the gain reduction alone on ``ax``,
        which is returned. Asked of ``report`` by name, so that a comparison without a picture loads no matplotlib."""
        picture = import_module("fetsim.report.compare.picture")
        if ax is None:
            figure: Figure = picture.draw_comparison(self)
            return figure
        picture.draw_on(ax, self)
        return ax
