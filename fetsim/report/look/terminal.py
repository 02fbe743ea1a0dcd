"""An account of a measurement as a page of text."""

from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import NO_PAPER, Definition
from fetsim.measurements.results.table import Table
from fetsim.report.look.columns import columns, facts, page, paragraph, section
from fetsim.report.look.printed import Printed, printed, printed_groups


def account_text(account: Account, *, cautions_first: bool = False) -> str:
    """Title, what it comes to, tables with what is missing under them, cautions, which may come first, definitions.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> print(fetsim.account_text(fetsim.measure_noise(unit).account()).splitlines()[0])
    Noise of Teaching loop at output: 26.83 C, source of 50 ohm (its noise included).
    """
    care = section("Cautions", *(paragraph(text) for text in account.cautions))
    return page([
        paragraph(account.title).strip(),
        care if cautions_first else "",
        "\n".join(paragraph(text) for text in account.lead),
        *(text for table in account.tables for text in _table(table)),
        "" if cautions_first else care,
        section("Definitions", facts([(one.term, _meaning(one)) for one in account.definitions])),
    ])  # fmt: skip


def table_section(table: Table) -> str:
    """One table with what is missing under it."""
    return _section(printed(table))


def _table(table: Table) -> list[str]:
    return [_section(one) for one in printed_groups(table)] if table.detail else [table_section(table)]


def _section(one: Printed) -> str:
    rigid = [k for k in range(one.heads, len(one.headings)) if k not in one.folds]
    return section(
        one.title,
        columns(one.headings, one.rows, right=one.right, rigid=rigid, heads=one.heads),
        *(paragraph(text) for text in one.notes),
    )


def _meaning(one: Definition) -> str:
    source = "" if one.source == NO_PAPER else f"{one.source}, "
    return f"{one.meaning} ({source}{one.status})"
