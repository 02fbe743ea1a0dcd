"""A session without its page: replayed bit for bit, settled to what the command line gives, in bounded memory."""

import gc
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile

from fetsim.audio.oversampling import EDGE_FRAMES
from fetsim.audio.render import render
from fetsim.errors import ConvergenceError, InputError, UnitError
from fetsim.live.programme import programme_of, read_programme
from fetsim.live.replay import replay
from fetsim.live.session import REMEMBERED, Session, prepare
from fetsim.schematic.load import load_unit
from tests.audio.test_pair import LINK, PAIR
from tests.measurements.needle.test_meter import METERED

RATE_HZ = 48000


def bursts(seconds=0.5, channels=1):
    """A tone that is loud for a quarter of the time; each channel at a pitch of its own."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    loud = 0.05 + 0.35 * (time_s % 0.5 < 0.125)
    tones = [loud * np.sin(2 * np.pi * hz * time_s) for hz in (440, 700)[:channels]]
    return programme_of(np.column_stack(tones), RATE_HZ)


def turned(session, changes, quality=None):
    return prepare(session, changes, quality or session.now.quality)


def advance(session, blocks):
    return np.concatenate([session.advance().output for _ in range(blocks)])


@pytest.mark.parametrize("kind", ["mono", "stereo", "pair"])
def test_the_log_replays_bit_for_bit(kind, tmp_path):
    """Values, another topology, a switch that joins two channels, another quality, another stretch."""
    (tmp_path / "pair.toml").write_text(PAIR + LINK, encoding="utf-8")
    unit = load_unit(tmp_path / "pair.toml" if kind == "pair" else "teaching")
    programme = bursts(channels=1 if kind == "mono" else 2)
    session = Session(unit, programme, "draft")
    heard = [advance(session, 9)]
    session.take(turned(session, {"C2": "330n", "R3": 470.0}))
    heard.append(advance(session, 4))
    session.take(turned(session, {"C2": "330n", "C2.esr": "10"} if kind == "mono" else {"C2": "330n"}))
    heard.append(advance(session, 9))
    if kind == "pair":
        session.take(turned(session, {"C2": "330n", "link": "none"}))
        heard.append(advance(session, 9))
    session.take_quality(turned(session, session.now.changes, "standard"))
    heard.append(advance(session, 3))
    session.go_round(0.1, 0.3)
    session.take(turned(session, {}))
    heard.append(advance(session, 9))
    live = np.concatenate(heard)
    assert len({(one.kind, one.name) for one in session.log}) >= 4
    assert np.array_equal(replay(unit, programme, session.log, session.frame, "draft"), live)
    assert not np.array_equal(replay(unit, programme, session.log[1:], session.frame, "draft"), live)


@pytest.mark.parametrize("changes", [{"C2": "220n", "R4": "470k"}, {"J1.i_dss": "12mA", "C2.esr": "10"}])
def test_a_change_settles_to_what_the_command_line_gives(changes):
    """Time constants of the loop are 0.15 s at the most: 20 of them are -174 dB."""
    programme, unit = bursts(), load_unit("teaching")
    session = Session(unit, programme, "draft")
    advance(session, 10)
    session.take(turned(session, changes))
    blocks = 160
    live = replay(unit, programme, session.log, session.block * blocks, "draft")[:, 0]
    played = programme.sound(0, session.block * blocks, session.place)
    whole = render(played[:, 0], RATE_HZ, unit=unit.changed(changes), quality="draft").output[: len(live)]
    late = slice(-RATE_HZ // 4, None)
    rms = np.sqrt(np.mean(whole[late] ** 2))
    assert np.abs(live - whole)[late].max() < 1e-6 * rms
    assert np.abs(live - whole)[:RATE_HZ].max() > 1e-2 * rms


def test_a_swap_makes_no_jump_where_a_capacitor_holds():
    """The control voltage goes on where it stood, whatever the new capacitor's size: no jump beyond what it moves from
    one step to the next anyway."""
    session = Session(load_unit("teaching"), bursts(), "draft")
    session.probe(session.voices.find_probes(["ctl"]))
    before = np.concatenate([session.advance().traces for _ in range(12)])[:, 0]
    session.take(turned(session, {"C2": "1u"}))
    after = np.concatenate([session.advance().traces for _ in range(3)])[:, 0]
    assert abs(after[0] - before[-1]) <= np.abs(np.diff(before)).max()
    assert np.ptp(before) > 0.1


def test_another_quality_takes_over_without_a_click():
    """Before it is one quality to the last bit, soon after the other within 1e-5, and the difference of the two, which
    is what a splice could jump by, moves no faster at the splice than where neither was left."""
    programme, unit = bursts(), load_unit("teaching")
    session = Session(unit, programme, "standard")
    live = [advance(session, 20)]
    session.take_quality(turned(session, {}, "draft"))
    live.append(advance(session, 20))
    switched = np.concatenate(live)
    fine, coarse = (replay(unit, programme, (), session.frame, quality) for quality in ("standard", "draft"))
    n, cut = min(len(fine), len(coarse)), len(live[0])
    assert np.array_equal(switched[:cut], fine[:cut])
    assert np.abs(switched[cut + 2048 : n] - coarse[cut + 2048 : n]).max() < 1e-5
    apart, both = switched[:n] - fine[:n], coarse[:n] - fine[:n]
    assert np.abs(np.diff(apart[:, 0])).max() < 2.0 * np.abs(np.diff(both[:, 0])).max()


def test_the_unit_s_own_meter_gets_the_current_through_its_coil():
    """600 ohm, 1 mA at full scale: volts across it over 0.6. A unit without a meter pays nothing for it."""
    session = Session(load_unit(METERED), bursts(), "draft")
    session.probe(session.voices.find_probes(["mm"]))
    for heard in [session.advance() for _ in range(12)][3:]:  # the first fill the rate conversion
        assert heard.coils[0].mean() == pytest.approx(heard.traces.mean() / 0.6, rel=1e-3)  # shares differ by a step
        assert heard.march_s * RATE_HZ * session.voices.factor == pytest.approx(len(heard.traces))
    assert heard.coils[0].mean() < 0.9
    without = Session(load_unit("teaching"), bursts(), "draft")
    assert not len(without.advance().coils[0])


def test_memory_is_flat():
    session = Session(load_unit("teaching"), bursts(), "draft")
    session.probe(session.voices.find_probes(["ctl", "R3.current"]))
    advance(session, REMEMBERED)
    tracemalloc.start()
    advance(session, REMEMBERED)
    first = tracemalloc.get_traced_memory()[0]
    advance(session, 2 * REMEMBERED)
    gc.collect()
    grown = tracemalloc.get_traced_memory()[0] - first
    tracemalloc.stop()
    assert grown < 25_000  # a block of output alone is 8 kB, of the log some 200 bytes


def test_what_was_gone_back_from_has_never_been():
    """Values, a jump and a change of quality that nobody heard, in a session that was turned elsewhere afterwards: its
    log replays, and it may be gone back to."""
    programme, unit = bursts(), load_unit("teaching")
    session = Session(unit, programme, "draft")
    heard = advance(session, 8)
    back = session.frame
    session.take(turned(session, {"C2": "1u"}))
    advance(session, 2)
    session.go_round(0.1, 0.3)
    advance(session, 4)
    session.take_quality(turned(session, session.now.changes, "standard"))
    advance(session, 2)
    assert session.first_turn(back - EDGE_FRAMES) == back and session.first_turn(10**9) == session.frame
    gone = session.turn(back, turned(session, {"R3": 470.0}, "draft"))
    assert [(one.frame, one.kind, one.name) for one in session.log] == [(back, "change", "R3"), (back, "loop", "")]
    live = np.concatenate((heard, advance(session, 6)))
    assert np.array_equal(replay(unit, programme, session.log, session.frame, "draft"), live)
    session.go_back_to(gone)
    assert session.now.quality == "standard" and session.log[-1].kind == "quality"
    after = advance(session, 2)
    made = replay(unit, programme, session.log, session.frame, "draft")
    assert np.array_equal(made[-len(after) :], after)


def test_a_unit_without_a_solution_goes_back_to_the_values_before(monkeypatch):
    session = Session(load_unit("teaching"), bursts(), "draft")
    given = advance(session, 10)
    session.take(turned(session, {"C2": "220n"}))
    given = np.concatenate((given, advance(session, 4)))
    session.take(turned(session, {"C2": "330n"}))

    def fails(instant, sound):
        raise ConvergenceError("no convergence at 0.1 s around J1")

    monkeypatch.setattr(session.voices, "play", fails)
    silent = session.advance().output
    assert not silent.any() and len(given) + len(silent) == session.frame - EDGE_FRAMES
    assert session.now.changes == {"C2": "220n"} and session.log[-1].kind == "failure"
    assert "J1" in session.log[-1].name
    assert np.isfinite(advance(session, 4)).all()


def test_what_is_refused(tmp_path):
    session = Session(load_unit("teaching"), bursts(), "draft")
    with pytest.raises(UnitError, match="C99"):
        turned(session, {"C99": "1u"})
    with pytest.raises(InputError, match="shorter"):
        session.go_round(0.2, 0.2)
    with pytest.raises(InputError, match="no such file"):
        read_programme(Path(tmp_path / "none.wav"))
    with pytest.raises(InputError, match="no part"):
        soundfile.write(tmp_path / "in.wav", np.zeros(48000), 48000)
        read_programme(tmp_path / "in.wav", 0.5, 900.0)
    assert not session.log
