"""What can stand in a unit file, told from the schema itself: kinds of part, their keys and figures, the other tables.

Nothing here is written down a second time: ranges, defaults, units and meanings are those that a file is checked with.
"""

from dataclasses import dataclass
from types import NoneType
from typing import Any, Literal, get_args, get_origin

from pydantic.fields import FieldInfo

from fetsim.schematic.cores import OF_CORE
from fetsim.schematic.fields import Table, Within, form, within
from fetsim.schematic.schema import (
    LIMITS,
    MAIN_KEYS,
    PARTS,
    SHEETS,
    WIRING_KEYS,
    BankTable,
    BasedTable,
    ChannelTable,
    ControlTable,
    GainCellTable,
    MatchedTable,
    PairTable,
    StageTable,
    StepTable,
    UnitTable,
)
from fetsim.schematic.sheets import sheet_figures
from fetsim.schematic.taper import SHAPES, TAPERS
from fetsim.schematic.values import QUANTITIES, Quantity, format_value

BASED, PAIR = "a file based on another unit", "a file that makes a pair of two units"


@dataclass(frozen=True, kw_only=True)
class KeyDescription:
    """One key of a table."""

    name: str
    """A terminal as ``nodes.gate``."""
    meaning: str
    unit: str
    """Of an amount, as ``ohm`` or ``F``; empty for a plain number and for what is no amount."""
    written: str
    """How it is written: examples of an amount, or the form of anything else."""
    suffixes: bool
    """Whether it may be written with a multiplier, as ``4k7`` or ``220n``."""
    range: str
    """As ``1 mohm to 1 Tohm``; empty for what is no amount."""
    choices: tuple[str, ...]
    """The words it may be, where they are few."""
    required: bool
    default: str
    """What holds where the key is left out; empty where there is none."""
    changeable: bool
    """Whether a change may touch it; otherwise it is edited in the file."""


@dataclass(frozen=True, kw_only=True)
class TableDescription:
    """A table of a unit file."""

    name: str
    meaning: str
    keys: tuple[KeyDescription, ...]


@dataclass(frozen=True, kw_only=True)
class KindDescription:
    """One kind of part."""

    name: str
    meaning: str
    example: str
    """A line that makes such a part."""
    main_key: str
    """What a bare designator stands for in a change; empty where it stands for none."""
    keys: tuple[KeyDescription, ...]
    figures: tuple[KeyDescription, ...]
    """Keys of its device sheet, which may stand in ``figures`` of a part too; empty for a kind without a sheet."""
    sheet_keys: tuple[KeyDescription, ...]
    """The other keys of its device sheet."""
    limits: tuple[str, ...]
    """Lines that the sheet's ``limits`` may hold, with their unit."""
    tapers: tuple[tuple[str, str], ...]
    """(name, law) of each taper, for a kind that has one."""


def kinds() -> tuple[KindDescription, ...]:
    """Every kind of part, in the order of the schema.

    >>> import fetsim
    >>> [one.name for one in fetsim.kinds()][:3]
    ['resistor', 'capacitor', 'inductor']
    """
    return tuple(_kind(name) for name in PARTS)


def file_tables() -> tuple[TableDescription, ...]:
    """The tables of a unit file beside those of parts: the unit itself, gain cell, controls, switches, matched parts,
    stages, steps of the alignment, channels; then the top of a file that starts from another unit, or from two.

    >>> import fetsim
    >>> len(fetsim.file_tables()) > 3
    True
    """
    tables: dict[str, type[Table]] = {
        "": UnitTable,
        "gain_cell": GainCellTable,
        "controls.NAME": ControlTable,
        "switches.NAME": BankTable,
        "matched.NAME": MatchedTable,
        "stages.NAME": StageTable,
        "alignment.NAME": StepTable,
        "channels.NAME": ChannelTable,
        BASED: BasedTable,
        PAIR: PairTable,
    }
    changeable = {"": ("name", "about", "temperature_c", "full_scale_dbu"), "controls.NAME": ("position",),
                  "switches.NAME": ("closed",), "alignment.NAME": tuple(StepTable.model_fields)}  # fmt: skip
    return tuple(
        TableDescription(
            name=name,
            meaning=_first_sentence(model),
            keys=tuple(_key(key, info, key in changeable.get(name, ())) for key, info in model.model_fields.items()),
        )
        for name, model in tables.items()
    )


def _kind(name: str) -> KindDescription:
    model, sheet = PARTS[name], SHEETS.get(name)
    main = MAIN_KEYS.get(name, "")
    own = [key for key in model.model_fields if key != "kind"]
    keys = [
        described
        for key in sorted(own, key=lambda key: (key != main, key in OF_CORE, key in ("about", "source")))
        for described in _flattened(key, model.model_fields[key])
    ]
    figures = () if sheet is None else tuple(sheet_figures(sheet))
    sheet_fields = {} if sheet is None else sheet.model_fields
    return KindDescription(
        name=name,
        meaning=_first_sentence(model),
        example=model.example,
        main_key=main,
        keys=tuple(keys),
        figures=tuple(_key(key, sheet_fields[key], True) for key in figures),
        sheet_keys=tuple(
            _key(key, info, False) for key, info in sheet_fields.items() if key not in (*figures, "kind")
        ),
        limits=tuple(
            f"{key} [{QUANTITIES[quantity].symbol or '1'}]" for key, quantity in LIMITS.get(name, {}).items()
        ),
        tapers=_tapers() if "taper" in model.model_fields else (),
    )


def _tapers() -> tuple[tuple[str, str], ...]:
    return tuple(
        (name, f"{100.0 * taper(0.5):.0f} % of the track at half rotation, {SHAPES[name]}")
        for name, taper in TAPERS.items()
    )


def _flattened(key: str, info: FieldInfo) -> list[KeyDescription]:
    """A key, or those of the table that it holds."""
    inner = info.annotation
    if isinstance(inner, type) and issubclass(inner, Table):
        return [_key(f"{key}.{name}", one, False) for name, one in inner.model_fields.items()]
    return [_key(key, info, key not in (*WIRING_KEYS, "figures"))]


def _key(name: str, info: FieldInfo, changeable: bool) -> KeyDescription:
    amount = within(info)
    quantity = None if amount is None else QUANTITIES[amount.quantity]
    choices = _choices(info)
    return KeyDescription(
        name=name,
        meaning=info.description or "",
        unit="" if quantity is None else quantity.symbol,
        written=_written(info, choices, quantity),
        suffixes=quantity is not None and bool(quantity.spellings),
        range="" if amount is None else _range(amount),
        choices=choices,
        required=info.is_required(),
        default=_default(info, None if amount is None else amount.quantity),
        changeable=changeable,
    )


def _range(amount: Within) -> str:
    return " to ".join(format_value(edge, amount.quantity) for edge in (amount.low, amount.high))


def _default(info: FieldInfo, quantity: str | None) -> str:
    value: Any = info.default
    if info.is_required() or value in (None, "", (), {}) or info.default_factory is not None:
        return ""
    if quantity is not None:
        return format_value(value, quantity)
    return {True: "true", False: "false"}.get(value, str(value))


def _choices(info: FieldInfo) -> tuple[str, ...]:
    if get_origin(info.annotation) is Literal:
        return tuple(str(choice) for choice in get_args(info.annotation))
    found = form(info)
    return () if found is None else found.choices


def _written(info: FieldInfo, choices: tuple[str, ...], quantity: Quantity | None) -> str:
    if quantity is not None:
        own = " or ".join(map(str, info.examples or ()))
        return "a plain number" if quantity is QUANTITIES["plain"] else own or quantity.example
    found = form(info)
    if found is not None:
        return found.words
    if choices:
        return "one of " + ", ".join(choices)
    types = [one for one in (info.annotation, *get_args(info.annotation)) if one is not NoneType]
    if bool in types:
        return "true or false"
    if any(isinstance(one, type) and issubclass(one, Table) for one in types):
        return "a table"
    return "text in quotes" if str in types else ""


def _first_sentence(model: type[Table]) -> str:
    return " ".join((model.__doc__ or "").split("\n\n")[0].split())
