"""Readings of a real unit: a file with a row for each, CSV or TOML.

Columns ``figure`` (its name as in ``studies/builds/asked.py``: ``volts@ctl``, ``threshold``, ``reduction@4``,
``signal@dr@4``), ``value`` with its unit (levels in dBu or in volts rms), ``accuracy`` as a share of the value or an
amount (one standard deviation), ``meter`` (its input resistance, for volts) and ``settings`` (controls and switches, as
``release=1; curve=S2``; for attack and release also the levels of the step: ``step_from=-20dBu; step_to=0dBu``). Rows
without a value have not been read yet. In TOML each is a table ``[[reading]]`` with the same keys. Nothing is guessed:
what cannot be read names its row and column.
"""

import csv
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np

from fetsim.audio.levels import rms_v_to_dbu
from fetsim.errors import FetsimError, InputError
from fetsim.files.reading import read_text
from fetsim.safe_text import printable
from fetsim.schematic.fields import suggestion
from fetsim.schematic.unit import Unit
from fetsim.schematic.values import QUANTITIES, parse_value
from fetsim.schematic.versions import parse_changes
from fetsim.studies.builds.asked import Figure, figure_named

LARGEST_FILE = 1_000_000  # bytes
MOST_READINGS, MOST_COLUMNS = 500, 100
COLUMNS = ("figure", "value", "accuracy", "meter", "settings")
LEFT_OUT = ("expected", "about")
"""Columns that are for people."""
STEP = ("step_from", "step_to")
"""Settings of a time: levels of the step that it is read off."""
METER_OHM = 10e6
"""Input resistance of a digital meter (common practice)."""
ACCURACY_SHARE, ACCURACY_DB = 0.01, 0.2
TIME_SHARE, THD_SHARE = 0.05, 0.1
"""Accuracies where nothing is said: of volts, of levels and gains, of times, frequencies and ratios, of THD (own
choice: a good meter and a careful hand)."""
DB_A_NEPER = 20.0 / np.log(10.0)
LEAST_V, LEAST_DB = 1e-3, 0.01
"""No reading counts as finer: the last digits of a meter."""
EXAMPLE = "as volts@ctl,-5.02V,1%,10M,release=1"


@dataclass(frozen=True, kw_only=True)
class Reading:
    """One figure as it was read."""

    figure: Figure
    value: float
    """In SI units, or in what ``Figure.unit`` says."""
    accuracy: float
    """One standard deviation, in the same."""
    meter_ohm: float | None = None
    """Input resistance of the meter that read volts; None where nothing loads the unit."""
    settings: Mapping[str, str] = field(default_factory=dict)
    """What the unit was set to, as changes take it."""
    step_dbu: tuple[float, float] | None = None
    """Levels before and in the step that a time was read off; None: as ``Observations`` have them."""
    where: str = ""
    """Its place in a file."""

    @property
    def name(self) -> str:
        """The figure, with its settings."""
        told = ", ".join(f"{name}={value}" for name, value in self.settings.items())
        return f"{self.figure.key} ({told})" if told else self.figure.key

    @property
    def symbol(self) -> str:
        """Of what its value is counted in; empty for ratios."""
        quantity = self.figure.quantity
        return self.figure.unit or ("" if quantity == "share" else QUANTITIES[quantity].symbol)


def read_readings(path: str | Path | Sequence[str | Path], unit: Unit) -> tuple[Reading, ...]:
    """The readings of a file, or of several. Raises InputError with a line for every mistake, named by row and column.

    >>> import fetsim
    >>> from pathlib import Path
    >>> _ = Path("bench.csv").write_text("figure,value,accuracy\\nvolts@ctl,-5.02V,1%\\nthreshold,-19.3,0.2\\n")
    >>> [one.figure.key for one in fetsim.read_readings("bench.csv", fetsim.load_unit("teaching"))]
    ['volts@ctl', 'threshold']
    """
    paths = [Path(path)] if isinstance(path, str | Path) else [Path(one) for one in path]
    again = next((one for k, one in enumerate(paths) if one in paths[:k]), None)
    if again is not None:
        raise InputError(f"{again}: is given twice; give it once")
    found: list[Reading] = []
    mistakes: list[str] = []
    seen: dict[object, Reading] = {}
    for file in paths:
        for where, row in _rows(file):
            try:
                one = reading_of(row, unit, f"{file}: {where}")
            except InputError as error:
                mistakes += [f"{file}: {where}, {line}" for line in str(error).splitlines()]
                continue
            first = seen.setdefault((one.figure.of, *sorted(one.settings.items())), one)
            if first is not one:
                there = first.where.removeprefix(f"{file}: ")
                there += " already" + ("" if first.figure.key == one.figure.key else f", as {first.figure.key}")
                mistakes.append(f"{one.where}, column figure: {one.name} is in {there}; keep one of them")
            found.append(one)
    if mistakes:
        raise InputError("\n".join(printable(line) for line in mistakes))
    if not 1 <= len(found) <= MOST_READINGS:
        told = " and ".join(map(str, paths))
        raise InputError(f"{told}: has {len(found)} readings with a value; 1 to {MOST_READINGS} can be used")
    return tuple(found)


def _rows(path: Path) -> Iterator[tuple[str, dict[str, str]]]:
    """Those that have been read."""
    text = read_text(path, largest_bytes=LARGEST_FILE, what="list of readings")
    every = _toml_rows(path, text) if path.suffix.lower() == ".toml" else _csv_rows(path, text)
    return ((where, row) for where, row in every if row.get("value", "").strip())


def reading_of(row: Mapping[str, str], unit: Unit, where: str = "") -> Reading:
    """One reading out of its texts by column. Raises InputError that begins with the column.

    >>> import fetsim
    >>> fetsim.reading_of({"figure": "release", "value": "120ms"}, fetsim.load_unit("teaching")).value
    0.12
    """
    texts = {name: row.get(name, "").strip() for name in COLUMNS}
    with _column("settings"):
        each = texts["settings"].replace(",", ";").split(";") if texts["settings"] else []
        settings = parse_changes(each, "settings")
        step_dbu = _step(settings)
        _check_settings(unit, settings)
    with _column("figure"):
        figure = figure_named(texts["figure"], unit)
    with _column("settings"):
        if step_dbu and figure.group != "step":
            raise InputError(f"{' and '.join(STEP)} are the levels of a step; {figure.key} is read off none")
    with _column("value"):
        value = _amount(figure, texts["value"])
    with _column("accuracy"):
        accuracy = _accuracy(figure, value, texts["accuracy"])
    with _column("meter"):
        meter = _meter(figure, texts["meter"])
    return Reading(
        figure=figure, value=value, accuracy=accuracy, meter_ohm=meter, settings=settings, step_dbu=step_dbu,
        where=where,
    )  # fmt: skip


class _column:
    """Puts the name of a column before what is wrong in it."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __enter__(self) -> None:
        pass

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: object) -> None:
        if isinstance(error, FetsimError):
            raise InputError(f"column {self._name}: {error}") from None


def step_of(readings: Iterable[Reading]) -> tuple[float, float] | None:
    """Levels of the steps that times were read off; None where none says so. Raises InputError where they differ."""
    found = {one.step_dbu: one for one in readings if one.step_dbu is not None}
    if len(found) > 1:
        told = " and ".join(f"{one.where or one.name} at {a:g} to {b:g} dBu" for (a, b), one in found.items())
        raise InputError(f"attack and release were read off several steps, {told}; keep those of one")
    return next(iter(found), None)


def _step(settings: dict[str, str]) -> tuple[float, float] | None:
    """Levels of a step, taken out of the settings."""
    texts = [settings.pop(name, "") for name in STEP]
    if not any(texts):
        return None
    if not all(texts):
        raise InputError(f"give both levels of the step, as {STEP[0]}=-20dBu; {STEP[1]}=0dBu")
    before, level = (parse_value(text.removesuffix("dBu").strip(), "plain") for text in texts)
    if not before < level:
        raise InputError(f"a step goes up: {STEP[0]} must be less than {STEP[1]}")
    return before, level


def _check_settings(unit: Unit, settings: Mapping[str, str]) -> None:
    for name in settings:
        if name not in unit.controls and name not in unit.banks:
            choices = ", ".join([*unit.controls, *unit.banks]) or "the unit has none"
            raise InputError(f"{name[:40]!r} is no control or switch; choices: {choices}")
    if settings:
        unit.changed(settings)


def _amount(figure: Figure, text: str) -> float:
    """A figure's value. Raises InputError, for times and frequencies also where the unit is left out."""
    if figure.unit == "dBu":
        if text.endswith("V"):
            return _dbu(text)
        text = text.removesuffix("dBu").strip()
    quantity = "decibel" if figure.unit == "dB" else figure.quantity
    value = parse_value(text, quantity)
    if figure.quantity in ("second", "hertz") and text[-1:].isdigit():
        example = "120ms or 0.12s" if figure.quantity == "second" else "35Hz or 20kHz"
        raise InputError(f"{text[:20]!r} has no unit; write it as {example}")
    if _in_proportion(figure) and not value > 0.0:
        raise InputError(f"{figure.key} is never zero or less")
    return value


def _dbu(text: str) -> float:
    """Of volts rms, as AC meters show them."""
    volts = parse_value(text, "volt")
    if not volts > 0.0:
        raise InputError(f"{text[:20]!r} is no rms voltage; an AC meter shows more than zero")
    return float(rms_v_to_dbu(volts))


def _in_proportion(figure: Figure) -> bool:
    return figure.quantity in ("second", "hertz", "share") or figure.kind == "ratio"


def usual_accuracy(figure: Figure, value: float) -> float:
    """One standard deviation of a reading of which nothing is said."""
    share = {"volt": ACCURACY_SHARE, "share": THD_SHARE}.get(figure.quantity, TIME_SHARE)
    return ACCURACY_DB if "dB" in figure.unit else max(share * abs(value), _least(figure, value))


def _least(figure: Figure, value: float) -> float:
    return LEAST_V if figure.quantity == "volt" else LEAST_DB if "dB" in figure.unit else 1e-4 * abs(value)


def _accuracy(figure: Figure, value: float, text: str) -> float:
    text = text.removeprefix("+-").removeprefix("±").strip()
    if not text:
        return usual_accuracy(figure, value)
    if text.endswith("%"):
        share = parse_value(text, "share")
        accuracy = DB_A_NEPER * share if "dB" in figure.unit else abs(value) * share
    else:
        unit = "decibel" if "dB" in figure.unit else figure.quantity
        accuracy = parse_value(text.removesuffix("dBu").strip() if figure.unit == "dBu" else text, unit)
    if not accuracy > 0.0:
        raise InputError(f"{text[:20]!r} must be above zero: one standard deviation, as 1% or an amount")
    return max(accuracy, _least(figure, value))


def _meter(figure: Figure, text: str) -> float | None:
    if figure.kind != "volts":
        if text:
            raise InputError(f"{figure.key} is not read by a voltmeter; leave it empty")
        return None
    if text in ("none", "infinite"):
        return None
    ohm = parse_value(text, "ohm") if text else METER_OHM
    if not (isfinite(ohm) and ohm >= 1e3):
        raise InputError(f"{text[:20]!r} is no input resistance of a voltmeter; write it as 10M, or none")
    return ohm


_WHOLE, _WHOLE_WITH_UNIT = re.compile(r"[+-]?[0-9]+"), re.compile(r"[0-9]+ ?[a-zA-Zµ]*")
"""Cells that a decimal comma leaves side by side; a share, as 1%, is plain."""


def _csv_rows(path: Path, text: str) -> Iterator[tuple[str, dict[str, str]]]:
    first = text.partition("\n")[0]
    delimiter = max(",;\t", key=first.count)
    try:
        table = list(csv.reader(text.splitlines(), delimiter=delimiter, skipinitialspace=True, strict=True))
    except csv.Error as error:
        raise InputError(f"{path}: cannot be read as a table ({error})") from None
    if not any(cell.strip() for row in table for cell in row):
        raise InputError(f"{path}: is empty; its first row names the columns: {', '.join(COLUMNS)}")
    heading = [cell.strip().lower() for cell in table[0]]
    _check_heading(path, heading)
    for number, row in enumerate(table[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        if len(row) > len(heading):
            raise InputError(f"{path}: row {number}: has {len(row)} cells under {len(heading)} columns; is a decimal "
                             "comma in it? write a decimal point")  # fmt: skip
        cells = dict(zip(heading, row, strict=False))
        value, accuracy = (cells.get(name, "").strip() for name in ("value", "accuracy"))
        if delimiter == "," and _WHOLE.fullmatch(value) and _WHOLE_WITH_UNIT.fullmatch(accuracy):
            raise InputError(f"{path}: row {number}: is {value[:20]},{accuracy[:20]} one number? then write a decimal "
                             f"point; if {accuracy[:20]} is the accuracy, write the value with its unit")  # fmt: skip
        yield f"row {number}", cells


def _toml_rows(path: Path, text: str) -> Iterator[tuple[str, dict[str, str]]]:
    try:
        document = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # numbers and brackets without end among them
        raise InputError(f"{path}: is not valid TOML ({str(error)[:200]})") from None
    tables = document.get("reading")
    if not isinstance(tables, list) or not all(isinstance(one, dict) for one in tables):
        raise InputError(f"{path}: has no readings; write each as a table [[reading]] with {', '.join(COLUMNS)}")
    for number, table in enumerate(tables, start=1):
        _check_heading(path, list(table))
        yield f"reading {number}", {name: _text(value) for name, value in table.items()}


def _text(value: Any) -> str:
    return "; ".join(f"{name}={one}" for name, one in value.items()) if isinstance(value, dict) else str(value)


def _check_heading(path: Path, heading: Sequence[str]) -> None:
    if len(heading) > MOST_COLUMNS:
        raise InputError(f"{path}: has {len(heading)} columns; a row is {','.join(COLUMNS)}, {EXAMPLE}")
    doubled = sorted({name for name in heading if heading.count(name) > 1 and name})
    if doubled:
        raise InputError(f"{path}: column {doubled[0][:40]} is there twice")
    known: Iterable[str] = (*COLUMNS, *LEFT_OUT)
    for name in heading:
        if name not in known and (hint := suggestion(name, known)):
            raise InputError(f"{path}: column {name[:40]!r} is none that is known{hint}")
    for name in ("figure", "value"):
        if name not in heading:
            raise InputError(f"{path}: column {name} is missing; a row is {','.join(COLUMNS)}, {EXAMPLE}")
