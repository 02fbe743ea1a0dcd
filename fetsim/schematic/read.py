"""From the nested tables of a unit file to a checked ``UnitData``, or to one UnitError that lists every mistake.

What is wrong in one table never hides what is wrong in the next: a table that cannot be read is reported, a
stand-in takes its place, and the checks of the whole unit go on without blaming its neighbours.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from fetsim.errors import UnitError
from fetsim.safe_text import printable
from fetsim.schematic.alignment import read_step
from fetsim.schematic.checks import Mistake, check_unit, connections
from fetsim.schematic.fields import NAME, NAME_RULE, AnyTable, checked, suggestion
from fetsim.schematic.model import (
    CHANNELS,
    AlignmentStep,
    Control,
    GainCell,
    Matched,
    Part,
    Stage,
    SwitchBank,
    UnitData,
    bridge_ends,
)
from fetsim.schematic.parts import read_part, sketch_part
from fetsim.schematic.schema import BankTable, ControlTable, GainCellTable, MatchedTable, StageTable, UnitTable
from fetsim.schematic.sheets import library_sheets, read_sheet

Document = Mapping[str, Any]


def read_unit(document: Document, path: Path, text: str, like: UnitData | None = None) -> UnitData:
    """The unit; ``path`` and ``text`` say where the tables come from. Raises UnitError.

    Tables that are the very same objects as in the unit ``like`` are not read again, and what hangs together as it
    does there is not checked again.
    """
    reader = _Reader(document, like)
    top = reader.top()
    reader.devices()
    controls = reader.controls()
    stages = reader.stages()
    banks = reader.banks(stages)
    alignment = reader.alignment()
    unit = UnitData(
        name=top.name,
        about=top.about,
        source=top.source,
        temperature_c=top.temperature_c,
        full_scale_dbu=top.full_scale_dbu,
        gain_cell=_gain_cell(top.gain_cell),
        controls=controls,
        banks=banks,
        probes=top.probes,
        rails=top.rails,
        stages=stages,
        alignment=alignment,
        path=path,
        text=text,
        document=document,
        matched=reader.matched(),
        joined=top.joined,
        ready=() if like is None else like.ready,
    )
    unit = replace(unit, bridges=reader.bridges(top.bridges, unit.nodes))
    if top.channels is not None:
        channels = {name: _gain_cell(channel.gain_cell) for name, channel in top.channels}
        unit = replace(unit, channels=channels, channel=CHANNELS[0], gain_cell=channels[CHANNELS[0]])
    mistakes = reader.mistakes
    if like is None or reader.broken or connections(unit) != connections(like):
        mistakes = [*mistakes, *_ill_named(document), *check_unit(unit, reader.broken)]
    if mistakes:
        raise UnitError("\n".join(mistake_line(path.name, *mistake) for mistake in mistakes))
    return unit


def _gain_cell(table: GainCellTable | None) -> GainCell | None:
    return None if table is None else GainCell(**dict(table))


def mistake_line(file: str, where: str, key: str, sentence: str) -> str:
    """One line of a UnitError; short and printable, whatever stands in the file."""
    line = ": ".join(word for word in (file, where[:60], key[:80], sentence) if word)
    return printable(line)


class _Reader:
    """Reads the tables of a unit one by one and gathers their mistakes."""

    def __init__(self, document: Document, like: UnitData | None):
        self.document = document
        self.like = like
        self.before: Document = {} if like is None else like.document
        self.mistakes: list[Mistake] = []
        self.broken: list[Part] = []
        """Sketches of the parts that could not be read."""

    def top(self) -> UnitTable:
        """The keys of the unit itself; keys with a mistake at their defaults."""
        table, wrong = checked(UnitTable, self.document)
        if table is not None:
            return table
        self.mistakes.extend(("", key, sentence) for key, sentence in wrong)
        spoilt = {key.partition(".")[0] for key, _ in wrong}
        sound = {key: value for key, value in self.document.items() if key not in spoilt}
        return checked(UnitTable, {"name": "", "stages": {}, **sound})[0] or UnitTable(name="", stages={})

    def devices(self) -> None:
        before = _table(self.before, "devices")
        for name, raw in _table(self.document, "devices").items():
            if raw is before.get(name):
                continue
            _, wrong = read_sheet(name, raw)
            self.mistakes.extend((f"devices.{name}", key, sentence) for key, sentence in wrong)

    def controls(self) -> dict[str, Control]:
        controls: dict[str, Control] = {}
        before, known = _table(self.before, "controls"), {} if self.like is None else self.like.controls
        for name, raw in _table(self.document, "controls").items():
            if raw is before.get(name):
                controls[name] = known[name]
                continue
            table = self._read(ControlTable, raw, name) or ControlTable(position=0.5)
            controls[name] = Control(name, table.position, table.role, table.about)
        return controls

    def stages(self) -> tuple[Stage, ...]:
        sheets = {**library_sheets(), **_table(self.document, "devices")}
        before = _table(self.before, "stages")
        known = {} if self.like is None else {stage.name: stage for stage in self.like.stages}
        known_parts = {} if self.like is None else self.like.parts
        stages = []
        for name, raw in _table(self.document, "stages").items():
            if raw is before.get(name):
                stages.append(known[name])
                continue
            table = self._read(StageTable, raw, f"stages.{name}")
            parts = []
            for designator, raw_part in _table(raw, "parts").items():
                if raw_part is _table(before.get(name), "parts").get(designator):
                    parts.append(known_parts[designator])
                    continue
                part, wrong = read_part(designator, name, raw_part, sheets)
                self.mistakes.extend((designator, key, sentence) for key, sentence in wrong)
                if part is None:
                    self.broken.append(sketch_part(designator, name, raw_part))
                else:
                    parts.append(part)
            about, output_node = ("", None) if table is None else (table.about, table.output_node)
            stages.append(Stage(name, about, tuple(parts), output_node))
        return tuple(stages)

    def banks(self, stages: tuple[Stage, ...]) -> dict[str, SwitchBank]:
        banks = {}
        for name, raw in _table(self.document, "switches").items():
            table = self._read(BankTable, raw, name) or BankTable()
            switches = [part.designator for stage in stages for part in stage.parts if part.bank == name]
            closed = tuple(switch for switch in switches if switch in table.closed)
            banks[name] = SwitchBank(name, tuple(switches), closed, table.about)
            known = [*switches, *(part.designator for part in self.broken)]
            for switch in table.closed:
                if switch not in known:
                    choices = f"choices: {', '.join(switches) or 'none'}"
                    what = f"no switch of this bank named {switch!r}"
                    self.mistakes.append((name, "closed", f"{what}{suggestion(switch, switches)}; {choices}"))
        selectors = [part for stage in stages for part in stage.parts if part.position is not None]
        for part in selectors:
            name, closed = part.designator, (part.position or "",)
            banks[name] = SwitchBank(name, part.positions, closed, part.about, exclusive=True)
        return banks

    def matched(self) -> dict[str, Matched]:
        before, known = _table(self.before, "matched"), {} if self.like is None else self.like.matched
        groups: dict[str, Matched] = {}
        for name, raw in _table(self.document, "matched").items():
            if raw is before.get(name):
                groups[name] = known[name]
            elif (table := self._read(MatchedTable, raw, f"matched.{name}")) is not None:
                groups[name] = Matched(table.parts, table.within)
        return groups

    def bridges(self, given: Mapping[str, float], nodes: Sequence[str]) -> dict[str, tuple[str, str, float]]:
        """Between which nodes each of them is; a node's name may hold a hyphen itself."""
        found: dict[str, tuple[str, str, float]] = {}
        for name, ohm in given.items():
            ends = bridge_ends(name, nodes)
            if ends is None:
                self.mistakes.append(("bridges", name, "is not two nodes with a hyphen between, as \"q1b-q1c\""))
            else:
                found[name] = (*ends, ohm)
        return found

    def alignment(self) -> dict[str, AlignmentStep]:
        steps: dict[str, AlignmentStep] = {}
        before, known = _table(self.before, "alignment"), {} if self.like is None else self.like.alignment
        for name, raw in _table(self.document, "alignment").items():
            if raw is before.get(name):
                steps[name] = known[name]
                continue
            step, wrong = read_step(name, raw)
            self.mistakes.extend((name, key, sentence) for key, sentence in wrong)
            if step is not None:
                steps[name] = step
        return steps

    def _read(self, model: type[AnyTable], raw: object, where: str) -> AnyTable | None:
        table, wrong = checked(model, raw)
        self.mistakes.extend((where, key, sentence) for key, sentence in wrong)
        return table


def _ill_named(document: Document) -> list[Mistake]:
    """Keys that name something and are no plain words."""
    tables = ("controls", "switches", "stages", "devices", "matched", "alignment")
    named = {key: list(_table(document, key)) for key in tables}
    named["parts"] = [
        name for stage in _table(document, "stages").values() for name in _table(stage, "parts")
    ]
    return [
        (table, "", f"{name[:40]!r} is not a name: {NAME_RULE}")
        for table, names in named.items()
        for name in names
        if not NAME.fullmatch(name)
    ]


def _table(raw: object, key: str) -> Mapping[str, Any]:
    """The table under a key, empty when there is none."""
    inner = raw.get(key, {}) if isinstance(raw, Mapping) else {}
    return inner if isinstance(inner, Mapping) else {}
