"""NumPy archives (``.npz``) written array by array and block by block, in bounded memory."""

import zipfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray


class ArchiveWriter(zipfile.ZipFile):
    """An archive that ``numpy.load`` reads; use as a context manager."""

    def __init__(self, path: Path) -> None:
        super().__init__(path, "w")

    def add(self, name: str, shape: tuple[int, ...], dtype: type, blocks: Iterable[NDArray[Any]]) -> None:
        """Write one array of ``shape`` whose rows come in ``blocks``."""
        entry = zipfile.ZipInfo(f"{name}.npy")  # dated 1980: the same arrays make the same file
        with self.open(entry, "w", force_zip64=True) as file:
            kind = npy.dtype_to_descr(np.dtype(dtype))
            npy.write_array_header_1_0(file, {"descr": kind, "fortran_order": False, "shape": shape})
            for block in blocks:
                file.write(np.ascontiguousarray(block, dtype=dtype).tobytes())

    def add_whole(self, name: str, array: NDArray[Any] | float) -> None:
        """Write an array, or one number."""
        whole = np.asarray(array)
        self.add(name, whole.shape, whole.dtype.type, [whole])
