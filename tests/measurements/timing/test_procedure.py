"""Attack and release of the Dunlin and the teaching loop on bursts."""

import json

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import expit

from fetsim.errors import ConvergenceError, InputError
from fetsim.measurements.bench.bench import Bench, tone
from fetsim.measurements.bench.bursts import play_step, steady_level
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.timing.analysis import step_timing
from fetsim.measurements.timing.procedure import measure_timing
from fetsim.report.look.terminal import account_text
from fetsim.schematic.load import load_unit
from tests.measurements.units import PLAIN_IRON, with_an_oscillator
from tests.reference import fet_loop, parts, periodic
from tests.reference.excitation import ZERO_DBU_V
from tests.reference.stored import DATA

DUNLIN = load_unit("dunlin")
TEACHING = load_unit("teaching")
SILENCE = -np.inf
ATTACKS = json.loads((DATA / "dunlin_figures.json").read_text())["attack"]  # of its hand-written equations


def attack_from_control_s(switches, fraction, level_dbu, end_s, before=None):
    """20 lg(1 + 2 beta R2 (ctl - V_P)), read off the control: first time past 63 % of its value after ``end_s`` of a
    5 kHz tone about 10 dB over the threshold, out of silence or of 2 ms about at the threshold."""
    bench = Bench(PLAIN_IRON.changed({"curve": switches, "P3.fraction": fraction, "P4.fraction": 0.3}))
    run = bench.run(["ctl"])
    if before is not None:
        run.play(tone(before, 5000.0, 2e-3, bench.rate_hz))
    control = run.play(tone(level_dbu, 5000.0, end_s, bench.rate_hz)).nodes["ctl"]
    reduction_db = 20.0 * np.log10(1.0 + 2.0 * 15e-3 / 4.5**2 * 4700.0 * np.maximum(control + 4.5, 0.0))
    timing = step_timing(
        -reduction_db, rate_hz=bench.rate_hz, step_s=0.0, gain_before_db=0.0, gain_after_db=-reduction_db[-1]
    )
    return timing.t63_s


@pytest.mark.parametrize("switches", ATTACKS)
def test_attack_against_the_hand_written_equations(switches):
    """A step of this bench is 3.5 us, one of the equations' march 10 us."""
    expected = ATTACKS[switches]
    before_dbu, level_dbu = expected["levels_dbu"]
    fastest = attack_from_control_s(switches, 0.0, level_dbu, 4e-3, before_dbu)
    slowest = attack_from_control_s(switches, 1.0, level_dbu, 24e-3)
    assert fastest == pytest.approx(expected["fastest_s"], abs=7e-6)
    assert slowest == pytest.approx(expected["slowest_s"], rel=0.01)


@pytest.fixture(scope="module")
def grid():
    return measure_timing(
        DUNLIN, before_dbu=-20.0, level_dbu=0.0, vary={"P3.fraction": [0.0, 1.0], "P4.fraction": [0.0, "0.1"]}, phases=4
    )


def test_a_grid_measures_every_combination(grid):
    settings = [dict(one.setting) for one in grid.settings]
    assert settings == [
        {"P3.fraction": a, "P4.fraction": r} for a in ("0.0", "1.0") for r in ("0.0", "0.1")
    ]
    for one in grid.settings:
        assert one.attack.kind == "attack" and one.release.kind == "release"
        assert one.attack.reduction_before_db == pytest.approx(0.0, abs=0.01)
        assert one.attack.reduction_after_db == pytest.approx(one.release.reduction_before_db, abs=1e-3)


def test_attack_and_release_follow_their_controls(grid):
    attack = [one.attack.spreads["t63_s"].at_zero for one in grid.settings]
    release = [one.release.spreads["t63_s"].at_zero for one in grid.settings]
    assert attack[2] / attack[0] > 15.0 and attack[3] / attack[1] > 15.0  # 47k against 150 ohm
    assert release[0] == pytest.approx(release[2], rel=0.06)
    # 470k against 1.15M, and the linearising capacitor, which the slower release has time to discharge as well
    assert 1150.0 / 470.0 < release[1] / release[0] < 1.31 * 1150.0 / 470.0


def test_every_definition_in_order(grid):
    for one in grid.settings:
        for spreads in (one.attack.spreads, one.release.spreads):
            times = [spreads[name].at_zero for name in ("t63_s", "within_2db_s", "t90_s")]
            assert times == sorted(times)
        assert one.attack.spreads["within_3db_s"].at_zero < one.attack.spreads["within_2db_s"].at_zero
        assert one.release.spreads["within_4db_s"].at_zero < one.release.spreads["within_2db_s"].at_zero
        assert one.attack.spreads["within_4db_s"].at_zero is None
        assert one.attack.spreads["within_4db_s"].reason.cause == "not defined"


def test_a_fast_attack_depends_on_the_phase(grid):
    """The fastest setting is done within a quarter of the cycle; the slowest one averages over many."""
    fast, slow = grid.settings[0].attack, grid.settings[3].attack
    assert fast.phases_deg == pytest.approx((0.0, 90.0, 180.0, 270.0), abs=5.0)
    ratio = [a.spreads["t63_s"].most / a.spreads["t63_s"].least for a in (fast, slow)]
    assert ratio[0] > 1.5 and ratio[1] < 1.1
    assert np.all(fast.reduction_least_db <= fast.reduction_most_db)


@pytest.mark.parametrize("release_ohm", [470e3, 1.15e6])
def test_release_of_a_capacitor_into_a_resistor(release_ohm):
    """Below the threshold the loop is open and the control falls as exp(-t/RC) to the idle bias (textbook).

    Without R4 and C1: as built, C1 hangs on the control through R3 and makes the release up to 31 % slower.
    """
    unit = DUNLIN.changed({"R4": "1000M", "C1": "1p", "P4.fraction": (release_ohm - 470e3) / 6.8e6})
    (found,) = measure_timing(unit, before_dbu=SILENCE, level_dbu=0.0, phases=1).settings
    bench = Bench(unit)
    idle_v = -4.5 - bench.bias[bench.system.index["ctl"]]  # under pinch-off
    per_volt = 2.0 * 15e-3 / 4.5**2 * abs(bench.gain_cell.impedance_ohm)
    k_v = 2.0 * 0.02585  # of the channel's tail

    def loss(above_v):
        return 1.0 + per_volt * k_v * np.logaddexp(0.0, above_v / k_v) * expit(above_v / k_v)

    reduction_db = found.release.reduction_before_db
    start, at_63 = (
        brentq(lambda v, db=share * reduction_db: loss(v) - 10.0 ** (db / 20.0) * loss(-idle_v), -1.0, 5.0)
        for share in (1.0, np.exp(-1.0))
    )
    expected = release_ohm * 0.15e-6 * np.log((start + idle_v) / (at_63 + idle_v))
    assert found.release.spreads["t63_s"].at_zero == pytest.approx(expected, rel=0.02)


def test_read_off_the_output_as_hardware_would_be():
    """Output's envelope against the FET's channel: two ways, one answer."""
    unit = DUNLIN.changed({"P3.fraction": 1.0, "P4.fraction": 0.0})
    cell, output = (
        measure_timing(unit, before_dbu=-14.0, level_dbu=0.0, phases=2, read_off=read_off).settings[0]
        for read_off in ("fet", "output")
    )
    for figure in ("t63_s", "t90_s", "within_2db_s"):
        # the window is a quarter of a cycle, and the channel ripples twice a cycle: 50 and 100 us
        assert output.attack.spreads[figure].at_zero == pytest.approx(cell.attack.spreads[figure].at_zero, abs=150e-6)
        assert output.release.spreads[figure].at_zero == pytest.approx(cell.release.spreads[figure].at_zero, rel=0.005)
    time_s = 4.2e-3 + np.arange(8) * 25e-6  # a whole cycle, in which the rise is 0.05 dB
    seen_db = [np.mean(np.interp(time_s, one.attack.time_s, one.attack.reduction_db)) for one in (cell, output)]
    assert seen_db[1] == pytest.approx(seen_db[0], abs=0.01)


@pytest.mark.slow
def test_default_levels_stand_around_the_threshold():
    """0.5 dB, mean over the cycle of 20 lg(1 + R i_D / v_D), in the hand-written loop's steady state at 5 kHz."""
    (one,) = measure_timing(TEACHING, phases=1).settings
    circuit, start, levels, reduction_db = fet_loop.circuit(), None, np.arange(-19.25, -18.4, 0.25), []
    drain, gate = (circuit.names.index(name) for name in ("dr", "g"))
    for level_dbu in levels:
        peak = np.sqrt(2.0) * ZERO_DBU_V * 10.0 ** (level_dbu / 20.0)
        period = periodic.steady_state(circuit, lambda t, v=peak: v * np.sin(1e4 * np.pi * t), 5e3, 48, start)
        start = period[0]
        conductance_s = [
            parts.jfet_currents(row[gate], row[gate] - row[drain])[0][0] / row[drain]
            for row in period[1:]
            if abs(row[drain]) > 1e-3
        ]
        reduction_db.append(np.mean(20.0 * np.log10(1.0 + 4750.0 * np.array(conductance_s))))
    threshold_dbu = np.interp(0.5, reduction_db, levels)
    assert one.level_dbu - one.before_dbu == pytest.approx(20.0)
    assert one.before_dbu == pytest.approx(threshold_dbu - 10.0, abs=0.05)


def test_gain_that_ripples_is_averaged_and_says_so():
    """The teaching loop's FET is not linearised: its gain swings with the drain, so less than a cycle is not told."""
    (one,) = measure_timing(TEACHING, phases=1).settings
    assert one.attack.averaged and one.attack.resolution_s == pytest.approx(1.0 / 5000.0)
    assert one.attack.spreads["t63_s"].at_zero is None
    assert one.attack.spreads["t63_s"].reason == Missing(
        cause="too coarse",
        text="faster than the 0.0002 s that the trace resolves; take a higher test frequency or a finer quality",
    )
    assert one.release.spreads["t63_s"].at_zero > 0.02


def test_no_gain_reduction_at_all():
    unit = DUNLIN.changed(curve="none")
    (one,) = measure_timing(unit, before_dbu=-20.0, level_dbu=-10.0, phases=1).settings
    assert one.attack.kind == "none"
    assert "no gain reduction to time" in one.attack.spreads["t63_s"].reason.text
    assert all(spread.at_zero is None for spread in one.attack.spreads.values())


def test_levels_below_the_threshold():
    (one,) = measure_timing(DUNLIN, before_dbu=-40.0, level_dbu=-15.0, phases=1).settings
    assert one.attack.kind == one.release.kind == "none"


def test_a_step_too_small_for_a_definition():
    """2 dB up gives 1.5 dB of gain reduction: within 2 or 3 dB of the end from the start, so no time is told."""
    (one,) = measure_timing(TEACHING, before_dbu=-12.0, level_dbu=-10.0, phases=1, frequency_hz=1000.0).settings
    for figure in ("within_2db_s", "within_3db_s"):
        assert one.attack.spreads[figure].at_zero is None
        assert "take a larger step" in one.attack.spreads[figure].reason.text


def test_phases_of_a_step():
    """The tone goes on unbroken: after the step it is the tone at the new level, as if it had always been there."""
    bench = Bench(TEACHING)
    before, after = (steady_level(bench, level, 1000.0) for level in (-30.0, -10.0))
    step = play_step(before, after, 1000.0, 0.25)
    assert step.phase_deg == pytest.approx(90.0)
    place = round(step.step_s * step.rate_hz)
    time = np.arange(step.emf_v.size) + 1.0
    angle = 2.0 * np.pi * 1000.0 / step.rate_hz * time
    for part, level in ((slice(0, place + 1), -30.0), (slice(place + 1, None), -10.0)):
        np.testing.assert_allclose(step.emf_v[part], np.sqrt(1.2) * 10 ** (level / 20) * np.sin(angle[part]), atol=1e-9)


def test_result_for_json(grid):
    plain = grid.to_dict()
    assert plain["settings"][0]["setting"] == {"P3.fraction": "0.0", "P4.fraction": "0.0"}
    assert plain["settings"][0]["attack"]["spreads"]["t63_s"]["at_zero"] > 0.0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"before_dbu": 0.0, "level_dbu": -10.0}, "the level must rise"),
        ({"phases": 0}, "phases: give a number from 1 to 360"),
        ({"read_off": "meter"}, "read_off: unknown place 'meter'; choose from fet, output"),
        ({"read_off": "output", "before_dbu": SILENCE}, "out of silence there is no output"),
        ({"vary": {"attack": []}}, "vary: attack has no values"),
    ],
)
def test_mistakes(arguments, message):
    with pytest.raises(InputError, match=message):
        measure_timing(DUNLIN, **arguments)


def test_without_a_threshold_levels_must_be_given():
    unit = TEACHING.changed({"A1.gain": 0.01, "V1.voltage": "-95V", "V2.voltage": "-90V"})  # a gate that nothing opens
    with pytest.raises(InputError, match=r"does not reach 0.5 dB .* give the levels before and after"):
        measure_timing(unit)


@pytest.mark.slow
def test_a_setting_that_never_settles_is_named_and_left_out(tmp_path):
    """S1 closes the loop of an oscillator; S2 does nothing."""
    unit = load_unit(with_an_oscillator(tmp_path))
    steps = {"before_dbu": -40.0, "level_dbu": -5.0, "phases": 1, "quality": "draft"}
    found = measure_timing(unit, vary={"extra": ["S1", "S2"]}, **steps)
    assert [one.setting for one in found.settings] == [{"extra": "S2"}]
    assert list(found.left_out) == ["extra=S1"] and "no steady state" in found.left_out["extra=S1"]
    assert "Left out: extra=S1: unstable at rest" in " ".join(account_text(found.account()).split())
    with pytest.raises(ConvergenceError, match=r"extra=S1: unstable at rest.* at -40 dBu: no steady state"):
        measure_timing(unit, vary={"extra": ["S1"]}, **steps)
    found = measure_timing(unit, vary={"extra": ["S1", "S2"]}, phases=1, quality="draft")  # threshold looked for
    assert [one.setting for one in found.settings] == [{"extra": "S2"}] and list(found.left_out) == ["extra=S1"]


def test_a_wrong_value_in_the_grid_is_named_with_its_setting():
    with pytest.raises(InputError, match=r"vary: R3=1k, R4=1x: .*R4"):
        measure_timing(TEACHING, vary={"R3": ["1k"], "R4": ["470k", "1x"]}, quality="draft")
