"""Figures as SVG inside an HTML page: text stays text, colours are the page's, names do not clash.

The drawings are made for white paper. In the page every colour of theirs becomes one of the style sheet's variables, so
that they follow light and dark; a shade of grey becomes a mixture of the page's ink and paper.
"""

import re
import warnings
from io import StringIO

import matplotlib
from matplotlib.figure import Figure

from fetsim.report.look.plots import AMBER, BLUE, LILAC, STYLE, TEAL, WINE, make_texts_safe

VARIABLES = {BLUE: "blue", AMBER: "amber", WINE: "wine", TEAL: "teal", LILAC: "lilac"}
NO_METADATA = {"Date": None, "Creator": None, "Format": None, "Type": None}
COLOUR = re.compile(r"#[0-9a-f]{6}\b")
LONG_DECIMALS = re.compile(r"(\d\.\d{2})\d+")
IDS = re.compile(r'(\bid="|href="#|url\(#)([^")]+)')
SIZE = re.compile(r'<svg [^>]*?viewBox="([^"]+)"[^>]*>')


def inline_svg(figure: Figure, name: str) -> str:
    """The ``<svg>`` element alone; ``name`` sets its ids off from those of other drawings on the page."""
    make_texts_safe(figure)
    target = StringIO()
    with matplotlib.rc_context({**STYLE, "svg.fonttype": "none"}), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # the browser's fonts have the last word
        figure.savefig(target, format="svg", metadata=NO_METADATA, transparent=True)
    text = target.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r"<!--.*?-->\n?", "", text, flags=re.DOTALL)
    text = re.sub(r"<style.*?</style>", "", text, count=1, flags=re.DOTALL)  # a rule for the whole page
    text = re.sub(r"; font-family: [^;\"]*|font-family: [^;\"]*; ", "", text)
    text = SIZE.sub(r'<svg viewBox="\1" aria-hidden="true">', text, count=1)
    text = re.sub(r"\bxlink:href=", "href=", text)
    text = IDS.sub(lambda found: f"{found[1]}{name}-{found[2]}", text)
    text = re.sub(r'(?<=[ "])d="[^"]*"', lambda path: LONG_DECIMALS.sub(r"\1", path[0]), text)
    return re.sub(r'style="[^"]*"', lambda style: COLOUR.sub(_variable, style[0]), text)


def _variable(found: "re.Match[str]") -> str:
    colour = found[0]
    if colour in VARIABLES:
        return f"var(--{VARIABLES[colour]})"
    red, green, blue = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
    if max(red, green, blue) - min(red, green, blue) > 2:
        return colour
    return f"color-mix(in srgb, var(--ink) {100.0 - green / 2.55:.0f}%, var(--panel))"
