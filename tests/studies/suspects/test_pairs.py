"""Second values beside a suspect: when they are played, and which stay."""

import numpy as np
import pytest

from fetsim.studies.suspects.hypotheses import single_values
from fetsim.studies.suspects.origins import Drawn
from fetsim.studies.suspects.pairs import MOST_PAIRS, Pairs
from fetsim.studies.suspects.study import with_chances


@pytest.fixture
def search(drawn: Drawn) -> Pairs:
    """With C2 followed to where it is, and pairs beside it."""
    found = Pairs(drawn=drawn, hypotheses=with_chances(single_values(drawn.set_up.values, ())))
    c2 = number(found, "C2")
    for _ in range(5):
        if found.play([c2]):
            found.weigh()
    found.add_pairs(of=1)
    return found


def number(search: Pairs, name: str) -> int:
    return [one.name for one in search.hypotheses].index(name)


def pairs_of(search: Pairs) -> list[int]:
    return [k for k, one in enumerate(search.hypotheses) if one.name.startswith("C2 and ")]


def test_a_pair_is_seen_from_its_single_suspect_which_goes_first(
    search: Pairs, monkeypatch: pytest.MonkeyPatch
) -> None:
    pairs, c2 = pairs_of(search), number(search, "C2")
    assert len(pairs) == MOST_PAIRS
    assert {search._from(search.hypotheses[k]) for k in pairs} == {search.home["C2"]}
    monkeypatch.setattr(search, "is_settled", lambda k: False)
    assert set(search.singles_first([c2, *pairs])) == {c2}


def test_a_pair_that_could_add_nothing_is_not_played(search: Pairs, monkeypatch: pytest.MonkeyPatch) -> None:
    """C2 alone leaves noise: whatever a second value promises of that, the chance of a second fault costs more; but not
    if C2 alone left more."""
    pair, c2 = number(search, "C2 and R1"), number(search, "C2")
    monkeypatch.setattr(search, "is_settled", lambda k: True)
    assert list(search.singles_first([c2, pair])) == [c2]
    come = search._come
    monkeypatch.setattr(search, "_come", lambda one: come(one) + 1e4)
    assert list(search.singles_first([c2, pair])) == [c2, pair]


def test_pairs_that_keep_no_promise_go(search: Pairs) -> None:
    kept = pairs_of(search)[0]
    search.play([kept])
    assert search.hypotheses[kept].name in search.home
    search.leave_idle()
    assert not pairs_of(search) and len(search.log_evidence) == len(search.hypotheses)
    search.weigh()
    assert np.all(np.isfinite(search.log_evidence)) and not [name for name in search.home if " and " in name]
