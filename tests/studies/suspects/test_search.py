"""What a search does at its end."""

import pytest

from fetsim.studies.suspects.hypotheses import single_values
from fetsim.studies.suspects.origins import Drawn
from fetsim.studies.suspects.playing import BENT
from fetsim.studies.suspects.search import Search
from fetsim.studies.suspects.study import with_chances


@pytest.fixture
def search(drawn: Drawn) -> Search:
    """With C2, which it is, followed to where it is by slopes of elsewhere."""
    found = Search(drawn=drawn, hypotheses=with_chances(single_values(drawn.set_up.values, ())))
    k = [one.name for one in found.hypotheses].index("C2")
    for _ in range(4):
        if found.play([k]):
            found.weigh()
    return found


def test_the_first_is_seen_by_new_slopes_at_its_end_if_those_that_led_there_were_bent(search: Search) -> None:
    own, first = search.own, search.hypotheses[search._order[0]]
    search.bent.clear()
    search._see_first()
    assert first.name == "C2" and search.own == own
    search.bent["C2", search.origin_of(first).slopes.root] = 2.0 * BENT
    plays = search.plays["C2"]
    search._see_first()
    assert search.own == own + 1 and search.origin_of(first).slopes.root.stands is first
    assert len(search.looks) == len(search.origins)
    assert search.plays["C2"] == plays  # steps at the end are not told as a search


def test_where_nothing_explains_all_those_that_nearly_led_get_slopes_of_their_own(
    search: Search, monkeypatch: pytest.MonkeyPatch
) -> None:
    last = search._order[-1]
    name = search.hypotheses[last].name
    assert search.play([last])
    search.weigh()
    assert search.led["C2"] == 0.0 < min(behind for other, behind in search.led.items() if other != "C2")
    assert name not in search.led
    search.led = {name: 3.0, "C2": 0.0}
    for k in (search._order[0], last):
        one = search.hypotheses[k]
        search.bent[one.name, search.origin_of(one).slopes.root] = 2.0 * BENT
    monkeypatch.setattr(Search, "_promised", lambda self, k: 0.0)
    assert search.is_explained() and not search._renew()
    monkeypatch.setattr(Search, "is_explained", lambda self: False)
    had = search.renewed["C2"]
    assert had > 0 and search._renew()
    assert dict(search.renewed) == {"C2": had, name: 1}
    assert not search.is_settled(last)


def test_the_best_gets_new_slopes_where_it_has_not_come_to_what_its_own_promise(
    search: Search, monkeypatch: pytest.MonkeyPatch
) -> None:
    k = search._order[0]
    one, had = search.hypotheses[k], search.renewed["C2"]
    search.bent["C2", search.origin_of(one).slopes.root] = 2.0 * BENT
    origin = search.origin_of(one)
    promised = search._misfit(one, origin) - search._hoped(one, origin, search.place(one))
    assert search._promised(k) == pytest.approx(promised)
    monkeypatch.setattr(Search, "_promised", lambda self, k: 25.0)
    assert search.is_explained() and search._renew() and search.renewed["C2"] == had + 1
