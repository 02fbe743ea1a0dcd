"""A folder of results that appears whole or not at all, and never takes anything away that is not its own.

It is filled beside its place under a temporary name and moved there when everything is done. An existing folder is
replaced only where that is allowed and it holds nothing but what the list in its ``comparison.json`` names.
"""

import json
import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from fetsim.errors import InputError

MANIFEST = "comparison.json"
FILES = "files"


@contextmanager
def whole_folder(target: Path, *, overwrite: bool) -> Iterator[Path]:
    """A new folder to fill that becomes ``target``. Raises InputError when it cannot, before any work is done."""
    place = Path(os.path.realpath(target))
    _check(target, place, overwrite)
    mark = secrets.token_hex(4)
    work = place.with_name(f".{place.name[:100]}.{mark}.part")
    try:
        work.mkdir()
    except OSError as error:
        raise InputError(f"{target}: cannot be written ({error.strerror}); choose another place") from None
    try:
        yield work
        old = place.with_name(f".{place.name[:100]}.{mark}.old")
        if place.exists():
            place.rename(old)
        work.rename(place)
        shutil.rmtree(old, ignore_errors=True)
    except OSError as error:
        raise InputError(f"{target}: cannot be written ({error.strerror})") from None
    finally:
        shutil.rmtree(work, ignore_errors=True)


def write_manifest(folder: Path, contents: dict[str, Any]) -> None:
    """Write ``contents`` with the names of all files in the folder, the list itself among them."""
    names = sorted({MANIFEST, *_files(folder)})
    text = json.dumps({**contents, FILES: names}, ensure_ascii=False, allow_nan=False)
    (folder / MANIFEST).write_text(text + "\n", "utf-8")


def _check(target: Path, place: Path, overwrite: bool) -> None:
    if not place.parent.is_dir():
        raise InputError(f"{target}: there is no folder {place.parent}; make it first")
    if not place.exists():
        return
    if not place.is_dir():
        raise InputError(f"{target}: is a file; choose another name for the folder")
    present = _files(place)
    if not present and not any(place.iterdir()):
        return
    if not overwrite:
        raise InputError(f"{target}: exists already; choose another folder or allow overwriting (--force)")
    try:
        own = set(json.loads((place / MANIFEST).read_text("utf-8"))[FILES])
    except (OSError, ValueError, KeyError, TypeError):
        raise InputError(f"{target}: is a folder that no comparison made; choose another") from None
    foreign = present - own
    if foreign:
        raise InputError(f"{target}: holds {min(foreign)}, which no comparison wrote; choose another folder")


def _files(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if not path.is_dir()}
