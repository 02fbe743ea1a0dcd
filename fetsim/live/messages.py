"""Every message that the page may send, and nothing else: anything that does not fit is refused in one line."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from fetsim.errors import InputError
from fetsim.live.scope import LONGEST_S

LARGEST_BYTES = 20_000
MOST_CHANGES = 200
MOST_PROBES = 4

Name = Annotated[str, Field(min_length=1, max_length=80)]
Text = Annotated[str, Field(min_length=1, max_length=200)]
Number = Annotated[float, Field(allow_inf_nan=False, ge=-1e30, le=1e30)]
Slot = Literal["A", "B", "C"]
Count = Annotated[int, Field(ge=0, le=2**53)]


class _Message(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Play(_Message):
    """Let this page hear it; from any other page it is taken."""

    do: Literal["play"]


class Pause(_Message):
    do: Literal["pause"]


class Played(_Message):
    """How far the page has come: the frame that it hears next, how often it ran dry, and the latest editions of the
    sound that it has taken and refused."""

    do: Literal["played"]
    frame: Count
    dropouts: Count
    edition: Count
    refused: Count


class Change(_Message):
    """Values by name; None: as it was in the beginning."""

    do: Literal["change"]
    values: Annotated[dict[Name, Text | Number | None], Field(min_length=1, max_length=MOST_CHANGES)]


class Step(_Message):
    """To the next value up or down: a preferred one, or a step of a control."""

    do: Literal["step"]
    name: Name
    up: bool
    series: Literal["E6", "E12", "E24", "E48", "E96"] = "E24"


class Undo(_Message):
    do: Literal["undo"]


class Redo(_Message):
    do: Literal["redo"]


class Reset(_Message):
    """Everything as it was in the beginning."""

    do: Literal["reset"]


class Keep(_Message):
    """Keep the present state in a slot."""

    do: Literal["keep"]
    slot: Slot


class Recall(_Message):
    """Go back to what a slot holds, or to the state that the session began with."""

    do: Literal["recall"]
    slot: Slot | Literal["start"]


class Loop(_Message):
    do: Literal["loop"]
    from_s: Number
    to_s: Number
    at_s: Number | None = None


class InQuality(_Message):
    do: Literal["quality"]
    quality: Literal["draft", "standard", "fine"]


class Probe(_Message):
    """What the scope shows, and how."""

    do: Literal["probe"]
    names: Annotated[list[Name], Field(max_length=MOST_PROBES)]
    span_s: Annotated[float, Field(ge=1e-4, le=LONGEST_S, allow_inf_nan=False)] = 0.01
    rising: bool = True
    level: Number | None = None


class Export(_Message):
    do: Literal["export"]
    what: Literal["changes", "unit", "log", "compare"]


Message = (
    Play | Pause | Played | Change | Step | Undo | Redo | Reset | Keep | Recall | Loop | InQuality | Probe | Export
)
_ADAPTER: TypeAdapter[Message] = TypeAdapter(Annotated[Message, Field(discriminator="do")])


def read_message(text: str | bytes) -> Message:
    """What the page says. Raises InputError, in one line, for anything that is no such message."""
    if len(text) > LARGEST_BYTES:
        raise InputError(f"message: {len(text)} bytes are more than {LARGEST_BYTES}")
    try:
        return _ADAPTER.validate_json(text)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False, include_context=False)[0]
        where = ".".join(str(one)[:40] for one in first["loc"])
        raise InputError(f"message: {where or 'it'}: {first['msg'][:160]}") from None
