"""Names of files that a browser takes for pages."""

from pathlib import Path

from fetsim.errors import InputError

SUFFIXES = (".html", ".htm")


def check_page_path(path: Path, what: str = "a page") -> None:
    """Raises InputError for any other name."""
    if path.suffix.lower() not in SUFFIXES:
        raise InputError(f"{path}: {what} is an .html file; choose this suffix")
