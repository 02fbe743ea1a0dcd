"""Plain tables for a terminal or a text file: aligned columns, wrapped to a page of 100 characters."""

from collections.abc import Iterable, Sequence
from io import StringIO

from rich.console import Console
from rich.table import Table
from rich.text import Text

PAGE = 100  # characters
INDENT = "  "
DEEPEST = 2  # indents of a table inside a block


def columns(
    headings: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    right: Sequence[int] = (),
    rigid: Sequence[int] = (0,),
) -> str:
    """Rows under headings, empty without rows; ``right`` columns are flush right, ``rigid`` never wrap."""
    if not rows:
        return ""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for number, heading in enumerate(headings):
        table.add_column(
            Text(heading),
            justify="right" if number in right else "left",
            no_wrap=number in rigid,
            overflow="fold",
        )
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    return indented(_printed(table))


def facts(pairs: Sequence[tuple[str, str]]) -> str:
    """Names with what is to be said about each; empty ones are left out."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_header=False)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for name, text in pairs:
        if text:
            table.add_row(Text(name), Text(text))
    return indented(_printed(table))


def paragraph(text: str) -> str:
    """Running text, wrapped."""
    return indented(_printed(Text(text)))


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


def _printed(thing: Table | Text) -> str:
    target = StringIO()
    console = Console(
        file=target, width=PAGE - DEEPEST * len(INDENT), color_system=None, force_terminal=False, legacy_windows=False,
        markup=False, highlight=False, emoji=False,
    )  # fmt: skip
    console.print(thing)
    return target.getvalue()
