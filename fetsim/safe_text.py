"""Text from outside made safe for where it goes: a terminal, a picture, a page, a table.

Names of files, units and versions may hold anything. Control characters steer a terminal and break XML, marks of
writing direction turn a line round, lone surrogates (names that are not UTF-8) cannot be written, a spreadsheet takes
a cell that begins with ``=`` for a formula. Letters of every script, joiners and emoji are left alone.
"""

import re
import unicodedata

UNSAFE_CATEGORIES = ("Cc", "Cs", "Cn", "Zl", "Zp")
DIRECTION_MARKS = "\u061c\u200e\u200f" + "".join(map(chr, (*range(0x202A, 0x202F), *range(0x2066, 0x206A))))
LONGEST_WORD, KEPT_START, KEPT_END = 320, 120, 80  # characters; a file name has 255 bytes at the most
LONGEST_LINE = 2000
MOST_LINES = 20
FORMULA_STARTS = "=+-@"
_NUMBER = re.compile(r"[+-]?[0-9]*\.?[0-9]+(?:[eE][+-]?[0-9]+)?")


def is_safe(letter: str) -> bool:
    """Whether a character only shows itself, wherever it is printed."""
    if letter < "\x7f":  # most text, and quick
        return letter >= " "
    return unicodedata.category(letter) not in UNSAFE_CATEGORIES and letter not in DIRECTION_MARKS


def printable(text: str, *, lines: bool = False) -> str:
    """``text`` with ``?`` for every character that is not safe; ``lines`` keeps line feeds and tabs."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(one if is_safe(one) or (lines and one in "\n\t") else "?" for one in text)


def shortened(text: str) -> str:
    """``text`` with the middle of overlong words, and the end of an overlong line, left out."""
    words = re.sub(rf"\S{{{LONGEST_WORD + 1},}}", lambda word: _without_middle(word[0]), text)
    return words if len(words) <= LONGEST_LINE else f"{words[:LONGEST_LINE]}..."


def message_lines(text: str) -> list[str]:
    """A message as lines for a terminal: safe, of bounded length, and not more than a screen holds."""
    lines = [shortened(printable(line)) for line in re.split(r"\r\n|\n", text.strip("\n"))]
    if len(lines) > MOST_LINES:
        lines[MOST_LINES:] = [f"and {len(lines) - MOST_LINES} more; mend these first"]
    return lines


def table_cell(text: str) -> str:
    """A text as a cell of a CSV file that no spreadsheet takes for a formula; numbers stay numbers."""
    safe = printable(text)
    return f"'{safe}" if safe[:1] in FORMULA_STARTS and safe and not _NUMBER.fullmatch(safe) else safe


def _without_middle(word: str) -> str:
    return f"{word[:KEPT_START]}...{word[-KEPT_END:]}"
