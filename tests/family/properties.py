"""What must hold of any loop of the family, whatever its values: every measurement has finite figures or says in a line
why not, and tells the loop as it is. Expectations come from the values, by arithmetic."""

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np

import fetsim
from fetsim.errors import ConvergenceError, FetsimError, InputError
from fetsim.measurements.explain.sentences import told
from fetsim.measurements.results.result import Result
from fetsim.report.look.terminal import account_text
from fetsim.rig.rig import Rig
from fetsim.schematic.unit import Unit
from tests.family.loops import Structure, Values, unit_text

OTHER_WAY = {1.0: ("pulled down", "comes below", "it climbs back"), -1.0: ("lifted", "comes above", "it falls back")}
RATE_HZ = 48000


class Loop(NamedTuple):
    """One of the family."""

    unit: Unit
    structure: Structure
    values: Values

    @property
    def threshold_dbu(self) -> float:
        return float(20.0 * np.log10(self.values.threshold_v / np.sqrt(1.2)))

    @property
    def rests_closed(self) -> bool:
        """Four decades of the FET's tail beyond pinch-off."""
        return self.values.beyond_v > 0.25


def loop_of(structure: Structure, values: Values, folder: Path) -> Loop:
    path = folder / "loop.toml"
    path.write_text(unit_text(structure, values), encoding="utf-8")
    return Loop(fetsim.load_unit(str(path)), structure, values)


def finite(found: Result) -> None:
    """No figure is NaN, none infinite but ratios and resistances (JSON has them as null); every word can be read."""
    plain = json.loads(found.to_json())
    assert plain["provenance"]["unit"] == "A loop"
    page = account_text(found.account())
    assert not re.search(r"\b(nan|None)\b", page), page


def attempted(measure: Callable[[], Result]) -> Result | None:
    """The result, or None where a line says why there is none."""
    try:
        found = measure()
    except (InputError, ConvergenceError) as error:
        assert len(str(error).splitlines()) == 1 and len(str(error)) > 20, error
        return None
    finite(found)
    return found


def rests(loop: Loop) -> None:
    """The control at the bias less what the rectifier leaks, the gate as far beyond pinch-off as was asked for."""
    unit, structure, values = loop
    found = fetsim.idle_point(unit)
    finite(found)
    rest_v = -structure.sign * (values.pinch_off_v + values.beyond_v)
    leak_v = 3e-9 * values.release_ohm + 1e-3  # two junctions of 1 nA
    assert abs(found.node_voltages_v["ctl"] - rest_v) < leak_v
    rest = Rig(unit).rest
    assert rest is not None and abs(rest.above_pinch_off_v + values.beyond_v) < leak_v + 6e-3  # from 25 to 26.85 C
    assert not (rest.conducts and loop.rests_closed)


def passes_small_signals(loop: Loop) -> None:
    """A divider that is open, or next to it, in front of the amplifier and its load."""
    found = attempted(lambda: fetsim.measure_response(loop.unit, reductions_db=(0.0, 6.0), levels_dbu=()))
    if found is not None and loop.rests_closed:
        (first, *_) = found.responses
        gain_db = float(np.interp(1e3, first.frequency_hz, first.gain_db))
        assert abs(gain_db - 20.0 * np.log10(loop.values.gain * 10e3 / 10.1e3)) < 0.3  # the rectifier loads the output


def compresses(loop: Loop) -> None:
    """From its threshold on, by more at every level, the control moving its own way."""
    levels = loop.threshold_dbu + np.array([-20.0, -10.0, 0.0, 10.0, 16.0])
    found = attempted(lambda: fetsim.measure_curve(loop.unit, levels_dbu=levels, quality="draft"))
    if found is None:
        return
    (one,) = found.curves
    assert found.compared == 0 and one.switches == ""
    assert np.all(np.diff(loop.structure.sign * one.control_v) > -1e-3)
    assert one.cell_reduction_db[-1] > max(one.cell_reduction_db[0], 0.0) + 1.0
    if loop.rests_closed:
        assert abs(one.cell_reduction_db[0]) < 0.05
        assert one.curve.threshold_half_db_dbu is not None
        assert abs(one.curve.threshold_half_db_dbu - loop.threshold_dbu) < 8.0


def is_timed(loop: Loop) -> None:
    levels = {"before_dbu": loop.threshold_dbu - 15.0, "level_dbu": loop.threshold_dbu + 12.0}
    found = attempted(lambda: fetsim.measure_timing(loop.unit, phases=1, quality="draft", **levels))
    if found is None:
        return
    (one,) = found.settings
    attack, release = one.attack.spreads["t63_s"], one.release.spreads["t63_s"]
    assert one.attack.kind == "attack" and one.release.kind == "release"
    for spread in (attack, release):
        assert (spread.at_zero is None) == (spread.reason is not None)
    slow = loop.values.release_ohm > 30.0 * loop.values.attack_ohm
    if attack.at_zero is not None and release.at_zero is not None and slow:
        assert attack.at_zero < release.at_zero


def is_explained(loop: Loop) -> None:
    """By the nodes and parts that it has, in the direction that its detector works."""
    found = attempted(
        lambda: fetsim.measure_explain(
            loop.unit, level_dbu=loop.threshold_dbu + 12.0, burst_s=0.03, tail_s=0.2, quality="draft"
        )
    )
    if found is None:
        return
    figures, rows = found.figures, told(found)
    assert found.points.tap.plus == "po" and found.points.control.plus == "ctl"
    assert {one.name for one in found.points.rectifier} == set(loop.structure.driven)
    assert figures.control_direction == loop.structure.sign and not figures.sidechain_off
    assert figures.control.moves and figures.reduces
    assert loop.structure.sign * (figures.control.settled_v - figures.control.rest_v) > 0.0
    words = " ".join(row.sentence for row in rows.values())
    assert not any(word in words for word in (*OTHER_WAY[loop.structure.sign], "nan", "None", "inf "))
    assert rows["tap"].where == "po" and rows["channel"].where == "J1"


def is_played(loop: Loop) -> None:
    """A burst; the log has the control furthest on its way to more gain reduction, of every step in its rows."""
    t = np.arange(RATE_HZ // 5) / RATE_HZ
    level_dbu = np.where(t < 0.1, loop.threshold_dbu + 12.0, loop.threshold_dbu - 20.0)
    peak = 10.0 ** ((level_dbu - loop.unit.full_scale_dbu) / 20.0)
    try:
        made = fetsim.render(
            peak * np.sin(2 * np.pi * 700 * t), RATE_HZ, unit=loop.unit, probes=["ctl"], quality="draft",
            log_rate_hz=50.0,
        )  # fmt: skip
    except FetsimError as error:
        assert len(str(error).splitlines()) == 1
        return
    (log,) = made.logs
    assert all(np.all(np.isfinite(x)) for x in (made.output, log.control_extreme_v, log.gain_reduction_max_db))
    assert np.all(log.gain_reduction_max_db >= log.gain_reduction_mean_db - 1e-9)
    sign = loop.structure.sign
    assert np.all(sign * (log.control_extreme_v - log.control_mean_v) > -1e-9)
    probed = np.asarray(made.probes["ctl"]).reshape(-1, RATE_HZ // 50)
    # at the file's rate a sudden rise lies between samples, its filter rings, and most where the file ends
    reached = (np.max(sign * probed, axis=1) - sign * log.control_extreme_v)[:-1]
    assert np.max(np.abs(reached)) < 0.05 * np.ptp(probed) + 1e-3


def has_figures(loop: Loop) -> None:
    """Whatever else the report asks for."""
    attempted(lambda: fetsim.measure_levels(loop.unit, quality="draft"))
    attempted(lambda: fetsim.measure_noise(loop.unit, reductions_db=(0.0, 6.0), largest=False))
    attempted(lambda: fetsim.measure_drift(loop.unit, temperatures_c=[15.0, 45.0], quality="draft"))
    attempted(lambda: fetsim.measure_needle(loop.unit, burst_s=0.1, tail_s=0.1, when_s=0.15, quality="draft"))
    level_dbu = loop.threshold_dbu + 6.0
    quick = {"two_tones": False, "with_noise": False, "quality": "draft"}
    attempted(lambda: fetsim.measure_distortion(loop.unit, levels_dbu=[level_dbu], **quick))


PROPERTIES = (rests, passes_small_signals, compresses, is_timed, is_explained, is_played, has_figures)
