"""What happens in time and over frequency, for the page: the burst round the loop, timing, needle, response."""

from fetsim.measurements.explain.procedure import measure_explain
from fetsim.measurements.explain.sentences import told
from fetsim.measurements.needle.procedure import measure_needle
from fetsim.measurements.response.procedure import Response, measure_response
from fetsim.report.explain.picture import draw_rows
from fetsim.report.needle.picture import draw_meters, draw_needle
from fetsim.report.pages.report.content import Picture, Section, Table, number
from fetsim.report.pages.report.level_sections import reductions_within_reach
from fetsim.report.pages.report.svg import inline_svg
from fetsim.report.response.picture import draw_responses
from fetsim.report.response.text import SUMMARY_HZ, named_responses
from fetsim.rig.runner import Progress
from fetsim.schematic.unit import Unit


def explain_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Each trace with its sentence under it."""
    one = measure_explain(unit, quality=quality, progress=progress)
    words, account = told(one), one.account()
    figures = draw_rows(one)
    return Section(
        "", "",
        lead=account.lead,
        pictures=[
            Picture(inline_svg(figure, f"explain-{name}"), words[name].sentence) for name, figure in figures.items()
        ],
        definitions=account.definitions,
        figures={**one.to_dict(), **account.to_dict()},
    )  # fmt: skip


def needle_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """The needle over a burst, and as it stands when it reads most."""
    one = measure_needle(unit, quality=quality)
    deepest = one.reading_db(one.deepest_s)[0]
    most = float(one.gain_reduction_db.max())
    return Section(
        "", "",
        lead=[f"The needle comes to {deepest:.1f} dB where the gain reduction comes to {most:.1f} dB."],
        pictures=[
            Picture(inline_svg(draw_needle({"": one}, ""), "needle"), f"{one.about}."),
            Picture(inline_svg(draw_meters({"": one}, None, ""), "meter")),
        ],
        figures=one.to_dict(),
    )  # fmt: skip


def response_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Small signals at the output, at rest and held at gain reductions."""
    measured = measure_response(unit, reductions_db=reductions_within_reach(unit, quality), quality=quality)
    named = named_responses({"": measured})
    rest = measured.responses[0]
    low, high = (rest.value_at(f, rest.gain_db - rest.gain_1khz_db) for f in (SUMMARY_HZ[0], SUMMARY_HZ[-1]))
    return Section(
        "", "",
        lead=[
            f"At rest {number(rest.gain_1khz_db, 2, sign=True)} dB at 1 kHz; against that "
            f"{number(low, 2, sign=True)} dB at {hertz(SUMMARY_HZ[0])} and {number(high, 2, sign=True)} dB at "
            f"{hertz(SUMMARY_HZ[-1])}."
        ],
        pictures=[Picture(inline_svg(draw_responses(named, ""), "response"))],
        tables=[_response_table(named)],
        figures=measured.to_dict(),
    )  # fmt: skip


def _response_table(named: dict[str, Response]) -> Table:
    rows = [
        (
            name, number(one.gain_1khz_db, 2, sign=True),
            *(number(one.value_at(f, one.gain_db - one.gain_1khz_db), 2, sign=True) for f in SUMMARY_HZ),
            _corner(one.low_corner_hz), _corner(one.high_corner_hz),
        )
        for name, one in named.items()
    ]  # fmt: skip
    heads = ("state", "1 kHz dB", *(f"{hertz(f)} re 1 kHz" for f in SUMMARY_HZ), "-3 dB from", "to")
    return Table(heads, rows)


def _corner(corner_hz: float | None) -> str:
    return "out of range" if corner_hz is None else hertz(corner_hz)


def hertz(value: float) -> str:
    """``20 Hz``, ``4.78 kHz``, ``1.2 MHz``."""
    for factor, name in ((1e6, "MHz"), (1e3, "kHz")):
        if value >= factor:
            return f"{value / factor:.3g} {name}"
    return f"{value:.3g} Hz"
