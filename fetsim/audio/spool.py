"""A render on its way: columns of single-precision numbers in an unnamed temporary file.

How an output is best coded (integers or float, lowered or not) is known only when its largest sample is, so
everything passes through here. The file has no name on systems that allow it: nothing can be left behind.
Single precision keeps 24 bits: it adds 0.3 dB to the noise of a 24 bit file where that is above half of full
scale. What a store is to the parts of a render, ``Kept`` is in memory and ``Spool`` on disk.
"""

import tempfile
from bisect import bisect_right
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from threading import Lock
from types import TracebackType
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray

from fetsim.errors import InputError

Array = NDArray[np.float64]

BLOCK_ROWS = 1 << 15
BYTES = 4  # of one number


class Store(Protocol):
    """Rows of numbers, written at the end and read anywhere, by any thread."""

    @property
    def rows(self) -> int: ...

    def write(self, rows: Array) -> None:
        """Append rows [shape=(n, columns)]."""

    def read(self, first: int, rows: int) -> Array:
        """Rows from ``first`` on [shape=(rows, columns)]."""

    def close(self) -> None:
        """Nothing is needed any more."""


MakeStore = Callable[[int, type[np.floating]], Store]
"""Makes a store of so many columns of numbers of a kind."""


class Kept:
    """Rows in memory."""

    def __init__(self) -> None:
        self._blocks: list[Array] = []
        self._ends = [0]

    @property
    def rows(self) -> int:
        return self._ends[-1]

    def write(self, rows: Array) -> None:
        """Append rows [shape=(n, columns)]."""
        self._blocks.append(rows)
        self._ends.append(self.rows + len(rows))

    def read(self, first: int, rows: int) -> Array:
        """Rows from ``first`` on [shape=(rows, columns)]."""
        start, end = bisect_right(self._ends, first) - 1, bisect_right(self._ends, first + rows - 1)
        found = np.concatenate(self._blocks[start:end])
        return found[first - self._ends[start] :][:rows]

    def close(self) -> None:
        """Nothing is needed any more."""
        self._blocks.clear()


class Unkept:
    """Rows that nobody will read."""

    def __init__(self) -> None:
        self.rows = 0

    def write(self, rows: Array) -> None:
        """Count them."""
        self.rows += len(rows)

    def read(self, first: int, rows: int) -> Array:
        """Raises IndexError: there are none."""
        raise IndexError(f"rows {first} to {first + rows} were not kept")

    def close(self) -> None:
        """Nothing is needed any more."""


class Spool:
    """Rows of ``columns`` numbers on disk: write all, then read as often as needed. ``folder`` has the room."""

    def __init__(self, folder: Path, columns: int, kind: type[np.floating] = np.float32) -> None:
        self._folder = folder
        self._kind = np.dtype(kind)
        self._lock = Lock()
        self.columns = columns
        self.rows = 0
        try:
            self._file = tempfile.TemporaryFile(dir=folder, prefix=".fetsim-")
        except OSError as error:
            raise InputError(f"{folder}: cannot be written to ({error.strerror})") from None

    def write(self, rows: Array) -> None:
        """Append rows [shape=(n, columns)]. Raises InputError when the disk is full."""
        numbers = np.ascontiguousarray(rows, dtype=self._kind)
        try:
            with self._lock:
                self._file.seek(0, 2)
                self._file.write(numbers.data)
                self._file.flush()
        except OSError as error:
            raise InputError(f"{self._folder}: no room for the render ({error.strerror})") from None
        self.rows += len(numbers)

    def read(self, first: int, rows: int) -> Array:
        """Rows from ``first`` on [shape=(rows, columns)]."""
        with self._lock:
            self._file.seek(first * self.columns * self._kind.itemsize)
            data = self._file.read(rows * self.columns * self._kind.itemsize)
        return np.frombuffer(data, self._kind).reshape(-1, self.columns).astype(np.float64)

    def blocks(self, columns: slice = slice(None)) -> Iterator[Array]:
        """All rows, some columns [shape=(n, columns)]."""
        for first in range(0, self.rows, BLOCK_ROWS):
            yield self.read(first, BLOCK_ROWS)[:, columns]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file, which is gone then."""
        with suppress(OSError):  # a full disk has been told about by then
            self._file.close()
