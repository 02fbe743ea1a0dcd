"""``fetsim turn``: turn values while a recording plays."""

import gc
import webbrowser
from pathlib import Path
from typing import Annotated

import typer

from fetsim.cli.options import SoundUnitOptions
from fetsim.errors import InputError
from fetsim.rig.quality import DEFAULT_QUALITY, quality_named
from fetsim.safe_text import printable


def turn(
    chosen: SoundUnitOptions,
    source: Annotated[Path, typer.Argument(metavar="IN", help="sound file: WAV, FLAC, AIFF, Ogg, MP3 ...")],
    loop: Annotated[
        str,
        typer.Option("--loop", metavar="S..S", help="the part of it that goes round, from one second to another, as "
                     "12..20.5 (default: all of it)"),
    ] = "",
    quality: Annotated[
        str,
        typer.Option("--quality", "-q", metavar="QUALITY", help="to begin with: draft, standard or fine; where the "
                     "machine cannot keep up, a coarser one is taken"),
    ] = DEFAULT_QUALITY,
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="FOLDER", help="where a comparison goes (default: IN's name with -compared, in "
                     "this folder)"),
    ] = None,
    port: Annotated[
        int, typer.Option("--port", metavar="NUMBER", min=0, max=65535, help="of the address (default: a free one)")
    ] = 0,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="open the page in the browser, or only print its address")
    ] = True,
) -> None:  # fmt: skip
    """Turn values while a recording plays: a page for this machine's browser, heard some 0.2 s later.

    \b
    fetsim turn jingle.wav
    fetsim turn --unit mine.toml --loop 12..20.5 mix.flac

    The page has the parts by stage, controls and switches, snapshots to go between, a scope for every node, and the
    figures of the present state. It is served to this machine alone, under an address that nobody can guess. Ctrl-C
    ends it. Nothing is written but a comparison, where the page asks for one.
    """
    quality_named(quality)
    from fetsim.live.hub import Hub
    from fetsim.live.programme import read_programme
    from fetsim.live.server import LOOPBACK, bound, new_token, serve
    from fetsim.live.session import Session
    from fetsim.studies.compare.study import default_folder

    unit = chosen.chosen()
    programme = read_programme(source, *_ends(loop), alike=max(1, len(unit.channels)))
    at = bound(port)
    hub = Hub(Session(unit, programme, quality), to or default_folder(source))
    token = new_token()
    address = f"http://{LOOPBACK}:{at.getsockname()[1]}/{token}/"
    print(printable(f"{unit.name} plays {programme.name} at {address}"), flush=True)
    print("Ctrl-C ends it.", flush=True)
    if browser and not webbrowser.open(address):
        print("No browser could be opened; open the address above in one.", flush=True)
    try:
        serve(hub, at, token)
    except KeyboardInterrupt:
        print("Ended.", flush=True)
    finally:
        gc.freeze()  # all has ended; to look through it for what to take apart would take seconds on a busy machine


def _ends(text: str) -> tuple[float | None, float | None]:
    """The ends of a part, in seconds; none where nothing is asked for. Raises InputError."""
    if not text:
        return None, None
    first, dots, last = text.partition("..")
    try:
        return float(first), float(last if dots else "none")
    except ValueError:
        raise InputError(f"--loop: {text[:40]!r} is not of the form S..S, as 12..20.5") from None
