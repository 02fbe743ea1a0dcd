"""Files that appear whole, all of them or none; the one place that decides which files may be written.

Each is written under a temporary name in the folder of its place and moved there when everything is done; on any error,
Ctrl-C included, the temporary files are deleted. Whatever can be refused is refused before the work begins, and looked
at again at the moment of moving: hours may lie between. A file that has appeared meanwhile stays as it is unless
overwriting is allowed, and then its mode is kept.
"""

import errno
import os
import secrets
import stat
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from fetsim.errors import InputError
from fetsim.files.reading import same_file

NO_HARD_LINKS = (errno.EPERM, errno.ENOTSUP, errno.EMLINK, errno.ENOSYS, errno.EACCES)
PRIVATE = 0o600


@dataclass(frozen=True)
class _Staged:
    """A file on its way."""

    named: Path
    """As the caller named it."""
    target: Path
    """Where that leads, through symbolic links, so that the links stay."""
    temporary: Path


class Outputs:
    """All files of one command; use as a context manager and write each to the path that ``stage`` returns.

    ``inputs`` are all files that the command reads: none of them is ever written.
    """

    def __init__(self, *, overwrite: bool = False, inputs: Iterable[Path] = ()) -> None:
        self._overwrite = overwrite
        self._inputs = tuple(inputs)
        self._staged: list[_Staged] = []

    @property
    def paths(self) -> tuple[Path, ...]:
        """Where the files go, as the caller named them."""
        return tuple(one.named for one in self._staged)

    def stage(self, path: Path) -> Path:
        """An empty temporary file that will become ``path``. Raises InputError when it cannot."""
        with writing(path):
            target = Path(os.path.realpath(path))
            if any(_same(target, one.target) for one in self._staged):
                raise InputError(f"{path}: two outputs have this name; give each its own")
            self._check(path, target)
            temporary = target.with_name(f".fetsim-{secrets.token_hex(8)}.part")
            private = target.exists()  # its mode is not known to be as open as the user's new files are
            os.close(os.open(temporary, os.O_CREAT | os.O_EXCL | os.O_WRONLY, PRIVATE if private else 0o666))
        self._staged.append(_Staged(path, target, temporary))
        return temporary

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is None:
                self._publish()
        finally:
            for one in self._staged:
                with suppress(OSError):
                    one.temporary.unlink(missing_ok=True)

    def _publish(self) -> None:
        """Move all files to their places, or none."""
        for one in self._staged:
            with writing(one.named):
                _flush(one.temporary)
                self._check(one.named, one.target)
        undo: list[tuple[Path, Path | None]] = []
        try:
            for one in self._staged:
                with writing(one.named):
                    undo.append((one.target, self._move(one)))
        except BaseException:
            for target, kept in reversed(undo):
                with suppress(OSError):
                    target.unlink() if kept is None else os.replace(kept, target)
            raise
        for _, kept in undo:
            if kept is not None:
                with suppress(OSError):
                    kept.unlink()

    def _move(self, one: _Staged) -> Path | None:
        """Put a file in its place; the path under which the one that was there is still kept, if any."""
        if not self._overwrite or not one.target.exists():
            if self._overwrite:
                os.replace(one.temporary, one.target)
            else:
                _move_to_free_place(one)
            return None
        old = one.target.stat()
        with suppress(OSError):  # only the superuser may give files away
            os.chown(one.temporary, old.st_uid, old.st_gid)
        os.chmod(one.temporary, stat.S_IMODE(old.st_mode))
        kept: Path | None = one.target.with_name(f".fetsim-{secrets.token_hex(8)}.old")
        try:
            os.link(one.target, kept)  # type: ignore[arg-type]
        except OSError:
            kept = None
        try:
            os.replace(one.temporary, one.target)
        except OSError:
            if kept is not None:
                kept.unlink()
            raise
        return kept

    def _check(self, path: Path, target: Path) -> None:
        """Raises InputError when ``target``, which ``path`` leads to, may not be written."""
        if not target.parent.is_dir():
            raise InputError(f"{path}: there is no folder {target.parent}; make it first")
        if any(_same(target, one) for one in self._inputs):
            raise InputError(f"{path}: is the input itself; choose another name for the output")
        try:
            found = target.lstat()
        except FileNotFoundError:
            return
        if stat.S_ISLNK(found.st_mode):
            raise InputError(f"{path}: is a symbolic link that leads round in a circle; choose another name")
        if not stat.S_ISREG(found.st_mode):
            what = "a folder" if stat.S_ISDIR(found.st_mode) else "not a file"
            raise InputError(f"{path}: is {what}; choose another name")
        if not self._overwrite:
            raise _exists(path)
        if not os.access(target, os.W_OK):
            raise InputError(f"{path}: is write-protected; choose another name")


@contextmanager
def writing(path: Path) -> Iterator[None]:
    """Turns what the system says while ``path`` is written into an InputError."""
    try:
        yield
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror})") from None
    except (UnicodeEncodeError, ValueError) as error:
        if isinstance(error, UnicodeEncodeError) or "null byte" in str(error):
            raise InputError(f"{path}: is not a name that a file can have; choose another") from None
        raise


def _move_to_free_place(one: _Staged) -> None:
    """Like rename, but never over a file: the system itself refuses that."""
    try:
        os.link(one.temporary, one.target)
    except FileExistsError:
        raise _exists(one.named) from None
    except OSError as error:
        if error.errno not in NO_HARD_LINKS:
            raise
        try:  # a file system without hard links: an empty file of our own holds the place
            os.close(os.open(one.target, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        except FileExistsError:
            raise _exists(one.named) from None
        os.replace(one.temporary, one.target)


def _exists(path: Path) -> InputError:
    return InputError(f"{path}: exists already; choose another name or allow overwriting (--force)")


def _same(one: Path, other: Path) -> bool:
    """Whether two paths are one file, through symbolic and hard links, or would be one once they are there."""
    return same_file(one, other) or os.path.realpath(one) == os.path.realpath(other)


def _flush(path: Path) -> None:
    """Have the system put the file on the disk; a full or failing one is noticed here at the latest."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())
