"""What those who make the sound tell those who serve the pages."""

from collections.abc import Mapping
from dataclasses import dataclass

from fetsim.live.scope import Picture
from fetsim.live.voices import Heard


@dataclass(frozen=True, kw_only=True, eq=False)
class Sounded:
    """A block for the page that listens."""

    heard: Heard
    edition: int
    """Sound of a later edition replaces that of an earlier one, whole or not at all,"""
    since: int
    """from this frame of the output on."""
    picture: Picture | None
    busy: float
    """Share of real time that the march takes."""
    place_s: float
    """Where in the programme it lies."""


@dataclass(frozen=True, kw_only=True)
class Took:
    """The session goes on with what was turned, in this quality."""

    quality: str
    at_frame: int
    """Of the output, from which on it can be heard."""


@dataclass(frozen=True, kw_only=True)
class Strained:
    """What the user is to know as long as it is so: that the machine does not keep up; empty when it does."""

    words: str


@dataclass(frozen=True, kw_only=True)
class Said:
    """A sentence for the user; ``refused``: what was asked for last did not come to be."""

    text: str
    refused: bool = False


Happened = Sounded | Took | Strained | Said
Changes = Mapping[str, str | float]
