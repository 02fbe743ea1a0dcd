"""Blind trials of ``fetsim suspects``: units with a hidden fault, read and recorded as on a bench, then diagnosed.

    python benchmarks/blind_trials.py --unit dunlin --unit greenshank --trials single:30,healthy:10,law:8,two:6

Each trial draws a unit within its tolerances (its FET within 3 % of what the tester said), sets its trims, then puts in
what is hidden: a value 20 to 60 % off what is drawn, or 5 to 9 of its standard deviations where that is more (a pot of
20 % may be a good one at 20 % off), or a fault as ``faults_of`` lists them; for ``two`` two values, for ``law`` a value
off in a unit whose FET has a tail of another slope (ideality 1.5) and a channel of 12 % more resistance than its square
law, and whose cores have no memory. The diagnosis takes square law and memory for the most probable, and lets both
scatter: this lies about two standard deviations off. What is wrong is one that is 10 dB above the noise of a recording
by what the drawn unit does with it; the stage that it is in goes round by the number of the trial. Other parts may make
up for that within their tolerances: where the search has found a good unit that gives the same, this is told apart.
Then the bench: volts at rest of ten nodes by a meter of 1 % and 10 Mohm; the demo jingle, with noise 60 dB down, hum of
50 Hz 70 dB down, delay, polarity, gain, and a clock 20 ppm off. The diagnosis gets the recording, the volts, or both.
Where the group that holds the truth has more than one part, the reading that it proposes is taken, and all diagnosed
again.

Results go to ``--to``, a line of JSON each; the same command does what is not there yet, kinds and units in turns.
``--report`` prints the table.
"""

import argparse
import json
import time
from collections.abc import Iterator, Sequence
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
from blind_bench import (
    CLEAR_DB,
    KINDS,
    METER,
    NODES,
    Bench,
    Hidden,
    hidden,
    read_next,
    read_of,
    recorded,
    truths,
)  # fmt: skip

from fetsim.errors import InputError
from fetsim.studies.observed.predict import Predicted
from fetsim.studies.suspects.origins import Drawn
from fetsim.studies.suspects.record import Suspicion
from fetsim.studies.suspects.search import Search
from fetsim.studies.suspects.study import told

MODES = ("capture", "readings", "both")
SIGMAS = 3.0
"""Within which a good unit's values lie, and what it leaves of noise."""


def trial(bench: Bench, kind: str, number: int, modes: Sequence[str]) -> Iterator[dict[str, Any]]:
    """One hidden truth, diagnosed by each of the modes."""
    rng = np.random.default_rng([20261128, KINDS.index(kind), number, len(bench.values)])
    what = hidden(bench, kind, number, rng)
    truth, healthy = truths(bench, kind, what)
    row = {"unit": bench.name, "kind": kind, "number": number, "parts": what.parts, "factors": what.factors,
           "faulty": {k: v for k, v in what.faulty.items() if isinstance(v, str)}}  # fmt: skip
    missing = any(one is None for one in (*truth.outputs, *healthy.outputs))
    if missing or not np.isfinite(truth.readings).all():
        yield from ({**row, "mode": mode, "skipped": "; ".join(truth.reasons)} for mode in modes)
        return
    output = np.asarray(truth.outputs[0], dtype=np.float64) if bench.recordings else None
    dead = output is None or float(np.std(output)) < 1e-3 * float(np.std(bench.base.outputs[0]))
    read = rng.choice(len(bench.nodes), min(NODES, len(bench.nodes)), replace=False)
    shown = truth.readings * (1.0 + METER * rng.normal(size=len(bench.nodes)))

    def with_volts(drawn: Drawn, *, volts: bool) -> Drawn:
        for k in read if volts else ():
            drawn = read_of(drawn, bench.nodes[k].name, float(shown[k]))
        return drawn

    wet = None if dead or not {"capture", "both"} & set(modes) else recorded(output, rng)
    for mode in modes:
        at = time.process_time()
        if dead and mode != "readings":
            yield {**row, "mode": mode, "skipped": "no output"}
            continue
        try:
            drawn = bench.drawn(None if mode == "readings" else wet)
        except InputError as refused:
            if mode == "capture":
                yield {**row, "mode": mode, "skipped": str(refused)}
                continue
            drawn = bench.drawn(None)  # as the refusal says
        drawn = with_volts(drawn, volts=mode != "capture")
        search = Search(drawn=drawn, hypotheses=list(bench.hypotheses))
        search.run()
        came = told(search)
        found = {**row, "mode": mode, **diagnosed(bench, search, came, what, truth, healthy),
                 "cpu_s": time.process_time() - at}  # fmt: skip
        if came.next_readings and found["size"] > 1:
            more = read_next(bench, kind, what, drawn, came.next_readings[0], rng)
            later = Search(drawn=more, hypotheses=list(bench.hypotheses))
            later.run()
            found["after"] = ranked(told(later, elsewhere=False).groups, what.parts)
        yield found


def diagnosed(
    bench: Bench, search: Search, came: Suspicion, what: Hidden, truth: Predicted, healthy: Predicted
) -> dict[str, Any]:
    """What came out, and how it stands to the truth."""
    columns, effect_db = search.columns, -99.0
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
    place, size = ranked(came.groups, what.parts)
    intervals = {}
    for group in came.groups:
        for one in group.suspects:
            if one.name in what.factors and one.off_low is not None and one.name not in intervals:
                intervals[one.name] = [one.off, one.off_low, one.off_high, what.factors[one.name] - 1.0]
    return {
        "effect_db": effect_db, "moved_sigmas": float(np.max(moved)), "as_good": is_as_good(search),
        "healthy": came.healthy, "below": came.below,
        "place": place, "size": size, "first": list(came.groups[0].parts),
        "first_probability": came.groups[0].probability,
        "groups": [[list(one.parts), one.probability, [s.name for s in one.suspects[:6]]] for one in came.groups[:4]],
        "intervals": intervals, "bits": float(came.next_readings[0].bits) if came.next_readings else 0.0,
        "next": came.next_readings[0].name if came.next_readings else None, "after": None,
        "origins": len(search.origins), "model_error_db": came.model_error_db, "verdict": came.verdict,
    }  # fmt: skip


def is_as_good(search: Search) -> bool:
    """Whether a good unit was found, all its values within tolerances, that gives all that was observed but for noise:
    then nothing tells it from this one, however far off what is hidden may be. A better search finds no fewer."""
    origin, trims = search.origin_of(search.hypotheses[0]), set(search.drawn.set_up.trims.values())
    count = sum(sums.count for sums in origin.sums)
    farthest = max(
        abs(float(off)) / value.sigma
        for k, (off, value) in enumerate(zip(origin.place, search.values, strict=True)) if k not in trims
    )  # fmt: skip
    return sum(origin.left) < count + SIGMAS * float(np.sqrt(2.0 * count)) and farthest < SIGMAS


def ranked(groups: Any, parts: list[str]) -> tuple[int | None, int]:
    """Place of the first group that holds all that is faulty, from 0, and how many parts it names."""
    for place, group in enumerate(groups):
        if parts and set(parts) <= set(group.parts):
            return place, len(group.parts)
    return None, 0


def report(rows: Sequence[dict[str, Any]]) -> None:
    """The table, a line for each kind and mode, units together."""
    head = (
        "hidden", "given", "trials", "clear", "first group has it", "among the first three",
        "first where no good unit gives the same", "among three", "stated for the first", "parts in its group",
        "intervals that hold", "next reading makes it smaller", "not clear: called good", "CPU",
    )  # fmt: skip
    print("| " + " | ".join(head) + " |\n|" + "---|" * len(head))
    for kind, mode in product(KINDS, MODES):
        done = [one for one in rows if (one["kind"], one["mode"]) == (kind, mode) and "skipped" not in one]
        if not done:
            continue
        clear = [one for one in done if is_clear(one)]
        low, told = [one for one in done if one not in clear], [one for one in clear if not one["as_good"]]
        inside = [low <= true <= high for one in clear for _, low, high, true in one["intervals"].values()]
        taken = [one for one in clear if one["after"] is not None and one["size"] > 1]
        sizes = [one["size"] for one in clear if one["size"]]
        print("| " + " | ".join((
            kind, mode, str(len(done)), str(len(clear)),
            *(share(one["place"] is not None and one["place"] <= last for one in each)
              for each, last in ((clear, 0), (clear, 2), (told, 0), (told, 2))),
            f"{100.0 * np.mean([one['first_probability'] for one in clear]):.0f} %" if clear else "",
            f"{np.mean(sizes):.1f}" if sizes else "", share(inside),
            share(one["after"][1] < one["size"] for one in taken), share(one["below"] for one in low),
            f"{np.mean([one['cpu_s'] for one in done]):.0f} s")) + " |")  # fmt: skip


def in_turns(counts: dict[str, int]) -> Iterator[tuple[str, int]]:
    """Kinds and numbers of all trials, so that wherever it ends each kind has had its share."""
    most = max(counts.values())
    for turn, (kind, count) in product(range(most), counts.items()):
        if (turn + 1) * count // most > turn * count // most:
            yield kind, turn * count // most


def is_clear(one: dict[str, Any]) -> bool:
    """Whether the effect lies 10 dB above the noise of what was given."""
    by_volts = one["mode"] != "capture" and one["moved_sigmas"] > 10.0 ** (CLEAR_DB / 20.0)
    return bool(by_volts or one["effect_db"] > CLEAR_DB)


def share(hits: Any) -> str:
    """``12 of 14 (86 %)``."""
    each = [bool(one) for one in hits]
    return f"{sum(each)} of {len(each)}" + (f" ({100.0 * sum(each) / len(each):.0f} %)" if each else "")


def main() -> None:
    """Do what is left, then print the table."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--unit", action="append", help="default: dunlin")
    ask.add_argument("--trials", default="single:60", help="how many of each kind")
    ask.add_argument("--first", type=int, default=0, help="number of the first of each kind")
    ask.add_argument("--mode", action="append", choices=MODES)
    ask.add_argument("--to", type=Path, default=Path("blind.jsonl"))
    ask.add_argument("--values-only", action="store_true", help="no faults as drawn, neither hidden nor looked for")
    ask.add_argument("--seconds", type=float, default=6.0, help="of music")
    ask.add_argument("--quality", default="standard", help="in which the hidden unit and the drawn one are played")
    ask.add_argument("--report", action="store_true", help="only print what is there")
    given = ask.parse_args()
    counts = {kind: int(count) for kind, _, count in (one.partition(":") for one in given.trials.split(","))}
    rows = [json.loads(line) for line in given.to.read_text().splitlines()] if given.to.exists() else []
    modes = given.mode or list(MODES)
    benches: dict[str, Bench] = {}
    for kind, number in [] if given.report else in_turns(counts):
        for name in given.unit or ["dunlin"]:
            key = (name, kind, given.first + number)
            done = {one["mode"] for one in rows if (one["unit"], one["kind"], one["number"]) == key}
            left = [mode for mode in modes if mode not in done]
            if not left:
                continue
            if name not in benches:
                benches[name] = Bench(name, faults=not given.values_only, seconds=given.seconds, quality=given.quality,
                                      played=modes != ["readings"])  # fmt: skip
            for one in trial(benches[name], kind, given.first + number, left):
                rows.append(one)
                with given.to.open("a") as file:
                    file.write(json.dumps(one) + "\n")
                print(*key, one["mode"], one["parts"], one["faulty"] or "", one.get("skipped") or (
                    f"effect {one['effect_db']:.0f} dB, place {one['place']}, {one['cpu_s']:.0f} s, {one['verdict']}"),
                    flush=True)  # fmt: skip
    report(rows)


if __name__ == "__main__":
    main()
