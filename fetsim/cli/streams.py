"""Standard output that is safe for a terminal, and errors as one line each.

Whatever a command prints goes through here, so that no name of a file or a unit can steer the terminal, nothing stops
at a letter that the terminal's encoding lacks, and a full disk behind ``>`` is one line.
"""

import logging
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from io import TextIOBase
from typing import Any, TextIO

from fetsim.errors import InputError
from fetsim.safe_text import message_lines, printable


class _SafeOutput(TextIOBase):
    """A text stream in front of another one."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    @property
    def encoding(self) -> str:  # type: ignore[override]
        return self._stream.encoding or "utf-8"

    @property
    def errors(self) -> str:  # type: ignore[override]
        return "replace"

    def writable(self) -> bool:
        return True

    def isatty(self) -> bool:
        return self._stream.isatty()

    def fileno(self) -> int:
        return self._stream.fileno()

    def write(self, text: str) -> int:
        if not isinstance(text, str):
            raise TypeError("standard output takes text")
        safe = printable(text, lines=True).encode(self.encoding, "replace").decode(self.encoding)
        if safe:
            with _told():
                self._stream.write(safe)
        return len(text)

    def flush(self) -> None:
        with _told():
            self._stream.flush()


class _Notices(logging.Handler):
    """Says on standard error what the package logs, each sentence once."""

    def __init__(self) -> None:
        super().__init__(logging.INFO)
        self._said: set[str] = set()

    def emit(self, record: logging.LogRecord) -> None:
        text = record.getMessage()
        if text not in self._said:
            self._said.add(text)
            complain(text)


@contextmanager
def notices() -> Iterator[None]:
    """While this lasts, what the package has to say beforehand is printed on standard error."""
    log, handler = logging.getLogger("fetsim"), _Notices()
    level = log.level
    log.addHandler(handler)
    log.setLevel(logging.INFO)
    try:
        yield
    finally:
        log.removeHandler(handler)
        log.setLevel(level)


def be_quiet() -> None:
    """From here on nothing is said beforehand."""
    logging.getLogger("fetsim").setLevel(logging.WARNING)


def open_closed_streams() -> None:
    """Put the null device where the shell has closed a standard stream (``>&-``).

    What is printed goes nowhere then, and no file that is opened later takes the stream's place: in this order each
    gets the lowest number that is free, its own.
    """
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))


@contextmanager
def safe_output() -> Iterator[None]:
    """Standard output that is safe, up to its last line."""
    stream = sys.stdout
    safe: Any = _SafeOutput(stream)
    sys.stdout = safe
    try:
        yield
        safe.flush()
    finally:
        sys.stdout = stream


def complain(text: str) -> None:
    """Say on standard error what is wrong, a line for each mistake; where even that cannot be written, nowhere."""
    with suppress(OSError):
        for line in message_lines(text):
            encoding = sys.stderr.encoding or "utf-8"
            print(f"fetsim: {line}".encode(encoding, "replace").decode(encoding), file=sys.stderr, flush=True)


@contextmanager
def _told() -> Iterator[None]:
    """A full disk as an InputError; a closed pipe stays what it is, it ends the program quietly."""
    try:
        yield
    except BrokenPipeError:
        raise
    except OSError as error:
        with suppress(OSError, ValueError):  # what is left over is not tried again at the end of the program
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.__stdout__.fileno())  # type: ignore[union-attr]
        raise InputError(f"standard output: cannot be written ({error.strerror})") from None
