"""Where boxes, texts and arrows of a drawn loop stand, in units of a pixel; page and film draw from it.

Every arrow between neighbours of a column runs straight. All others leave a box on one side, run along a line of their
own, and come in from the side: between the columns, or at the outer edge where they stay in one column. Every side of
a row has its ports at heights of their own, so that no two arrows run on top of each other.
"""

import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from fetsim.report.explain.loop import CHANNEL, CONTROL, GAIN, Arrow, Box, Loop

BOX, GAP, EDGE = 160.0, 60.0, 6.0  # widths: of a box, between the columns, outside
LINE, PAD, BETWEEN = 16.0, 8.0, 26.0  # heights: of a line of text, above and below all of them, between rows
LANE = 9.0  # from one line to the next
LETTERS = 22  # in a line of a box
SHORT = 6  # letters of a name of which two stand in a line
BAR = 18.0  # height of the resistance's bar
INNER, OUTER = 0, 1  # sides of a box: between the columns, at the edge


@dataclass(frozen=True, kw_only=True)
class Line:
    """One line of a box, or half of one, at (x, y), the foot of its text."""

    kind: str
    """``title``, ``fact``, ``value`` (a voltage), ``device`` or ``bar`` (a resistance)."""
    text: str
    key: str = ""
    """Trace that is shown here."""
    beside: bool = False
    """Whether it is the second half of the line before."""
    x: float = 0.0
    y: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Placed:
    """A box."""

    box: Box
    x: float
    y: float
    height: float
    lines: tuple[Line, ...]
    width: float = BOX

    def edge(self, side: int) -> float:
        """x of a side."""
        return self.x + (BOX if (self.box.column == 0) == (side == INNER) else 0.0)


@dataclass(frozen=True, kw_only=True)
class Way:
    """An arrow's line through ``points`` [(x, y), ...]; its name begins at (x, y), or ends there where ``ends``."""

    points: tuple[tuple[float, float], ...]
    label: str
    x: float
    y: float
    ends: bool = False


@dataclass(frozen=True, kw_only=True)
class Drawing:
    """All of it."""

    width: float
    height: float
    boxes: tuple[Placed, ...]
    ways: tuple[Way, ...]


def laid_out(loop: Loop) -> Drawing:
    """A loop with sizes and places."""
    boxes = {box.stage: box for box in loop.boxes}
    texts = {box.stage: _lines(box, loop.holder) for box in loop.boxes}
    around = [arrow for arrow in loop.arrows if not _neighbours(boxes, arrow)]
    ports = _ports(boxes, around)
    lanes = {key: list(dict.fromkeys(nodes)) for key, nodes in _in_lanes(boxes, around).items()}
    left = EDGE + LANE * len(lanes.get((OUTER, 0), ()))
    right = left + BOX + GAP
    tops = _rows(loop.boxes, texts, ports)
    placed = {
        box.stage: _placed(box, right if box.column else left, *tops[box.row], texts[box.stage]) for box in loop.boxes
    }
    at_x = dict(_lane_places(lanes, left, right))
    straight = [arrow for arrow in loop.arrows if arrow not in around]
    return Drawing(
        width=right + BOX + EDGE + LANE * len(lanes.get((OUTER, 1), ())),
        height=max(y + height for y, height in tops.values()) + EDGE,
        boxes=tuple(placed.values()),
        ways=(*_straight_ways(placed, straight), *_side_ways(placed, around, ports, at_x)),
    )


def _lines(box: Box, holder: str) -> list[Line]:
    """All lines of a box, not yet in their places."""
    found = [Line(kind="title", text=piece) for piece in textwrap.wrap(box.title, LETTERS)]
    found += [Line(kind="fact", text=piece) for fact in box.facts for piece in textwrap.wrap(fact, LETTERS)]
    for name, key in box.points:
        found.append(Line(kind="value", text=holder if holder and key == CONTROL else name, key=key))
    if box.fet:
        found += [Line(kind="bar", text=box.fet, key=CHANNEL), Line(kind="value", text="GR", key=GAIN)]
    paired = all(len(name) <= SHORT for name, _ in box.devices)
    for number, (name, key) in enumerate(box.devices):
        found.append(Line(kind="device", text=name, key=key, beside=paired and number % 2 == 1))
    return found


def _high(line: Line) -> float:
    return (0.0 if line.beside else LINE) + (BAR if line.kind == "bar" else 0.0)


def _placed(box: Box, x: float, y: float, height: float, texts: Sequence[Line]) -> Placed:
    lines, foot = [], y + PAD - 4.0
    for one in texts:
        foot += 0.0 if one.beside else LINE
        across = BOX / 2.0 if one.beside else PAD
        lines.append(Line(kind=one.kind, text=one.text, key=one.key, beside=one.beside, x=x + across, y=foot))
        foot += _high(one) if one.beside else _high(one) - LINE
    return Placed(box=box, x=x, y=y, height=height, lines=tuple(lines))


def _neighbours(boxes: Mapping[str, Box], arrow: Arrow) -> bool:
    """Whether both ends stand in one column with nothing between them."""
    start, end = boxes[arrow.start], boxes[arrow.end]
    low, high = sorted((start.row, end.row))
    between = any(box.column == start.column and low < box.row < high for box in boxes.values())
    return start.column == end.column and not between


def _side(boxes: Mapping[str, Box], arrow: Arrow) -> int:
    """On which side it leaves and comes in."""
    return OUTER if boxes[arrow.start].column == boxes[arrow.end].column else INNER


def _ports(boxes: Mapping[str, Box], around: Sequence[Arrow]) -> dict[tuple[int, int], list[str]]:
    """(row, side) -> nodes that have a port there, in either column: each at a height of its own."""
    ports: dict[tuple[int, int], list[str]] = {}
    for arrow in around:
        for stage in (arrow.start, arrow.end):
            nodes = ports.setdefault((boxes[stage].row, _side(boxes, arrow)), [])
            if arrow.node not in nodes:
                nodes.append(arrow.node)
    return ports


def _rows(
    boxes: Sequence[Box], texts: Mapping[str, Sequence[Line]], ports: Mapping[tuple[int, int], Sequence[str]]
) -> dict[int, tuple[float, float]]:
    """Row -> top and height."""
    tops, y = {}, EDGE
    for row in sorted({box.row for box in boxes}):
        highest = max(sum(map(_high, texts[box.stage])) for box in boxes if box.row == row)
        used = LINE * max(len(ports.get((row, side), ())) for side in (INNER, OUTER))
        tops[row] = (y, 2.0 * PAD + max(highest, used))
        y += tops[row][1] + BETWEEN
    return tops


def _in_lanes(boxes: Mapping[str, Box], around: Sequence[Arrow]) -> dict[tuple[int, int], list[str]]:
    """(side, column; 0 between them) -> nodes that run along there."""
    found: dict[tuple[int, int], list[str]] = {}
    for arrow in around:
        found.setdefault(_lane(boxes, arrow), []).append(arrow.node)
    return found


def _lane(boxes: Mapping[str, Box], arrow: Arrow) -> tuple[int, int]:
    side = _side(boxes, arrow)
    return side, boxes[arrow.start].column if side == OUTER else 0


def _lane_places(
    lanes: Mapping[tuple[int, int], Sequence[str]], left: float, right: float
) -> Iterator[tuple[tuple[str, int, int], float]]:
    """(node, side, column) -> x of its line."""
    for (side, column), nodes in lanes.items():
        for number, node in enumerate(nodes, 1):
            if side == INNER:
                x = left + BOX + GAP * number / (len(nodes) + 1.0)
            else:
                x = right + BOX + LANE * number if column else left - LANE * number
            yield (node, side, column), x


def _straight_ways(placed: Mapping[str, Placed], arrows: Sequence[Arrow]) -> Iterable[Way]:
    together: dict[frozenset[str], list[Arrow]] = {}
    for arrow in arrows:
        together.setdefault(frozenset((arrow.start, arrow.end)), []).append(arrow)
    for among in together.values():
        for number, arrow in enumerate(among, 1):
            start, end = placed[arrow.start], placed[arrow.end]
            x = start.x + BOX * number / (len(among) + 1.0)
            down = end.y > start.y
            first, last = (start.y + start.height, end.y) if down else (start.y, end.y + end.height)
            yield Way(points=((x, first), (x, last)), label=arrow.node, x=x + 4.0, y=(first + last) / 2.0 + 4.0)


def _side_ways(
    placed: Mapping[str, Placed],
    around: Sequence[Arrow],
    ports: Mapping[tuple[int, int], Sequence[str]],
    at_x: Mapping[tuple[str, int, int], float],
) -> Iterable[Way]:
    boxes = {stage: one.box for stage, one in placed.items()}
    for arrow in around:
        start, end = placed[arrow.start], placed[arrow.end]
        side, column = _lane(boxes, arrow)
        first, last = (
            one.y + PAD + LINE * (ports[one.box.row, side].index(arrow.node) + 0.5) for one in (start, end)
        )
        leaves, comes, x = start.edge(side), end.edge(side), at_x[arrow.node, side, column]
        bend = () if first == last else ((x, first), (x, last))
        to_right = x > leaves
        yield Way(
            points=((leaves, first), *bend, (comes, last)),
            label=arrow.node,
            x=leaves + (3.0 if to_right else -3.0),
            y=first - 3.0,
            ends=not to_right,
        )
