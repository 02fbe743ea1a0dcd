"""Small-signal responses in plain words, and as rows of a table file."""

from collections.abc import Mapping
from math import isnan

from fetsim.measurements.response.procedure import CHECK_LEVEL_DBU, Response, ResponseMeasurement
from fetsim.report.look.columns import blocks, columns, page, paragraph, section

SUMMARY_HZ = (20.0, 50.0, 10e3, 20e3)
TABLE_HZ = (20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3, 15e3, 20e3, 50e3)
DEFINITIONS = (
    "Gain: voltage at the point over the open-circuit voltage of the source. At rest: the circuit linearised at its "
    "bias point. Held: linearised with the control node held still at the voltage that gives the stated gain reduction "
    "at the output at 1 kHz, as by an ideal supply; the loop is open. Loop closed: steady tones of the stated source "
    "level, each settled on its own; fundamental only. Corners: where the gain has fallen 3 dB below that at 1 kHz, "
    "sought from 0.01 Hz to 10 MHz. Gain reduction at a frequency: gain there at rest less gain in the state. Group "
    "delay: exact derivative of the phase."
)


def response_page(measured: Mapping[str, ResponseMeasurement]) -> str:
    """Label of the version -> measurement, as a page for the terminal."""
    first = next(iter(measured.values()))
    named = named_responses(measured)
    return page([
        f"Response of {first.unit} from the source, in dB.",
        section("Summary, re 1 kHz", _summary(named)),
        section("Responses", blocks(f"{paragraph(_state(name, one))}\n{_table(one)}" for name, one in named.items())),
        section("Check against tones in time", *(paragraph(text) for text in _checks(measured))),
        section("Left out", *_left_out(first)),
        section("Definitions", paragraph(DEFINITIONS)),
    ])  # fmt: skip


def named_responses(measured: Mapping[str, ResponseMeasurement]) -> dict[str, Response]:
    """All responses under names made of version, point and state, each where there are several."""
    several_points = len({one.point for each in measured.values() for one in each.responses}) > 1
    several_states = len({one.state for each in measured.values() for one in each.responses}) > 1
    return {
        ", ".join(
            part for part in (label, one.point if several_points else "", one.state if several_states else "") if part
        )
        or f"{one.point} {one.state}": one
        for label, each in measured.items()
        for one in each.responses
    }


def response_rows(measured: Mapping[str, ResponseMeasurement]) -> list[dict[str, str | float | None]]:
    """One row a frequency of each response."""
    return [
        {
            "version": label,
            "point": one.point,
            "state": one.state,
            "frequency_hz": float(one.frequency_hz[k]),
            "gain_db": float(one.gain_db[k]),
            "phase_deg": float(one.phase_deg[k]),
            "group_delay_s": float(one.group_delay_s[k]),
            "gain_reduction_db": float(one.gain_reduction_db[k]),
        }
        for label, each in measured.items()
        for one in each.responses
        for k in range(len(one.frequency_hz))
    ]


def _summary(named: Mapping[str, Response]) -> str:
    headings = ("response", "at 1 kHz", *(_hertz(f) for f in SUMMARY_HZ), "-3 dB from", "to")
    rows = [
        (
            name, _signed(one.gain_1khz_db, 3),
            *(_signed(one.value_at(f, one.gain_db - one.gain_1khz_db), 2) for f in SUMMARY_HZ),
            _corner(one, one.low_corner_hz, "below 0.01 Hz"), _corner(one, one.high_corner_hz, "above 10 MHz"),
        )
        for name, one in named.items()
    ]  # fmt: skip
    return columns(headings, rows, right=range(1, 8), rigid=range(1, 8))


def _state(name: str, one: Response) -> str:
    if one.level_dbu is not None:
        return f"{name}; gain reduction {one.reduction_db:.2f} dB at 1 kHz"
    return name if one.control_v is None else f"{name}; control node at {one.control_v:.4f} V"


def _table(one: Response) -> str:
    linear = one.level_dbu is None
    shown = [f for f in TABLE_HZ if one.value_at(f, one.gain_db) is not None] if linear else list(one.frequency_hz)
    rows = []
    for f in shown:
        gain, phase, delay, reduction = (
            one.value_at(f, trace) or 0.0
            for trace in (one.gain_db, one.phase_deg, one.group_delay_s, one.gain_reduction_db)
        )
        cells = [_hertz(f), _signed(gain, 3), _signed(gain - one.gain_1khz_db, 3), _signed(phase, 2)]
        cells.append("-" if isnan(delay) else _seconds(delay))
        cells.append(f"{reduction:.3f}" if one.reduction_db else "-")
        rows.append(tuple(cells))
    headings = ("frequency", "gain", "re 1 kHz", "phase deg", "group delay", "reduction")
    return columns(headings, rows, right=range(6), rigid=range(6))


def _checks(measured: Mapping[str, ResponseMeasurement]) -> list[str]:
    texts = []
    for label, each in measured.items():
        for check in each.checks:
            name = ", ".join(part for part in (label, check.point, check.state) if part)
            low, high = _hertz(float(check.frequency_hz[0])), _hertz(float(check.frequency_hz[-1]))
            texts.append(
                f"{name}: {len(check.frequency_hz)} tones from {low} to {high}, {CHECK_LEVEL_DBU:g} dBu each at the "
                f"source, played through the whole circuit: largest difference {check.largest_difference_db:.4f} dB."
            )
    return texts


def _left_out(measured: ResponseMeasurement) -> list[str]:
    if not measured.left_out_hz:
        return []
    tones = ", ".join(_hertz(f) for f in measured.left_out_hz)
    return [paragraph(f"Loop closed: {tones}, too high for the steps of this quality; a finer --quality plays it.")]


def _corner(one: Response, corner_hz: float | None, beyond: str) -> str:
    if one.level_dbu is not None:
        return "-"
    return beyond if corner_hz is None else _hertz(corner_hz)


def _signed(value: float | None, digits: int) -> str:
    return "-" if value is None else f"{round(value, digits) + 0.0:+.{digits}f}"


def _hertz(value: float) -> str:
    return f"{value / 1e6:.3g} MHz" if value >= 1e6 else f"{value / 1e3:.4g} kHz" if value >= 1e3 else f"{value:.4g} Hz"


def _seconds(value: float) -> str:
    return f"{1e3 * value:.4g} ms" if abs(value) >= 1e-3 else f"{round(1e6 * value, 3) + 0.0:.4g} us"
