"""Kinds of part and the tables of a unit file as pages of plain text, out of what the schema says of itself."""

from collections.abc import Sequence

from fetsim.report.look.columns import columns, facts, page, paragraph, section
from fetsim.schematic.describe import BASED, PAIR, KeyDescription, KindDescription, TableDescription

CHANGEABLE = "Keys with a star can be changed (--change DESIGNATOR.key=VALUE); the others are edited in the unit file."


def kinds_page(kinds: Sequence[KindDescription], tables: Sequence[TableDescription]) -> str:
    """Every kind in one line with an example, and the other tables of a unit file.

    >>> import fetsim
    >>> print(fetsim.kinds_page(fetsim.kinds(), fetsim.file_tables()).splitlines()[0])
    KINDS OF PART
    """
    rows = [(one.name, one.meaning) for one in kinds]
    return page([
        section("Kinds of part", columns(("kind", "what it is"), rows, rigid=(0,)),
                paragraph("fetsim show --kind KIND tells the keys of one kind.")),
        *(section(_heading(one.name), paragraph(one.meaning), _keys(one.keys)) for one in tables),
    ])  # fmt: skip


def kind_page(kind: KindDescription) -> str:
    """One kind in full: an example, its keys, those of its device sheet, tapers.

    >>> import fetsim
    >>> print(fetsim.kind_page(fetsim.kinds()[0]).splitlines()[0])
    resistor: A resistor.
    """
    pairs = [("Example", kind.example)]
    if kind.main_key:
        pairs.append(("Main value", f"{kind.main_key}; --change DESIGNATOR=VALUE sets it"))
    return page([
        f"{kind.name}: {kind.meaning}\n{facts(pairs)}",
        section("Keys", _keys(kind.keys), paragraph(CHANGEABLE)),
        section("Figures of its device sheet, or of one part under figures", _keys(kind.figures)),
        section("Other keys of its device sheet", _keys(kind.sheet_keys),
                paragraph(f"Under limits: {', '.join(kind.limits)}." if kind.limits else "")),
        section("Tapers", facts(list(kind.tapers)) if kind.tapers else ""),
    ])  # fmt: skip


def _heading(table: str) -> str:
    if table in ("", BASED, PAIR):
        return f"Top of {table or 'the file'}"
    return f"[{table}]"


def _keys(keys: Sequence[KeyDescription]) -> str:
    if not keys:
        return ""
    rows = [
        (("* " if one.changeable else "  ") + one.name, "needed" if one.required else one.default or "may be left out",
         _written(one), one.meaning)
        for one in keys
    ]  # fmt: skip
    return columns(("  key", "default", "written", "meaning"), rows, rigid=(0,))


def _written(key: KeyDescription) -> str:
    return f"{key.written}; {key.range}" if key.range else key.written
