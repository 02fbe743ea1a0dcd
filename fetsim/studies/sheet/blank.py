"""A list of readings to fill in at the bench, as ``fetsim fit`` and ``fetsim suspects`` take it: rows without a value
have not been read."""

from fetsim.files.tables import Row
from fetsim.studies.sheet.record import BenchSheet

OF_CELL = ("threshold", "threshold_2db", "attack", "release")
COLUMNS = ("figure", "value", "accuracy", "meter", "settings", "expected")


def blank_readings(sheet: BenchSheet) -> list[Row]:
    """A row for each node at rest, with what a meter of 10 Mohm shows, and for each figure that the bench reads."""
    volts: dict[str, str | float] = {f"volts@{one.node}": round(one.metered_v, 3) + 0.0 for one in sheet.nodes}
    figures = dict.fromkeys(("gain", *(OF_CELL if sheet.unit.gain_cell is not None else ())), "")
    return [
        {**dict.fromkeys(COLUMNS, ""), "figure": figure, "expected": expected}
        for figure, expected in {**volts, **figures}.items()
    ]
