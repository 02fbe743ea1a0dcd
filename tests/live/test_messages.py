"""Whatever a page sends: nothing crashes, nothing is written, and what is wrong is answered with one clear line."""

import json
import os

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fetsim.errors import InputError
from fetsim.live.hub import MOST_WAITING, Hub, Page
from fetsim.live.messages import LARGEST_BYTES, read_message
from fetsim.live.session import Session
from fetsim.schematic.load import load_unit
from tests.live.test_session import bursts

NAMES = ["C2", "R3", "J1.i_dss", "C2.esr", "name", "unit", "C99", "C2.value", "temperature_c", "../x", "J1.device"]
SLOTS, FILES = ["A", "B", "C", "start", "D"], ["changes", "unit", "log", "compare", "x"]
PLAYED = ("frame", "dropouts", "edition", "refused")
scalars = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12)
anything = st.recursive(
    scalars, lambda one: st.lists(one, max_size=3) | st.dictionaries(st.text(max_size=6), one, max_size=3)
)
names = st.sampled_from(NAMES) | st.text(max_size=8)
values = scalars | st.sampled_from(["4k7", "220n", "1e999", "0", "-1", "/etc/passwd", "infinite", "nan"])
nearly = st.one_of(
    st.fixed_dictionaries({"do": st.just("change"), "values": st.dictionaries(names, values, max_size=3)}),
    st.fixed_dictionaries({"do": st.just("step"), "name": names, "up": st.booleans()}),
    st.fixed_dictionaries({"do": st.just("probe"), "names": st.lists(names, max_size=5), "span_s": scalars}),
    st.fixed_dictionaries({"do": st.just("loop"), "from_s": scalars, "to_s": scalars}, optional={"at_s": scalars}),
    st.fixed_dictionaries({"do": st.sampled_from(["keep", "recall"]), "slot": st.sampled_from(SLOTS)}),
    st.fixed_dictionaries({"do": st.just("export"), "what": st.sampled_from(FILES)}),
    st.fixed_dictionaries({"do": st.just("played"), **dict.fromkeys(PLAYED, scalars)}),
    st.fixed_dictionaries({"do": st.sampled_from(["play", "pause", "undo", "redo", "reset", "quality", "x"])}),
)  # fmt: skip
texts = st.one_of(
    nearly.map(json.dumps), anything.map(json.dumps), st.text(max_size=40), st.binary(max_size=40),
    st.tuples(nearly, anything).map(lambda two: json.dumps({**two[0], "more": two[1]})),
)  # fmt: skip


@pytest.fixture(scope="module")
def hub(tmp_path_factory):
    """One that works nothing out in other processes and plays nothing."""
    folder = tmp_path_factory.mktemp("fuzzed")
    hub = Hub(Session(load_unit("teaching"), bursts(), "draft"), folder / "compared")
    hub.background.ask = lambda *arguments, told: None
    yield hub
    hub.end()


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(messages=st.lists(texts, min_size=1, max_size=6))
def test_no_message_does_harm(hub, messages):
    page = Page()
    hub.open(page)
    before = set(os.listdir("."))
    for text in messages:
        told = len(page.waiting._queue)
        hub.take(page, text)
        answers = [one for one in list(page.waiting._queue)[told:] if isinstance(one, str)]
        wrong = [json.loads(one)["text"] for one in answers if json.loads(one)["is"] == "wrong"]
        assert len(wrong) <= 1
        for line in wrong:
            assert 5 < len(line) < 3000 and "Traceback" not in line
        hub.desk.now  # noqa: B018  # what it holds is a unit
    hub.close(page)
    assert set(os.listdir(".")) == before and not hub.folder.exists()
    assert list(hub.folder.parent.iterdir()) == []


@pytest.mark.parametrize("text, said", [
    ("", "message"),
    ("{", "message"),
    ('{"do": "halt"}', "play"),
    ('{"do": "step", "name": "C2"}', "step.up"),
    ('{"do": "change", "values": {}}', "change.values"),
    ('{"do": "change", "values": {"C2": true}}', "C2"),
    ('{"do": "loop", "from_s": NaN, "to_s": 1}', "message"),
    ('{"do": "undo", "more": 1}', "undo.more"),
    ("x" * (LARGEST_BYTES + 1), "bytes are more"),
])  # fmt: skip
def test_what_fits_no_message_is_refused_in_one_line(text, said):
    with pytest.raises(InputError) as error:
        read_message(text)
    assert said in str(error.value) and "\n" not in str(error.value)


def test_a_page_that_takes_nothing_in_is_still_told_the_latest_state(hub):
    page = Page()
    hub.open(page)
    hub.take(page, json.dumps({"do": "reset"}))  # what was tried before
    for k in range(MOST_WAITING + 10):
        hub.take(page, json.dumps({"do": "change", "values": {"C2": ("220n", "330n")[k % 2]}}))
    hub.take(page, json.dumps({"do": "change", "values": {"C2": "10n"}}))
    for _ in range(MOST_WAITING):
        page.send(b"sound", lasting=False)
    assert page.waiting.qsize() == MOST_WAITING
    states = [json.loads(one) for one in page.waiting._queue if isinstance(one, str)]
    assert [one for one in states if one["is"] == "state"][-1]["values"]["C2"] == "10 nF"
    hub.close(page)


def test_what_a_page_asks_for_is_done(hub):
    """One of each, with what is to be seen of it."""
    page = Page()
    hub.desk.snapshots.clear()  # of what was tried before
    hub.comparing = False
    hub.open(page)

    def do(**message):
        hub.take(page, json.dumps(message))
        found = [json.loads(one) for one in page.waiting._queue if isinstance(one, str)]
        page.waiting._queue.clear()
        return found[-1]

    do(do="reset")
    assert do(do="change", values={"C2": "220n"})["values"]["C2"] == "220 nF"
    assert do(do="step", name="C2", up=True)["values"]["C2"] == "240 nF"  # E24 of IEC 60063, from memory
    assert do(do="step", name="C2", up=False, series="E6")["values"]["C2"] == "220 nF"
    assert do(do="step", name="J1.i_dss", up=True)["values"]["J1.i_dss"] == "15.75 mA"
    assert do(do="undo")["values"]["J1.i_dss"] == "15 mA"
    assert sorted(do(do="redo")["differences"]) == [["C2", "150 nF", "220 nF"], ["J1.i_dss", "15 mA", "15.75 mA"]]
    assert do(do="keep", slot="A")["heard"] == "A"
    assert do(do="recall", slot="start")["differences"] == []
    assert do(do="recall", slot="A")["values"]["C2"] == "220 nF"
    assert do(do="recall", slot="B") == {"is": "wrong", "text": "snapshot: B holds none; keep one there first"}
    assert do(do="change", values={"C2": None})["values"]["C2"] == "150 nF"
    assert "C99" in do(do="change", values={"C99": "1u"})["text"]
    assert "no number" in do(do="step", name="J1", up=True)["text"]
    unit = do(do="export", what="unit")
    assert unit["name"] == "turned.toml" and "15.75" in unit["text"]
    assert "--change 'J1.i_dss=15.75mA'" in do(do="export", what="changes")["text"]
    assert do(do="export", what="compare")["text"].startswith("Comparing 3 versions")
    assert "one is being written" in do(do="export", what="compare")["text"]
    hub._compared(None, "no room")
    assert not hub.comparing
    assert do(do="probe", names=["ctl", "R3.current"])["probes"]["units"] == ["V", "A"]
    assert "nothing is called" in do(do="probe", names=["nowhere"])["text"]
