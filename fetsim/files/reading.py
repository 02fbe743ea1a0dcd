"""Small text files from outside (units, versions, logs): regular files of bounded size, read whole."""

from pathlib import Path

from fetsim.errors import FetsimError, InputError


def read_bytes(
    path: Path, *, largest_bytes: int, what: str, error: type[FetsimError] = InputError
) -> bytes:
    """All of the file ``path``. Raises ``error`` when it is none, or larger than any ``what`` (as "unit file")."""
    try:
        if not path.is_file():  # a pipe would wait for ever, a device never end
            problem = "is not a file" if path.exists() else "no such file"
            raise error(f"{path}: {problem}")
        with path.open("rb") as file:
            content = file.read(largest_bytes + 1)
    except (OSError, ValueError) as problem:  # ValueError: a NUL in the name
        raise error(f"{path}: cannot be read ({getattr(problem, 'strerror', None) or problem})") from None
    if len(content) > largest_bytes:
        raise error(f"{path}: is larger than {largest_bytes} bytes; that is no {what}")
    return content


def read_text(path: Path, *, largest_bytes: int, what: str, error: type[FetsimError] = InputError) -> str:
    """``read_bytes`` as UTF-8 text."""
    content = read_bytes(path, largest_bytes=largest_bytes, what=what, error=error)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise error(f"{path}: is not UTF-8 text (byte {problem.start}); save it as UTF-8") from None


def same_file(one: Path, other: Path) -> bool:
    """Whether both are there and are one file, by whatever names; no name at all is no file."""
    try:
        return one.samefile(other)
    except (OSError, ValueError):  # missing, too long, a NUL in it
        return False
