"""Tapers: how far a potentiometer's wiper has come along its track at a position of the knob.

``linear`` in proportion, ``log`` the smooth law (e^{3p} - 1) / (e^3 - 1) of our own choice (18 % at half
rotation), ``audio`` two straight pieces that meet at 15 % of the track at half rotation, as carbon tracks for
loudness are made (common practice, no source: 10 to 20 %). The ``reverse-`` forms rise fast first: f(p) = 1 -
taper(1 - p).
"""

from collections.abc import Callable
from math import exp

STEEPNESS = 3.0  # exponent of the log law over the whole rotation
AUDIO_MIDDLE = 0.15  # fraction of the track at half rotation


def _linear(position: float) -> float:
    return position


def _log(position: float) -> float:
    return (exp(STEEPNESS * position) - 1.0) / (exp(STEEPNESS) - 1.0)


def _audio(position: float) -> float:
    if position <= 0.5:
        return 2.0 * AUDIO_MIDDLE * position
    return AUDIO_MIDDLE + (1.0 - AUDIO_MIDDLE) * (2.0 * position - 1.0)


def _reverse(taper: Callable[[float], float]) -> Callable[[float], float]:
    return lambda position: 1.0 - taper(1.0 - position)


TAPERS: dict[str, Callable[[float], float]] = {
    "linear": _linear,
    "log": _log,
    "audio": _audio,
    "reverse-log": _reverse(_log),
    "reverse-audio": _reverse(_audio),
}

SHAPES = {
    "linear": "in proportion",
    "log": "smooth, slow first",
    "audio": "two straight pieces, slow first",
    "reverse-log": "smooth, fast first",
    "reverse-audio": "two straight pieces, fast first",
}
"""The tapers in words."""
