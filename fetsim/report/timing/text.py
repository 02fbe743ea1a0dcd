"""Attack and release in plain words, and as rows of a table file."""

from collections.abc import Mapping, Sequence
from math import isinf

from fetsim.measurements.timing.capture import CapturedStep, CaptureTiming
from fetsim.measurements.timing.procedure import (
    FET,
    FIGURES,
    SettingTiming,
    Spread,
    StepAnswer,
    TimingMeasurement,
)
from fetsim.report.look.columns import columns, facts, page, paragraph, section

NAMES = {
    "t63_s": "63 % of the change in dB", "t90_s": "90 % of it", "t10_90_s": "from 10 to 90 %",
    "within_2db_s": "within 2 dB of the end", "within_3db_s": "within 3 dB of the end",
    "within_4db_s": "within 4 dB of the end", "tau_s": "time constant", "slow_tau_s": "second time constant",
}  # fmt: skip
OTHER_KIND = {"attack": "within_4db_s", "release": "within_3db_s"}  # what is defined for the other one only
READ_OFF = {FET: "from the FET's channel", "output": "from the output's envelope"}
GRID_FIGURES = ("t63_s", "t90_s", "within_2db_s")
GRID_NOTE = (
    "Attack (att.) and release (rel.) to 63 and 90 % of the change in dB and to within 2 dB of the end; to: gain "
    "reduction at the later level. All other figures are in the files (--csv, --json)."
)
MOST_DETAILED = 4  # settings that are told in full; more make one table
DEFINITIONS = (
    "63 %, 90 %, 10 to 90 %: shares of the whole change of gain in dB, from the step (common practice, no source). "
    "Within 2 dB: from the step until the output stays that near to its end (after IEC 60118-2, from memory); within "
    "3 dB for an attack (after ANSI S3.22, from memory) and 4 dB for a release (the same, second-hand). Neither "
    "standard was read and their step levels are not used, so no compliance is claimed. Time constants: of "
    "exponentials fitted to the trace in dB from a tenth of the change on; a second one only where the trace calls "
    "for it."
)
RANGE_NOTE = (
    "An attack depends on where in the cycle the step falls: first the step at a zero crossing, then the least and the "
    "most over the phases."
)


def timing_page(measured: Mapping[str, TimingMeasurement]) -> str:
    """Label of the version -> measurement, as a page for the terminal."""
    first = next(iter(measured.values()))
    named = named_settings(measured)
    title = f"Attack and release of {first.unit}: {first.frequency_hz:.6g} Hz bursts, quality {first.quality}."
    detailed = len(named) <= MOST_DETAILED
    body = [_detail(name, one) for name, one in named.items()] if detailed else [_grid(measured)]
    figures = tuple(NAMES) if detailed else GRID_FIGURES
    return page([
        title,
        paragraph(f"Gain reduction read {READ_OFF[first.read_off]}."),
        *body,
        section("Not given", *(paragraph(text) for text in _reasons(named, figures))),
        section("Definitions", paragraph(RANGE_NOTE), paragraph(DEFINITIONS)),
    ])  # fmt: skip


def capture_page(dry: str, wet: str, captured: CaptureTiming) -> str:
    """Timing of a recorded pair as a page for the terminal."""
    pairs = [
        ("Recordings", f"{dry} (dry), {wet} (wet), {captured.rate_hz:g} Hz"),
        ("Tone", f"{captured.frequency_hz:.6g} Hz"),
        ("Alignment", f"wet comes {_delay(captured.delay_s)}, correlation {captured.correlation:.3f}"
         + (", upside down (turned round)" if captured.polarity < 0 else "")),
        *(("Warning", text) for text in captured.warnings),
    ]  # fmt: skip
    return page([
        facts(pairs),
        *(_captured(number, step) for number, step in enumerate(captured.steps, start=1)),
        section("Definitions", paragraph(DEFINITIONS)),
    ])  # fmt: skip


def named_settings(measured: Mapping[str, TimingMeasurement]) -> dict[str, SettingTiming]:
    """All settings under names made of version and what is varied; the unit's name where there is neither."""
    return {
        ", ".join(part for part in (label, *(f"{k}={v}" for k, v in one.setting.items())) if part) or run.unit: one
        for label, run in measured.items()
        for one in run.settings
    }


def timing_rows(measured: Mapping[str, TimingMeasurement]) -> list[dict[str, str | float | None]]:
    """One row for the attack and one for the release of each setting."""
    rows: list[dict[str, str | float | None]] = []
    for label, run in measured.items():
        for one in run.settings:
            for way, answer in (("attack", one.attack), ("release", one.release)):
                row: dict[str, str | float | None] = {
                    "version": label, **one.setting, "step": way, "before_dbu": _finite(one.before_dbu),
                    "level_dbu": one.level_dbu, "frequency_hz": run.frequency_hz,
                    "reduction_before_db": answer.reduction_before_db, "reduction_after_db": answer.reduction_after_db,
                }  # fmt: skip
                for figure, spread in answer.spreads.items():
                    row |= {figure: spread.at_zero, f"{figure}_least": spread.least, f"{figure}_most": spread.most}
                rows.append(row)
    return rows


def capture_rows(captured: CaptureTiming) -> list[dict[str, str | float | None]]:
    """One row a step."""
    return [
        {
            "step": step.timing.kind, "at_s": step.at_s, "from_db": step.from_db, "to_db": step.to_db,
            "gain_before_db": step.timing.gain_before_db, "gain_after_db": step.timing.gain_after_db,
            **{figure: getattr(step.timing, figure) for figure in FIGURES},
        }
        for step in captured.steps
    ]  # fmt: skip


def seconds(value: float | None) -> str:
    """``52.6 us``, ``1.15 ms``, ``0.371 s``; a dash for None."""
    if value is None:
        return "-"
    for limit, factor, unit in ((1e-3, 1e6, "us"), (0.1, 1e3, "ms")):
        if value < limit:
            return f"{_three(value * factor)} {unit}"
    return f"{_three(value)} s"


def _detail(name: str, one: SettingTiming) -> str:
    start = "silence" if isinf(one.before_dbu) else f"{one.before_dbu:+.1f} dBu"
    title = f"{name}: {start} to {one.level_dbu:+.1f} dBu and back"
    if one.attack.kind == "none":
        return section(title, paragraph(f"{one.attack.spreads['t63_s'].reason}.".capitalize()))
    rows = []
    for figure, words in NAMES.items():
        attack, release = one.attack.spreads[figure], one.release.spreads[figure]
        rows.append((
            words, _told("attack", figure, attack.at_zero), _range(attack), _told("release", figure, release.at_zero),
        ))  # fmt: skip
    rows.append(("gain reduction", _change(one.attack), "", _change(one.release)))
    head = ("from the step until", "attack", "least to most", "release")
    return section(
        title,
        columns(head, rows, right=(1, 2, 3), rigid=(0, 1, 2, 3)),
        *(paragraph(text) for text in _limits(one)),
    )


def _limits(one: SettingTiming) -> list[str]:
    """What the traces could not show."""
    return [
        f"The gain ripples within the cycle, so the {way}'s trace is averaged over one cycle and shows nothing shorter "
        f"than {seconds(answer.resolution_s)}; use a higher test frequency for that."
        for way, answer in (("attack", one.attack), ("release", one.release))
        if answer.averaged
    ]


def _grid(measured: Mapping[str, TimingMeasurement]) -> str:
    """One line a setting, the varied names in columns of their own."""
    rows = []
    varied: list[str] = []
    for label, run in measured.items():
        for one in run.settings:
            a, r = one.attack.spreads, one.release.spreads
            varied = list(one.setting)
            rows.append((
                *([label] if len(measured) > 1 else []), *one.setting.values(),
                seconds(a["t63_s"].at_zero), _range(a["t63_s"]), seconds(a["t90_s"].at_zero),
                seconds(a["within_2db_s"].at_zero), seconds(r["t63_s"].at_zero), seconds(r["t90_s"].at_zero),
                seconds(r["within_2db_s"].at_zero), f"{one.attack.reduction_after_db:.1f} dB",
            ))  # fmt: skip
    names = ["version"] * (len(measured) > 1) + varied
    head = (*names, "att. 63 %", "least to most", "90 %", "2 dB", "rel. 63 %", "90 %", "2 dB", "to")
    first = len(names)
    return section(
        "All settings",
        columns(head, rows, right=range(first, len(head)), rigid=range(len(head))),
        paragraph(GRID_NOTE),
    )


def _reasons(named: Mapping[str, SettingTiming], figures: Sequence[str]) -> list[str]:
    """Why figures are missing, settings with the same reason together."""
    found: dict[str, list[str]] = {}
    for name, one in named.items():
        for way, answer in (("attack", one.attack), ("release", one.release)):
            for figure in figures if answer.kind != "none" else ():
                spread = answer.spreads[figure]
                if spread.missing and figure != OTHER_KIND[way] and not spread.reason.startswith("defined for"):
                    some = "" if spread.at_zero is None else " at some phases"
                    where = f"{name}: {way}" if len(named) > 1 else way
                    found.setdefault(spread.reason, []).append(f"{where}: {NAMES[figure]}{some}")
    return [f"{'; '.join(_few(where))}: {why}." for why, where in found.items()]


def _few(places: list[str]) -> list[str]:
    return places if len(places) <= 6 else [*places[:5], f"and {len(places) - 5} more"]


def _captured(number: int, step: CapturedStep) -> str:
    timing = step.timing
    kind = {"none": "step without gain reduction"}.get(timing.kind, timing.kind)
    head = f"Step {number}: {kind} at {step.at_s:.4f} s, input {step.to_db - step.from_db:+.1f} dB"
    rows = [
        (words, seconds(getattr(timing, figure)))
        for figure, words in NAMES.items()
        if not timing.reasons.get(figure, "").startswith("defined for")
    ]
    if timing.gain_before_db is not None and timing.gain_after_db is not None:
        rows.append(("gain", f"{timing.gain_before_db:.2f} to {timing.gain_after_db:.2f} dB"))
    why = dict.fromkeys(
        f"{NAMES[figure]}: {text}."
        for figure, text in timing.reasons.items()
        if figure in NAMES and not text.startswith("defined for")
    )
    return section(
        head,
        columns(("from the step until", kind), rows, right=(1,), rigid=(0, 1)),
        paragraph(f"Gain read over windows of {seconds(step.window_s)}."),
        *(paragraph(text) for text in why),
    )


def _told(way: str, figure: str, value: float | None) -> str:
    return "" if figure == OTHER_KIND[way] else seconds(value)


def _range(spread: Spread) -> str:
    if spread.least is None or spread.most is None:
        return ""
    return f"{seconds(spread.least)} to {seconds(spread.most)}"


def _change(answer: StepAnswer) -> str:
    return f"{answer.reduction_before_db + 0.0:.2f} to {answer.reduction_after_db + 0.0:.2f} dB"


def _delay(delay_s: float) -> str:
    return f"{seconds(abs(delay_s))} {'late' if delay_s >= 0.0 else 'early'}"


def _three(value: float) -> str:
    """Three significant digits without an exponent."""
    return f"{value:.3g}" if value < 999.5 else f"{value:.0f}"


def _finite(value: float) -> float | str:
    return "silence" if isinf(value) else value
