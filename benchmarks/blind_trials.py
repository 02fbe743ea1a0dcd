"""Blind trials of ``fetsim suspects``: units with a hidden fault, read and recorded as on a bench, then diagnosed.

    python benchmarks/blind_trials.py --unit dunlin --trials 60          # goes on where it was; prints the table
    python benchmarks/blind_trials.py --unit greenshank --trials 60 --kind healthy --kind law --kind two

Each trial draws a unit within its tolerances (its FET within 3 % of what the tester said), sets its trims, then puts
in what is hidden: a value off by 20 to 60 % either way, or a fault as ``faults_of`` lists them; for ``two`` two values,
for ``law`` a value off in a unit whose FET has a tail of another slope (ideality 1.5) and a channel of 12 % more
resistance than its square law, and whose cores have no memory, none of which the diagnosis knows. Then the bench: volts
at rest of ten nodes by a meter of 1 % and 10 Mohm; six seconds of the demo jingle, with noise 60 dB down, hum of 50 Hz
70 dB down, delay, polarity, gain, and a clock 20 ppm off. The diagnosis gets the volts, the recording, or both.
Afterwards the reading that it proposes is taken.

Results go to ``--to``, a line of JSON each; the same command does what is not there yet. ``--report`` prints the table.
``--seconds 3 --quality draft`` makes trials shorter, and easier: the hidden unit then has the solver's error too.
"""

import argparse
import json
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

sys.path.insert(0, str(Path(__file__).parents[1] / "demo_audio"))
from make_demo import SEED, jingle

import fetsim
from fetsim.measurements.traces.instants import on_clock
from fetsim.schematic.faults import faults_of
from fetsim.schematic.movable import movable
from fetsim.schematic.spreads import spreads_of
from fetsim.studies.observed.observations import Observations, Recording
from fetsim.studies.observed.predict import Predicted, predict
from fetsim.studies.suspects.columns import Columns, columns_of
from fetsim.studies.suspects.hypotheses import single_faults, single_values
from fetsim.studies.suspects.search import Search
from fetsim.studies.suspects.set_up import set_up
from fetsim.studies.suspects.study import AS_VALUES, candidates_of, told, with_chances
from fetsim.studies.suspects.values import values_of
from fetsim.studies.trims.aligned import aligned

RATE_HZ, PEAK_DBFS = 48000.0, -14.5
NOISE_DB, HUM_DB, HUM_HZ, CLOCK = -60.0, -70.0, 50.02, 20e-6
READ_WITHIN, METER = 0.03, 0.01
NODES = 10
KINDS = ("single", "healthy", "law", "two")
FACTORS = (1.2, 1.6)
DRIFTS = 0.6
"""Share of the single trials in which a value is off; the others have a fault as drawn."""
CLEAR_DB = 10.0


def music(seconds: float) -> np.ndarray:
    """[shape=(n,)]"""
    sound = jingle(np.random.default_rng(SEED)).mean(axis=1)[: round(seconds * RATE_HZ)]
    return np.asarray(sound / np.max(np.abs(sound)) * 10.0 ** (PEAK_DBFS / 20.0))


class Bench:
    """A unit, and what values and faults do to volts and music, worked out once."""

    def __init__(self, name: str, *, faults: bool, seconds: float, quality: str, played: bool = True) -> None:
        plain = fetsim.load_unit(name)
        self.read = [one for one in movable(plain) if one.startswith("J1.") and one.endswith(("i_dss", "voltage"))]
        self.unit = plain.changed({one: movable(plain)[one] for one in self.read})
        self.dry, self.quality = music(seconds), quality
        self.set_up = set_up(self.unit, *values_of(self.unit))
        self.values = self.set_up.values
        self.nodes = candidates_of(self.unit, (), ())
        drawn = faults_of(self.unit) if faults else ()
        self.faults = [one for one in drawn if one.kind not in AS_VALUES and one.rate > 0.0]
        self.recordings = (Recording(dry=self.dry, wet=self.dry, rate_hz=RATE_HZ),) if played else ()
        every = Observations(unit=self.unit, readings=self.nodes, recordings=self.recordings)
        (self.base,) = predict(every, [{}], quality=quality, workers=1)
        (self.draft,) = predict(every, [{}], quality="draft", workers=1)
        columns = Columns(observations=every, base=self.base, draft=self.draft, heard=(), taken=0, tables=(),
                          readings=np.zeros((len(self.nodes), 0)), workers=1)  # fmt: skip
        builds = self.set_up.moved()
        self.steps = [one.step for one in self.values] + [1.0] * len(self.faults)
        self.builds = columns.predicted([*builds, *(one.changes for one in self.faults)])
        self.why = ["; ".join(one.reasons) for one in self.builds[len(builds) :]]
        singles = single_values(self.values, faults_of(self.unit))
        self.hypotheses = with_chances([*singles, *single_faults(self.faults, self.why, len(self.values))])

    def columns(self, wet: np.ndarray | None) -> Columns:
        """Of a recording, or none; no readings taken."""
        recordings = () if wet is None else (Recording(dry=self.dry, wet=wet, rate_hz=RATE_HZ),)
        seen = Observations(unit=self.unit, recordings=recordings)
        found = columns_of(seen, self.nodes, quality=self.quality, workers=1)
        shown = self.builds if recordings else [replace(one, outputs=()) for one in self.builds]
        found.put([found.difference(one, step=step) for one, step in zip(shown, self.steps, strict=True)])
        return found


def copied(columns: Columns) -> Columns:
    """For another search."""
    tables = tuple(
        replace(one, rows=one.rows.copy(order="F"), gram=one.gram.copy(), score=one.score.copy())
        for one in columns.tables
    )
    return replace(columns, tables=tables, readings=columns.readings.copy())


def other_law(unit: Any) -> dict[str, float]:
    """Changes that take the cores' memory out and put another law into the FET."""
    fet = unit.parts["J1"].figures
    channel_ohm = abs(fet["pinch_off_voltage"]) / (2.0 * fet["i_dss"])
    changes = {"J1.ideality": 1.5, "J1.r_ds_on": 1.12 * channel_ohm}
    for name, part in unit.parts.items():
        if "initial_inductance" in part.values:
            changes[f"{name}.initial_inductance"] = part.values["magnetising"]
    return changes


def hidden(bench: Bench, kind: str, rng: np.random.Generator) -> tuple[dict, dict, list[str], dict[str, float]]:
    """Changes of the sound unit, those of the faulty one, the parts that are faulty, and by what factor values are."""
    spreads = spreads_of(bench.unit)
    drawn: dict[str, Any] = spreads.changes(rng.random((1, spreads.columns)))[0]
    present = movable(bench.unit)
    drawn |= {name: present[name] * float(np.exp(READ_WITHIN * rng.normal())) for name in bench.read}
    _, outcomes = aligned(bench.unit.changed(drawn))
    drawn |= {one.set: one.value for one in outcomes if not one.left_out}  # controls and parts alike
    if kind == "healthy":
        return drawn, drawn, [], {}
    names = [one.name for one in bench.values if one.suspect and "." not in one.name and one.owner[0] in "RCP"]
    if kind == "single" and rng.random() > DRIFTS and bench.faults:
        fault = bench.faults[int(rng.integers(len(bench.faults)))]
        kept = {name: value for name, value in drawn.items() if name.partition(".")[0] not in fault.changes}
        return drawn, {**kept, **fault.changes}, [fault.part], {}
    chosen = rng.choice(names, 2 if kind == "two" else 1, replace=False).tolist()
    factors = {one: float(rng.uniform(*FACTORS) ** rng.choice([-1.0, 1.0])) for one in chosen}
    faulty = {**drawn, **{one: drawn.get(one, present[one]) * factor for one, factor in factors.items()}}
    whole = {one: faulty[one] / present[one] for one in chosen}
    return drawn, faulty, chosen, whole


def recorded(output: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """As an interface brings it back."""
    level = float(np.std(output)) or 1e-4
    padded = np.concatenate([np.zeros(int(2 * RATE_HZ)), output, np.zeros(int(RATE_HZ))])
    wet = on_clock(padded, delay_samples=RATE_HZ * rng.uniform(0.3, 1.0), clock=-CLOCK)
    at_s = np.arange(len(wet)) / RATE_HZ
    hum = sum(np.sin(2.0 * np.pi * HUM_HZ * k * at_s + rng.uniform(0.0, 6.28)) / k for k in (1, 2, 3, 4))
    wet = wet + rng.normal(size=len(wet)) * level * 10.0 ** (NOISE_DB / 20.0)
    wet = wet + hum / np.std(hum) * level * 10.0 ** (HUM_DB / 20.0)
    return np.asarray(wet * rng.choice([-1.0, 1.0]) * rng.uniform(0.3, 1.0))


def trial(bench: Bench, kind: str, number: int, modes: Sequence[str]) -> list[dict[str, Any]]:
    """One hidden truth, diagnosed by each of the modes."""
    rng = np.random.default_rng([20261126, KINDS.index(kind), number, len(bench.values)])
    sound, faulty, parts, factors = hidden(bench, kind, rng)
    unit = bench.unit
    if kind == "law":
        unit = unit.changed(other_law(unit))
    real = Observations(unit=unit, readings=bench.nodes, recordings=bench.recordings)
    as_sound = Columns(observations=real, base=bench.base, draft=bench.base, heard=(), taken=0, tables=(),
                       readings=np.zeros((len(bench.nodes), 0)), workers=1)  # fmt: skip
    (healthy,) = predict(real, [sound], quality=bench.quality, workers=1, keep=False)
    if faulty is not sound:
        if any(isinstance(value, str) for value in faulty.values()):
            real = replace(real, unit=unit.ready_for(as_sound.places))
        (truth,) = predict(real, [faulty], quality=bench.quality, workers=1, keep=False)
    else:
        truth = healthy
    found = {"kind": kind, "number": number, "parts": parts, "factors": factors,
             "faulty": {k: v for k, v in faulty.items() if isinstance(v, str)}}  # fmt: skip
    missing = any(one is None for one in (*truth.outputs, *healthy.outputs))
    if missing or not np.isfinite(truth.readings).all():
        return [{**found, "mode": mode, "skipped": "; ".join(truth.reasons)} for mode in modes]
    output = np.asarray(truth.outputs[0], dtype=np.float64) if bench.recordings else None
    dead = output is None or float(np.std(output)) < 1e-3 * float(np.std(bench.base.outputs[0]))
    read = rng.choice(len(bench.nodes), min(NODES, len(bench.nodes)), replace=False)
    shown = truth.readings * (1.0 + METER * rng.normal(size=len(bench.nodes)))
    rows = []
    begun = time.process_time()
    heard = bench.columns(recorded(output, rng)) if not dead and {"capture", "both"} & set(modes) else None
    heard_s = time.process_time() - begun
    for mode in modes:
        if dead and mode != "volts":
            rows.append({**found, "mode": mode, "skipped": "no output"})
            continue
        begun = time.process_time()
        columns = bench.columns(None) if mode == "volts" else copied(heard)
        for k in read if mode != "capture" else ():
            columns = with_reading(columns, bench.nodes[k].name, float(shown[k]))
        rows.append({**found, "mode": mode, **diagnosed(bench, columns, parts, factors, truth, healthy, shown),
                     "heard_s": heard_s, "cpu_s": time.process_time() - begun})  # fmt: skip
    return rows


def diagnosed(bench: Bench, columns: Columns, parts: list[str], factors: dict[str, float], truth: Predicted,
              healthy: Predicted, shown: np.ndarray) -> dict[str, Any]:  # fmt: skip
    """What came out, and how it stands to the truth."""
    effect_db = -99.0
    if columns.heard:
        one = columns.heard[0]
        made, without = (one.cut(each.outputs[0]) for each in (truth, healthy))
        scale = float(made @ without / (without @ without)) or 1.0
        rows = one.look.rows(made / scale - without)
        effect_db = 10.0 * float(np.log10(np.mean(rows**2) + 1e-12))
    sigma = np.maximum(METER * np.abs(healthy.readings), 1e-3)
    names = [one.name for one in bench.nodes]
    places = [names.index(one.name) for one in columns.observations.readings[: columns.taken]]
    moved = (np.abs(truth.readings - healthy.readings) / sigma)[places] if places else np.zeros(1)
    search = Search(columns=columns, set_up=bench.set_up, hypotheses=list(bench.hypotheses))
    search.run()
    came = told(search, elsewhere=False)
    place, size = ranked(came.groups, parts)
    intervals = {}
    for group in came.groups:
        for one in group.suspects:
            if one.name in factors and one.off_low is not None and one.name not in intervals:
                intervals[one.name] = [one.off, one.off_low, one.off_high, factors[one.name] - 1.0]
    after = None
    if came.next_readings and place is not None:
        k = names.index(came.next_readings[0].name)
        again = with_reading(columns, names[k], float(shown[k]))
        search.columns = again
        search.weigh()
        later = told(search, elsewhere=False)
        after = ranked(later.groups, parts)
    return {
        "effect_db": effect_db, "moved_sigmas": float(np.max(moved)), "healthy": came.healthy, "below": came.below,
        "place": place, "size": size, "first": list(came.groups[0].parts),
        "first_probability": came.groups[0].probability,
        "groups": [[list(one.parts), one.probability, [s.name for s in one.suspects[:6]]] for one in came.groups[:4]],
        "intervals": intervals, "bits": came.next_readings[0].bits if came.next_readings else 0.0, "after": after,
        "model_error_db": came.model_error_db, "verdict": came.verdict,
    }  # fmt: skip


def ranked(groups: Any, parts: list[str]) -> tuple[int | None, int]:
    """Place of the first group that holds all that is faulty, from 0, and how many parts it names."""
    for place, group in enumerate(groups):
        if parts and set(parts) <= set(group.parts):
            return place, len(group.parts)
    return None, 0


def with_reading(columns: Columns, name: str, value: float) -> Columns:
    """With one of the candidates taken."""
    every = columns.observations.readings
    k = next(k for k, one in enumerate(every) if one.name == name)
    order = [*range(columns.taken), k, *(n for n in range(columns.taken, len(every)) if n != k)]
    taken = replace(every[k], value=value, accuracy=max(METER * abs(value), 1e-3))
    readings = [taken if n == k else every[n] for n in order]
    return replace(
        columns, observations=replace(columns.observations, readings=tuple(readings)), taken=columns.taken + 1,
        base=replace(columns.base, readings=columns.base.readings[order]), readings=columns.readings[order],
        draft=replace(columns.draft, readings=columns.draft.readings[order]),
    )  # fmt: skip


def report(rows: Sequence[dict[str, Any]]) -> None:
    """The table."""
    for kind in KINDS:
        for mode in ("capture", "volts", "both"):
            its = [one for one in rows if one["kind"] == kind and one["mode"] == mode]
            done = [one for one in its if "skipped" not in one]
            if not done:
                continue
            if kind == "healthy":
                called = share(one["below"] for one in done)
                print(f"{kind:8} {mode:8} {len(done):3} trials: called healthy {called}")
                continue
            clear = [one for one in done if is_clear(one)]
            low = [one for one in done if one not in clear]
            inside = [low <= true <= high for one in clear for _, low, high, true in one["intervals"].values()]
            taken = [one for one in clear if one["after"] is not None and one["size"] > 1]
            smaller = share(one["after"][1] < one["size"] for one in taken)
            print(
                f"{kind:8} {mode:8} {len(done):3} trials ({len(its) - len(done)} without output), {len(clear)} clear: "
                f"first {share(one['place'] == 0 for one in clear)}, first three "
                f"{share(one['place'] is not None and one['place'] < 3 for one in clear)}, parts in its group "
                f"{np.mean([one['size'] for one in clear if one['size']] or [0]):.1f}; stated "
                f"{100.0 * np.mean([one['first_probability'] for one in clear] or [0]):.0f} %; intervals hold "
                f"{share(inside)}; next reading makes it smaller {smaller}; "
                f"not clear: called healthy {share(one['below'] for one in low)}"
            )


def is_clear(one: dict[str, Any]) -> bool:
    """Whether the effect lies 10 dB above the noise of what was given."""
    by_volts = one["mode"] != "capture" and one["moved_sigmas"] > 10.0 ** (CLEAR_DB / 20.0)
    return bool(by_volts or (one["mode"] != "volts" and one["effect_db"] > CLEAR_DB))


def share(hits: Any) -> str:
    """``12 of 14 (86 %)``."""
    each = [bool(one) for one in hits]
    return f"{sum(each)} of {len(each)}" + (f" ({100.0 * sum(each) / len(each):.0f} %)" if each else "")


def main() -> None:
    """Do what is left, then print the table."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--unit", default="dunlin")
    ask.add_argument("--trials", type=int, default=60)
    ask.add_argument("--first", type=int, default=0)
    ask.add_argument("--kind", action="append", choices=KINDS)
    ask.add_argument("--mode", action="append", choices=("capture", "volts", "both"))
    ask.add_argument("--to", type=Path)
    ask.add_argument("--values-only", action="store_true", help="no faults as drawn, neither hidden nor looked for")
    ask.add_argument("--seconds", type=float, default=6.0, help="of music")
    ask.add_argument("--quality", default="standard", help="in which the hidden unit and the drawn one are played")
    ask.add_argument("--report", action="store_true", help="only print what is there")
    given = ask.parse_args()
    to = given.to or Path(f"blind-{given.unit}.jsonl")
    rows = [json.loads(line) for line in to.read_text().splitlines()] if to.exists() else []
    modes = given.mode or ["capture", "volts", "both"]
    if not given.report:
        with threadpool_limits(1, "blas"):
            bench = Bench(
                given.unit, faults=not given.values_only, seconds=given.seconds, quality=given.quality,
                played=set(modes) != {"volts"},
            )  # fmt: skip
            for number in range(given.first, given.first + given.trials):
                for kind in given.kind or ["single"]:
                    left = [mode for mode in modes if not any(
                        (one["kind"], one["number"], one["mode"]) == (kind, number, mode) for one in rows)]  # fmt: skip
                    if not left:
                        continue
                    new = trial(bench, kind, number, left)
                    rows += new
                    with to.open("a") as file:
                        file.writelines(json.dumps(one) + "\n" for one in new)
                    for one in new:
                        print(one["kind"], number, one["mode"], one["parts"], one.get("skipped") or (
                            f"effect {one['effect_db']:.0f} dB, place {one['place']}, {one['verdict']}"), flush=True)
    report(rows)


if __name__ == "__main__":
    main()
