"""How the channels of a pair go together, as a table and definitions."""

from collections.abc import Mapping, Sequence

from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import LEVELS, OWN, REDUCTION, Definition
from fetsim.measurements.results.formats import LEVEL, fixed
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.measurements.tracking.procedure import TrackingMeasurement, TrackingPoint

DRIVEN = ("the same in both", "left louder", "right louder")
"""In the order of ``shifts_db``."""
SHIFT = fixed(2, sign=True)
COLUMNS = (
    Column(key="version", heading="version"),
    Column(key="channels", heading="channels"),
    Column(key="level_dbu", heading="level", unit="dBu", show=LEVEL, meaning="of the louder side, at the source"),
    Column(key="left_reduction_db", heading="left reduction", unit="dB", show=fixed(2), meaning="same tone in both"),
    Column(key="right_reduction_db", heading="right reduction", unit="dB", show=fixed(2), meaning="same tone in both"),
    Column(key="tracking_db", heading="left less right", unit="dB", show=SHIFT, meaning="same tone in both"),
    Column(key="shift_alike_db", heading="shift, alike", unit="dB", show=SHIFT, meaning="positive towards the left"),
    Column(key="shift_left_louder_db", heading="shift, left louder", unit="dB", show=SHIFT),
    Column(key="shift_right_louder_db", heading="shift, right louder", unit="dB", show=SHIFT),
)


def account(measured: Mapping[str, TrackingMeasurement]) -> Account:
    """Label of the version -> measurement."""
    first = next(iter(measured.values()))
    return Account(
        title=f"Tracking of {first.provenance.unit}: {first.frequency_hz:g} Hz, one side {first.louder_db:g} dB "
        f"louder, quality {first.provenance.quality}.",
        lead=tuple(_lead(label, one) for label, one in measured.items()),
        tables=(_table(measured),),
        definitions=(LEVELS, REDUCTION, _tracking(), _shift(first.louder_db)),
    )


def named(joined: bool) -> str:
    """What the channels are called in tables and pictures."""
    return "joined" if joined else "apart"


def _lead(label: str, one: TrackingMeasurement) -> str:
    start = f"{label}: " if label else ""
    told = [f"At rest the left channel has {SHIFT(one.at_rest_db)} dB of gain over the right one."]
    for joined in (True, False):
        points = [point for point in one.points if point.joined is joined]
        told += [f"{named(joined).capitalize()}, {_most(points)}."] if points else []
    if not any(point.joined for point in one.points):
        told.append("Nothing joins the channels as switches stand.")
    return start + " ".join(told)


def _most(points: Sequence[TrackingPoint]) -> str:
    tracking = max(points, key=lambda point: abs(point.tracking_db))
    shifts = [
        (shift, name, point) for point in points for shift, name in zip(point.shifts_db, DRIVEN, strict=True)
    ]  # fmt: skip
    shift, name, at = max(shifts, key=lambda one: abs(one[0]))
    return (
        f"gain reduction differs by up to {tracking.tracking_db:+.2f} dB (at {tracking.level_dbu:+g} dBu), and the "
        f"image shifts by up to {shift:+.2f} dB ({name}, at {at.level_dbu:+g} dBu)"
    )


def _table(measured: Mapping[str, TrackingMeasurement]) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (label, named(point.joined), point.level_dbu, *(side.reduction_db for side in point.alike), point.tracking_db,
         *point.shifts_db)
        for label, one in measured.items() for point in one.points
    ]  # fmt: skip
    return Table(key="tracking", title="Gain reduction of both channels, and image shift", columns=COLUMNS, rows=rows,
                 heads=3)  # fmt: skip


def _tracking() -> Definition:
    return Definition(
        term="left less right",
        meaning="gain reduction of the left channel less that of the right one, with the same tone in both",
        status=OWN,
    )


def _shift(louder_db: float) -> Definition:
    return Definition(
        term="image shift",
        meaning="level difference, left over right, of the fundamentals at the outputs less that at the sources: with "
        f"the same tone in both, and with one side {louder_db:g} dB louder. Positive: the image moves to the left. "
        "With one control voltage for both, what is left is what the FETs differ by",
        status=OWN,
    )
