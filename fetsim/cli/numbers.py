"""Lists of numbers and words as options take them: ``-30:24:2`` (from, to, step), ``1, 2, 5``, ``S1, S2+S3``."""

from math import inf, isfinite

from fetsim.errors import InputError

MOST = 2000  # numbers in a list or a range


def numbers(text: str, option: str, *, low: float = -inf, high: float = inf, most: int = MOST) -> list[float]:
    """A range or a list, every number finite and within ``low`` to ``high``; else InputError that names the option."""
    parts = [part.strip() for part in (text.split(":") if ":" in text else text.split(","))]
    try:
        values = [float(part) for part in parts]
    except ValueError:
        raise InputError(f"{option}: {text[:40]!r} is neither FROM:TO:STEP nor numbers with commas between") from None
    if not all(isfinite(value) for value in values):
        raise InputError(f"{option}: {text[:40]!r} holds what is no finite number")
    if ":" in text:
        values = _range(text, values, option, most)
    if len(values) > most:
        raise InputError(f"{option}: {len(values)} numbers are too many; {most} at the most")
    outside = next((value for value in values if not low <= value <= high), None)
    if outside is not None:
        raise InputError(f"{option}: {outside:g} is outside {low:g} to {high:g}")
    return values


def number(text: str, option: str, *, low: float = -inf, high: float = inf) -> float:
    """One number. Raises InputError."""
    return numbers(text, option, low=low, high=high, most=1)[0]


def band_hz(text: str) -> tuple[float, float]:
    """``20:20000``, lowest and highest frequency. Raises InputError."""
    low, colon, high = text.partition(":")
    if not colon:
        raise InputError(f"--band: {text[:40]!r} is not FROM:TO in Hz, such as 20:20000")
    return number(low, "--band"), number(high, "--band")


def words(text: str | None, option: str) -> list[str] | None:
    """Words with commas between as a list; None for None. Raises InputError where there is no word."""
    if text is None:
        return None
    found = [word.strip() for word in text.split(",") if word.strip()]
    if not found:
        raise InputError(f"{option}: is empty; give at least one name")
    return found


def varied(texts: list[str] | None) -> dict[str, list[str]]:
    """``NAME=VALUE, VALUE`` or ``NAME=FROM:TO:STEP`` each: name -> values.

    The values stay texts, so that ``4k7`` and ``S1+S2`` can be varied as well as positions. Raises InputError.
    """
    found: dict[str, list[str]] = {}
    for text in texts or []:
        name, sign, values = (word.strip() for word in text.partition("="))
        listed = [value.strip() for value in values.split(",") if value.strip()]
        if not sign or not name or not listed:
            raise InputError(f"--vary: {text[:60]!r} is not 'NAME=VALUE, VALUE, ...', such as 'attack=0, 0.5, 1'")
        if name in found:
            raise InputError(f"--vary: {name} is given twice")
        found[name] = [f"{value:.12g}" for value in numbers(values, "--vary")] if ":" in values else listed
    return found


def _range(text: str, values: list[float], option: str, most: int) -> list[float]:
    if len(values) != 3 or values[2] <= 0.0 or values[1] < values[0]:
        raise InputError(f"{option}: {text[:40]!r} is not FROM:TO:STEP with a step above zero")
    start, stop, step = values
    count = (stop - start) / step + 1.0  # a float: it may be infinite
    if not count <= most + 0.5:
        raise InputError(f"{option}: {text[:40]!r} means {count:.6g} numbers; more than {most} are too many")
    return [start + step * k for k in range(int(count + 1e-9))]
