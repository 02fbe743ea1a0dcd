"""Figures and their units on one line: the spaces between them made into ones that do not break.

Web pages keep these spaces. Terminal text breaks its lines by them and then prints plain ones, so that what is copied
or searched holds no letter that looks like another.
"""

import re
from typing import Any

from markupsafe import Markup

NO_BREAK = "\N{NO-BREAK SPACE}"
_UNITS = (
    "dBFS|dBTP|dBu|dBV|dBm|dB|LUFS|LU|[kM]?Hz|[munp]?[sVAWF]|[kMm]?ohm|[num]?H|deg|degrees|bit|C|mS|uS|S|min|octave|%"
)
_BETWEEN = re.compile(rf"(?<=\d) (?=(?:{_UNITS})(?![\w/]))")


def bound(text: str) -> str:
    """The same text, each figure bound to the unit behind it.

    >>> bound("0 dBFS is +18 dBu, 9 % of 3 parts").split(" ")
    ['0\\xa0dBFS', 'is', '+18\\xa0dBu,', '9\\xa0%', 'of', '3', 'parts']
    """
    return _BETWEEN.sub(NO_BREAK, text)


def unbound(text: str) -> str:
    """With plain spaces again."""
    return text.replace(NO_BREAK, " ")


def bound_on_page(value: Any) -> Any:
    """What a template prints: texts bound, markup and everything else as it is."""
    return bound(value) if isinstance(value, str) and not isinstance(value, Markup) else value
