"""A list of measured FETs, a CSV file with a row for each.

Columns: ``name``, ``i_dss``, ``v_gs_off``, ``v_gs_off_current`` (the drain current at which V_GS(off) was read), and
where they are known ``r_ds_on`` and ``v_ds``, the drain voltage of the jig. Units stand behind the number (``12.3mA``)
or in the heading (``i_dss [mA]``). Cells are parted by commas, semicolons or tabs. Nothing is guessed: what cannot be
read names its row and column.
"""

import csv
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from fetsim.errors import InputError
from fetsim.files.reading import read_text
from fetsim.safe_text import printable
from fetsim.schematic.fields import suggestion
from fetsim.schematic.values import format_value, parse_value

LARGEST_FILE = 1_000_000  # bytes
MOST_FETS = 500
LONGEST_NAME = 40
NEEDED = {"i_dss": "ampere", "v_gs_off": "volt", "v_gs_off_current": "ampere"}
MORE = {"r_ds_on": "ohm", "v_ds": "volt"}
QUANTITIES = {**NEEDED, **MORE}
NAME = "name"
RANGES = {
    "i_dss": (10e-6, 2.0), "v_gs_off": (0.25, 30.0), "v_gs_off_current": (1e-10, 1e-3), "r_ds_on": (0.5, 50e3),
    "v_ds": (0.0, 100.0),
}  # fmt: skip
"""What junction FETs have, without sign: small-signal types to large switches (own choice; any part ever sold in
quantity lies inside)."""
SIGNED = ("v_gs_off",)
IN_HEADING = {"i_dss": "mA", "v_gs_off": "V", "v_gs_off_current": "uA", "r_ds_on": "ohm", "v_ds": "V"}
HEADING = re.compile(r"\s*([^\[(]*?)\s*(?:[\[(]\s*([^\])]*?)\s*[\])])?\s*")


@dataclass(frozen=True, kw_only=True)
class MeasuredFet:
    """One FET as it was read; voltages with the sign of its polarity."""

    name: str
    i_dss_a: float
    v_gs_off_v: float
    v_gs_off_current_a: float
    r_ds_on_ohm: float | None = None
    v_ds_v: float | None = None
    """Drain voltage, without sign, at which the currents were read; None: they are those of no drain voltage, as the
    law takes them."""
    row: int = 0
    """Of the file, the heading being 1; 0 for one that comes from none."""


def read_fets(path: Path, off_current_a: float | None = None) -> tuple[tuple[MeasuredFet, ...], tuple[str, ...]]:
    """The FETs of a file, and its columns that were left out. ``off_current_a`` stands for a missing column of the
    current at V_GS(off). Raises InputError with a line for every mistake, named by row and column.

    >>> import fetsim
    >>> from pathlib import Path
    >>> _ = Path("drawer.csv").write_text("name,i_dss [mA],v_gs_off,v_gs_off_current [uA]\\nA1,12.3,-3.9V,1\\n")
    >>> fetsim.read_fets(Path("drawer.csv"))[0][0].i_dss_a
    0.0123
    """
    text = read_text(path, largest_bytes=LARGEST_FILE, what="list of FETs")
    try:
        lines = [(number, row) for number, row in enumerate(_rows(text), start=1) if any(cell.strip() for cell in row)]
    except csv.Error as error:
        raise InputError(f"{path}: cannot be read as a table ({error})") from None
    if not lines:
        raise InputError(f"{path}: is empty; its first row names the columns: {', '.join((NAME, *QUANTITIES))}")
    (_, heading), *rows = lines
    columns, left_out = _columns(path, heading, off_current_a)
    if not 1 <= len(rows) <= MOST_FETS:
        raise InputError(f"{path}: has {len(rows)} FETs; 1 to {MOST_FETS} can be looked at")
    fets, mistakes = [], []
    for number, row in rows:
        found, wrong = _fet(number, row, columns, len(heading), off_current_a)
        mistakes += wrong
        fets += [found] if found is not None else []
    mistakes += _doubled(fets)
    if mistakes:
        raise InputError("\n".join(printable(f"{path}: {line}") for line in mistakes))
    return tuple(fets), left_out


def given_fets(
    fets: Iterable[MeasuredFet] | str | Path, off_current_a: float | None
) -> tuple[tuple[MeasuredFet, ...], tuple[str, ...]]:
    """FETs themselves, or those of the file of this path, and its columns that were left out. Raises InputError."""
    if isinstance(fets, str | Path):
        return read_fets(Path(fets), off_current_a)
    if not isinstance(fets, Iterable):
        raise InputError(f"fets: must be a list of MeasuredFet or the path of one, not a {type(fets).__name__}")
    listed, seen = tuple(fets), set()
    for fet in listed:
        if not isinstance(fet, MeasuredFet):
            raise InputError(f"fets: holds a {type(fet).__name__}; give each as MeasuredFet")
        if not isinstance(fet.name, str) or not fet.name.strip() or fet.name in seen:
            raise InputError(f"fets: {str(fet.name)[:LONGEST_NAME]!r} is no name of its own; every FET needs one")
        seen.add(fet.name)
    return listed, ()


def _rows(text: str) -> Iterator[list[str]]:
    first = text.partition("\n")[0]
    delimiter = max(",;\t", key=first.count)
    return iter(csv.reader(text.splitlines(), delimiter=delimiter, skipinitialspace=True, strict=True))


def _columns(
    path: Path, heading: Sequence[str], off_current_a: float | None
) -> tuple[Mapping[str, tuple[int, str]], tuple[str, ...]]:
    """Column -> its place and the unit in its heading; and the headings of those that are none of ours."""
    known = (NAME, *QUANTITIES)
    columns: dict[str, tuple[int, str]] = {}
    left_out, mistakes = [], []
    for place, cell in enumerate(heading):
        match = HEADING.fullmatch(cell)
        name, unit = (match[1].lower().replace(" ", "_"), match[2] or "") if match else (cell, "")
        if name in columns:
            mistakes.append(f"column {name}: is there twice")
        elif name in known:
            columns[name] = (place, unit)
        elif hint := suggestion(name, known):
            mistakes.append(f"column {name[:40]!r}: is none that is known{hint}")
        elif cell.strip():
            left_out.append(cell.strip()[:LONGEST_NAME])
    for name in (NAME, *NEEDED):
        misspelt = any(line.endswith(f"did you mean {name}?") for line in mistakes)
        said = name == "v_gs_off_current" and off_current_a is not None
        if name not in columns and not said and not misspelt:
            more = "; or say it for all with --off-current" if name == "v_gs_off_current" else ""
            mistakes.append(f"column {name}: is missing; the first row names the columns: {', '.join(known)}{more}")
    if off_current_a is not None and "v_gs_off_current" in columns:
        mistakes.append("column v_gs_off_current: is there, and so is --off-current; give one of the two")
    if mistakes:
        raise InputError("\n".join(printable(f"{path}: {line}") for line in mistakes))
    return columns, tuple(left_out)


def _fet(
    number: int, row: Sequence[str], columns: Mapping[str, tuple[int, str]], width: int, off_current_a: float | None
) -> tuple[MeasuredFet | None, list[str]]:
    if len(row) > width:
        comma = "; is a decimal comma in it? write a decimal point" if "." not in "".join(row) else ""
        return None, [f"row {number}: has {len(row)} cells under {width} columns{comma}"]
    name = _cell(row, columns[NAME][0])
    mistakes = [] if name else [f"row {number}, column name: is empty; every FET needs one"]
    if len(name) > LONGEST_NAME:
        mistakes = [f"row {number}, column name: has {len(name)} characters; {LONGEST_NAME} are the most"]
    values: dict[str, float | None] = {"v_gs_off_current": off_current_a}
    for key, (place, unit) in columns.items():
        text = _cell(row, place)
        if key == NAME or (not text and key in MORE):
            continue
        try:
            values[key] = _value(key, text, unit)
        except InputError as error:
            mistakes.append(f"row {number}, column {key}: {error}")
    i_dss, current = values.get("i_dss"), values.get("v_gs_off_current")
    if i_dss is not None and current is not None and not current < 0.1 * i_dss:
        told = f"{format_value(current, 'ampere')} is no small share of i_dss"
        mistakes.append(f"row {number}, column v_gs_off_current: {told}; read V_GS(off) at a smaller current")
    if mistakes or i_dss is None or current is None:
        return None, mistakes
    v_gs_off = values["v_gs_off"]
    assert v_gs_off is not None
    return MeasuredFet(
        name=name, i_dss_a=i_dss, v_gs_off_v=v_gs_off, v_gs_off_current_a=current,
        r_ds_on_ohm=values.get("r_ds_on"), v_ds_v=values.get("v_ds"), row=number,
    ), []  # fmt: skip


def _cell(row: Sequence[str], place: int) -> str:
    return row[place].strip() if place < len(row) else ""


def _value(key: str, text: str, unit: str) -> float:
    """A cell as an amount. Raises InputError."""
    quantity = QUANTITIES[key]
    if not text:
        raise InputError("is empty")
    bare = re.fullmatch(r"[+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?", text) is not None
    value = parse_value(f"{text}{unit}" if bare else text, quantity)
    low, high = RANGES[key]
    shown = format_value(value, quantity)
    if value < 0.0 and key not in SIGNED:
        raise InputError(f"{shown} is negative; it is written without sign, of a p-channel FET too")
    if low <= abs(value) <= high:
        return value
    asked = f"; write the unit behind it, or in the heading as {key} [{IN_HEADING[key]}]" if bare and not unit else ""
    told = f"{format_value(low, quantity)} to {format_value(high, quantity)}"
    raise InputError(f"{shown} is outside what junction FETs have, {told}{asked}")


def _doubled(fets: Sequence[MeasuredFet]) -> Iterator[str]:
    seen: dict[str, int] = {}
    for fet in fets:
        if fet.name in seen:
            yield f"row {fet.row}, column name: {fet.name!r} is in row {seen[fet.name]} already"
        seen.setdefault(fet.name, fet.row)
