"""Faults as values of changes: their grammar, what they save as, and what they do to a circuit by hand calculation."""

from itertools import combinations
from pathlib import Path

import pytest

from fetsim import InputError, UnitError, faults_of, load_unit
from fetsim.engine.circuit import GROUND
from fetsim.rig.rig import Rig
from fetsim.schematic.fault_rates import library_rates
from fetsim.schematic.fault_words import FAULT_WORDS, parse_defects
from fetsim.schematic.faults import FAILURES, class_of
from fetsim.schematic.schema import PARTS
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import fault_places


def a_unit(folder: Path, parts: str) -> Unit:
    """A unit of these parts between an input at ``i`` and an output at ``o``."""
    path = folder / "small.toml"
    path.write_text(f"""name = "small"
[stages.all]
[stages.all.parts]
IN = {{ kind = "input", nodes = ["i", "0"], source_resistance = "1m" }}
OUT = {{ kind = "output", nodes = ["o", "0"], load = "1G" }}
{parts}
""")
    return load_unit(path)


def volts(unit: Unit, node: str) -> float:
    rig = Rig(unit)
    return float(rig.bias[rig.system.index[node]])


DIVIDER = """R1 = { kind = "resistor", value = "10k", nodes = ["i", "o"] }
V1 = { kind = "supply", voltage = "10V", resistance = "1k", node = "p" }
R2 = { kind = "resistor", value = "9k", nodes = ["p", "o"] }
C1 = { kind = "capacitor", value = "10u", nodes = ["o", "0"], tolerance = "20%" }
"""


@pytest.mark.parametrize(
    ("change", "expected_v"),
    [
        ({"R1": "sound"}, 5.0),
        ({"R1": "open"}, 10.0),
        ({"R1": "short"}, 0.0),
        ({"R1": "drifted:100%"}, 20.0 / 3.0),
        ({"R1": "dry:10k"}, 20.0 / 3.0),
        ({"C1": "leaky:5k"}, 2.5),
        ({"C1": "short"}, 0.0),
        ({"C1": "open"}, 5.0),
        ({"C1": "lossy:10+leaky:4.99k"}, 2.5),
        ({"V1": "weak:50%"}, 2.5),
        ({"V1": "dead"}, 0.0),
        ({"p-o": "bridge:9k"}, 10.0 * 10.0 / 15.5),
    ],
)
def test_a_fault_does_what_ohms_law_says(tmp_path: Path, change: dict[str, str], expected_v: float) -> None:
    assert volts(a_unit(tmp_path, DIVIDER).changed(change), "o") == pytest.approx(expected_v, abs=2e-4)


def test_what_is_ready_for_faults_differs_by_a_hundred_thousandth(tmp_path: Path) -> None:
    unit = a_unit(tmp_path, DIVIDER)
    faulty = unit.changed({"C1": "lossy:10+leaky:5k"})
    ready = Unit.of(unit).ready_for(fault_places(faulty))
    assert Rig(ready).circuit.topology == Rig(faulty).circuit.topology
    assert volts(ready, "o") == pytest.approx(5.0, rel=1e-5)
    assert volts(ready.changed({"C1": "lossy:10+leaky:5k"}), "o") == volts(faulty, "o")


TIED = """R1 = { kind = "resistor", value = "1G", nodes = ["i", "o"] }
V1 = { kind = "supply", voltage = "10V", resistance = "1m", node = "p" }
R2 = { kind = "resistor", value = "50k", nodes = ["p", "o"] }
P1 = { kind = "potentiometer", value = "100k", nodes = { top = "o", wiper = "y", bottom = "y" }, fraction = 0.5 }
R3 = { kind = "resistor", value = "1k", nodes = ["y", "0"] }
"""


@pytest.mark.parametrize(
    ("fault", "below_ohm"),
    [
        ("open:wiper", 101e3),  # the whole track
        ("dirty:50k", 76e3),  # 50 kohm of dirt beside the lower half
        ("open:top", 1e12),
        ("open:bottom", 51e3),
    ],
)
def test_a_fault_of_a_wiper_leaves_the_end_that_it_is_tied_to(tmp_path: Path, fault: str, below_ohm: float) -> None:
    """By hand, also where another fault of the pot makes the place ready."""
    unit = a_unit(tmp_path, TIED)
    faulty = unit.changed(P1=fault)
    assert volts(faulty, "o") == pytest.approx(10.0 * below_ohm / (50e3 + below_ohm), rel=2e-4)
    ready = Unit.of(unit).ready_for(fault_places(unit.changed(P1="dirty:1k")))
    assert Rig(ready).circuit.topology == Rig(ready.changed(P1=fault)).circuit.topology
    assert volts(ready.changed(P1=fault), "o") == pytest.approx(volts(faulty, "o"), rel=2e-6)


def test_a_resistance_in_a_lead_of_a_capacitor_is_in_series_with_its_own(tmp_path: Path) -> None:
    """By hand: 10 kohm against 100 ohm of ESR and 900 ohm of loss, so far up that 1 mF is a short."""
    unit = a_unit(tmp_path, """R1 = { kind = "resistor", value = "10k", nodes = ["i", "o"] }
C1 = { kind = "capacitor", value = "1000u", nodes = ["o", "0"], esr = "100" }
""").changed(C1="lossy:900")  # fmt: skip
    rig = Rig(unit)
    gain = float(abs(rig.linear.solve(10e3, rig.linear.driven_by())[rig.system.index["o"]]))
    assert gain == pytest.approx(1.0 / 11.0, rel=1e-4)


@pytest.mark.parametrize(
    "keys",
    [
        'leakage_resistance = "1M"',
        'leakage_current = "10u", voltage_rating = "10V"',
        'leakage_time_constant = "1", esr = "100"',
    ],
)
def test_an_open_capacitor_leaks_no_more(tmp_path: Path, keys: str) -> None:
    """By hand: 1 Mohm of leakage under 1 Mohm from 10 V."""
    unit = a_unit(tmp_path, """R1 = { kind = "resistor", value = "1G", nodes = ["i", "0"] }
V1 = { kind = "supply", voltage = "10V", resistance = "1m", node = "p" }
R2 = { kind = "resistor", value = "1M", nodes = ["p", "o"] }
C1 = { kind = "capacitor", value = "1u", nodes = ["o", "0"], KEYS }
""".replace("KEYS", keys))  # fmt: skip
    assert volts(unit, "o") == pytest.approx(5.0, rel=1e-3)
    assert volts(unit.changed(C1="open"), "o") == pytest.approx(10.0, rel=2e-3)  # 1 Gohm at the output


TRANSISTOR = """R1 = { kind = "resistor", value = "1M", nodes = ["i", "o"] }
V1 = { kind = "supply", voltage = "10V", resistance = "1m", node = "p" }
RB = { kind = "resistor", value = "100k", nodes = ["p", "b"] }
RC = { kind = "resistor", value = "1k", nodes = ["p", "o"] }
RE = { kind = "resistor", value = "100", nodes = ["e", "0"] }
Q1 = { kind = "bjt", device = "dunlin-npn", nodes = { collector = "o", base = "b", emitter = "e" } }
"""


@pytest.mark.parametrize(
    ("fault", "node", "low_v", "high_v"),
    [
        ("open:base", "o", 9.98, 10.0),  # cut off: the collector at the rail
        ("open:base", "e", 0.0, 1e-6),
        ("open:collector", "b", 0.4, 0.75),  # a diode from base to emitter
        ("open:collector", "o", 9.98, 10.0),
        ("open:emitter", "b", 9.99, 10.0),  # the other diode, and both ends of it at the rail
        ("short:ce", "o", 0.89, 0.92),  # 10 V over 1 kohm and 100 ohm
        ("short:be", "e", 0.0, 0.011),  # the base's 100 uA through 100 ohm
        ("dry:emitter:10k", "e", 0.0, 0.1),  # next to no current left
    ],
)
def test_what_is_left_of_a_transistor(tmp_path: Path, fault: str, node: str, low_v: float, high_v: float) -> None:
    assert low_v <= volts(a_unit(tmp_path, TRANSISTOR).changed(Q1=fault), node) <= high_v


def test_a_reversed_diode_is_the_diode_the_other_way_round(tmp_path: Path) -> None:
    parts = DIVIDER + 'D1 = { kind = "diode", device = "dunlin-diode", nodes = { anode = "0", cathode = "o" } }\n'
    forwards = parts.replace('anode = "0", cathode = "o"', 'anode = "o", cathode = "0"')
    turned = a_unit(tmp_path, parts).changed(D1="reversed")
    assert volts(turned, "o") == pytest.approx(volts(a_unit(tmp_path, forwards), "o"), abs=1e-6)


PAIR = """R1 = { kind = "resistor", value = "1G", nodes = ["i", "o"] }
V1 = { kind = "supply", voltage = "10V", resistance = "1m", node = "p" }
R2 = { kind = "resistor", value = "10k", nodes = ["p", "o"] }
R3 = { kind = "resistor", value = "10k", nodes = ["o", "x"] }
D1 = { kind = "diode", device = "dunlin-diode", nodes = { anode = "0", cathode = "x" } }
C1 = { kind = "capacitor", value = "10u", nodes = ["x", "0"], leakage_resistance = "1M" }
Q1 = { kind = "bjt", device = "dunlin-npn", nodes = { collector = "x", base = "b", emitter = "0" } }
RB = { kind = "resistor", value = "1M", nodes = ["p", "b"] }
P1 = { kind = "potentiometer", value = "10k", nodes = { top = "p", wiper = "w", bottom = "0" }, fraction = 0.5 }
RW = { kind = "resistor", value = "1G", nodes = ["w", "0"] }
S1 = { kind = "switch", bank = "SA", poles = [["p", "y"]] }
RY = { kind = "resistor", value = "1k", nodes = ["y", "0"] }
[switches]
SA = { closed = [] }
"""


def test_faults_of_one_part_do_not_hang_on_how_they_are_written(tmp_path: Path) -> None:
    """Of every kind that is a part here, all pairs that do not exclude each other."""
    unit = a_unit(tmp_path, PAIR)
    tried = 0
    for name in ("R3", "D1", "C1", "Q1", "P1", "S1", "V1"):
        kind = unit.parts[name].kind
        written = [f"{one.word}:{place}" for one in FAULT_WORDS[kind] for place in one.places]
        written += [one.word for one in FAULT_WORDS[kind] if not one.places]
        for one, other in combinations(written, 2):
            try:
                parse_defects(f"{one}+{other}", kind)
            except InputError:
                continue
            made = [Rig(unit.changed({name: text})).circuit.elements for text in (f"{one}+{other}", f"{other}+{one}")]
            assert made[0] == made[1], (name, one, other)
            tried += 1
    assert tried > 100


@pytest.mark.parametrize(
    ("change", "node", "expected_v"),
    [
        ({"D1": "reversed+open", "Q1": "open:base"}, "x", 10.0 * 1e6 / 1.02e6),  # the capacitor's leakage alone
        ({"R3": "drifted:100%+dry:10k+short", "D1": "short"}, "o", 5.0),
        ({"C1": "reversed+open", "D1": "open", "Q1": "open:base"}, "x", 10.0),
        ({"Q1": "open:collector+open:emitter"}, "b", 10.0),
        ({"S1": "dirty:1k+stuck:closed"}, "y", 5.0),
        ({"P1": "drifted:30%+open:bottom"}, "w", 10.0),
    ],
)
def test_several_faults_of_one_part_do_what_ohms_law_says(
    tmp_path: Path, change: dict[str, str], node: str, expected_v: float
) -> None:
    found = volts(a_unit(tmp_path, PAIR).changed(change), node)
    assert found == pytest.approx(expected_v, rel=1e-3, abs=1e-3)


def test_shorted_turns_load_the_source_by_their_resistance(tmp_path: Path) -> None:
    """1 % of the turns with 1 % of 40 ohm, seen from the primary: 0.4 ohm / 0.01^2 = 4 kohm behind 40 ohm."""
    unit = a_unit(tmp_path, """T1 = { kind = "transformer", nodes = { primary = ["i", "0"], secondary = ["o", "0"] },
      ratio = 2.5, primary_resistance = "40", leakage = "1uH", magnetising = "1000H", saturation_flux = "1",
      secondary_resistance = "1", winding_capacitance = "1p" }
""".replace("\n      ", " "))  # fmt: skip

    def gain(one: Unit) -> float:
        rig = Rig(one)
        return float(abs(rig.linear.solve(1000.0, rig.linear.driven_by())[rig.system.index["o"]]))

    assert gain(unit) == pytest.approx(1.0 / 2.5, rel=1e-3)
    assert gain(unit.changed(T1="shorted:1%")) == pytest.approx(4000.0 / 4040.0 / 2.5, rel=1e-3)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"C16": "leeky:10M"}, "did you mean leaky?"),
        ({"C16": "leaky:10x"}, "is not an amount in ohm"),
        ({"C16": "leaky:1M:2"}, "write it as leaky:OHM"),
        ({"C16": "leaky:1M+leaky"}, "says one fault twice"),
        ({"Q1": "short:xx"}, "choices: be, bc, ce"),
        ({"IN": "open"}, "it is what is plugged in"),
        ({"S1": "open"}, "stuck:open/closed"),
        ({"C16": "open+short"}, "open and short exclude each other"),
        ({"R1": "short+dry:1k+open"}, "short and open exclude each other"),
        ({"S1": "stuck:closed+stuck:open"}, "stuck:closed and stuck:open exclude each other"),
        ({"R1": "drifted:-200%"}, "-99.9 %"),
        ({"q1b-q9z": "bridge:100"}, "there is no node 'q9z'"),
        ({"q1b-q1c": "100"}, "write bridge:100"),
        ({"q1b-q1c": "bridge:-1"}, "bridges"),
    ],
)
def test_what_is_no_fault_is_told_in_one_line(change: dict[str, str], told: str) -> None:
    with pytest.raises(UnitError, match=r".") as caught:
        load_unit("dunlin").changed(change)
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)


def test_dead_mains_leave_no_volts() -> None:
    dead = load_unit("dunlin-mains").changed(V90="dead+weak:15%")
    assert volts(dead, "vr") == pytest.approx(0.0, abs=1e-6)  # 37.6 V else


def test_faults_are_saved_whole_and_as_changes_and_taken_away(tmp_path: Path) -> None:
    unit = load_unit("dunlin").changed({"C16": "leaky:10M", "S1": "stuck:open", "q1b-q1c": "bridge:100"})
    for based in (False, True):
        again = load_unit(unit.save(tmp_path / f"{based}.toml", based=based))
        assert {name for name, *_ in unit.differences(again)} <= {"name"}
        sound = again.changed({"C16": "sound", "S1": "sound", "q1b-q1c": "sound"})
        assert {name for name, *_ in load_unit("dunlin").differences(sound)} <= {"name"}


def test_the_faults_of_a_channel_go_with_it() -> None:
    pair = load_unit("dunlin-pair").changed({"C16": "leaky:1M", "left_q1b-0": "bridge:2k"})
    left, right = pair.alone("left"), pair.alone("right")
    assert left.parts["C16"].fault == right.parts["C16"].fault == "leaky:1M"
    assert left.bridges == {"q1b-0": ("q1b", GROUND, 2e3)}
    assert not right.bridges


def test_every_kind_has_its_words_its_faults_and_their_rates() -> None:
    assert set(FAULT_WORDS) == set(PARTS)
    for name, tried in FAILURES.items():
        for defect in tried:
            assert defect.word in library_rates()[name], (name, defect)
    for words in FAULT_WORDS.values():
        for one in words:
            kind = next(kind for kind in FAULT_WORDS if FAULT_WORDS[kind] is words)
            assert parse_defects(one.example, kind)[0].word == one.word


@pytest.mark.parametrize("name", ["dunlin", "greenshank", "dunlin-mains", "teaching", "dunlin-pair"])
def test_every_fault_of_the_list_is_one_that_the_unit_takes(name: str) -> None:
    unit = load_unit(name)
    found = faults_of(unit, mistakes=True)
    assert len({one.name for one in found}) == len(found)
    for one in found[:: max(1, len(found) // 60)]:
        assert unit.changed(one.changes).changes, one
    rates = {kind: sum(one.rate for one in faults_of(unit) if class_of(unit.parts[one.part]) == kind)
             for kind in ("electrolytic", "bjt")}  # fmt: skip
    for kind, rate in rates.items():
        count = sum(class_of(part) == kind for part in unit.parts.values())
        assert rate == pytest.approx(count * library_rates()[kind]["each"])
