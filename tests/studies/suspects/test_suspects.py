"""Suspects of the teaching loop, whose volts at rest can be told by Ohm's law, and the values of a unit."""

from itertools import pairwise

import numpy as np
import pytest
from scipy import signal

import fetsim
from fetsim.studies.observed.heard import placed
from fetsim.studies.observed.observations import Recording
from fetsim.studies.observed.readings import ACCURACY_DB, reading_of
from fetsim.studies.suspects.columns import columns_of
from fetsim.studies.suspects.how_to import HEADING, how_to, in_short, line_of
from fetsim.studies.suspects.hypotheses import single_values
from fetsim.studies.suspects.next_reading import _meter
from fetsim.studies.suspects.origins import Drawn
from fetsim.studies.suspects.set_up import as_drawn, set_up
from fetsim.studies.suspects.stands import other_settings, reading_at
from fetsim.studies.suspects.values import values_of


def observed(unit: fetsim.Unit, real: fetsim.Unit) -> fetsim.Observations:
    rest = fetsim.idle_point(real).node_voltages_v
    rows = [{"figure": f"volts@{node}", "value": f"{volt:.6g}V", "meter": "none"} for node, volt in rest.items()]
    return fetsim.Observations(unit=unit, readings=tuple(reading_of(row, unit) for row in rows))


def test_tolerances_are_a_third_of_their_limits_and_fets_go_together() -> None:
    values, scatter = values_of(fetsim.load_unit("dunlin"))
    names = [one.name for one in values]
    assert scatter[names.index("R2"), names.index("R2")] == pytest.approx((0.01 / 3.0) ** 2, rel=0.1)
    both = [names.index(one) for one in ("J1.i_dss", "J1.pinch_off_voltage")]
    correlation = scatter[both[0], both[1]] / np.sqrt(scatter[both[0], both[0]] * scatter[both[1], both[1]])
    assert correlation == pytest.approx(0.9, abs=0.01)  # as ``spreads`` draws them
    assert np.all(np.linalg.eigvalsh(scatter) > 0.0)


def test_the_law_of_a_fet_scatters_but_is_no_suspect_and_goes_with_its_figures() -> None:
    """I_DSS 20 % up and V_P 10 % down: the channel of the square law has 0.75 of the resistance, |V_P| / (2 I_DSS), and
    what its law has beside that comes on top; the unit takes it."""
    unit = fetsim.load_unit("dunlin")
    values, scatter = values_of(unit)
    law = {one.name: one for one in values if one.law}
    assert law.keys() == {"J1.ideality", "J1.r_ds_on"} and not any(one.suspect for one in law.values())
    assert law["J1.r_ds_on"].present == pytest.approx(4.5 / (2.0 * 0.015))
    setting, names = set_up(unit, values, scatter), [one.name for one in values]
    place = np.zeros(len(names))
    place[names.index("J1.i_dss")], place[names.index("J1.pinch_off_voltage")] = np.log(1.2), np.log(0.9)
    assert "J1.r_ds_on" not in setting.build(place)
    place[names.index("J1.r_ds_on")] = np.log(1.1)
    for build in (setting.build(place), setting.build(place, like=place),
                  setting.build(place, off={names.index("J1.i_dss"): np.log(1.2)})):  # fmt: skip
        assert build["J1.r_ds_on"] == pytest.approx(150.0 * 0.75 * 1.1)
        device = unit.changed(build).parts["J1"].device
        assert device is not None and device.figures["r_ds_on"] == build["J1.r_ds_on"]


def test_a_trim_is_set_again_for_tolerances_and_stays_where_it_was_for_what_is_wrong() -> None:
    """V_P 10 % up with its I_DSS: the bench turns the trim to where ``aligned`` finds it; as a fault nobody does."""
    unit = fetsim.load_unit("dunlin")
    setting = set_up(unit, *values_of(unit))
    names = [one.name for one in setting.values]
    fet, current, trim = (names.index(one) for one in ("J1.pinch_off_voltage", "J1.i_dss", "idle_trim"))
    place = np.zeros(len(names))
    place[[fet, current]] = 0.1
    build = setting.build(place)
    drawn = unit.controls["idle_trim"].position
    (before,), (there,) = (
        [one.value for one in fetsim.aligned(each, steps=["idle_bias"])[1]]
        for each in (unit, unit.changed({name: value for name, value in build.items() if name != "idle_trim"}))
    )
    assert float(build["idle_trim"]) - drawn == pytest.approx(there - before, abs=1e-4)
    assert 0.1 * float(setting.follows[[fet, current], trim].sum()) == pytest.approx(there - before, rel=0.15)  # bends
    assert setting.build(np.zeros(len(names)), off={fet: 0.1}).keys() == {"J1.pinch_off_voltage"}
    there = setting.at(place)  # a step on from there the trim follows in proportion, as it does there
    place[fet] += 0.02
    near, whole = there.build(place, like=place - 0.02 * np.eye(len(names))[fet]), setting.build(place)
    assert near["J1.pinch_off_voltage"] == whole["J1.pinch_off_voltage"]
    assert float(near["idle_trim"]) - float(build["idle_trim"]) == pytest.approx(
        float(whole["idle_trim"]) - float(build["idle_trim"]), rel=0.02)  # fmt: skip
    turned = there.build(place + 0.01 * np.eye(len(names))[trim], like=place)  # or is turned by hand
    assert float(turned["idle_trim"]) - float(there.build(place, like=place)["idle_trim"]) == pytest.approx(0.01)
    assert setting.plain(fet)[trim] == -setting.follows[fet, trim]


def test_a_supply_that_is_off_is_found_by_volts_and_its_interval_holds_it() -> None:
    """V1 at -6 V instead of -7 V: the node behind it follows, and nothing else moves that one so."""
    unit, said = fetsim.load_unit("teaching"), []
    read = observed(unit, unit.changed(V1="-6V"))
    found = fetsim.suspects(read, faults=False, workers=1, notice=said.append)
    assert said[0].startswith("what each of") and "how far it is explained by tolerances alone, V1" in said
    assert said[-1].startswith("which reading") and all(one != then for one, then in pairwise(said))
    first = found.groups[0].suspects[0]
    assert first.name == "V1" and not found.below and "V1" in found.verdict
    assert first.played and all(one.played for group in found.groups for one in group.suspects if len(one.parts) > 1)
    assert first.off_low is not None and first.off_high is not None
    assert first.off_low < 6.0 / 7.0 - 1.0 < first.off_high < first.off_low + 0.06  # a meter of 1 %: +-2 %
    told = {row[0]: row[1:] for table in found.tables() if table.key == "readings" for row in table.rows}
    assert told["volts@po"] == (0.0, 0.001, 0.0, 0.0, "V")  # the amplifier takes its zero from ground
    assert told["volts@an"][0] == pytest.approx(-6.0, rel=0.02)


def test_what_a_trim_was_set_to_make_up_for_is_no_fault() -> None:
    """V2 sets the bias of this unit: 4.4 V instead of 5 V suits a FET within its limits. Not set, it is a fault."""
    unit = fetsim.load_unit("teaching")
    read = observed(unit, unit.changed(V2="-4.4V"))
    assert fetsim.suspects(read, faults=False, workers=1).below
    found = fetsim.suspects(read, faults=False, trims_set=False, workers=1)
    assert not found.below and found.groups[0].suspects[0].name == "V2"


def test_slopes_are_those_of_where_a_suspect_stands() -> None:
    """V1 a tenth down: what more of that does to the volts is what two idle points say there, and the play itself is
    exact."""
    unit = fetsim.load_unit("teaching")
    columns = columns_of(observed(unit, unit.changed(V1="-6V")), (), quality="draft", workers=1)
    setting = as_drawn(unit, *values_of(unit))
    drawn = Drawn(columns=columns, set_up=setting, plays=columns.moved(setting))
    names = [one.name for one in setting.values]
    (suspect,) = (one for one in single_values(setting.values, ()) if one.name == "V1")
    place = np.zeros(len(names))
    place[names.index("V1")], place[names.index("V2")] = -0.1, 0.02
    (play,) = columns.predicted([drawn.build(suspect, place)], whole=True)
    origin = drawn.at(suspect, place, columns.around(play))
    assert origin.foretold(origin.away(suspect, place)) == pytest.approx(origin.left, rel=1e-9)
    off = [one.value - now for one, now in zip(columns.observations.readings, play.readings, strict=True)]
    known = [one.accuracy for one in columns.observations.readings]
    assert origin.left == pytest.approx([float(np.sum(np.square(np.divide(off, known))))])
    k = names.index("V1")
    volts = [fetsim.idle_point(unit.changed(drawn.build(suspect, place + way * np.eye(len(names))[k])))
             for way in (-1e-3, 1e-3)]  # fmt: skip
    slope = [(high - low) / 2e-3 for low, high in zip(*(one.node_voltages_v.values() for one in volts), strict=True)]
    assert origin.reading_slopes[:, k] == pytest.approx(slope, rel=0.01, abs=1e-4)


def test_the_next_reading_may_be_one_at_another_setting() -> None:
    """Ends of the controls on the panel and other positions of switches, one change at a time."""
    found = other_settings(fetsim.load_unit("greenshank"))
    assert {"release": "0"} in found and {"release": "1"} in found and {"SW1": "steep"} in found
    assert not any("idle_trim" in one for one in found)


@pytest.mark.parametrize(("name", "settings", "short", "how", "line"), [
    ("volts@ctl", {"release": "1"}, "the volts at ctl with release fully clockwise",
     "Set release fully clockwise, all else as it was. Feed nothing and let it settle. Read the DC volts of ctl (",
     "volts@ctl,,1%,10M,release=1"),
    ("signal@t1s@-10", {}, "the signal at t1s under a tone of -10 dBu",
     "Feed a steady tone of 1000 Hz at -10 dBu. Read the AC volts (rms) of t1s (T1, R", "signal@t1s@-10,,0.2,,"),
    ("release", {"curve": "S1"}, "the release with curve at S1", "Set curve at S1, all else as it was. Step a tone of",
     "release,,5%,,curve=S1"),
])  # fmt: skip
def test_a_reading_is_told_so_that_it_can_be_taken_and_filled_in(name, settings, short, how, line, tmp_path) -> None:
    unit = fetsim.load_unit("dunlin")
    one = reading_at(unit, name, settings)
    assert in_short(one) == short and how_to(one, fetsim.Observations(unit=unit)).startswith(how)
    assert line_of(one) == line
    path = tmp_path / "more.csv"
    path.write_text(f"{HEADING}\n{line.replace(',,', ',0.5 s,' if name == 'release' else ',0.5V,', 1)}\n")
    (again,) = fetsim.read_readings(path, unit)
    assert again.name == one.name and again.meter_ohm == one.meter_ohm


@pytest.mark.slow
def test_the_readings_that_are_proposed_next_split_the_group_when_they_are_taken() -> None:
    """C2 holds three times as much: release is three times as long, as it would be with a larger R4 or another bias,
    and no current flows at rest. The ripple across C2 is a third, which nobody else makes."""
    unit = fetsim.load_unit("teaching")
    real = unit.changed(C2="450n")

    def read(name: str) -> fetsim.Reading:
        found = fetsim.figures_of_builds({"": real}, figures=[name], nominal=unit, quality="draft", workers=1)
        figure = reading_at(unit, name, {})
        return reading_of({"figure": name, "value": f"{found.columns[name][0]:.6g}{figure.symbol}"}, unit)

    taken, sizes = [*observed(unit, real).readings, read("release")], []
    for _ in range(3):
        observations = fetsim.Observations(unit=unit, readings=tuple(taken))
        found = fetsim.suspects(observations, faults=False, quality="draft")
        first = found.groups[0]
        sizes.append(len(first.parts))
        if len(sizes) == 1:
            assert {"C2", "R4", "V2"} <= set(first.parts) and found.looked_at > 20
            assert "under a tone of" in found.verdict and found.tables()[1].key == "next"
        if not {"R4", "V2"} & set(first.parts):
            break
        taken.append(read(found.next_readings[0].figure))
    assert sizes == sorted(set(sizes), reverse=True)
    assert first.suspects[0].name == "C2" and not {"R4", "V2"} & set(first.parts)


def test_how_well_a_level_is_read_is_no_share_of_it() -> None:
    """A gain of 0 dB is read to what a careful hand reads any to, not to 3 % of nothing."""
    unit = fetsim.load_unit("teaching")
    gain, release, signal = (reading_at(unit, name, {}) for name in ("gain", "release", "signal@dr@0"))
    assert _meter(gain, np.array([0.0, 9.0])) == pytest.approx(ACCURACY_DB)
    assert _meter(release, np.array([0.1, 0.2])) == pytest.approx([0.005, 0.01])
    assert _meter(signal, np.array([0.0, -80.0])) == pytest.approx([ACCURACY_DB, 11.2], rel=0.01)  # 0.1 mV of 0.077 mV


def test_a_unit_as_drawn_is_called_healthy() -> None:
    unit = fetsim.load_unit("teaching")
    found = fetsim.suspects(observed(unit, unit), faults=False, workers=1)
    assert found.below and found.healthy > 0.3  # no less than it was before anything was read
    assert "Nothing is seen" in found.verdict
    assert found.to_dict()["groups"] and found.tables()
    drawn, *others = found.foretold
    assert drawn.readings == pytest.approx([one[1] for one in found.readings], abs=1e-3)
    assert [one.name for one in others[:1]] == [found.groups[0].suspects[0].name]
    bars, _, readings = found.plot().axes
    assert len(bars.get_yticklabels()) > 3 and len(readings.get_xticklabels()) == len(found.readings)


def test_a_recording_of_something_else_or_of_a_gross_fault_is_sent_to_readings() -> None:
    rng = np.random.default_rng(1)
    output, other = rng.normal(size=24000), rng.normal(size=24000)
    with pytest.raises(fetsim.InputError, match=r"box\.wav: is not like what the unit gives by its file"):
        placed(fetsim.Recording(dry=output, wet=other, rate_hz=48000.0, name="box.wav"), output)


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ({"figure": "threshold", "value": "-193dBu"}, "and as drawn the unit has -18.99"),
        ({"figure": "gain", "value": "-200dB"}, "and as drawn the unit has"),
        ({"figure": "release", "value": "1000000s"}, "and as drawn the unit has"),
    ],
)
def test_a_level_or_a_time_that_no_fault_makes_is_refused(row: dict[str, str], why: str) -> None:
    unit = fetsim.load_unit("teaching")
    seen = fetsim.Observations(unit=unit, readings=(reading_of(row, unit, "bench.csv: row 2"),))
    with pytest.raises(fetsim.InputError, match=r"bench.csv: row 2: .* right unit") as refused:
        fetsim.suspects(seen, faults=False, quality="draft", workers=1)
    assert why in str(refused.value)


def test_a_trim_that_its_reading_hardly_tells_was_not_set_by_it() -> None:
    """The control node shorted in the unit as drawn: the gate stays where it is, wherever the trim stands."""
    unit = fetsim.load_unit("teaching")
    assert set_up(unit, *values_of(unit)).trims
    shorted = unit.changed(C2="short")
    assert not set_up(shorted, *values_of(shorted)).trims
    found = fetsim.suspects(observed(shorted, unit), faults=False, quality="draft", workers=1)
    assert "explain all that was read" in found.verdict


def test_nothing_to_go_by_is_refused() -> None:
    with pytest.raises(fetsim.InputError, match="neither readings nor recordings"):
        fetsim.suspects(fetsim.Observations(unit=fetsim.load_unit("teaching")))


@pytest.mark.slow
@pytest.mark.parametrize(("first", "last"), [(30000, None), (0, 80000), (30000, 80000)])
def test_a_recording_that_begins_or_ends_within_the_sound_names_the_part(first: int, last: int | None) -> None:
    """C2 a fifth up, noise 60 dB down; without the silence before it, the noise is not known, which is said."""
    unit, rate_hz, rng = fetsim.load_unit("teaching"), 48000.0, np.random.default_rng(5)
    dry = np.zeros(96000)
    dry[24000:] = rng.normal(size=72000) * np.repeat(rng.uniform(0.01, 0.2, 72), 1000)
    dry = signal.sosfilt(signal.butter(4, 2000.0, fs=rate_hz, output="sos"), dry)
    played = np.ravel(fetsim.render(dry, rate_hz, unit=unit.changed(C2="180n")).output)
    wet = -0.5 * (played + 1e-3 * np.std(played) * rng.normal(size=len(played)))[first:last]
    recording = Recording(dry=dry, wet=wet, rate_hz=rate_hz)
    observed = fetsim.Observations(unit=unit, readings=(), recordings=(recording,))
    found = fetsim.suspects(observed, faults=False, workers=1)
    suspect = found.first
    assert suspect is not None and suspect.name == "C2" and suspect.probability > 0.9
    assert suspect.off_low is not None and suspect.off_high is not None
    assert suspect.off_low - 0.005 < 0.2 < suspect.off_high + 0.005 < suspect.off_low + 0.05
    assert any("no quiet piece" in one for one in found.warnings) == (first > 0)
