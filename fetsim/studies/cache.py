"""Finished work kept on disk: one folder for each result, named by a hash of all that it depends on.

Under ``$XDG_CACHE_HOME/fetsim/renders`` (or ``~/.cache``, or the temporary folder where neither can be written). A
folder appears whole or not at all, so that two programs may share the place; what was used longest ago goes when
there is too much.
"""

import hashlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from importlib.metadata import version
from pathlib import Path

from fetsim.errors import InputError

LARGEST_BYTES = 2_000_000_000  # nearly three hours of one channel at 48 kHz
PLAYS = (
    *(f"{room}/**/*.py" for room in ("devices", "engine", "schematic", "rig", "audio")),
    "studies/compare/takes.py",
)
"""Source files that decide what a render is,"""
MEASURES = (*PLAYS, "measurements/**/*.py", "studies/compare/figures.py")
"""and a bench figure."""


class Cache:
    """Folders by key below ``folder``, ``largest_bytes`` of them in all after ``trim``."""

    def __init__(self, folder: Path, largest_bytes: int = LARGEST_BYTES) -> None:
        self._folder = folder
        self._largest_bytes = largest_bytes

    def find(self, key: str) -> Path | None:
        """The folder kept under ``key``, marked as used now, or None."""
        folder = self._folder / key
        try:
            os.utime(folder)
        except OSError:
            return None
        return folder

    @contextmanager
    def filling(self, key: str) -> Iterator[Path]:
        """A new folder to fill, kept under ``key`` when nothing goes wrong. Raises InputError when it cannot be."""
        try:
            work = Path(tempfile.mkdtemp(dir=self._folder, prefix=".part-"))
            try:
                yield work
                try:
                    work.rename(self._folder / key)
                except OSError:
                    if not (self._folder / key).is_dir():  # else another program was faster
                        raise
            finally:
                shutil.rmtree(work, ignore_errors=True)
        except OSError as error:
            raise InputError(f"{self._folder}: no room to keep renders ({error.strerror})") from None

    def trim(self) -> None:
        """Delete what was used longest ago until the rest is small enough."""
        sizes = {}
        for folder in self._folder.glob("[!.]*"):
            try:
                used_s = folder.stat().st_mtime
                sizes[folder] = used_s, sum(file.stat().st_size for file in folder.iterdir())
            except OSError:
                continue  # another program deletes as well
        total = sum(size for _, size in sizes.values())
        for folder, (_, size) in sorted(sizes.items(), key=lambda item: item[1]):
            if total <= self._largest_bytes:
                break
            shutil.rmtree(folder, ignore_errors=True)
            total -= size


def user_cache() -> Cache:
    """The user's own. Raises InputError when there is no place to write at all."""
    xdg = os.environ.get("XDG_CACHE_HOME")
    user = os.getuid() if hasattr(os, "getuid") else "user"
    for home in (Path(xdg) if xdg else Path.home() / ".cache", Path(tempfile.gettempdir()) / f"fetsim-{user}"):
        folder = home / "fetsim" / "renders"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            if os.access(folder, os.W_OK):
                return Cache(folder)
        except OSError:
            continue
    raise InputError("no folder to keep renders in; set XDG_CACHE_HOME to one that can be written")


def key_of(*parts: object, source: tuple[str, ...]) -> str:
    """A name for what depends on these parts (by their ``repr``), on the program's version and on these files of it.

    A changed line of code makes other keys, so that nothing stale is ever heard.
    """
    return hashlib.sha256(repr((package_version(), _source_hash(source), *parts)).encode()).hexdigest()[:32]


def package_version() -> str:
    """As it is installed."""
    return version("fetsim")


@cache
def _source_hash(patterns: tuple[str, ...]) -> str:
    here = Path(__file__).parents[1]
    files = sorted({path for pattern in patterns for path in here.glob(pattern)})
    return hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()
