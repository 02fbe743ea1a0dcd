"""Places from which a recording is looked at: what slopes there foretell is what is played."""

from dataclasses import replace

import numpy as np
import pytest

from fetsim.studies.suspects.hypotheses import single_values
from fetsim.studies.suspects.origins import Drawn, Origin


def place_of(drawn: Drawn, **ways: float) -> np.ndarray:
    names = [one.name for one in drawn.set_up.values]
    place = np.zeros(len(names))
    for name, way in ways.items():
        place[names.index(name)] = way
    return place


def test_slopes_where_a_suspect_stands_foretell_each_value_there(drawn: Drawn) -> None:
    """R1, in front of the FET, a third up moves the level by some dB: values that hardly matter, whose plays are those
    of the unit as drawn, have the level there taken out of them, not here."""
    (suspect,) = (one for one in single_values(drawn.set_up.values, ()) if one.name == "R1")
    place = place_of(drawn, R1=0.3)
    (columns,) = drawn.played([(suspect, place)])
    assert columns is not None
    origin = drawn.at(suspect, place, columns)
    table = origin.slopes.columns.tables[0]
    before = origin.slopes.columns.heard[0].rows_of(columns.heard[0])
    matters = drawn._matters
    assert 3 < sum(matters) < len(matters)
    for k, one in enumerate(drawn.set_up.values):
        if one.scale != "log" or one.name == "R1" or k in drawn.set_up.trims.values():
            continue
        step = 0.5 * one.step * np.eye(len(matters))[k]
        (moved,) = drawn.played([(suspect, place + step)])
        assert moved is not None
        change = before - origin.slopes.columns.heard[0].rows_of(moved.heard[0])
        missed = change - table.rows[:, k].astype(np.float64) * step[k]
        assert missed @ missed < max(0.05 * float(change @ change), 0.5), one.name


def test_what_is_borrowed_serves_where_it_is_not_far(drawn: Drawn) -> None:
    """A small step from the unit as drawn: with its slopes nearly all of what the step leaves is foretold, whatever the
    level the recording was made at; and the sums count from the unit as drawn, as its own do."""
    (suspect,) = (one for one in single_values(drawn.set_up.values, ()) if one.name == "C2")
    place = place_of(drawn, C2=float(np.log(180.0 / 150.0)))
    (columns,) = drawn.played([(suspect, place)])
    assert columns is not None and drawn.origin.slopes.can_lend(columns)
    lent = Origin(columns=columns, slopes=drawn.origin.slopes, stands=suspect, place=place, borrowed=True)
    here, there = drawn.origin.left[0], lent.left[0]
    assert there < 1.2 * drawn.columns.heard[0].look.count < 0.1 * here  # it is what was recorded: noise is left
    assert drawn.origin.foretold(drawn.origin.away(suspect, place))[0] == pytest.approx(there, abs=0.15 * here)
    assert lent.foretold(lent.away(suspect, place)) == pytest.approx(lent.left, rel=1e-9)
    own = drawn.at(suspect, place, columns)
    assert own.left[0] == pytest.approx(there, rel=0.02)
    own.slopes.forget()
    assert not own.slopes.can_lend(columns)


def test_bent_slopes_give_the_step_that_they_were_bent_by(drawn: Drawn) -> None:
    """C2 a fifth up: by slopes of the unit as drawn something is missed, by the secant of the two nothing, from either
    end; and slopes of elsewhere, lent later, are bent likewise."""
    (suspect,) = (one for one in single_values(drawn.set_up.values, ()) if one.name == "C2")
    place = place_of(drawn, C2=0.18, R1=0.01)
    (columns,) = drawn.played([(suspect, place)])
    assert columns is not None
    there = Origin(columns=columns, slopes=drawn.origin.slopes, stands=suspect, place=place, borrowed=True)
    here = drawn.origin
    away, back = here.away(suspect, place), np.zeros(here.count)
    assert abs(here.foretold(away)[0] - there.left[0]) > 1e-3 * here.left[0]
    bent = there.bent(here)
    assert bent.foretold(back) == pytest.approx(here.left, rel=1e-6)
    assert here.bent(there).foretold(away) == pytest.approx(there.left, rel=1e-3)
    assert bent.slopes.root is here.slopes and bent.slopes is not here.slopes
    own = drawn.at(suspect, place, columns)
    assert bent.borrowing(own.slopes).foretold(back) == pytest.approx(replace(here, slopes=own.slopes).left, rel=1e-6)


def test_a_value_that_moves_the_level_alone_says_nothing_anywhere(drawn: Drawn) -> None:
    """1 % louder, as the unit as drawn has it: the recorder's gain makes up for that, so nothing is left of it where R1
    stands a third up either, though the sound is another one there."""
    (suspect,) = (one for one in single_values(drawn.set_up.values, ()) if one.name == "R1")
    (columns,) = drawn.played([(suspect, place_of(drawn, R1=0.3))])
    assert columns is not None
    plain = drawn.columns.base
    louder = replace(plain, outputs=tuple(None if one is None else 1.01 * one for one in plain.outputs))
    (there,) = columns.difference(louder, plain).rows
    (none,) = columns.difference(louder, plain, drawn=drawn.columns).rows
    assert none @ none < 1e-6 * float(there @ there)
