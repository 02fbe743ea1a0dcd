"""Noise in plain words, and as rows of a table file."""

from collections.abc import Mapping

from fetsim.measurements.bench.clipping import DEFAULT_LIMITS, LargestLevel
from fetsim.measurements.noise.procedure import NoiseMeasurement, NoiseState
from fetsim.report.look.columns import columns, page, paragraph, section

LARGEST = 10  # contributors printed of each state
DEFINITIONS = (
    "Noise of the parts through the linearised circuit, without signal, rms over 20 Hz to 20 kHz: 4kT/R of resistors, "
    "tracks, windings and of the source resistance, 4kT times the channel conductance of FETs, 2qI of junctions. A: "
    "IEC 61672-1 curve; 468: ITU-R BS.468-4 curve with an rms meter, not the quasi-peak meter of the recommendation, "
    "which reads some decibels more (both curves from memory, no compliance is claimed). Not in the model: 1/f noise, "
    "base resistance of transistors, hum, supply noise. At the source: output noise less the gain at 1 kHz. Dynamic "
    "range: largest level over unweighted noise; largest level: {thd:g} % of distortion or {compression:g} dB of "
    "compression at 1 kHz, the sidechain without effect. Held: the control node stands still at the voltage that gives "
    "the stated gain reduction at 1 kHz."
)


def noise_page(measured: Mapping[str, NoiseMeasurement]) -> str:
    """Label of the version -> measurement, as a page for the terminal."""
    first = next(iter(measured.values()))
    definitions = DEFINITIONS.format(thd=100.0 * DEFAULT_LIMITS.thd, compression=DEFAULT_LIMITS.compression_db)
    conditions = (
        f"{first.temperature_c:g} C, source of {first.source_resistance_ohm:g} ohm (its noise included). Levels in dBu."
    )
    return page([
        f"Noise of {first.unit} at {first.point}.",
        paragraph(conditions),
        section("Levels", _summary(measured), *(paragraph(text) for text in _tops(measured))),
        section("Largest contributors, in % of the noise power", _contributors(named_states(measured))),
        section("Definitions", paragraph(definitions)),
    ])  # fmt: skip


def named_states(measured: Mapping[str, NoiseMeasurement]) -> dict[str, NoiseState]:
    """All states under names made of version and state."""
    return {
        ", ".join(part for part in (label, state.state) if part): state
        for label, one in measured.items()
        for state in one.states
    }


def noise_rows(measured: Mapping[str, NoiseMeasurement]) -> list[dict[str, str | float | None]]:
    """One row a contribution of each state, the whole in front."""
    rows: list[dict[str, str | float | None]] = []
    for label, one in measured.items():
        for state in one.states:
            head = {"version": label, "state": state.state}
            rows.append(
                {
                    **head,
                    "part": "all",
                    "cause": "",
                    "unweighted_dbu": state.unweighted_dbu,
                    "share": 1.0,
                    "a_weighted_dbu": state.a_weighted_dbu,
                    "itu_468_weighted_dbu": state.itu_468_weighted_dbu,
                    "input_referred_dbu": state.input_referred_dbu,
                    "dynamic_range_db": state.dynamic_range_db,
                }
            )
            rows += [
                {
                    **head,
                    "part": part.designator,
                    "cause": part.cause,
                    "unweighted_dbu": part.output_dbu,
                    "share": part.share,
                }
                for part in state.contributions
            ]
    return rows


def _summary(measured: Mapping[str, NoiseMeasurement]) -> str:
    headings = ("state", "unweighted", "A", "468, rms", "gain 1 kHz", "at the source", "dynamic range", "with A")
    rows = [
        (
            name, f"{one.unweighted_dbu:.1f}", f"{one.a_weighted_dbu:.1f}", f"{one.itu_468_weighted_dbu:.1f}",
            f"{one.gain_1khz_db:+.2f} dB", f"{one.input_referred_dbu:.1f}", _range(one.dynamic_range_db),
            _range(one.a_weighted_dynamic_range_db),
        )
        for name, one in named_states(measured).items()
    ]  # fmt: skip
    return columns(headings, rows, right=range(1, 8), rigid=range(1, 8))


def _tops(measured: Mapping[str, NoiseMeasurement]) -> list[str]:
    return [
        f"{label}: {_top(one.largest)}" if label else _top(one.largest)
        for label, one in measured.items()
        if one.largest is not None
    ]


def _top(top: LargestLevel) -> str:
    where = f"{top.stage_dbu:+.1f} dBu, at {top.level_dbu:+.1f} dBu from the source"
    return f"Largest level {where}, by {top.by}." if top.clips else f"Largest level tried {where}, still clean."


def _contributors(states: Mapping[str, NoiseState]) -> str:
    shares = [{(part.designator, part.cause): part.share for part in one.contributions} for one in states.values()]
    most = {key: max(table.get(key, 0.0) for table in shares) for table in shares for key in table}
    shown = sorted(most, key=lambda key: -most[key])[:LARGEST]
    rows = [(*key, *(_percent(table.get(key, 0.0)) for table in shares)) for key in shown]
    rest = [sum(share for key, share in table.items() if key not in shown) for table in shares]
    rows.append(("the rest", "", *(_percent(share) for share in rest)))
    return columns(("part", "cause", *states), rows, right=range(2, 2 + len(shares)), rigid=(0, 1))


def _percent(share: float) -> str:
    return f"{100.0 * share:.1f}" if share >= 5e-4 else "-"


def _range(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f} dB"
