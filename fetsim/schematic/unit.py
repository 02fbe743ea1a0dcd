"""The unit that other rooms work with: its data, versions of it, and what makes two of them differ."""

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from pathlib import Path
from typing import Self

from fetsim.errors import UnitError
from fetsim.schematic.change import changed_unit
from fetsim.schematic.model import (
    AlignmentStep,
    Control,
    Device,
    GainCell,
    Limits,
    Matched,
    Part,
    Stage,
    SwitchBank,
    UnitData,
)
from fetsim.schematic.pair import are_joined, channel_document
from fetsim.schematic.read import read_unit
from fetsim.schematic.save import save_text, unit_text
from fetsim.schematic.save_based import based_text
from fetsim.schematic.settings import differences

__all__ = [
    "AlignmentStep", "Control", "Device", "GainCell", "Limits", "Matched", "Part", "Stage", "SwitchBank", "Unit",
]  # fmt: skip


@dataclass(frozen=True)
class Unit(UnitData):
    """A whole unit at one setting. ``load_unit`` makes it, ``changed`` makes another one from it."""

    loaded: "Unit | None" = field(default=None, repr=False, compare=False)
    """The unit as its file gave it; None in that unit itself."""
    base: "Unit | None" = field(default=None, repr=False, compare=False)
    """The unit that its file starts from; None where the file is a whole unit."""
    sources: "tuple[Unit, ...]" = field(default=(), repr=False, compare=False)
    """The units that it was put together of, or the pair that it was taken out of."""

    @classmethod
    def of(
        cls,
        data: UnitData,
        loaded: "Unit | None" = None,
        base: "Unit | None" = None,
        sources: "tuple[Unit, ...]" = (),
    ) -> Self:
        """The unit of these data, ``loaded`` being the one that its file gave, which starts from ``base``."""
        own = {one.name: getattr(data, one.name) for one in fields(UnitData)}
        return cls(**own, loaded=loaded, base=base, sources=sources)

    @property
    def origin(self) -> "Unit":
        """The unit as it was loaded, without any change; nothing is read again for it."""
        return self.loaded or self

    @property
    def files(self) -> tuple[Path, ...]:
        """The file it was read from, the one which that starts from, and so on."""
        parents = (*self.sources, *(() if self.base is None else (self.base,)))
        return tuple(dict.fromkeys((self.path, *(file for one in parents for file in one.files))))

    def listening(self, channel: str) -> "Unit":
        """The pair, with this channel's input, output and gain cell as its own. Raises UnitError for a channel that it
        has not."""
        if channel not in self.channels:
            what = f"choices: {', '.join(self.channels)}" if self.channels else "it is no pair"
            raise UnitError(f"channel: {self.name} has no {str(channel)[:20]!r}; {what}")
        return replace(self, channel=channel, gain_cell=self.channels[channel])

    @property
    def each_channel(self) -> "tuple[Unit, ...]":
        """What plays each channel of a stereo file: of a joined pair the whole listened to at each, of one that is not
        joined each alone; of a unit of one channel itself, whatever the file has."""
        if not self.channels:
            return (self,)
        return tuple(self.listening(one) if self.is_joined else self.alone(one) for one in self.channels)

    @cached_property
    def is_joined(self) -> bool:
        """Whether current can flow between its channels as switches stand; False for a unit of one channel."""
        return bool(self.channels) and are_joined(self)

    def alone(self, channel: str) -> "Unit":
        """One channel of a pair as a unit of its own, with nothing of the other and nothing that joins them; parts,
        nodes and controls bear the names that they have there. Raises UnitError for a channel that it has not."""
        self.listening(channel)
        data = read_unit(channel_document(self, channel), self.path, self.text)
        return Unit.of(data, None if self.loaded is None else self.loaded.alone(channel), sources=(self,))

    def ready_for(self, places: Iterable[str]) -> "Unit":
        """The same unit with these elements in it that faults add (``wiring.fault_places``), at values that do next to
        nothing: one with such a fault is of its topology. Changes keep them."""
        return replace(self, ready=tuple(sorted({*self.ready, *places})))

    def changed(self, changes: Mapping[str, str | float] | None = None, **more: str | float) -> "Unit":
        """Another unit with these changes, as ``changed(C16="220n", attack=0.8)``; see
        ``change.changed_unit``.

        Raises UnitError that names every wrong change and every value that is given twice.
        """
        if changes is not None and not isinstance(changes, Mapping):
            raise UnitError(f"change: must be names with values, as in {{'C16': '220n'}}, not {f'{changes!r}'[:40]}")
        data = changed_unit(self, [*(changes or {}).items(), *more.items()])
        unit = Unit.of(data, self.origin, self.base, self.sources)
        return unit.listening(self.channel) if self.channel else unit

    def save(self, path: str | Path, *, based: bool = False, overwrite: bool = False) -> Path:
        """Write the unit to a ``.toml`` file, with the comments and the layout of the file that it came from; or,
        ``based``, only its changes, as a file that starts from that one.

        Raises InputError when the file exists (unless ``overwrite``) or cannot be written, and where a file would start
        from itself.
        """
        path = Path(path)
        return save_text(self.file_text(path, based=based), path, overwrite=overwrite)

    def file_text(self, path: Path, *, based: bool = False) -> str:
        """What ``save`` writes to a path."""
        return based_text(self, self.origin, path, self.files) if based else unit_text(self)

    def differences(self, other: UnitData) -> tuple[tuple[str, str, str], ...]:
        """(name, before, after) of everything that differs in ``other``, in words.

        Empty when nothing does.
        """
        return differences(self, other)

    @property
    def changes(self) -> tuple[tuple[str, str, str], ...]:
        """(name, before, after) of everything that differs from the unit as loaded, in words."""
        return self.origin.differences(self)

    @cached_property
    def text_digest(self) -> str:
        """SHA-256 (64 hexadecimal digits) of the unit file's text as it was loaded, in UTF-8; changes are not in it.

        What ``sha256sum`` says of the file, unless that begins with a byte order mark. Of a file that starts from
        another unit it is the digest of the whole unit's text, as ``save`` writes it; of one that pairs two, that of
        their digests and its own text.
        """
        sources = () if self.base is None else self.base.sources
        return hashlib.sha256("".join([*(one.text_digest for one in sources), self.text]).encode()).hexdigest()

    @cached_property
    def digest(self) -> str:
        """SHA-256 (64 hexadecimal digits) of all that the unit says, changes and device sheets included.

        Equal units have equal digests wherever their files lie; every number counts to its last bit.
        """
        said = {one.name: getattr(self, one.name) for one in fields(self) if one.compare}
        return hashlib.sha256(json.dumps(said, sort_keys=True, default=vars).encode()).hexdigest()
