"""Pages on which a script of our own runs, and nothing else: its hash stands in the page's policy.

Script and style stand in the page; what the script is told stands there as JSON that no text in it can end.
"""

import base64
import hashlib
import json
from collections.abc import Mapping, Sequence
from importlib.resources import files
from typing import Any

from fetsim.report.pages.filled import template


def scripted_page(
    page: str, *, styles: Sequence[str], scripts: Sequence[str], more_scripts: str = "", **values: object
) -> str:
    """The page of a template of this room, ``compare/page.html`` say, with files of this room as its style and script.

    ``more_scripts``: other sources that the policy lets scripts come from.
    """
    room = files(__package__)
    style = "\n".join(room.joinpath(name).read_text("utf-8") for name in styles)
    script = "\n".join(room.joinpath(name).read_text("utf-8") for name in scripts)
    script = f"(() => {{\n{script}\n}})();"
    policy = (
        f"default-src 'none'; script-src {more_scripts}{_hash(script)}; style-src {_hash(style)}; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
    return template(page).render(policy=policy, style=style, script=script, **values)


def embedded_json(content: Mapping[str, Any]) -> str:
    """JSON that no text in it can end early, open a comment or a tag."""
    text = json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for letter in "<>&\u2028\u2029":
        text = text.replace(letter, f"\\u{ord(letter):04x}")
    return text


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
