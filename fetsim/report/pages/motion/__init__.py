"""One burst in slow motion, as one HTML page that opens from disk: drawings, numbers and script all stand in it.

Its instants and volts are those of the explanation: the script gets what was simulated, as numbers of 32 bits, and
every sentence with the instant that its figure tells.
"""

from pathlib import Path

import fetsim
from fetsim.errors import InputError
from fetsim.files.whole_files import Outputs, writing
from fetsim.measurements.explain.moments import moments
from fetsim.measurements.explain.procedure import Explanation
from fetsim.report.explain.layout import laid_out
from fetsim.report.explain.loop import drawn_loop
from fetsim.report.explain.record import recorded
from fetsim.report.explain.rows import devices, rows
from fetsim.report.explain.stills import instant, still, stills
from fetsim.report.pages.motion.plan import plan
from fetsim.report.pages.motion.strips import strips
from fetsim.report.pages.page_path import check_page_path
from fetsim.report.pages.scripted import embedded_json, scripted_page
from fetsim.safe_text import printable
from fetsim.schematic.unit import Unit

WHAT = "the page in slow motion"
LONGEST_BURST_S = 1.0
"""Of a burst on a page: at standard quality 280,000 steps of some thirty traces are in memory for it."""
SCRIPTS = ("numbers.js", "record.js", "loop.js", "traces.js", "player.js", "keys.js", "main.js")
KEYS = (
    (("Space",), "play, pause"),
    (("\u2190", "\u2192"), "one step of the record back, forward; with Shift an eighth of a cycle"),
    (("B", "N"), "to the sentence before, the next one"),
    (("Home", "End"), "to the beginning, to the end"),
    ((",", "."), "slower, faster"),
    (("+", "-"), "less time on the screen, more"),
    (("S",), "stop at every sentence, or not"),
)
SLOWER = (100, 200, 500, 1000, 2000, 5000, 10000)
WINDOWS_S = (0.0002, 0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0)


def check_burst(burst_s: float) -> None:
    """Raises InputError for a burst that is too long for a page."""
    if burst_s > LONGEST_BURST_S:
        most = f"{LONGEST_BURST_S:g} s at the most"
        raise InputError(f"burst: {burst_s:g} s is too long to be shown in slow motion; {most}")


def motion_html(unit: Unit, one: Explanation) -> str:
    """The page of a burst through this unit, measured with ``moving=True``."""
    check_burst(one.burst.duration_s)
    loop, found = drawn_loop(unit, one), moments(one)
    record = recorded(one)
    shown, conducting = rows(one, loop, record), devices(loop)
    chosen = stills(one, record, shown, conducting, found)
    account = one.account()
    return scripted_page(
        "motion/page.html",
        styles=("page.css", "motion/page.css"),
        scripts=[f"motion/{name}" for name in SCRIPTS],
        name=printable(unit.name),
        about=printable(unit.about),
        channel=unit.channel,
        title=account.title,
        burst=one.burst,
        loop=loop,
        drawing=laid_out(loop),
        rows=shown,
        devices=conducting,
        moments=[(instant(moment.at_s), moment) for moment in found],
        begins=still(record, shown, conducting, record.stretches[0].start_s, ""),
        stills=chosen,
        strips=strips(record, shown, [one.at_s for one in chosen]),
        plan=embedded_json(plan(one, record, (*shown, *conducting), found)),
        last=record.count - 1,
        slower=SLOWER,
        windows=[(window_s, instant(window_s)) for window_s in WINDOWS_S],
        keys=KEYS,
        resolution=record.resolution,
        definitions=account.definitions,
        made=one.provenance.made_utc,
        quality=one.provenance.quality,
        version=fetsim.__version__,
    )


def write_motion_page(path: str | Path, unit: Unit, one: Explanation, *, overwrite: bool = False) -> Path:
    """Write the page, whole or not at all. Raises InputError where it cannot be.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> one = fetsim.measure_explain(unit, burst_s=0.02, tail_s=0.1, quality="draft", moving=True)
    >>> fetsim.write_motion_page("slow.html", unit, one).name
    'slow.html'
    """
    path = Path(path)
    check_page_path(path, WHAT)
    with Outputs(overwrite=overwrite, inputs=unit.files) as outputs:
        staged = outputs.stage(path)
        with writing(path):
            fill_page(staged, unit, one)
    return path


def fill_page(staged: Path, unit: Unit, one: Explanation) -> None:
    """Put the page into a file that is there."""
    staged.write_text(motion_html(unit, one), encoding="utf-8")
