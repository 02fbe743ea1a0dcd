"""A change list as columns of plain text."""

from collections.abc import Iterable

from fetsim.report.look.columns import columns
from fetsim.schematic.change_list import Step


def change_list_text(steps: Iterable[Step]) -> str:
    """The steps as columns; empty when there are none."""
    rows = [(step.do, step.name, step.before, step.after, step.where) for step in steps]
    return columns(("work", "part", "before", "after", "where"), rows, rigid=(0, 1))
