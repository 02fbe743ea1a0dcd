"""The unit that other rooms work with: its data, versions of it, and what makes two of them differ."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
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

    @classmethod
    def of(cls, data: UnitData, loaded: "Unit | None" = None, base: "Unit | None" = None) -> Self:
        """The unit of these data, ``loaded`` being the one that its file gave, which starts from ``base``."""
        return cls(**{one.name: getattr(data, one.name) for one in fields(UnitData)}, loaded=loaded, base=base)

    @property
    def origin(self) -> "Unit":
        """The unit as it was loaded, without any change; nothing is read again for it."""
        return self.loaded or self

    @property
    def files(self) -> tuple[Path, ...]:
        """The file it was read from, the one which that starts from, and so on."""
        return (self.path, *(self.base.files if self.base is not None else ()))

    def changed(self, changes: Mapping[str, str | float] | None = None, **more: str | float) -> "Unit":
        """Another unit with these changes, as ``changed(C16="220n", attack=0.8)``; see
        ``change.changed_unit``.

        Raises UnitError that names every wrong change and every value that is given twice.
        """
        if changes is not None and not isinstance(changes, Mapping):
            raise UnitError(f"change: must be names with values, as in {{'C16': '220n'}}, not {f'{changes!r}'[:40]}")
        return Unit.of(changed_unit(self, [*(changes or {}).items(), *more.items()]), self.origin, self.base)

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
        another unit it is the digest of the whole unit's text, as ``save`` writes it.
        """
        return hashlib.sha256(self.text.encode()).hexdigest()

    @cached_property
    def digest(self) -> str:
        """SHA-256 (64 hexadecimal digits) of all that the unit says, changes and device sheets included.

        Equal units have equal digests wherever their files lie; every number counts to its last bit.
        """
        said = {one.name: getattr(self, one.name) for one in fields(self) if one.compare}
        return hashlib.sha256(json.dumps(said, sort_keys=True, default=vars).encode()).hexdigest()
