"""Device sheets: from the library or a unit file, with figures that belong to a single part put over them."""

import tomllib
from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files
from typing import Any

from fetsim.devices.kinds import KINDS, kind_name
from fetsim.devices.sheet import Sheet, thermal_voltage
from fetsim.errors import InputError
from fetsim.schematic.fields import Table, checked, quantities, suggestion
from fetsim.schematic.model import Device, Limits
from fetsim.schematic.schema import LIMITS, SHEETS, SheetTable
from fetsim.schematic.values import format_value, parse_value

RATINGS = ("power_rating", "voltage_rating", "current_rating")


@lru_cache
def library_sheets() -> Mapping[str, Any]:
    """All sheets shipped with fetsim as raw tables, by name."""
    sheets: dict[str, Any] = {}
    for file in sorted(files("fetsim.library").joinpath("devices").iterdir(), key=lambda entry: entry.name):
        if file.name.endswith(".toml"):
            sheets.update(tomllib.loads(file.read_text(encoding="utf-8")))
    return sheets


def library_devices() -> dict[str, Device]:
    """All sheets shipped with fetsim, by name.

    >>> import fetsim
    >>> len(fetsim.library_devices()) > 3
    True
    """
    return {name: device for name, raw in library_sheets().items() if (device := read_sheet(name, raw)[0])}


def read_sheet(
    name: str, raw: object, figures: Mapping[str, Any] | None = None
) -> tuple[Device | None, list[tuple[str, str]]]:
    """A sheet with some figures replaced, or None and every mistake as (key, sentence)."""
    kind = raw.get("kind") if isinstance(raw, Mapping) else None
    if not isinstance(raw, Mapping) or not isinstance(kind, str) or kind not in SHEETS:
        hint = suggestion(kind, SHEETS) if isinstance(kind, str) else ""
        return None, [("kind", f"a device sheet needs a kind{hint}; choices: {', '.join(SHEETS)}")]
    model = SHEETS[kind]
    choices = list(sheet_figures(model))
    unknown = [key for key in figures or {} if key not in choices]
    if unknown:
        return None, [
            (key, f"unknown figure of a {kind}{suggestion(key, choices)}; choices: {', '.join(choices)}")
            for key in unknown
        ]
    replaced = {key for given in figures or {} for key in model.replaces.get(given, ())}
    kept = {key: value for key, value in raw.items() if key not in replaced}
    table, mistakes = checked(model, {**kept, **(figures or {})})
    if table is None:
        return None, mistakes
    limits, mistakes = _limits(kind, table)
    polarity, kt_q_v = getattr(table, "polarity", ""), thermal_voltage(table.reference_temperature_c)
    sheet = _sheet(kind, polarity)
    given = {key: amount for key in sheet_figures(model) if (amount := getattr(table, key)) is not None}
    mistakes += sheet.mistakes(given, polarity, kt_q_v)
    if mistakes:
        return None, mistakes
    device = Device(
        name=name,
        kind=kind,
        polarity=polarity,
        figures=sheet.completed(given, kt_q_v),
        limits=limits,
        ratings={key: getattr(table, key) for key in RATINGS if getattr(table, key) is not None},
        reference_temperature_c=table.reference_temperature_c,
        about=table.about,
        source=table.source,
    )
    if not figures:
        mistakes = outside_limits(device)
    return (None if mistakes else device), mistakes


def sheet_figures(model: type[Table]) -> dict[str, str]:
    """Key -> quantity of the figures that the simulation uses."""
    others = (*RATINGS, "reference_temperature_c")
    return {key: quantity for key, quantity in quantities(model).items() if key not in others}


def lines(device: Device) -> dict[str, float]:
    """Figures of a device, and the lines of a datasheet that follow from its law."""
    follows = _sheet(device.kind, device.polarity).follows
    return {**follows(device.figures, thermal_voltage(device.reference_temperature_c)), **device.figures}


def outside_limits(device: Device) -> list[tuple[str, str]]:
    """Figures that lie outside the sheet's own limits, as (key, sentence).

    Lines that follow from the law of the device may lie as far outside as the law misses real parts.
    """
    sheet = _sheet(device.kind, device.polarity)
    figures = lines(device)
    mistakes = []
    for key, limit in device.limits.items():
        if key not in figures:
            continue
        size, room = abs(figures[key]), sheet.allowance.get(key, 0.0)
        low, high = sorted(
            (abs(limit.minimum or 0.0), abs(limit.maximum if limit.maximum is not None else 1e99))
        )
        if not low * (1.0 - room) <= size <= high * (1.0 + room):
            shown = format_value(figures[key], LIMITS[device.kind][key])
            mistakes.append((key, f"{shown} lies outside the sheet's own limits"))
    return mistakes


def _sheet(kind: str, polarity: str) -> Sheet:
    """What a kind of device makes of its sheet."""
    sheet = KINDS[kind_name(kind, polarity)].sheet
    assert sheet is not None
    return sheet


def _limits(kind: str, table: SheetTable) -> tuple[dict[str, Limits], list[tuple[str, str]]]:
    limits, mistakes = {}, []
    for name, line in table.limits.items():
        if name not in LIMITS[kind]:
            choices = LIMITS[kind]
            mistakes.append(
                (f"limits.{name}", f"unknown limit{suggestion(name, choices)}; choices: {', '.join(choices)}")
            )
            continue
        try:
            low, typical, high = (_amount(raw, LIMITS[kind][name]) for raw in (line.min, line.typ, line.max))
        except InputError as error:
            mistakes.append((f"limits.{name}", str(error)))
            continue
        limits[name] = Limits(low, typical, high, line.at)
    return limits, mistakes


def _amount(raw: float | str | None, quantity: str) -> float | None:
    return None if raw is None else parse_value(raw, quantity)
