"""The elements of a part with faults: other values where a value serves, further elements where none does.

Open, shorted, drifted, weak and stuck are values: a resistor of 1e12 ohm, a capacitor of 1e-18 F, a junction that
carries nothing. What needs an element of its own is, by the name of that element (a place of the part),

* ``Q1.across_base_emitter``: a resistance between two terminals. Without a fault it is 1e12 ohm;
* ``C4.lead_a``: a resistance in a lead, behind a node ``C4.a`` of its own. Without a fault it is 50 mohm, 1 kohm in
  front of a gate;
* ``Q1.diode_base_emitter``: a junction, what is left of a transistor whose other one is open. Without a fault it
  conducts 1e-16 S;
* ``R1.hiss_a_b``: excess noise across a resistor, as that of 1e12 ohm beside it;
* ``D1.turned``: the diode itself the other way round, in place of the one that is dead then.

A unit may have such elements without a fault (``UnitData.ready``), so that all its single faults are one topology and
march side by side. What they then do to the sound one: a voltage divider of 1e12 ohm against the largest impedance in
the unit (10 Mohm: 1e-5 of it), 50 mohm in series with electrolytics and wipers, as a good one's ESR is of that size or
above. Errors of the values: open is
1e12 ohm and shorted 10 mohm, so that 10 Mohm beside one or 10 ohm beside the other leave 1e-5 and 1e-3. A dead
transistor keeps its junction capacitances (picofarads), and a FET whose drain or source is open the junctions of its
gate at both ends, which conduct only where the gate is driven over what the open end is wired to.

Several faults of one part act in the order of ``ORDER``, however they are written: first what its values are, then how
it stands and what lies beside it, then what is open, and what is in series with all that last. So what is open is so
whichever way round it stands and whatever an earlier fault has left of it, while leaks and shorts go on, since they lie
between leads, beside what is open; and a dry joint or dirt is in series with a short. What excludes each other is
refused (``fault_words``).

Models of what is more than a value (own choice, estimates where no source is named):

* dried out electrolytic: capacitance down by the share d, ESR up from that of tan delta = 0.15 at 120 Hz (common
  practice, no source) as 1 / (1 - d)^2;
* reversed electrolytic: a junction of 1 mA at 1.5 V and a decade for each 0.5 V, in either direction, since only the
  direct voltage at it tells which way round it stands (the oxide of the cathode foil stands 1 to 1.5 V: common
  practice, no source). What bursts is not modelled;
* shorted turns: a share s of the primary's turns with its share of the primary's resistance R, which the core reflects
  as R / s in parallel with the magnetising inductance; leakage between them and the rest is left out;
* open base, emitter or collector: what is left is a junction. With the collector open, the transport current that
  cannot leave it turns round, which makes I_S (1 / beta_F + 1 / (1 + beta_R)); with the emitter open the reverse.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from itertools import pairwise
from math import pi, sqrt

from fetsim.devices.kinds import KINDS
from fetsim.devices.resistor import excess_per_volt
from fetsim.engine.circuit import Element
from fetsim.schematic.fault_work import (
    DEAD_SHARE,
    LOSS_HZ,
    LOSS_TANGENT,
    NO_FARAD,
    NO_LEAK_OHM,
    NOISE_HZ,
    OPEN_OHM,
    REVERSED,
    SHORT_OHM,
    STUCK_V,
    TERMINALS,
    Work,
)
from fetsim.schematic.model import Defect, Part

ORDER = (
    "drifted", "weak", "dried", "reversed", "shorted", "short", "leaky", "stuck", "dead", "open", "lossy", "dry",
    "dirty", "noisy",
)  # fmt: skip
"""In which several faults of one part act; see above."""


def with_faults(part: Part, build: Callable[[Part], list[Element]], ready: Iterable[str]) -> list[Element]:
    """The elements of a part, as ``build`` makes them, with what is wrong with it and the places named in ``ready``."""
    own = [place.partition(".")[2] for place in ready if place.partition(".")[0] == part.designator]
    if not part.defects and not own:
        return build(part)
    return _worked(part, build).elements(own)


def places_of(part: Part, build: Callable[[Part], list[Element]]) -> tuple[str, ...]:
    """The elements that its faults add, by name."""
    return tuple(f"{part.designator}.{place}" for place in sorted(_worked(part, build).places))


def _worked(part: Part, build: Callable[[Part], list[Element]]) -> Work:
    work = Work(part, build)
    for defect in sorted(part.defects, key=lambda one: (ORDER.index(one.word), one.place)):
        _EFFECTS[part.kind][defect.word](work, defect)
    return work


def _open_resistance(work: Work, defect: Defect) -> None:
    work.add_ohm(OPEN_OHM)


def _short_resistance(work: Work, defect: Defect) -> None:
    work.put(resistance_ohm=SHORT_OHM)


def _dry_resistance(work: Work, defect: Defect) -> None:
    work.add_ohm(defect.amount)


def _drifted(*keys: str) -> Callable[[Work, Defect], None]:
    def effect(work: Work, defect: Defect) -> None:
        for key in keys:
            work.scale(key, 1.0 + defect.amount)

    return effect


def _noisy_resistance(work: Work, defect: Defect) -> None:
    per_volt = excess_per_volt(work.part.values.get("noise_index", 0.0) + defect.amount)
    terminals = list(work.part.nodes)
    for one, (a, b) in zip(work.made, pairwise(terminals), strict=True):
        ohm = one.values["resistance_ohm"]
        of_piece = per_volt * sqrt(work.part.values["value"] / ohm)  # of pieces in series the squares add up
        work.places[f"hiss_{a}_{b}"] = {
            "resistance_ohm": NO_LEAK_OHM, "excess_per_volt": of_piece * NO_LEAK_OHM / ohm,
        }  # fmt: skip


def _open_capacitor(work: Work, defect: Defect) -> None:
    """Its leakage and absorption go with it, and the junction that it is the wrong way round."""
    work.silence()
    work.scale("capacitance_f", NO_FARAD / work.values["capacitance_f"])
    work.add_ohm(OPEN_OHM)


def _across_ends(ohm: float | None) -> Callable[[Work, Defect], None]:
    def effect(work: Work, defect: Defect) -> None:
        a, b = list(work.part.nodes)[:2]
        work.across(a, b, defect.amount if ohm is None else ohm)

    return effect


def _lossy(work: Work, defect: Defect) -> None:
    work.in_lead(next(iter(work.part.nodes)), defect.amount)


def _dried(work: Work, defect: Defect) -> None:
    left = 1.0 - defect.amount
    esr_ohm = LOSS_TANGENT / (2.0 * pi * LOSS_HZ * work.part.values["value"])
    work.scale("capacitance_f", left)
    work.in_lead("a", esr_ohm / left**2)


def _reversed_capacitor(work: Work, defect: Defect) -> None:
    work.diode("a", "b", **REVERSED)
    work.diode("b", "a", **REVERSED)


def _open_diode(work: Work, defect: Defect) -> None:
    work.silence()


def _reversed_diode(work: Work, defect: Defect) -> None:
    turned = dict(work.values)
    work.silence()
    work.put(capacitance_f=NO_FARAD)
    work.places["turned"] = turned


def _between(ohm: float | None) -> Callable[[Work, Defect], None]:
    def effect(work: Work, defect: Defect) -> None:
        a, b = (TERMINALS[letter] for letter in defect.place)
        work.across(a, b, defect.amount if ohm is None else ohm)

    return effect


def _dry_lead(work: Work, defect: Defect) -> None:
    work.in_lead(defect.place, defect.amount)


def _open_transistor(work: Work, defect: Defect) -> None:
    v = dict(work.values)
    work.silence()
    other = {"emitter": "collector", "collector": "emitter"}.get(defect.place)
    if other is None:
        return
    own, across = (v["reverse_gain"], v["gain"]) if other == "collector" else (v["gain"], v["reverse_gain"])
    ends = ("base", other) if KINDS[work.made[0].kind].polarity == "npn" else (other, "base")
    work.diode(*ends, i_sat_a=v["i_sat_a"] * (1.0 / own + 1.0 / (1.0 + across)), slope_v=v["thermal_v"])


def _weak_transistor(work: Work, defect: Defect) -> None:
    work.scale("gain", 1.0 - defect.amount)


def _noisy_device(work: Work, defect: Defect) -> None:
    work.put(flicker_hz=NOISE_HZ * 10.0 ** (defect.amount / 10.0))


def _open_fet(work: Work, defect: Defect) -> None:
    if defect.place == "gate":
        work.in_lead("gate", OPEN_OHM)
    else:
        work.scale("beta_a_v2", DEAD_SHARE)


def _weak_fet(work: Work, defect: Defect) -> None:
    work.scale("beta_a_v2", 1.0 - defect.amount)


def _stuck_opamp(work: Work, defect: Defect) -> None:
    work.put(offset_v=-STUCK_V if defect.place == "high" else STUCK_V)


def _dead_opamp(work: Work, defect: Defect) -> None:
    work.scale("limit_a", DEAD_SHARE)
    work.scale("idle_a", DEAD_SHARE)


def _noisy_opamp(work: Work, defect: Defect) -> None:
    work.scale("noise_v", 10.0 ** (defect.amount / 20.0))


def _dead_amplifier(work: Work, defect: Defect) -> None:
    work.scale("gain", DEAD_SHARE)


def _dirty_wiper(work: Work, defect: Defect) -> None:
    work.in_lead("wiper", defect.amount)


def _open_track(work: Work, defect: Defect) -> None:
    if defect.place == "wiper":
        work.in_lead("wiper", OPEN_OHM)
    else:
        leg = 0 if defect.place == "top" else 1
        ohm = work.made[leg].values["resistance_ohm"] + OPEN_OHM
        work.made[leg] = replace(work.made[leg], values={**work.made[leg].values, "resistance_ohm": ohm})


def _stuck_switch(work: Work, defect: Defect) -> None:
    ohm = OPEN_OHM if defect.place == "open" else 5.0 * SHORT_OHM
    work.made = [replace(one, values={"resistance_ohm": ohm}) for one in work.made]


def _open_winding(work: Work, defect: Defect) -> None:
    work.put(**{f"{defect.place}_resistance_ohm": OPEN_OHM})


def _shorted_turns(work: Work, defect: Defect) -> None:
    ohm = work.values["primary_resistance_ohm"] / defect.amount
    work.across("core", "secondary2", ohm / work.values["ratio"] ** 2)


def _weak_supply(work: Work, defect: Defect) -> None:
    work.scale("emf_v", 1.0 - defect.amount)


def _dead_supply(work: Work, defect: Defect) -> None:
    work.scale("emf_v", 0.0)


def _of_signal(work: Work, defect: Defect) -> None:
    """Its voltage is that of the engine's signal; see ``wiring``."""


Effects = Mapping[str, Callable[[Work, Defect], None]]

_JUNCTION: Effects = {
    "open": _open_diode, "short": _across_ends(SHORT_OHM), "leaky": _across_ends(None), "reversed": _reversed_diode,
    "dry": _lossy,
}  # fmt: skip
_FET: Effects = {
    "open": _open_fet, "short": _between(SHORT_OHM), "leaky": _between(None), "weak": _weak_fet, "noisy": _noisy_device,
    "dry": _dry_lead,
}  # fmt: skip
_EFFECTS: Mapping[str, Effects] = {
    "resistor": {
        "open": _open_resistance, "short": _short_resistance, "drifted": _drifted("resistance_ohm"),
        "noisy": _noisy_resistance, "dry": _dry_resistance,
    },
    "capacitor": {
        "open": _open_capacitor, "short": _across_ends(SHORT_OHM), "leaky": _across_ends(None), "lossy": _lossy,
        "drifted": _drifted("capacitance_f"), "dried": _dried, "reversed": _reversed_capacitor, "dry": _lossy,
    },
    "inductor": {
        "open": _open_resistance, "short": _across_ends(SHORT_OHM), "dry": _dry_resistance,
        "drifted": _drifted("inductance_h", "initial_h", "largest_h"),
    },
    "diode": _JUNCTION,
    "zener": _JUNCTION,
    "bjt": {
        "open": _open_transistor, "short": _between(SHORT_OHM), "leaky": _between(None), "weak": _weak_transistor,
        "noisy": _noisy_device, "dry": _dry_lead,
    },
    "jfet": _FET,
    "mosfet": _FET,
    "opamp": {"stuck": _stuck_opamp, "dead": _dead_opamp, "noisy": _noisy_opamp},
    "amplifier": {"dead": _dead_amplifier},
    "potentiometer": {
        "dirty": _dirty_wiper, "open": _open_track, "drifted": _drifted("resistance_ohm"), "noisy": _noisy_resistance,
    },
    "rheostat": {
        "dirty": _dry_resistance, "open": _open_resistance, "drifted": _drifted("resistance_ohm"),
        "noisy": _noisy_resistance,
    },
    "switch": {"stuck": _stuck_switch, "dirty": _dry_resistance},
    "selector": {"dirty": _dry_resistance, "open": _open_resistance},
    "transformer": {"open": _open_winding, "shorted": _shorted_turns},
    "winding": {"open": _open_resistance, "dry": _dry_resistance},
    "supply": {"open": _open_resistance, "weak": _weak_supply, "dead": _dead_supply},
    "mains": {"open": _open_resistance, "weak": _of_signal, "dead": _of_signal},
    "meter": {"open": _open_resistance, "short": _short_resistance},
    "input": {},
    "output": {},
}  # fmt: skip
