"""Plain tables and running text for a terminal or a file.

A figure or unit is never cut: what is too wide for the terminal is broken into blocks of columns, each with the columns
that name the rows, and every later block says which columns it goes on with. In a file, or a pipe, a table is as wide
as it is. ``COLUMNS`` in the environment, where set, has the last word.
"""

import os
import shutil
import sys
from collections.abc import Iterable, Sequence
from itertools import zip_longest

from rich.cells import cell_len, chop_cells

from fetsim.report.look.kept_together import bound, unbound

PAGE = 100  # characters of running text at most
INDENT = "  "
DEEPEST = 2  # indents of a table inside a block
GAP = "  "
NARROWEST = 40  # a terminal that calls itself narrower is not believed
LONGEST_NAME = 30  # characters of a name beside which something is said
HEADING_LINES = 2  # of a heading, where there is room for that
LEAST_WORDS = 12  # characters to which a column of words is pressed before the table is broken


def terminal_width() -> int | None:
    """Characters in a line; None where nothing bounds it, in a file or a pipe."""
    if os.environ.get("COLUMNS", "").isdigit() or sys.stdout.isatty():
        return max(NARROWEST, shutil.get_terminal_size().columns)
    return None


def columns(
    headings: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    right: Sequence[int] = (),
    rigid: Sequence[int] = (0,),
    heads: int = 1,
) -> str:
    """Rows under headings, empty without rows; ``right`` columns are flush right, ``rigid`` and right ones never wrap.

    The first ``heads`` columns name the rows, and stand in every block of a table that is broken.
    """
    if not rows:
        return ""
    width = terminal_width()
    cells = [max(map(cell_len, column)) for column in zip(*rows, strict=True)]
    words = [max(map(cell_len, heading.split()), default=0) for heading in headings]
    widths = [max(cell, _least_width(heading, HEADING_LINES)) for cell, heading in zip(cells, headings, strict=True)]
    if width is None:
        blocks_of = [list(range(len(headings)))]
    else:
        room = width - DEEPEST * len(INDENT)
        if _total(widths) > room:
            widths = [max(cell, word) for cell, word in zip(cells, words, strict=True)]
        _press(widths, words, room, [k for k in range(len(headings)) if k not in (*right, *rigid)])
        if heads and sum(widths[:heads]) > room // 2:
            _press(widths, [0] * len(widths), _total(widths) - sum(widths[:heads]) + room // 2, list(range(heads)))
        blocks_of = _blocks(widths, room, heads)
    printed = []
    for number, block in enumerate(blocks_of):
        if number:
            names = ", ".join(" ".join(headings[k].split()) for k in block[heads:])
            printed.append(_wrapped(f"The same rows, continued: {names}"))
        printed.append(_grid(headings, rows, widths, block, right))
    return indented("\n".join(printed))


def facts(pairs: Sequence[tuple[str, str]]) -> str:
    """Names with what is to be said about each; empty ones are left out."""
    filled = [(name, text) for name, text in pairs if text]
    room = _running_width()
    names = min(LONGEST_NAME, room // 2, max((cell_len(name) for name, _ in filled), default=0))
    lines: list[str] = []
    for name, text in filled:
        sides = (_wrapped(name, names), _wrapped(text, room - names - len(GAP)))
        lines += [
            f"{_padded(left, names, right=False)}{GAP}{right}"
            for left, right in zip_longest(*(side.split("\n") for side in sides), fillvalue="")
        ]
    return indented("\n".join(lines))


def paragraph(text: str) -> str:
    """Running text, wrapped."""
    return indented(_wrapped(text))


def section(title: str, *blocks: str) -> str:
    """A title with its blocks, or nothing when all of them are empty."""
    filled = [block for block in blocks if block]
    return "\n".join([title.upper(), *filled]) if filled else ""


def blocks(texts: Iterable[str]) -> str:
    """Blocks of one section with a blank line between them."""
    return "\n\n".join(text for text in texts if text)


def page(sections: Sequence[str]) -> str:
    """Sections with a blank line between them."""
    return "\n\n".join(part for part in sections if part)


def indented(text: str) -> str:
    """Each line a little to the right."""
    return "\n".join(f"{INDENT}{line}".rstrip() for line in text.splitlines())


def _total(widths: Sequence[int]) -> int:
    return sum(widths) + len(GAP) * (len(widths) - 1)


def _least_width(text: str, lines: int) -> int:
    """Of a column in which ``text`` takes no more than so many lines, words kept whole."""
    width = max(map(cell_len, text.split()), default=0)
    while len(_fold(text, width)) > lines:
        width += 1
    return width


def _press(widths: list[int], least: Sequence[int], room: int, soft: Sequence[int]) -> None:
    """Take what is too much off the widest of the ``soft`` columns, character by character."""
    while _total(widths) > room:
        wide = [k for k in soft if widths[k] > max(LEAST_WORDS, least[k])]
        if not wide:
            return
        widths[max(wide, key=lambda k: widths[k])] -= 1


def _blocks(widths: Sequence[int], room: int, heads: int) -> list[list[int]]:
    """Columns of each block: the heads, then as many others as fit, one at least."""
    start = list(range(heads))
    found = [list(start)]
    for k in range(heads, len(widths)):
        block = [*found[-1], k]
        if len(found[-1]) > heads and _total([widths[n] for n in block]) > room:
            found.append([*start, k])
        else:
            found[-1].append(k)
    return found


def _grid(
    headings: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[int], block: Sequence[int],
    right: Sequence[int],
) -> str:  # fmt: skip
    """Headings that end on one line, then the rows, each on as many lines as its longest cell needs."""
    lines = []
    for number, row in enumerate((headings, *rows)):
        wrapped = {k: [unbound(line) for line in _fold(bound(row[k]) if number else row[k], widths[k])] for k in block}
        height = max(map(len, wrapped.values()))
        for k, text in wrapped.items():
            empty = [""] * (height - len(text))
            wrapped[k] = [*empty, *text] if number == 0 else [*text, *empty]
        lines += [GAP.join(_padded(wrapped[k][n], widths[k], k in right) for k in block) for n in range(height)]
    return "\n".join(lines)


def _padded(text: str, width: int, right: bool) -> str:
    space = " " * (width - cell_len(text))
    return f"{space}{text}" if right else f"{text}{space}"


def _fold(text: str, width: int) -> list[str]:
    """Lines of at most ``width``, broken between words, inside one only where it is longer than a line."""
    if cell_len(text) <= width:
        return [text]
    lines = [""]
    for word in filter(None, text.split(" ")):  # a space that does not break keeps a figure with its unit
        for piece in chop_cells(word, width) if cell_len(word) > width else [word]:
            if lines[-1] and cell_len(lines[-1]) + 1 + cell_len(piece) > width:
                lines.append(piece)
            else:
                lines[-1] = f"{lines[-1]} {piece}".strip()
    return lines


def _wrapped(text: str, width: int | None = None) -> str:
    """Lines of running text; an empty line stays one."""
    width = _running_width() if width is None else width
    return "\n".join(unbound(line) for part in text.splitlines() for line in _fold(bound(part), width))


def _running_width() -> int:
    return min(PAGE, terminal_width() or PAGE) - DEEPEST * len(INDENT)
