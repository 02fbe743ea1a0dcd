"""What a recorded test file gives, as tables."""

from collections.abc import Mapping

from fetsim.measurements.curve.analysis import StaticCurve
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import OWN, Definition
from fetsim.measurements.results.formats import fixed, general, hertz, percent, seconds
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.measurements.traces.interruptions import told_dropouts
from fetsim.studies.builds.asked import KINDS
from fetsim.studies.signals.cautions import CAUTIONS
from fetsim.studies.signals.reading import Read
from fetsim.studies.signals.record import RecordedChannel, SignalsReading

HEADINGS = {"smpte": "SMPTE intermodulation", "difference_tone": "difference-tone intermodulation"}
COLUMNS = (
    Column(key="channel", heading="channel"),
    Column(key="figure", heading="figure"),
    Column(key="value", heading="recorded"),
    Column(key="accuracy", heading="+-", meaning="one standard deviation"),
    Column(key="simulated", heading="simulated"),
    Column(key="apart", heading="apart", show=fixed(1), meaning="in standard deviations of the recorded one"),
    Column(key="interface", heading="interface alone"),
)
READINGS = (
    Column(key="channel", heading="channel"),
    Column(key="level_dbu", heading="level", unit="dBu", show=fixed(1, sign=True)),
    Column(key="reduction_db", heading="gain reduction", unit="dB", show=fixed(3)),
    Column(key="reduction_error_db", heading="+-", unit="dB", show=general(2)),
    Column(key="thd", heading="THD", show=percent),
    Column(key="thd_error", heading="+-", show=percent),
    Column(key="simulated_reduction_db", heading="simulated", unit="dB", show=fixed(3)),
)


def account(measured: Mapping[str, SignalsReading]) -> Account:
    """Names of the recordings -> what they give."""
    several = len(measured) > 1
    return Account(
        title="All figures of a recorded test file.",
        lead=tuple(text for one in measured.values() for channel in one.channels for text in _lead(one, channel)),
        tables=(*(_figures(label if several else "", one) for label, one in measured.items()), _readings(measured)),
        definitions=DEFINITIONS,
        cautions=CAUTIONS,
    )


def _lead(one: SignalsReading, channel: RecordedChannel) -> list[str]:
    floor, wire = channel.reading.floor, channel.loopback
    late = f"{seconds(abs(channel.delay_s))} {'late' if channel.delay_s >= 0.0 else 'early'}"
    late += " (the interface's own delay taken off)" if wire is not None else ""
    turned = ", upside down (turned round)" if channel.polarity < 0 else ", polarity kept"
    hum = "no hum stands out" if floor.mains_hz is None else f"hum of {floor.mains_hz:.2f} Hz"
    if channel.reading.hum_dbu is not None:
        hum += f", {channel.reading.hum_dbu:+.1f} dBu in {len(floor.hum_hz)} lines"
    told = [
        f"{one.name}, channel {channel.number}: {late}{turned}, clock {channel.clock_ppm:+.2f} ppm, markers in line to "
        f"{seconds(channel.scatter_s)}; {hum}."
    ]
    if channel.gaps_s:
        still = told_dropouts(channel.gaps_s)
        told.append(f"The recording {still} of the test file while something is played; record it again.")
    told += [f"{text}." for text in channel.reading.warnings]
    if wire is None:
        told.append("Without a loop-back the interface's response, noise and distortion are in all figures.")
    else:
        told.append(
            f"Interface taken out: gain {wire.gain_db:+.2f} dB, response from {hertz(wire.trusted[0])} to "
            f"{hertz(wire.trusted[1])}; its noise is taken off, its distortion stands beside."
        )
    return told


def _figures(label: str, one: SignalsReading) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for channel in one.channels:
        simulated = {read.key: read for read in channel.simulated.figures} if channel.simulated else {}
        alone = {read.key: read for read in channel.interface.figures} if channel.interface else {}
        for read in channel.reading.figures:
            beside = simulated.get(read.key)
            apart = None
            if read.value is not None and beside is not None and beside.value is not None and read.accuracy > 0.0:
                apart = (read.value - beside.value) / read.accuracy
            own = alone.get(read.key) if read.key.startswith(("thd", "smpte", "difference", "noise")) else None
            rows.append(
                (
                    str(channel.number), _heading(read.key), _shown(read), _error(read), _shown(beside), apart,
                    _shown(own),
                )
            )  # fmt: skip
    return Table(
        key="figures", title=f"{label} figures".strip().capitalize(), columns=COLUMNS, rows=rows, heads=2,
        notes=(
            f"Steps from {one.sequence.before:+g} to {one.sequence.level:+g} dBu at 5 kHz, read off the output; tones "
            "of 1 kHz. What needs a probe inside the unit, or minutes, is not in a recording.",
        ),
    )  # fmt: skip


def _heading(key: str) -> str:
    kind, at, level = key.partition("@")
    heading = KINDS[kind].heading if kind in KINDS else HEADINGS[kind]
    return f"{heading} at {float(level):+g} dBu" if at else heading


def _shown(read: Read | None) -> Cell:
    """In words: every figure has a unit of its own."""
    if read is None:
        return None
    if read.value is None and read.most is not None:
        return f"< {_text(read.key, read.most)}"
    if read.value is None:
        return Missing(cause="not computed", text=read.reason)
    return _text(read.key, read.value)


def _error(read: Read) -> Cell:
    return None if read.value is None else _text(read.key, read.accuracy, error=True)


def _text(key: str, value: float, error: bool = False) -> str:
    kind = KINDS.get(key.partition("@")[0])
    if kind is None or kind.quantity == "share":
        return percent(value)
    if kind.quantity == "second":
        return seconds(value)
    if kind.quantity == "hertz":
        return hertz(value)
    if error:
        return f"{max(value, 0.001):.2g} dB"
    return f"{value:+.3f} {kind.unit}" if kind.unit == "dBu" else f"{value:.3f} {kind.unit}"


def _readings(measured: Mapping[str, SignalsReading]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for one in measured.values():
        for channel in one.channels:
            curve, beside = channel.reading.curve, channel.simulated
            simulated = {} if beside is None else _by_level(beside.curve)
            for place, level in enumerate(curve.level_dbu):
                rows.append((
                    str(channel.number), float(level), float(curve.gain_reduction_db[place]),
                    float(channel.reading.curve_error_db[place]), float(channel.reading.thd[place]),
                    float(channel.reading.thd_error[place]),
                    simulated.get(float(level)),
                ))  # fmt: skip
    return Table(
        key="readings", title="All levels", columns=READINGS, rows=rows, heads=1, detail=True, brief=frozenset()
    )


def _by_level(curve: StaticCurve) -> dict[float, float]:
    """Gain reduction by level: what the recording cannot tell is left out of its own curve."""
    return dict(zip(curve.level_dbu.tolist(), curve.gain_reduction_db.tolist(), strict=True))


DEFINITIONS = (
    Definition(
        term="+-",
        meaning="one standard deviation: noise of the recording, whether a tone had come to rest, how the curve runs "
        "between two levels; levels of the interface itself are as true as what was told of them",
        status=OWN,
    ),
    Definition(
        term="simulated",
        meaning="the same file played through the unit in simulation, its parts noisy, and read in the same way",
        status=OWN,
    ),
    Definition(
        term="apart",
        meaning="recorded less simulated, in standard deviations of what is recorded: of a sound unit within its "
        "tolerances it may be many, as the recording is often surer than the parts",
        status=OWN,
    ),
    Definition(
        term="interface alone",
        meaning="the same figure read off the loop-back; with < its noise hides what it has",
        status=OWN,
    ),
)
