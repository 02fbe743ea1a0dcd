"""How a reading is taken, in words for who holds the meter, and as the row of a list that it is filled into."""

from collections.abc import Mapping

from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.timing.procedure import step_levels_dbu
from fetsim.schematic.unit import Unit
from fetsim.studies.observed.observations import Observations
from fetsim.studies.observed.readings import ACCURACY_DB, ACCURACY_SHARE, COLUMNS, METER_OHM, TIME_SHARE, Reading

ENDS = {"0": "fully counter-clockwise", "1": "fully clockwise"}
QUALITY = "draft"
MOST_PARTS = 4
HEADING = ",".join(COLUMNS)


def turned(settings: Mapping[str, str]) -> str:
    """``release fully clockwise and SW1 at steep``."""
    return " and ".join(f"{name} {ENDS.get(value, 'at ' + value)}" for name, value in settings.items())


def in_short(reading: Reading) -> str:
    """``the volts at ctl with release fully clockwise``."""
    figure = reading.figure
    _, *places = figure.key.split("@")
    level = "" if figure.level_dbu is None else f" under a tone of {figure.level_dbu:g} dBu"
    told = {
        "volts": "the volts at {}", "mean": "the mean volts at {}", "signal": "the signal at {}",
        "current": "the current of {}",
    }.get(figure.kind, f"the {figure.kind.replace('_', ' ')}").format(*places)  # fmt: skip
    return told + level + (f" with {turned(reading.settings)}" if reading.settings else "")


def how_to(reading: Reading, observations: Observations) -> str:
    """In sentences, settings first."""
    set_to = f"Set {turned(reading.settings)}, all else as it was. " if reading.settings else ""
    return f"{set_to}{_fed(reading, observations)}Read {_read(reading, observations.unit)}."


def _fed(reading: Reading, observations: Observations) -> str:
    figure = reading.figure
    if figure.kind == "volts":
        return "Feed nothing and let it settle. "
    if figure.level_dbu is not None:
        return f"Feed a steady tone of {observations.curve_hz:g} Hz at {figure.level_dbu:g} dBu. "
    if figure.group != "step":
        return ""
    bench = Bench(observations.unit.changed(reading.settings), QUALITY)
    low, high = step_levels_dbu(bench, observations.before_dbu, observations.level_dbu, observations.step_hz)
    return f"Step a tone of {observations.step_hz:g} Hz from {low:.1f} to {high:.1f} dBu, wait, and back. "


def _read(reading: Reading, unit: Unit) -> str:
    figure = reading.figure
    if figure.node is not None:
        name = figure.key.split("@")[1]
        parts = [part.designator for part in unit.parts.values() if figure.node in part.nodes.values()]
        at = f"{name} ({', '.join(parts[:MOST_PARTS])}{' ...' if len(parts) > MOST_PARTS else ''})"
        return f"the {'AC volts (rms)' if figure.kind == 'signal' else 'DC volts'} of {at} against ground"
    return {
        "output": "the AC volts (rms) at the output, into its load",
        "attack": "the time in which 63 % of the fall of the gain in dB are done after the step up",
        "release": "the time in which 63 % of the gain's recovery in dB are done after the step down",
    }.get(figure.kind, f"{figure.heading}, {figure.meaning}")


def line_of(reading: Reading) -> str:
    """The row of a list of readings, its value left out."""
    figure = reading.figure
    accuracy = f"{100.0 * ACCURACY_SHARE:g}%" if figure.quantity == "volt" else f"{ACCURACY_DB:g}" if (
        "dB" in figure.unit) else f"{100.0 * TIME_SHARE:g}%" if figure.quantity == "second" else ""
    meter = f"{METER_OHM / 1e6:g}M" if figure.kind == "volts" else ""
    settings = "; ".join(f"{name}={value}" for name, value in reading.settings.items())
    return ",".join((figure.key, "", accuracy, meter, settings))
