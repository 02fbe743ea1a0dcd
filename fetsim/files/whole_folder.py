"""A folder of results that appears whole or not at all, and never takes anything away that is not its own.

It is filled beside its place under a temporary name and moved there when everything is done. An existing folder is
replaced only where that is allowed and it holds nothing but what the list in its ``comparison.json`` names; this is
looked at again right before the move, and only what was found at the start is deleted.
"""

import json
import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from fetsim.errors import InputError

MANIFEST = "comparison.json"
FILES = "files"
LARGEST_MANIFEST = 200_000_000  # bytes


@contextmanager
def whole_folder(target: Path, *, overwrite: bool | None) -> Iterator[Path]:
    """A new folder to fill that becomes ``target``. ``overwrite``: whether it may take the place of a comparison; None
    for a folder that never takes the place of another. Raises InputError when it cannot, before any work is done."""
    with _writing(target):
        place = Path(os.path.realpath(target))
        found = _own_files(target, place, overwrite)
        mark = secrets.token_hex(8)
        work = place.with_name(f".fetsim-{mark}.part")
        work.mkdir()
    try:
        yield work
        with _writing(target):
            now = _own_files(target, place, overwrite)
            if now - found:
                raise InputError(f"{target}: something was written there meanwhile; choose another folder")
            _replace(target, place, work, place.with_name(f".fetsim-{mark}.old"), now)
    finally:
        shutil.rmtree(work, ignore_errors=True)


def write_manifest(folder: Path, contents: dict[str, Any]) -> None:
    """Write ``contents`` with the names of all files in the folder, the list itself among them."""
    names = sorted({MANIFEST, *_files(folder)})
    text = json.dumps({**contents, FILES: names}, ensure_ascii=False, allow_nan=False)
    (folder / MANIFEST).write_text(text + "\n", "utf-8")


def _replace(target: Path, place: Path, work: Path, old: Path, found: set[str]) -> None:
    """Move ``work`` to its ``place``; of what was there only the files ``found`` at the start are deleted."""
    if not found:
        work.rename(place)  # refused by the system when something has appeared there
        return
    work.chmod(place.stat().st_mode)
    place.rename(old)
    if set(_files(old)) - found:  # written between the last look and the move
        old.rename(place)
        raise InputError(f"{target}: something was written there meanwhile; choose another folder")
    work.rename(place)
    with suppress(OSError):
        for name in found:
            (old / name).unlink(missing_ok=True)
        for folder, _, _ in os.walk(old, topdown=False):
            os.rmdir(folder)


def _own_files(target: Path, place: Path, overwrite: bool | None) -> set[str]:
    """What ``place`` holds and may be deleted. Raises InputError when it may not be replaced."""
    for what, text in (("the folder you are in", "."), ("your home folder", "~")):
        folder = Path(os.path.realpath(os.path.expanduser(text)))
        if folder.is_relative_to(place):
            within = "is" if folder == place else "holds"
            raise InputError(f"{target}: {within} {what}; give a folder of its own")
    if place.is_mount():
        raise InputError(f"{target}: is a whole disk; give a folder on it")
    if not place.parent.is_dir():
        raise InputError(f"{target}: there is no folder {place.parent}; make it first")
    if place.is_symlink():
        raise InputError(f"{target}: is a symbolic link that leads round in a circle; choose another name")
    if not place.exists():
        return set()
    if not place.is_dir():
        raise InputError(f"{target}: is a file; choose another name for the folder")
    if not any(place.iterdir()):
        return set()
    if not overwrite:
        allow = "" if overwrite is None else " or allow overwriting (--force)"
        raise InputError(f"{target}: exists already; choose another folder{allow}")
    own = _listed(target, place)
    present = set()
    for name in _files(place):  # one by one: a large foreign tree is not walked to its end
        if name not in own:
            raise InputError(f"{target}: holds {name}, which no comparison wrote; choose another folder")
        present.add(name)
    return present


def _listed(target: Path, place: Path) -> set[str]:
    """The files that the comparison there says it wrote."""
    manifest = place / MANIFEST
    try:
        if manifest.is_symlink() or not manifest.is_file() or manifest.stat().st_size > LARGEST_MANIFEST:
            raise ValueError
        return set(json.loads(manifest.read_text("utf-8"))[FILES])
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        raise InputError(f"{target}: is a folder that no comparison made; choose another") from None


def _files(folder: Path) -> Iterator[str]:
    """Every file below ``folder``, as a path from there; symbolic links are files."""
    for where, folders, files in os.walk(folder):
        for name in (*files, *(one for one in folders if os.path.islink(os.path.join(where, one)))):
            yield Path(where, name).relative_to(folder).as_posix()


@contextmanager
def _writing(target: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise InputError(f"{target}: cannot be written ({error.strerror}); choose another place") from None
    except ValueError as error:
        raise InputError(f"{target}: is not a name that a folder can have ({error}); choose another") from None
