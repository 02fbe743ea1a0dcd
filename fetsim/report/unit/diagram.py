"""The stages of a unit as a drawing in plain ASCII text.

Boxes in signal order from the top down. Beside them every shared node is a vertical line with a tap at each
of its stages: ``---`` at the one that drives it, ``<--`` at those that are driven; ``|`` runs down, ``:``
runs back up, which is feedback. Lines that cross do not touch; only ``+`` joins.
"""

import textwrap
from dataclasses import dataclass

from fetsim.report.unit.flow import Flow, Link
from fetsim.schematic.unit import Unit

LARGEST_TEXT = 34  # characters inside a box
LARGEST_LABEL = 16
LANE = 3  # characters from one vertical line to the next
LEGEND = "|  runs down     :  runs back up (feedback)     +  joined; lines that only cross are not"
BY_NAME = "*  no room for its line: joined by its name alone"


@dataclass(frozen=True)
class _Tap:
    link: Link
    row: int
    drives: bool


def stage_diagram(unit: Unit, flow: Flow, width: int = 100) -> str:
    """The drawing, no line longer than ``width`` characters (at least 80)."""
    texts = {stage: _box_text(unit, flow, stage) for stage in flow.order}
    inside = max(len(line) for lines in texts.values() for line in lines)
    rows: list[str] = []
    taps: list[_Tap] = []
    for stage in flow.order:
        links = _links_of(flow, stage)
        border = f"+{'-' * (inside + 2)}+"
        rows.append(border)
        for i in range(max(len(texts[stage]), len(links))):
            if i < len(links):
                taps.append(_Tap(links[i], len(rows), links[i].driver == stage))
            line = texts[stage][i] if i < len(texts[stage]) else ""
            rows.append(f"| {line.ljust(inside)} |")
        rows.append(border)
    label = max((len(_label(link)) for link in flow.links), default=0)
    start = inside + 4
    first_lane = start + len("<--  ") + label + 2
    lanes = _lanes(flow.links, taps, (width - first_lane) // LANE)
    drawn = _draw(rows, taps, lanes, start, first_lane)
    legend = [LEGEND] if flow.links else []
    legend += [BY_NAME] if len(lanes) < len(flow.links) else []
    return "\n".join([*drawn, *legend])


def _box_text(unit: Unit, flow: Flow, stage: str) -> list[str]:
    parts = [part for part in unit.parts.values() if part.stage == stage]
    facts = {
        "signal in": [part.designator for part in parts if part.kind == "input"],
        "controls": dict.fromkeys(part.control for part in parts if part.control),
        "switches": dict.fromkeys(part.bank for part in parts if part.bank),
        "gain cell": [part.designator for part in parts if unit.gain_cell and part.designator == unit.gain_cell.fet],
        "makes": flow.makes[stage],
        "fed from": flow.fed_from[stage],
        "signal out": [part.designator for part in parts if part.kind == "output"],
    }
    lines = [f"{stage} ({len(parts)} part{'' if len(parts) == 1 else 's'})"]
    lines += [f"{what}: {', '.join(map(str, names))}" for what, names in facts.items() if names]
    return [piece for line in lines for piece in textwrap.wrap(line, LARGEST_TEXT, subsequent_indent="  ")]


def _links_of(flow: Flow, stage: str) -> list[Link]:
    """A stage's links: what comes from above first, then what leaves, then what comes from below."""
    place = flow.order.index

    def turn(link: Link) -> tuple[int, int]:
        if link.driver == stage:
            return 1, max(place(receiver) for receiver in link.receivers)
        return (0 if place(link.driver) < place(stage) else 2), place(link.driver)

    return sorted((link for link in flow.links if stage in (link.driver, *link.receivers)), key=turn)


def _label(link: Link) -> str:
    return link.node if len(link.node) <= LARGEST_LABEL else link.node[: LARGEST_LABEL - 2] + ".."


def _lanes(links: tuple[Link, ...], taps: list[_Tap], count: int) -> dict[str, int]:
    """Node -> its vertical line, short ones innermost; nodes that find none are left out."""
    spans = {link.node: [tap.row for tap in taps if tap.link is link] for link in links}
    taken: list[list[tuple[int, int]]] = [[] for _ in range(max(count, 0))]
    lanes = {}
    for node, at in sorted(spans.items(), key=lambda entry: max(entry[1]) - min(entry[1])):
        top, bottom = min(at), max(at)
        for lane, spoken_for in enumerate(taken):
            # one free row between two nodes on one line, lest they look joined
            if all(bottom + 1 < other_top or top - 1 > other_bottom for other_top, other_bottom in spoken_for):
                spoken_for.append((top, bottom))
                lanes[node] = lane
                break
    return lanes


def _draw(rows: list[str], taps: list[_Tap], lanes: dict[str, int], start: int, first_lane: int) -> list[str]:
    column = {node: first_lane + LANE * lane for node, lane in lanes.items()}
    width = max([start, *(place + 1 for place in column.values())])
    grid = [list(row.ljust(width)) for row in rows]
    for tap in taps:
        label = f"{'---' if tap.drives else '<--'} {_label(tap.link)} "
        end = column.get(tap.link.node)
        line = f"{label}*" if end is None else label.ljust(end - start, "-")
        grid[tap.row][start : start + len(line)] = line
    for node, place in column.items():
        at = {tap.row: tap.drives for tap in taps if tap.link.node == node}
        driver = next(row for row, drives in at.items() if drives)
        for row in range(min(at), max(at) + 1):
            grid[row][place] = "+" if row in at else ":" if row < driver else "|"
    return ["".join(row).rstrip() for row in grid]
