"""What every attack is judged by: the exit status, one clear line, nothing half-written, old files whole.

A case is one row of arguments in one of the files of this folder; a new one needs no more than that.
"""

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

from fetsim.cli import main
from fetsim.safe_text import LONGEST_LINE, is_safe
from fetsim.schematic.library import library_units

RATE_HZ = 48000
FRAMES = 480
TEACHING = library_units()["teaching"].read_text("utf-8")


@dataclass(frozen=True)
class Outcome:
    """What a command left behind."""

    status: int
    out: str
    err: str
    before: dict[str, bytes]
    after: dict[str, bytes]

    def refused(self, *words: str, lines: int = 1, status: int = 2) -> None:
        """Refused in so many lines that hold these words, and nothing has changed on the disk."""
        assert self.status == status, (self.status, self.out, self.err)
        told = self.err.splitlines()
        assert len(told) == lines, self.err
        for line in told:
            assert line.startswith("fetsim: ") and len(line) <= LONGEST_LINE + 20 and all(map(is_safe, line))
        for word in words:
            assert word in self.err, self.err
        self._clean()
        assert self.after == self.before

    def done(self, *files: str) -> None:
        """Done, with just these files made, and every file that was there whole."""
        assert self.status == 0, self.err
        self._clean()
        assert self.after.keys() == {*self.before, *files}
        assert all(self.after[name] == content for name, content in self.before.items() if name not in files)

    def _clean(self) -> None:
        assert "Traceback" not in self.err + self.out and "Warning" not in self.err
        assert all(is_safe(letter) or letter == "\n" for letter in self.out)
        assert not [name for name in self.after if Path(name).name.startswith(".")]


def snapshot(folder):
    """Path -> contents of every file below ``folder``; links and pipes by what they are."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = os.fsdecode(os.fsencode(path.relative_to(folder)))
        if path.is_symlink():
            found[name] = b"link to " + os.fsencode(os.readlink(path))
        else:
            found[name] = path.read_bytes() if path.is_file() else b"no file"
    return found


def tone(frames=FRAMES):
    return 0.3 * np.sin(2 * np.pi * 1000 * np.arange(frames) / RATE_HZ)


@pytest.fixture
def place(tmp_path, monkeypatch):
    """A folder to work in: ten milliseconds of a tone, a unit file, a private file and a foreign one."""
    monkeypatch.chdir(tmp_path)
    soundfile.write("in.wav", tone(), RATE_HZ, subtype="PCM_16")
    (tmp_path / "mine.toml").write_text(TEACHING, "utf-8")
    (tmp_path / "old.wav").write_text("precious")
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder" / "thesis.txt").write_text("precious")
    return tmp_path


@pytest.fixture
def attack(place, capfd):
    """Runs the command line in this process and looks at the folder before and after."""

    def run(*arguments) -> Outcome:
        before = snapshot(place)
        with pytest.raises(SystemExit) as ending:
            main([str(one) for one in arguments])
        said = capfd.readouterr()
        return Outcome(ending.value.code, said.out, said.err, before, snapshot(place))

    return run


@pytest.fixture
def render(attack):
    """Plays a file through the teaching unit, quickly."""
    return lambda *arguments: attack("render", "-u", "teaching", "-q", "draft", *arguments)
