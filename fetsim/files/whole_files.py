"""Files that appear whole, all of them or none.

Each is written under a temporary name in the folder of its place and moved there when everything is done; on
any error, Ctrl-C included, the temporary files are deleted. Whatever can be refused is refused before the
work begins.
"""

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Self

from fetsim.errors import InputError

LONGEST_STEM = 100  # characters of a name kept in its temporary name; file systems allow 255 bytes


class Outputs:
    """A set of files to write; use as a context manager and write each to the path that ``stage`` returns."""

    def __init__(self, *, overwrite: bool = False, inputs: tuple[Path, ...] = ()) -> None:
        self._overwrite = overwrite
        self._inputs = inputs
        self._staged: dict[Path, Path] = {}
        self._named: list[Path] = []

    @property
    def paths(self) -> tuple[Path, ...]:
        """Where the files go, as the caller named them."""
        return tuple(self._named)

    def stage(self, path: Path) -> Path:
        """An empty temporary file that will become ``path``. Raises InputError when it cannot."""
        target = Path(os.path.realpath(path))  # through a symbolic link, so that the link stays
        self._check(path, target)
        temporary = target.with_name(f".{target.name[:LONGEST_STEM]}.{secrets.token_hex(4)}.part")
        self._staged[target] = temporary
        self._named.append(path)
        with writing(path):
            temporary.open("xb").close()
        return temporary

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is None:
                for target, temporary in self._staged.items():
                    with writing(target):
                        _flush(temporary)
                for target, temporary in self._staged.items():
                    with writing(target):
                        os.replace(temporary, target)
        finally:
            for temporary in self._staged.values():
                with suppress(OSError):
                    temporary.unlink(missing_ok=True)

    def _check(self, path: Path, target: Path) -> None:
        if not target.parent.is_dir():
            raise InputError(f"{path}: there is no folder {target.parent}; make it first")
        if target in self._staged:
            raise InputError(f"{path}: two outputs have this name; give each its own")
        if not target.exists():
            return
        if any(one.exists() and target.samefile(one) for one in self._inputs):
            raise InputError(f"{path}: is the input itself; choose another name for the output")
        if not target.is_file():
            what = "a folder" if target.is_dir() else "not a file"
            raise InputError(f"{path}: is {what}; choose another name")
        if not self._overwrite:
            raise InputError(f"{path}: exists already; choose another name or allow overwriting (--force)")
        if not os.access(target, os.W_OK):
            raise InputError(f"{path}: is write-protected; choose another name")


@contextmanager
def writing(path: Path) -> Iterator[None]:
    """Turns what the system says while ``path`` is written into an InputError."""
    try:
        yield
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror})") from None


def _flush(path: Path) -> None:
    """Have the system put the file on the disk; a full or failing one is noticed here at the latest."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())
