"""One HTML page to listen to a comparison with: opens from disk, needs no network, no server and no other program.

Sound, drawings, tables and script stand in the page. Where the sound would make it larger than a limit, it lies in
script files beside it, which are read as they are needed: a page opened from disk may not read files in any other
way, and a sound file played by the browser's own player is silenced there once it goes through Web Audio (seen in
Chromium 156). Nothing in the page can run but its own script (content security policy by hash), and whatever a user
named is text.
"""

import tempfile
from collections.abc import Callable
from pathlib import Path

from fetsim.errors import InputError
from fetsim.files.whole_files import writing
from fetsim.report.pages.compare.plan import make_plan
from fetsim.report.pages.compare.segments import Segments, cut
from fetsim.report.pages.compare.words import KEYS, page_words
from fetsim.report.pages.scripted import embedded_json, scripted_page
from fetsim.studies.compare.comparison import Comparison

PAGE_NAME = "listen.html"
SEGMENT_FOLDER = "listen_data"
EMBED_LIMIT_BYTES = 64_000_000  # of sound in the page; so large it opened in 1.3 s on a busy machine
SCRIPTS = (
    "binomial.js", "graph.js", "segments.js", "player.js", "tracks.js", "desk.js", "trials.js", "listening_test.js",
    "keys.js", "main.js",
)  # fmt: skip


def write_comparison_page(
    comparison: Comparison,
    folder: Path,
    *,
    embed_limit_bytes: int = EMBED_LIMIT_BYTES,
    progress: Callable[[float], None] = lambda share: None,
) -> Path:
    """Write ``listen.html`` into ``folder``, where the comparison's files are, and return its path.

    Up to ``embed_limit_bytes`` of sound (FLAC, 24 bit, as base64) stand in the page, else in ``listen_data/`` beside
    it. ``progress`` is called with the share done. Raises InputError when the comparison's files cannot be read or
    the page cannot be written or is there already, and then leaves the folder as it was.

    >>> import fetsim
    >>> import numpy as np, soundfile
    >>> soundfile.write("in.wav", 0.1 * np.sin(0.1 * np.arange(48000)), 48000)
    >>> versions = {"larger": {"C2": "330n"}}
    >>> found = fetsim.compare("in.wav", versions, folder="heard", unit="teaching", quality="draft")
    >>> from pathlib import Path
    >>> fetsim.write_comparison_page(found, Path("heard")).name
    'listen.html'
    """
    page, beside = folder / PAGE_NAME, folder / SEGMENT_FOLDER
    for path in (page, beside):
        if path.exists():
            raise InputError(f"{path}: exists already; remove it first or make the comparison in another folder")
    with writing(page), tempfile.TemporaryDirectory(prefix=".listen-", dir=folder) as temporary:
        segments = cut(comparison, folder, Path(temporary), progress)
        embedded = segments.total_bytes <= embed_limit_bytes
        whole = Path(temporary) / PAGE_NAME
        whole.write_text(_render(comparison, segments, embedded=embedded), encoding="utf-8")
        if not embedded:
            scripts = Path(temporary) / SEGMENT_FOLDER
            scripts.mkdir()
            for number, path in enumerate(segments.paths):
                text = path.read_text("ascii")
                (scripts / segment_name(number)).write_text(f"takeSegment({number},`{text}`);\n", encoding="ascii")
                path.unlink()
            scripts.rename(beside)
        whole.rename(page)
    return page


def segment_name(number: int) -> str:
    """File name of a segment: its place in time and nothing else, since each holds all versions."""
    return f"{number:05d}.js"


def _render(comparison: Comparison, segments: Segments, *, embedded: bool) -> str:
    return scripted_page(
        "compare/page.html",
        styles=("compare/page.css",),
        scripts=[f"compare/{name}" for name in SCRIPTS],
        more_scripts="'self' file: ",  # the segments
        plan=embedded_json(make_plan(comparison, segments, None if embedded else SEGMENT_FOLDER)),
        embedded=[path.read_text("ascii") for path in segments.paths] if embedded else [],
        keys=KEYS,
        **page_words(comparison),
    )
