"""Steps of a search: what is played, what slopes learn of it, and which place is kept."""

from collections.abc import Callable

import numpy as np
import pytest

from fetsim.studies.suspects.hypotheses import Hypothesis, single_values
from fetsim.studies.suspects.origins import Drawn, Origin
from fetsim.studies.suspects.playing import Playing
from fetsim.studies.suspects.study import with_chances

TRUE = float(np.log(180.0 / 150.0))
"""C2, as it was recorded."""


@pytest.fixture
def playing(drawn: Drawn) -> Playing:
    return Playing(drawn=drawn, hypotheses=with_chances(single_values(drawn.set_up.values, ())))


def number(playing: Playing, name: str) -> int:
    return [one.name for one in playing.hypotheses].index(name)


def followed(playing: Playing, name: str, times: int) -> Hypothesis:
    k = number(playing, name)
    for _ in range(times):
        if playing.play([k]):
            playing.weigh()
    return playing.hypotheses[k]


def test_what_is_played_side_by_side_is_what_each_gives_alone(drawn: Drawn, playing: Playing) -> None:
    several, alone = [number(playing, name) for name in ("C2", "R1", "C1")], Playing(drawn, list(playing.hypotheses))
    assert playing.play(several)
    for k in several:
        one = playing.hypotheses[k]
        alone.play([k])
        mine, its = (each.origins[each.home[one.name]] for each in (playing, alone))
        np.testing.assert_array_equal(mine.place, its.place)
        assert mine.left == its.left


def test_a_value_that_is_off_is_followed_to_where_it_is(playing: Playing) -> None:
    one = followed(playing, "C2", 5)
    origin, (k,) = playing.origin_of(one), one.free
    assert origin.place[k] == pytest.approx(TRUE, abs=0.01)
    assert origin.left[0] < 1.05 * drawn_noise(playing)
    assert int(np.argmax(playing.probability)) == number(playing, "C2")


def drawn_noise(playing: Playing) -> float:
    return float(playing.columns.heard[0].look.count)


def test_a_step_that_led_away_is_followed_by_one_back(playing: Playing, monkeypatch: pytest.MonkeyPatch) -> None:
    """A goal far beyond, as slopes that bend give one: a second step by the same slopes comes nearer to the data, and
    the better of the two is kept."""
    one = followed(playing, "C2", 1)
    place: Callable[..., np.ndarray] = Playing.place

    def beyond(self: Playing, which: Hypothesis, held: float = 0.0, origin: Origin | None = None) -> np.ndarray:
        found = place(self, which, held, origin)
        return found if origin is not None else found + 0.3 * np.eye(len(found))[which.free[0]]

    monkeypatch.setattr(Playing, "place", beyond)
    step = playing._ways(number(playing, "C2"))[0]
    (step.there,) = playing._tried([(one, step.goal, step.origin)])
    assert step.there is not None and playing._strays(step)
    away = playing._misfit(one, step.there)
    playing._back([step])
    assert not step.straight and playing._misfit(one, step.there) < 0.3 * away
    assert abs(step.there.place[one.free[0]] - TRUE) < 0.1


def test_a_step_that_gains_nothing_is_not_taken_and_the_next_is_held(
    playing: Playing, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = followed(playing, "R1", 1)
    before = playing.origin_of(one).place
    beyond = 1.0 * np.eye(len(before))[one.free[0]]
    monkeypatch.setattr(Playing, "place", lambda self, which, held=0.0, origin=None: before + beyond)
    assert not playing.play([number(playing, "R1")])
    np.testing.assert_array_equal(playing.origin_of(one).place, before)
    assert playing.held["R1"] > 0.0


def test_the_ends_of_an_interval_are_played_and_foretold_from_then_on(
    playing: Playing, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An interval far wider than the data leave, so that its ends lie where slopes bend."""
    one = followed(playing, "C2", 2)
    middle, way = playing.place(one), 0.1 * np.eye(len(playing.values))[one.free[0]]
    monkeypatch.setattr(Playing, "_end", lambda self, which: way)
    assert playing.prove(number(playing, "C2"))
    origin = playing.origin_of(one)
    low, high = playing._tried([(one, middle + side * way, origin) for side in (-1.0, 1.0)])
    assert low is not None and high is not None and low.slopes is origin.slopes
    assert low.foretold(low.away(one, high.place)) == pytest.approx(high.left, rel=1e-6)
    assert high.foretold(high.away(one, low.place)) == pytest.approx(low.left, rel=1e-6)


def test_one_stands_where_another_has_gone_if_that_is_better(playing: Playing, monkeypatch: pytest.MonkeyPatch) -> None:
    """R1 stands where C2 is what it was recorded with: C1 takes that over, R1 as drawn; and not what is worse."""
    leader, other = number(playing, "R1"), number(playing, "C1")
    (gone,), (c2,) = playing.hypotheses[leader].free, playing.hypotheses[number(playing, "C2")].free
    place = np.zeros(len(playing.values))
    place[[gone, c2]] = 0.05, TRUE
    monkeypatch.setattr(Playing, "place", lambda self, which, held=0.0, origin=None: place)
    assert playing.play([leader])
    playing.weigh()
    one = playing.hypotheses[other]
    before = playing._misfit(one, playing.origin_of(one))
    assert playing.stand_there(other, leader)
    there = playing.origin_of(one)
    assert playing._misfit(one, there) < before
    assert there.place[gone] == 0.0 and there.place[c2] == TRUE
    assert not playing.stand_there(other, leader)  # it is no better than there


def test_slopes_are_taken_anew_only_where_others_missed_much(playing: Playing) -> None:
    one = followed(playing, "C2", 1)
    k = number(playing, "C2")
    root = playing.origin_of(one).slopes.root
    playing.bent.clear()
    assert not playing.take_slopes(k) and playing.own == 1
    playing.bent["C2", root] = 1e4
    assert playing.take_slopes(k) and playing.own == 2
    assert playing.origin_of(one).slopes.root.stands is one


def test_what_leads_by_slopes_of_its_own_is_tried_held_less_and_more_and_the_best_is_kept(playing: Playing) -> None:
    one, k = followed(playing, "C2", 1), number(playing, "C2")
    assert [step.held for step in playing._ways(k)] == [0.0]
    assert playing._look_from(one, playing.origin_of(one), own=True)
    playing.weigh()
    ways = playing._ways(k)
    assert [step.held for step in ways] == [0.0, 1.0, 10.0]
    places = [(one, step.goal, step.origin) for step in ways]
    for step, there in zip(ways, playing._tried(places), strict=True):
        step.there = there
    left = [playing._left(one, step.there) for step in ways]
    assert playing._left(one, playing._best(ways).there) == min(left)


def test_where_slopes_tell_nothing_of_a_value_plays_tell_its_ends(
    playing: Playing, monkeypatch: pytest.MonkeyPatch
) -> None:
    """C2 stands where it is, as if its slope were none: half of it and twice as much leave more, so the interval ends
    half way to those."""
    one, k = followed(playing, "C2", 3), number(playing, "C2")
    at = playing.origin_of(one).place[one.free[0]]
    monkeypatch.setattr(Playing, "_spread", lambda self, which: np.eye(len(self.values)))
    assert not playing.prove(k)
    assert playing.ends["C2"] == pytest.approx((0.875 * at, 1.25 * at))
