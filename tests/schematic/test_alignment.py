"""Steps of the alignment in a unit file: read, refused with a line each, changed, saved, and merged with a base."""

# ruff: noqa: E501 (the table below has one mistake a line)

import pytest

from fetsim.errors import UnitError
from fetsim.schematic.load import load_unit
from fetsim.schematic.settings import number_named
from tests.schematic.test_mistakes import complaints, edited

FIRST = 'first = { set = "level", read = "volts", at = ["c", "0"], must_be = 0 }'
DUNLIN = load_unit("dunlin")


def test_shipped_steps_say_what_is_set_read_and_wanted():
    bias, linearising = DUNLIN.alignment.values()
    assert (bias.name, bias.set, bias.read, bias.must_be, bias.accepted) == (
        "idle_bias", "idle_trim", "loss_at_rest", 0.03, 0.02,
    )  # fmt: skip
    assert (linearising.must_be, linearising.series, linearising.reduction_db) == (None, "E24", 10.0)
    assert all(load_unit(name).alignment for name in ("teaching", "greenshank"))
    assert number_named(load_unit("teaching"), "V2.voltage").value == number_named(load_unit("teaching"), "V2").value


# what stands in the place of the first step, beginning of the one line, what else it says
MISTAKES = [
    ('first = { set = "levle", read = "gain", must_be = 0 }', "first: set: no control or part named 'levle'", "level"),
    ('first = { set = "R1.gain", read = "gain", must_be = 0 }', "first: set: R1 has no number 'gain'", ""),
    ('first = { set = "D1", read = "gain", must_be = 0 }', "first: set: say which value of D1", ""),
    ('first = { set = "a b", read = "gain", must_be = 0 }', "first: set: 'a b' names nothing", ""),
    ('first = { set = "level", read = "gian", must_be = 0 }', "first: read: unknown choice 'gian'; did you mean gain?", ""),
    ('first = { set = "level", read = "gain" }', "first: must_be: is missing", ""),
    ('first = { set = "level", read = "gain", must_be = "0V" }', "first: must_be: '0V' is in volt", "-20dB"),
    ('first = { set = "level", read = "gain", must_be = true }', "first: must_be: must be an amount", ""),
    ('first = { set = "level", read = "gain", must_be = "least" }', "first: must_be: must be an amount; gain has no least", ""),
    ('first = { set = "level", read = "gain", must_be = 0, accepted = 0 }', "first: accepted: 0 dB accepts nothing", ""),
    ('first = { set = "level", read = "second_harmonic", must_be = 0, level_dbu = 0 }', "first: must_be: must be 'least'", ""),
    ('first = { set = "level", read = "second_harmonic", must_be = "least" }', "first: level_dbu: is missing", "reduction_db"),
    ('first = { set = "level", read = "output_level", must_be = 4, level_dbu = 0, reduction_db = 3 }', "first: reduction_db: says the same", ""),
    ('first = { set = "level", read = "gain", must_be = 0, level_dbu = 4 }', "first: level_dbu: gain is read without a tone", ""),
    ('first = { set = "level", read = "gain", at = "c", must_be = 0 }', "first: at: gain is a matter of the whole unit", ""),
    ('first = { set = "level", read = "volts", must_be = 0 }', "first: at: is missing; name a node", ""),
    ('first = { set = "level", read = "volts", at = "nowhere", must_be = 0 }', "first: at: no node named 'nowhere'", ""),
    ('first = { set = "level", read = "volts", at = 5, must_be = 0 }', "first: at: must be a node", ""),
    ('first = { set = "level", read = "current", at = "X1", must_be = 0 }', "first: at: no part named 'X1'", ""),
    ('first = { set = "level", read = "current", at = ["R1", "R2"], must_be = 0 }', "first: at: name one part", ""),
    ('first = { set = "level", series = "E24", read = "gain", must_be = 0 }', "first: series: goes with a part", ""),
    ('first = { set = "R1", series = "E25", read = "gain", must_be = 0 }', "first: series: unknown choice 'E25'", "E24"),
    ('first = { set = "level", raed = "gain", read = "gain", must_be = 0 }', "first: raed: unknown key; did you mean read?", ""),
    ("first = 5", "first: must be a table", ""),
    ('R1 = { set = "level", read = "gain", must_be = 0 }', "R1: one name for 2 things", "a step of the alignment"),
]  # fmt: skip


@pytest.mark.parametrize(("step", "beginning", "also"), MISTAKES)
def test_a_mistake_is_one_line_that_names_the_step(step, beginning, also, tmp_path):
    (line,) = complaints(edited((FIRST, step)), tmp_path)
    assert line.startswith(beginning) and also in line


def test_a_step_that_needs_a_gain_cell_says_so(tmp_path):
    text = edited(('[gain_cell]\nfet = "J1"\ncontrol_node = "f"\n', ""), ("level_dbu = -10", "reduction_db = 3"))
    lines = complaints(text.replace(FIRST, 'first = { set = "level", read = "loss_at_rest", must_be = 1 }'), tmp_path)
    assert [line.partition(" needs")[0] for line in lines] == ["first: read:", "second: reduction_db:"]


def test_a_step_is_changed_as_a_part_is():
    other = DUNLIN.changed({"idle_bias.must_be": "0.5dB", "linearising.level_dbu": 4, "linearising.series": "E96"})
    assert other.alignment["idle_bias"].must_be == 0.5
    assert (other.alignment["linearising"].level_dbu, other.alignment["linearising"].reduction_db) == (4.0, None)
    told = {name: (before, after) for name, before, after in other.changes}
    assert told["idle_bias.must_be"] == ("0.03 dB", "0.5 dB") and told["linearising.series"] == ("E24", "E96")
    assert other.digest != DUNLIN.digest and other.parts == DUNLIN.parts
    for change, line in (
        ({"idle_bias": 1}, "say what of this step of the alignment; choices: idle_bias.about"),
        ({"idle_bias.mustbe": 1}, "did you mean must_be?"),
        ({"idle_bias.must_be": "2V"}, "idle_bias: must_be: '2V' is in volt"),
        ({"idle_bias.set": "nothing"}, "idle_bias: set: no control or part named 'nothing'"),
    ):
        with pytest.raises(UnitError, match=line.replace("?", r"\?")):
            DUNLIN.changed(change)


@pytest.mark.parametrize("based", [False, True])
def test_changed_steps_are_saved(based, tmp_path):
    other = DUNLIN.changed({"idle_bias.must_be": "0.5dB", "linearising.level_dbu": 4})
    again = load_unit(other.save(tmp_path / "other.toml", based=based))
    if based:  # what is left out of a file that starts from another stands in that one
        assert again.alignment["linearising"].level_dbu == 4.0 and again.alignment["linearising"].reduction_db is None
    assert again.alignment == other.alignment


def test_a_file_that_starts_from_another_adds_steps_and_takes_them_out(tmp_path):
    head = 'name = "Reed"\nbased_on = "dunlin"\n'
    path = tmp_path / "reed.toml"
    path.write_text(head + 'taken_out = ["R4", "C1"]\nalignment.level = { set = "makeup", read = "gain", must_be = 0 }\n')
    assert list(load_unit(path).alignment) == ["idle_bias", "level"]  # what set R4 went with it
    path.write_text(head + 'taken_out = ["idle_bias"]\nchanged.linearising.accepted = "0.2%"\n')
    (left,) = load_unit(path).alignment.values()
    assert (left.name, left.accepted) == ("linearising", 0.002)
    path.write_text(head + 'alignment.idle_bias = { set = "R4", read = "gain", must_be = 0 }\n')
    with pytest.raises(UnitError, match="idle_bias: is there already; name it in taken_out first"):
        load_unit(path)
