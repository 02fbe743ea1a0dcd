"""A render on its way: columns of single-precision numbers in an unnamed temporary file.

How an output is best coded (integers or float, lowered or not) is known only when its largest sample is, so
everything passes through here. The file has no name on systems that allow it: nothing can be left behind.
Single precision keeps 24 bits: it adds 0.3 dB to the noise of a 24 bit file where that is above half of full
scale.
"""

import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from fetsim.errors import InputError

Array = NDArray[np.float64]

BLOCK_ROWS = 1 << 15
BYTES = 4  # of one number


class Spool:
    """Rows of ``columns`` numbers: write all, then read as often as needed. ``folder`` has the room."""

    def __init__(self, folder: Path, columns: int) -> None:
        self._folder = folder
        self.columns = columns
        self.rows = 0
        try:
            self._file = tempfile.TemporaryFile(dir=folder, prefix=".fetsim-")
        except OSError as error:
            raise InputError(f"{folder}: cannot be written to ({error.strerror})") from None

    def write(self, rows: Array) -> None:
        """Append rows [shape=(n, columns)]. Raises InputError when the disk is full."""
        single = np.ascontiguousarray(rows, dtype=np.float32)
        try:
            self._file.write(single.data)
            self._file.flush()
        except OSError as error:
            raise InputError(f"{self._folder}: no room for the render ({error.strerror})") from None
        self.rows += len(single)

    def blocks(self, columns: slice = slice(None)) -> Iterator[Array]:
        """All rows, some columns [shape=(n, columns)]."""
        self._file.seek(0)
        while data := self._file.read(BLOCK_ROWS * self.columns * BYTES):
            yield np.frombuffer(data, np.float32).reshape(-1, self.columns)[:, columns].astype(np.float64)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with suppress(OSError):  # a full disk has been told about by then
            self._file.close()
