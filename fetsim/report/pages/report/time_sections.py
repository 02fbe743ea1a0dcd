"""What happens in time and over frequency, for the page: the burst round the loop, timing, needle, response."""

from math import isinf

from fetsim.measurements.explain.procedure import measure_explain
from fetsim.measurements.needle.procedure import measure_needle
from fetsim.measurements.response.procedure import Response, measure_response
from fetsim.measurements.timing.procedure import SettingTiming, Spread, StepAnswer, measure_timing
from fetsim.report.explain.picture import draw_explanation_rows
from fetsim.report.explain.sentences import told
from fetsim.report.explain.text import explain_dict
from fetsim.report.needle.picture import draw_meters, draw_needle
from fetsim.report.pages.report.content import Picture, Section, Table, level, number
from fetsim.report.pages.report.level_sections import reductions_within_reach
from fetsim.report.pages.report.svg import inline_svg
from fetsim.report.response.picture import draw_responses
from fetsim.report.response.text import SUMMARY_HZ, named_responses
from fetsim.report.timing.picture import draw_timing
from fetsim.report.timing.text import NAMES, OTHER_KIND, seconds
from fetsim.rig.runner import Progress
from fetsim.schematic.unit import Unit


def explain_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Each trace with its sentence under it."""
    one = measure_explain(unit, quality=quality, progress=progress)
    words = told(one)
    figures = draw_explanation_rows(one)
    return Section(
        "", "",
        pictures=[
            Picture(inline_svg(figure, f"explain-{name}"), words[name].sentence) for name, figure in figures.items()
        ],
        figures=explain_dict(one),
    )  # fmt: skip


def timing_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Attack and release at the setting that the unit has."""
    measured = measure_timing(unit, quality=quality, progress=progress)
    (one,) = measured.settings
    attack, release = (_briefly(answer) for answer in (one.attack, one.release))
    start = "silence" if isinf(one.before_dbu) else f"{level(one.before_dbu)} dBu"
    lead = (
        f"A burst of {measured.frequency_hz:.6g} Hz from {start} to {level(one.level_dbu)} dBu: attack {attack}, "
        f"release {release}, to 63 % of a change of "
        f"{abs(one.attack.reduction_after_db - one.attack.reduction_before_db):.1f} dB."
    )
    return Section(
        "", "",
        lead=[lead],
        pictures=[Picture(inline_svg(draw_timing({"": one}, ""), "timing"))],
        tables=[_timing_table(one)],
        notes=_reasons(one),
        figures=measured.to_dict(),
    )  # fmt: skip


def _briefly(answer: StepAnswer) -> str:
    """Time to 63 %, or what there is instead."""
    spread = answer.spreads["t63_s"]
    if spread.at_zero is not None:
        return seconds(spread.at_zero)
    return _range(spread) or "not given (the reason stands under the table)"


def _timing_table(one: SettingTiming) -> Table:
    rows = []
    for figure, words in NAMES.items():
        attack, release = one.attack.spreads[figure], one.release.spreads[figure]
        rows.append((
            words,
            "" if figure == OTHER_KIND["attack"] else seconds(attack.at_zero), _range(attack),
            "" if figure == OTHER_KIND["release"] else seconds(release.at_zero),
        ))  # fmt: skip
    rows.append(("gain reduction", _change(one.attack), "", _change(one.release)))
    return Table(("from the step until", "attack", "least to most", "release"), rows)


def _range(spread: Spread) -> str:
    if spread.least is None or spread.most is None:
        return ""
    return f"{seconds(spread.least)} to {seconds(spread.most)}"


def _change(answer: StepAnswer) -> str:
    return f"{number(answer.reduction_before_db, 2)} to {number(answer.reduction_after_db, 2, 'dB')}"


def _reasons(one: SettingTiming) -> list[str]:
    """Why figures are missing, figures with the same reason together."""
    found: dict[str, list[str]] = {}
    for way, answer in (("attack", one.attack), ("release", one.release)):
        for figure, words in NAMES.items():
            spread = answer.spreads[figure]
            if spread.missing and figure != OTHER_KIND[way] and not spread.reason.startswith("defined for"):
                found.setdefault(spread.reason, []).append(f"{way}: {words}")
    return [f"{'; '.join(places)}: {why}." for why, places in found.items()]


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
