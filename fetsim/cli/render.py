"""``fetsim render``: a sound file through a unit.

What the first sample need not wait for (progress bar, summary, picture) is imported where it is used.
"""

import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from fetsim.audio.render_file import FileRendering, default_output, render_file
from fetsim.cli.options import (
    AgainstOption,
    ForceOption,
    NoiseOption,
    QualityOption,
    QuietOption,
    SeedOption,
    SoundUnitOptions,
    noise_seed_of,
)
from fetsim.cli.streams import be_quiet
from fetsim.errors import InputError
from fetsim.rig.gain_cell import reference_named
from fetsim.rig.quality import DEFAULT_QUALITY

STARTS = ("settled", "cold")


def render(
    chosen: SoundUnitOptions,
    source: Annotated[Path, typer.Argument(metavar="IN", help="sound file: WAV, FLAC, AIFF, Ogg, MP3 ...")],
    target: Annotated[
        Path | None,
        typer.Argument(
            metavar="[OUT]",
            help="where to (default: IN's name with the unit's, in this folder); the suffix says the format: "
            ".wav .flac .aiff .caf .w64 .rf64 .au",
        ),
    ] = None,
    quality: QualityOption = DEFAULT_QUALITY,
    against: AgainstOption = "idle",
    feed: Annotated[
        list[str] | None,
        typer.Option(
            "--input", metavar="NAME=FILE",
            help="sound for another input of the unit, as key=voice.wav, or key=voice.wav:2 for one channel; "
            "repeat for more",
        ),
    ] = None,
    start: Annotated[
        str, typer.Option("--start", metavar="STATE", help="settled, or cold: switched on as the file begins")
    ] = "settled",
    bits: Annotated[
        str | None,
        typer.Option("--bits", "-b", metavar="BITS", help="16 or 24 (dithered) or float (default: like IN)"),
    ] = None,
    gain: Annotated[
        float, typer.Option("--gain", metavar="DB",
            help="gain behind the unit, in the file alone: the unit knows nothing of it")
    ] = 0.0,
    log: Annotated[
        Path | None,
        typer.Option(
            "--log", metavar="FILE",
            help="gain reduction, levels and control voltage over time (.csv or .npz)",
        ),
    ] = None,
    log_rate: Annotated[
        float, typer.Option("--log-rate", metavar="HZ", help="rows a second in the log")
    ] = 200.0,
    probe: Annotated[
        list[str] | None,
        typer.Option(
            "--probe", "-p", metavar="NAME",
            help="record a node's voltage (ctl) or a part's current (R2.current); repeat for more",
        ),
    ] = None,
    probe_to: Annotated[
        Path | None,
        typer.Option(
            "--probe-to", metavar="FILE", help="where the probes go: .wav (1.0 = 10 V or 10 mA) or .npz"
        ),
    ] = None,
    plot: Annotated[
        Path | None,
        typer.Option(
            "--plot", metavar="FILE", help="picture of levels and gain reduction (.png, .svg or .pdf)"
        ),
    ] = None,
    noise: NoiseOption = False,
    seed: SeedOption = None,
    segments: Annotated[
        bool,
        typer.Option(
            "--segments/--no-segments",
            help="march a long file (a minute or more; with hysteresis three) in segments side by "
            "side, spliced where they differ by less than -140 dB; or in one piece",
        ),
    ] = True,
    force: ForceOption = False,
    quiet: QuietOption = False,
) -> None:  # fmt: skip
    """Play a sound file through a unit and write what comes out, every channel through a unit of its own, or both of a
    stereo file through a pair.

    \b
    fetsim render jingle.wav
    fetsim render jingle.wav slow.flac --change attack=0.9 --change curve=S1+S3
    fetsim render jingle.wav -c C16=220n --log gain.csv --plot gain.png
    fetsim render silence.wav noise.wav --noise --seed 2
    fetsim render music.wav --unit ducker.toml --input key=voice.wav
    fetsim render stereo.wav --unit dunlin-pair --change right_J1.i_dss=13mA
    fetsim render voice.wav -p ctl -p R2.current --probe-to probes.wav

    Samples above full scale are never clipped: an integer OUT becomes 32 bit float, or is lowered as a whole
    where that cannot be or --bits insists, and the summary says so.
    """
    if start not in STARTS:
        raise InputError(f"--start: unknown state {start[:20]!r}; choose from {', '.join(STARTS)}")
    if quiet:
        be_quiet()
    unit = chosen.chosen()
    with _progress(shown=not quiet and sys.stderr.isatty()) as advance:
        rendering = render_file(
            source, target or default_output(source, unit), unit=unit, quality=quality, cold=start == "cold",
            bits=bits, gain_db=gain, log_to=log, log_rate_hz=log_rate, against=reference_named(against),
            inputs=_feeds(feed or ()), noise_seed=noise_seed_of(noise, seed), segments=segments, probes=probe or (),
            probes_to=probe_to,
            more={plot: _plot_writer(plot)} if plot is not None else None, overwrite=force, progress=advance,
            notice=None if quiet else _say,
        )  # fmt: skip
    if not quiet:
        from fetsim.report.render.text import render_text

        print(render_text(rendering))


def _feeds(texts: Iterable[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for text in texts:
        name, equals, file = text.partition("=")
        if not (name and equals and file):
            raise InputError(f"--input: {text[:40]!r} is not of the form NAME=FILE, as key=voice.wav")
        if name in found:
            raise InputError(f"--input: {name[:40]!r} is given twice")
        found[name] = file
    return found


def _say(text: str) -> None:
    print(f"fetsim: {text}", file=sys.stderr, flush=True)


def _plot_writer(path: Path) -> Callable[[FileRendering, Path], None]:
    from fetsim.report.look.plots import picture_kind, save_figure

    kind = picture_kind(path)

    def write(rendering: FileRendering, at: Path) -> None:
        from fetsim.report.render.picture import draw_render

        title = f"{rendering.path_in.name} through {rendering.unit.name}"
        named = [one.channel for one in rendering.at_rest]
        save_figure(draw_render(rendering.logs, title, named), at, kind)

    return write


@contextmanager
def _progress(*, shown: bool) -> Iterator[Callable[[float, float], None] | None]:
    """A bar with the percentage, the time left and how many times faster than real time it goes."""
    if not shown:
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (BarColumn(), TaskProgressColumn(), TimeRemainingColumn(), TextColumn("{task.fields[speed]}"))
    bar = Progress(*columns, console=Console(stderr=True), transient=True)
    task = bar.add_task("render", total=None, speed="")
    first: list[float] = []

    def advance(done_s: float, total_s: float) -> None:
        now_s = time.perf_counter()
        if not first:  # no sooner, so that a notice or an error before the first block stands alone
            first[:] = now_s, done_s
            bar.start()
        speed = f"{(done_s - first[1]) / (now_s - first[0]):.1f} times real time" if now_s > first[0] else ""
        bar.update(task, total=total_s, completed=done_s, speed=speed)

    try:
        yield advance
    finally:
        bar.stop()
