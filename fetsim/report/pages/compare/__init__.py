"""One HTML page to listen to a comparison with: opens from disk, needs no network, no server and no other program.

Sound, drawings, tables and script stand in the page. Where the sound would make it larger than a limit, it lies in
script files beside it, which are read as they are needed: a page opened from disk may not read files in any other
way, and a sound file played by the browser's own player is silenced there once it goes through Web Audio (seen in
Chromium 156). Nothing in the page can run but its own script (content security policy by hash), and whatever a user
named is text.
"""

import base64
import hashlib
import json
import tempfile
from collections.abc import Callable, Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from fetsim.errors import InputError
from fetsim.files.whole_files import writing
from fetsim.report.look.kept_together import bound_on_page
from fetsim.report.pages.compare.plan import make_plan
from fetsim.report.pages.compare.segments import Segments, cut
from fetsim.report.pages.compare.words import KEYS, page_words
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


def embedded_json(content: Mapping[str, Any]) -> str:
    """JSON that no text in it can end early, open a comment or a tag."""
    text = json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for letter in "<>&\u2028\u2029":
        text = text.replace(letter, f"\\u{ord(letter):04x}")
    return text


def _render(comparison: Comparison, segments: Segments, *, embedded: bool) -> str:
    package = files(__package__)
    style = package.joinpath("page.css").read_text("utf-8")
    script = "\n".join(package.joinpath(name).read_text("utf-8") for name in SCRIPTS)
    script = f"(() => {{\n{script}\n}})();"
    environment = Environment(
        loader=PackageLoader("fetsim.report.pages.compare", ""), autoescape=True, finalize=bound_on_page,
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    return environment.get_template("page.html").render(
        policy=_policy(script, style),
        style=style,
        script=script,
        plan=embedded_json(make_plan(comparison, segments, None if embedded else SEGMENT_FOLDER)),
        embedded=[path.read_text("ascii") for path in segments.paths] if embedded else [],
        keys=KEYS,
        **page_words(comparison),
    )


def _policy(script: str, style: str) -> str:
    """Nothing but this script, this style, and script files from the disk (the segments)."""
    script_hash, style_hash = (
        f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'" for text in (script, style)
    )
    return (
        f"default-src 'none'; script-src 'self' file: {script_hash}; style-src {style_hash}; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
