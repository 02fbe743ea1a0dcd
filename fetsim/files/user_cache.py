"""Finished work kept on disk between runs: one folder for each piece, named by a hash of all that it depends on.

An entry appears whole or not at all, with a seal: the digest of every file in it. What does not match its seal, belongs
to somebody else or could be written by others is never used; an entry that is merely damaged is deleted, so that it is
made anew. What was used longest ago goes when there is too much. Two programs may share the place.

The place is the user's cache folder as the platform has it (``$XDG_CACHE_HOME/fetsim`` or ``~/.cache/fetsim``), else a
folder of the user's own in the temporary one, else one for this run alone.
"""

import atexit
import hashlib
import json
import os
import shutil
import stat
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path

import platformdirs

from fetsim.errors import InputError

SEAL = "seal.json"
WRITABLE_BY_OTHERS = stat.S_IWGRP | stat.S_IWOTH
LARGEST_BYTES = 2_000_000_000
TRIM_EVERY_S = 30.0
"""How often a program that keeps small pieces all the time trims."""
_TRIMMED_S: dict[Path, float] = {}
"""When each folder was trimmed last, by this program's clock."""


class UserCache:
    """Folders by key below ``folder``, ``largest_bytes`` of them in all after ``trim``."""

    def __init__(self, folder: Path, largest_bytes: int = LARGEST_BYTES) -> None:
        self._folder = folder
        self._largest_bytes = largest_bytes
        self._verified: set[str] = set()

    def find(self, key: str) -> Path | None:
        """The folder kept under ``key``, marked as used now; None when there is none that is whole and the user's."""
        folder = self._folder / key
        try:
            os.utime(folder)
            if key not in self._verified:
                if not _matches_seal(folder):
                    self.drop(key)
                    return None
                self._verified.add(key)
        except OSError:
            return None
        return folder

    def drop(self, key: str) -> None:
        """Delete what is kept under ``key``: it is damaged."""
        self._verified.discard(key)
        path = self._folder / key
        with suppress(OSError):
            path.unlink() if path.is_symlink() or path.is_file() else shutil.rmtree(path)

    @contextmanager
    def filling(self, key: str) -> Iterator[Path]:
        """A new folder to fill, kept under ``key`` when nothing goes wrong. Raises InputError when it cannot be."""
        try:
            work = Path(tempfile.mkdtemp(dir=self._folder, prefix=".part-"))
            try:
                yield work
                _seal(work)
                if self.find(key) is None:  # else another program was faster
                    with suppress(FileExistsError):
                        self.drop(key)
                    work.rename(self._folder / key)
                    self._verified.add(key)
            finally:
                shutil.rmtree(work, ignore_errors=True)
        except OSError as error:
            raise InputError(f"{self._folder}: no room to keep finished work ({error.strerror})") from None

    def trim(self, every_s: float = 0.0) -> None:
        """Delete what was used longest ago until the rest is small enough; no more often than this in one program, as
        looking at thousands of folders takes a while."""
        now = time.monotonic()
        if now - _TRIMMED_S.get(self._folder, float("-inf")) < every_s:
            return
        _TRIMMED_S[self._folder] = now
        sizes = {}
        for folder in self._folder.glob("[!.]*"):
            try:
                used_s = folder.stat().st_mtime
                sizes[folder] = used_s, sum(file.lstat().st_size for file in folder.rglob("*"))
            except OSError:
                continue  # another program deletes as well
        total = sum(size for _, size in sizes.values())
        for folder, (_, size) in sorted(sizes.items(), key=lambda item: item[1]):
            if total <= self._largest_bytes:
                break
            self.drop(folder.name)
            total -= size


def user_cache(kind: str, largest_bytes: int = LARGEST_BYTES) -> UserCache:
    """The user's own for one kind of work. Raises InputError when there is no place to write at all."""
    user = os.getuid() if hasattr(os, "getuid") else "user"
    for home in (platformdirs.user_cache_path("fetsim"), Path(tempfile.gettempdir()) / f"fetsim-{user}"):
        if folder := _own_folder(home, kind):
            return UserCache(folder, largest_bytes)
    folder = _folder_of_this_run() / kind
    folder.mkdir(exist_ok=True)
    return UserCache(folder, largest_bytes)


def _own_folder(home: Path, kind: str) -> Path | None:
    """``home/kind``, made where it is missing; None where it cannot be written or others could change what is in it."""
    try:
        home.mkdir(mode=0o700, parents=True, exist_ok=True)
        folder = home / kind
        folder.mkdir(mode=0o700, exist_ok=True)
        if not (_is_own(home) and _is_own(folder) and os.access(folder, os.W_OK | os.X_OK)):
            return None
        return folder if all(map(_is_trusted, Path(os.path.realpath(home)).parents)) else None
    except OSError:
        return None


@cache
def _folder_of_this_run() -> Path:
    try:
        folder = Path(tempfile.mkdtemp(prefix="fetsim-"))
    except OSError as error:
        raise InputError(f"no folder to keep finished work in ({error.strerror}); set XDG_CACHE_HOME to one") from None
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def _is_own(path: Path) -> bool:
    """Whether a file or folder itself (no link) is the user's and nobody else's to write."""
    if not hasattr(os, "geteuid"):
        return True
    found = path.lstat()
    plain = stat.S_ISREG(found.st_mode) or stat.S_ISDIR(found.st_mode)
    return plain and found.st_uid == os.geteuid() and not found.st_mode & WRITABLE_BY_OTHERS


def _is_trusted(folder: Path) -> bool:
    """Whether nobody but the user and the superuser can rename what is in a folder on the way to the cache."""
    if not hasattr(os, "geteuid"):
        return True
    found = folder.stat()
    if found.st_uid not in (0, os.geteuid()):
        return False
    if found.st_mode & stat.S_ISVTX or not found.st_mode & WRITABLE_BY_OTHERS:
        return True
    return not found.st_mode & stat.S_IWOTH and _is_group_of_one(found.st_gid)


def _is_group_of_one(group: int) -> bool:
    """Whether a group is the user's private one, by name (as most distributions make it)."""
    import grp
    import pwd

    try:
        return grp.getgrgid(group).gr_name == pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        return False


def _seal(folder: Path) -> None:
    """Close an entry: everything on the disk, nobody else's to write, and listed with its digest."""
    digests = {}
    for path in sorted(folder.rglob("*")):
        path.chmod(0o700 if path.is_dir() else 0o600)
        if path.is_file():
            with path.open("rb") as file:
                digests[path.relative_to(folder).as_posix()] = hashlib.file_digest(file, "blake2b").hexdigest()
                os.fsync(file.fileno())
    with (folder / SEAL).open("w", encoding="utf-8") as file:
        json.dump(digests, file)
        file.flush()
        os.fsync(file.fileno())
    (folder / SEAL).chmod(0o600)


def _matches_seal(folder: Path) -> bool:
    """Whether an entry holds what it held when it was closed, and is the user's."""
    paths = [folder, *folder.rglob("*")]
    if not folder.is_dir() or not all(map(_is_own, paths)):
        return False
    try:
        digests = json.loads((folder / SEAL).read_text("utf-8"))
    except (OSError, ValueError, RecursionError):
        return False
    files = {path.relative_to(folder).as_posix(): path for path in paths if path.is_file() and path.name != SEAL}
    if not isinstance(digests, dict) or digests.keys() != files.keys():
        return False
    for name, path in files.items():
        with path.open("rb") as file:
            if hashlib.file_digest(file, "blake2b").hexdigest() != digests[name]:
                return False
    return True
