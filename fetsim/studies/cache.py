"""Names for finished work that is kept in the user's cache: a hash of all that it depends on.

That is its parts by their bytes, the program's version and the source files that decide about it, and the versions of
the libraries that take part in a sample, so that nothing stale is ever heard.
"""

import hashlib
import struct
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import numpy as np

KIND = "renders"
LIBRARIES = ("numpy", "scipy", "numba", "llvmlite", "soxr", "soundfile", "pyloudnorm")
PLAYS = (
    *(f"{room}/**/*.py" for room in ("devices", "engine", "schematic", "rig", "audio")),
    "studies/compare/takes.py",
)
"""Source files that decide what a render is,"""
MEASURES = (*PLAYS, "measurements/**/*.py", "studies/compare/figures.py")
"""and a bench figure."""


def key_of(*parts: object, source: tuple[str, ...]) -> str:
    """A name for what depends on these parts, on the program's version and these files of it, and on the libraries.

    Parts are numbers, texts, arrays, records of them and collections; raises TypeError for anything else.
    """
    digest = hashlib.sha256()
    for piece in _bytes_of((package_version(), _source_hash(source), _libraries(), *parts)):
        digest.update(struct.pack("<q", len(piece)))  # so that no two lists of pieces run together alike
        digest.update(piece)
    return digest.hexdigest()[:32]


def package_version() -> str:
    """As it is installed."""
    return version("fetsim")


def _bytes_of(part: object) -> Iterator[bytes]:
    """All that tells two parts apart, in pieces: the kind of each value, then its exact contents."""
    yield type(part).__qualname__.encode()
    if part is None or isinstance(part, bool | int):
        yield repr(part).encode()
    elif isinstance(part, float):
        yield struct.pack("<d", part)
    elif isinstance(part, str | Path):
        yield str(part).encode("utf-8", "surrogateescape")
    elif isinstance(part, bytes):
        yield part
    elif isinstance(part, np.ndarray | np.generic):
        if part.dtype.hasobject:
            raise TypeError("an array of objects has no bytes of its own")
        yield f"{part.dtype.str}{part.shape}".encode()
        yield part.tobytes()
    elif is_dataclass(part) and not isinstance(part, type):
        for one in fields(part):
            yield one.name.encode()
            yield from _bytes_of(getattr(part, one.name))
    elif isinstance(part, Mapping):
        yield repr(len(part)).encode()
        for key, value in part.items():
            yield from _bytes_of(key)
            yield from _bytes_of(value)
    elif isinstance(part, Sequence):
        yield repr(len(part)).encode()
        for value in part:
            yield from _bytes_of(value)
    else:
        raise TypeError(f"a {type(part).__name__} has no bytes that tell it apart")


@cache
def _libraries() -> tuple[str, ...]:
    found = [sys.version]
    for name in LIBRARIES:
        try:
            found.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            found.append(name)
    return tuple(found)


@cache
def _source_hash(patterns: tuple[str, ...]) -> str:
    here = Path(__file__).parents[1]
    files = sorted({path for pattern in patterns for path in here.glob(pattern)})
    return hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()
