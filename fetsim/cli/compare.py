"""``fetsim compare``: hear and measure versions of a unit side by side."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from fetsim.cli.options import ForceOption, NoiseOption, QuietOption, SeedOption, SoundVersionOptions, noise_seed_of
from fetsim.cli.streams import be_quiet
from fetsim.errors import InputError, PartlyDone
from fetsim.studies.compare.comparison import AS_BUILT, Comparison
from fetsim.studies.compare.playing import MEASURING, PLAYING, Watcher
from fetsim.studies.compare.study import compare as compare_versions
from fetsim.studies.compare.study import default_folder

SHARES = {PLAYING: (0.0, 0.7), MEASURING: (0.7, 0.3)}  # of a version's bar: where it starts, how much it is


def compare(
    chosen: SoundVersionOptions,
    source: Annotated[Path, typer.Argument(metavar="IN", help="sound file: WAV, FLAC, AIFF, Ogg, MP3 ...")],
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="FOLDER", help="where to (default: IN's name with -compared, in this folder)"),
    ] = None,
    title: Annotated[str, typer.Option("--title", metavar="TEXT", help="heading of the page and the tables")] = "",
    match: Annotated[
        str,
        typer.Option(
            "--match", metavar="HOW",
            help="bring all to one level by loudness or rms, or none: leave levels alone (default: auto, loudness "
            "where that means something)",
        ),
    ] = "auto",
    recorded: Annotated[
        list[str] | None,
        typer.Option("--recorded", metavar="'LABEL: FILE'", help="a recording of the real unit playing IN, as a "
                     "version; repeat for more"),
    ] = None,
    noise: NoiseOption = False,
    seed: SeedOption = None,
    page: Annotated[bool, typer.Option("--page/--no-page", help="write the page to listen with")] = True,
    keep_going: Annotated[
        bool, typer.Option("--keep-going", help="leave out versions whose changes are wrong instead of refusing all")
    ] = False,
    force: ForceOption = False,
    quiet: QuietOption = False,
) -> None:  # fmt: skip
    """Play a sound file through a unit and through versions of it, brought to one level, into a folder to listen to.

    \b
    fetsim compare jingle.wav --version 'bigger timing cap: C16=330n' --version 'slower: attack=0.9'
    fetsim compare jingle.wav --versions ideas.toml --to ideas --change curve=S1
    fetsim compare jingle.wav --vary C16=100n,150n,220n,330n -v 'rebuilt: unit=mine.toml'
    fetsim compare jingle.wav --recorded 'the box: from-the-box.wav'

    The folder holds a page that opens from disk, 24 bit FLAC and WAV files of every version and of what each change
    adds, aligned to the sample, and all figures in comparison.json and comparison.csv. The unit without any version's
    changes is always in it. --change, --load and --full-scale apply to all versions. A version that cannot be played is
    named, the others are written, and the exit status is 1.
    """
    if quiet:
        be_quiet()
    file_title, wanted = chosen.wanted()
    folder = to or default_folder(source)
    boxes = _recordings(recorded or [])
    names = [AS_BUILT, *(name for name, _ in wanted), *boxes]
    with _bars(names, shown=not quiet and sys.stderr.isatty()) as progress:
        found = compare_versions(
            source, wanted, folder=folder, unit=chosen.unit, changes=chosen.changes, recordings=boxes,
            title=title or file_title, match=match, quality=chosen.quality,
            noise_seed=noise_seed_of(noise, seed), keep_going=keep_going, overwrite=force,
            pages=[_page] if page else [], progress=progress, notice=_silent if quiet else _say,
        )  # fmt: skip
    if not quiet:
        from fetsim.report.compare.text import compare_text

        print(compare_text(found, folder))
    failed = [f"version {one.label[:60]!r}: {line}" for one in found.versions for line in one.error.splitlines()]
    if failed:
        raise PartlyDone("\n".join([*failed, f"the other versions are written to {folder}"]))


def _recordings(texts: list[str]) -> dict[str, Path]:
    """Label -> file. Raises InputError."""
    found: dict[str, Path] = {}
    for text in texts:
        label, _, name = (piece.strip() for piece in text.partition(":"))
        if not (label and name):
            raise InputError(f"--recorded: {text.strip()[:60]!r} is not 'LABEL: FILE', such as 'the box: box.wav'")
        if label in found:
            raise InputError(f"--recorded: {label[:60]!r} is there twice; give each its own label")
        found[label] = Path(name)
    return found


def _page(comparison: Comparison, folder: Path) -> None:
    from fetsim.report.pages.compare import write_comparison_page

    write_comparison_page(comparison, folder)


def _say(text: str) -> None:
    print(f"fetsim: {text}", file=sys.stderr, flush=True)


def _silent(text: str) -> None:
    pass


@contextmanager
def _bars(names: list[str], *, shown: bool) -> Iterator[Watcher]:
    """A bar for each version."""
    if not shown:
        yield lambda name, doing, share: None
        return
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn(),
        TextColumn("{task.fields[doing]}"),
    )  # fmt: skip
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        tasks = {name.strip(): bar.add_task(escape(name.strip()[:40]), total=1.0, doing="waiting") for name in names}

        def advance(name: str, doing: str, share: float) -> None:
            start, part = SHARES[doing]
            done = start + part * share
            bar.update(tasks[name], completed=done, doing="" if done >= 1.0 else doing)

        yield advance
