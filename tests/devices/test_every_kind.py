"""What must hold for every kind of part, a new one included: nothing here names a kind but the one list of active ones.

States are drawn at random (seeded). Laws are tried at their ports; whole parts between driving sources of known
resistance, so that the current into each terminal is known by Ohm's law outside the part.
"""

import numpy as np
import pytest
from scipy.constants import elementary_charge, k

from fetsim.devices.currents import current_into_a
from fetsim.devices.kinds import KINDS, kind_name
from fetsim.devices.noise import NoiseLaw, Noiseless
from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import Circuit, element
from fetsim.engine.linear import linearise
from fetsim.engine.noise_sources import noise_sources

T_K = 300.0
KT_Q_V = k * T_K / elementary_charge
ACTIVE = ("amplifier", "opamp")
"""Kinds that are neither passive nor in equilibrium without signal: ideal, or fed by constant currents."""
DRIVE_OHM = 50.0
STATES = 25

every_kind = pytest.mark.parametrize("name", KINDS)
every_law = pytest.mark.parametrize("name", [name for name, kind in KINDS.items() if kind.law is not None])
every_mirrored = pytest.mark.parametrize("name", [name for name, kind in KINDS.items() if kind.mirrored])


def port_states(name):
    """Port voltages [shape=(STATES, ports)]: small and large ones, no junction beyond e^30 of its current scale."""
    rng = np.random.default_rng(7)
    kind = KINDS[name]
    bound = kind.law.bound(kind.typical)
    size = np.array(bound.tolerances) * rng.choice([0.03, 0.6, 8.0], size=(STATES, 1))
    drawn = rng.normal(size=(STATES, len(kind.law.ports))) * size
    for j, inv_slope, offset in zip(kind.law.junctions, bound.inv_slopes_per_v, bound.offsets_v, strict=True):
        drawn[:, j.port] = np.minimum(drawn[:, j.port], offset + 30.0 / inv_slope)
        drawn[::3, j.port] = offset + rng.uniform(5.0, 30.0, len(drawn[::3])) / inv_slope  # surely conducting
    return drawn


def driven(name, volts, values=None, drive_ohm=DRIVE_OHM):
    """The part alone, each terminal fed from a source behind a resistance; those inside another part at rest."""
    kind = KINDS[name]
    feeds = [
        element("source", f"V{t}", [t, "0"], resistance_ohm=drive_ohm, emf_v=volt, emf_per_input=0.0)
        for t, volt in zip(kind.terminals, volts, strict=True) if t not in kind.coupled
    ]  # fmt: skip
    nodes = ["0" if t in kind.coupled else t for t in kind.terminals]
    return Circuit((element(name, "X", nodes, **(values or kind.typical)), *feeds))


def settled(name, volts, values=None):
    """Volts of the part's terminals, and the current into each wired one as its feed delivers it."""
    circuit = driven(name, volts, values)
    system = assemble(circuit)
    state = find_bias(system)
    levels = {"0": 0.0, **{node: float(state[i]) for node, i in system.index.items()}}
    fed = {t: (v - levels[t]) / DRIVE_OHM for t, v in zip(KINDS[name].terminals, volts, strict=True) if t in levels}
    return circuit.element("X").at(levels), fed


def terminal_states(name):
    rng = np.random.default_rng(11)
    scales = (0.1, 1.0, 20.0)
    return [rng.normal(size=len(KINDS[name].terminals)) * scales[n % 3] for n in range(9)]


@every_kind
def test_a_kind_says_all_that_is_asked_of_it(name):
    kind = KINDS[name]
    assert kind.terminals and len(set(kind.terminals + kind.inner)) == len(kind.terminals) + len(kind.inner)
    assert all(np.isfinite(value) for value in kind.typical.values())
    assert isinstance(kind.noise, Noiseless | NoiseLaw) or callable(kind.noise)
    if isinstance(kind.noise, Noiseless):
        assert len(kind.noise.reason.split()) > 3  # a sentence, not a shrug
    assert kind.ways is not None or kind.law is not None
    roles = kind.roles
    told = {*roles.drives, *roles.listens, *(roles.rectifies or ()), *(end for pair in kind.conducts for end in pair)}
    assert told <= set(kind.terminals)
    volts, _ = settled(name, np.zeros(len(kind.terminals)))
    ways = kind.ways_at(kind.typical, volts)
    assert ways and {end for way in ways for end in (way.start, way.end)} <= set(kind.terminals)
    assert kind.at_rest(kind.typical, volts).state.format_map(volts) is not None
    assert not roles.symbols or len(roles.symbols) == len(ways)
    if kind.polarity:
        part = name.partition("_")[0]
        assert name == kind_name(part, kind.polarity)
        assert any(other != name and other.startswith(f"{part}_") for other in KINDS)


@every_law
def test_a_law_fits_its_description(name):
    law, values = KINDS[name].law, KINDS[name].typical
    known = {*KINDS[name].terminals, *KINDS[name].inner, None}
    assert {end for pair in (*law.ports, *law.flows) for end in pair} <= known
    assert len(law.flows) == len(law.depends)
    assert all(0 <= port < len(law.ports) for depends in law.depends for port in depends)
    kept = (np.zeros(law.memory), 0) if law.memory else ()
    results = law.function(*[0.01] * len(law.ports), *[1.0] * len(law.junctions), *law.parameters(values), *kept)
    assert len(results) == sum(1 + len(depends) for depends in law.depends)
    assert len(law.bound(values).tolerances) == len(law.ports)
    assert (law.accept is not None) == (law.memory > 0)


@pytest.mark.parametrize("name", [name for name, kind in KINDS.items() if kind.law is not None and kind.law.memory])
def test_a_memory_changes_only_when_a_step_is_accepted(name):
    """Looking at a law changes nothing; accepting a step changes nothing of what flows there, nor does doing it again;
    and what a way there and back leaves behind can be seen."""
    law = KINDS[name].law
    bound, states = law.bound(KINDS[name].typical), port_states(name).tolist()
    memory = np.zeros(law.memory)
    for ports in states:
        before = memory.copy()
        found = [flow.current for flow in bound.evaluate(ports, memory)]
        assert np.array_equal(memory, before)
        bound.accept(ports, memory)
        after = memory.copy()
        assert [flow.current for flow in bound.evaluate(ports, memory)] == pytest.approx(found, rel=1e-12)
        bound.accept(ports, memory)
        assert np.array_equal(memory, after)
    rest = [0.0] * len(law.ports)
    assert bound.evaluate(rest, memory)[0].current != pytest.approx(bound.evaluate(rest)[0].current, abs=1e-12)
    wired = [end for end in KINDS[name].terminals if any(end in flow for flow in law.flows)]
    assert len(wired) < 2  # so that a current probe can do without the memory


@every_law
def test_derivatives_are_those_of_the_currents(name):
    """Against central differences, all ports of all flows; a flow does not depend on a port that it does not name."""
    law, bound = KINDS[name].law, KINDS[name].law.bound(KINDS[name].typical)
    for ports in port_states(name):
        flows = bound.evaluate([float(v) for v in ports])
        for port, tolerance in enumerate(bound.tolerances):
            step = 1e-6 * max(abs(ports[port]), 0.1 * tolerance)
            up, down = (
                bound.evaluate([float(v) + sign * step * (n == port) for n, v in enumerate(ports)])
                for sign in (1.0, -1.0)
            )
            for flow, depends, above, below in zip(flows, law.depends, up, down, strict=True):
                slope = dict(zip(depends, flow.slopes, strict=True)).get(port, 0.0)
                difference = (above.current - below.current) / (2.0 * step)
                # central difference: truncation (step / slope voltage)^2 / 6, 1e-6 at most; rounding 1e-16 i / step
                largest = max(abs(one.current) for one in flows)
                assert difference == pytest.approx(slope, rel=3e-6, abs=1e-15 * largest / step + 1e-18)


@every_law
def test_one_state_and_many_give_the_same(name):
    bound, states = KINDS[name].law.bound(KINDS[name].typical), port_states(name)
    many = bound.evaluate(list(states.T))
    for n, ports in enumerate(states):
        for flow, of_many in zip(bound.evaluate([float(v) for v in ports]), many, strict=True):
            pairs = [(flow.current, of_many.current), *zip(flow.slopes, of_many.slopes, strict=True)]
            for one, several in pairs:
                # two libraries' exponentials differ by a unit in the last place
                assert np.broadcast_to(several, STATES)[n] == pytest.approx(one, rel=1e-13, abs=1e-30)


@every_law
def test_no_step_of_the_solver_overflows(name):
    bound = KINDS[name].law.bound(KINDS[name].typical)
    for volt in (-1e3, 1e3):
        flows = bound.evaluate([volt * tolerance for tolerance in bound.tolerances])
        assert all(np.isfinite([flow.current, *flow.slopes]).all() for flow in flows)


@every_kind
def test_currents_are_those_of_the_feeds_and_sum_to_zero(name):
    """The current probe of each terminal against Ohm's law outside the part, at rest."""
    kind = KINDS[name]
    for emf in terminal_states(name):
        volts, fed = settled(name, emf)
        still = dict.fromkeys(volts, 0.0)
        found = {t: current_into_a(kind, t, kind.typical, volts, still) for t in kind.terminals}
        size = max(abs(volt) for volt in emf) / DRIVE_OHM
        for terminal in fed:
            assert found[terminal] == pytest.approx(fed[terminal], rel=1e-6, abs=1e-9 * size)
        assert sum(found.values()) == pytest.approx(0.0, abs=1e-9 * size)


@every_kind
def test_the_unit_at_rest_reads_the_same_currents(name):
    """The ways of direct current, worked out from voltages alone, against the currents of the feeds."""
    kind = KINDS[name]
    for emf in terminal_states(name):
        volts, fed = settled(name, emf)
        into = dict.fromkeys(kind.terminals, 0.0)
        for way in kind.ways_at(kind.typical, volts):
            into[way.start] += way.current_a
            into[way.end] -= way.current_a
        size = max(abs(volt) for volt in emf) / DRIVE_OHM
        for terminal in fed:
            assert into[terminal] == pytest.approx(fed[terminal], rel=1e-6, abs=1e-9 * size)
        first = kind.ways_at(kind.typical, volts)[0]
        assert first.start == kind.terminals[0]  # so that a probe reads what stands first in the unit at rest


@every_kind
def test_power_in_is_heat_less_what_is_delivered(name):
    kind = KINDS[name]
    for emf in terminal_states(name):
        volts, fed = settled(name, emf)
        power = sum(volts[t] * into for t, into in fed.items())
        ways = kind.ways_at(kind.typical, volts)
        heat = [(volts[w.start] - volts[w.end] - w.emf_v) * w.current_a for w in ways]
        delivered = sum(-w.emf_v * w.current_a for w in ways)
        size = max(abs(volt) for volt in emf) ** 2 / DRIVE_OHM
        assert sum(heat) - delivered == pytest.approx(power, rel=1e-6, abs=1e-9 * size)
        assert sum(heat) >= -1e-9 * size
        if all(way.emf_v == 0.0 for way in ways):
            assert power >= -1e-9 * size


@every_kind
def test_a_linear_stamp_conserves_current(name):
    """In every column, for every source: the rows of the wired terminals, and of those inner ones that are nodes too,
    sum to zero, static and stored; each inner unknown has an equation."""
    kind = KINDS[name]
    unknowns = (*kind.terminals, *kind.inner)
    circuit = Circuit((element(name, "X", kind.terminals, **kind.typical),))
    system = assemble(circuit)
    order = [system.index[circuit.element("X").unknowns[t]] for t in unknowns]
    table = np.column_stack((system.g[order], system.c[order], system.b[order], system.b_input[order]))
    wired, inner = table[: len(kind.terminals)], table[len(kind.terminals) :]
    sums = [
        np.abs(wired.sum(axis=0) + (np.array(chosen) @ inner if len(inner) else 0.0)).max()
        for chosen in np.ndindex(*(2,) * len(inner))
    ]
    assert min(sums) <= 1e-12 * np.abs(table).max()
    flows = kind.law.flows if kind.law else ()
    assert all(row.any() or any(t in pair for pair in flows) for t, row in zip(kind.inner, inner, strict=True))


@every_mirrored
def test_the_other_polarity_is_the_mirror_image(name):
    kind = KINDS[name]
    part = name.partition("_")[0]
    (twin,) = [other for other in KINDS if other.startswith(f"{part}_") and other != name]
    for emf in terminal_states(name):
        volts, fed = settled(name, emf)
        turned, fed_turned = settled(twin, -emf)
        for terminal in kind.terminals:
            assert fed[terminal] == pytest.approx(-fed_turned[terminal], rel=1e-6, abs=1e-12)
        ours, theirs = (KINDS[n].noise_at(KINDS[n].typical, v, T_K) for n, v in ((name, volts), (twin, turned)))
        assert [one.density for one in ours] == pytest.approx([one.density for one in theirs], rel=1e-5, abs=1e-36)
        told, told_turned = (KINDS[n].at_rest(KINDS[n].typical, v) for n, v in ((name, volts), (twin, turned)))
        assert told.state == told_turned.state
        if told.above_pinch_off_v is not None:
            assert told.above_pinch_off_v == pytest.approx(told_turned.above_pinch_off_v, rel=1e-6, abs=1e-6)


@every_kind
@pytest.mark.parametrize(("frequency_hz", "drive_ohm"), [(100.0, 50.0), (20e3, 50.0), (3e6, 1e3), (0.0, 1e12)])
def test_noise_in_equilibrium_is_that_of_the_resistance(name, frequency_hz, drive_ohm):
    """Nyquist 1928: between any terminal and ground 4 k T times the real part of the impedance there, whatever the part
    is; for junctions (ideality 1 here) their shot noise at zero voltage must come to the same."""
    if name in ACTIVE:
        pytest.skip("not passive")
    kind = KINDS[name]
    junctions = kind.law.junctions if kind.law else ()
    slopes = {j.slope_v: KT_Q_V for j in junctions if j.offset_v is None}
    values = {**kind.typical, **slopes}
    circuit = driven(name, np.zeros(len(kind.terminals)), values, drive_ohm)
    system = assemble(circuit)
    state = find_bias(system)
    linear = linearise(system, state)
    assert np.allclose(linear.g - linear.g.T, 0.0, atol=1e-6 * np.abs(linear.g).max()) or kind.inner
    for terminal in system.index.keys() & kind.terminals:
        there = np.zeros(system.size)
        there[system.index[terminal]] = 1.0
        ohm = linear.solve(frequency_hz, there)[system.index[terminal]].real
        found = 0.0
        for source in noise_sources(circuit, state, system.index, T_K):
            current = np.zeros(system.size + 1)
            current[source.start], current[source.end] = current[source.start] - 1.0, current[source.end] + 1.0
            found += abs(linear.solve(frequency_hz, current[:-1])[system.index[terminal]]) ** 2 * source.density
        # a bias solved to 1e-9 V is 4e-8 of a junction's slope; 30 ohm and 1e12 ohm in one matrix round to 1e-6
        assert found == pytest.approx(4.0 * k * T_K * ohm, rel=1e-5, abs=0.0)


@every_kind
def test_noise_is_never_negative_and_grows_with_temperature(name):
    kind = KINDS[name]
    if isinstance(kind.noise, Noiseless):
        return
    for emf in terminal_states(name):
        volts, _ = settled(name, emf)
        cold, warm = (kind.noise_at(kind.typical, volts, kelvin) for kelvin in (250.0, 350.0))
        assert cold and all(0.0 <= one.density <= other.density for one, other in zip(cold, warm, strict=True))


@pytest.mark.parametrize("name", [name for name, kind in KINDS.items() if kind.channel is not None])
class TestChannel:
    """A FET's channel, as gain cell and noise ask for it, against its own law."""

    def sets(self, name):
        kind = KINDS[name]
        rng = np.random.default_rng(3)
        channel = kind.channel(kind.typical)
        v_gs = channel.pinch_off_v * rng.uniform(-0.05, 1.3, 40)
        v_ds = rng.normal(size=40) * np.geomspace(1e-6, 6.0, 40)
        bound = kind.law.bound({**kind.typical, "i_gate_sat_a": 1e-30})
        return channel, bound, v_gs, v_ds

    def test_chord_conductance_is_current_over_voltage(self, name):
        channel, bound, v_gs, v_ds = self.sets(name)
        flow = bound.evaluate([v_gs, v_gs - v_ds])[0]
        assert channel.chord_s(v_gs, v_gs - v_ds, v_ds) == pytest.approx(flow.current / v_ds, rel=1e-6, abs=1e-15)

    def test_small_signal_conductance_is_the_slope_at_zero(self, name):
        channel, bound, v_gs, _ = self.sets(name)
        by_gate_drain = bound.evaluate([v_gs, v_gs])[0].slopes[1]
        assert channel.small_signal_s(v_gs) == pytest.approx(-by_gate_drain, rel=1e-9, abs=1e-18)
        assert channel.on_ohm == pytest.approx(1.0 / channel.small_signal_s(0.0))

    def test_noise_at_zero_drain_voltage_is_that_of_the_slope(self, name):
        channel, _, v_gs, _ = self.sets(name)
        assert channel.noise_s(v_gs, v_gs) == pytest.approx(channel.small_signal_s(v_gs), rel=1e-9, abs=1e-18)

    def test_noise_in_saturation_is_two_thirds_of_the_transconductance(self, name):
        """van der Ziel 1962, for a channel without resistances in drain and source; gate at source potential, far in
        saturation; the rise with V_DS counted in both."""
        kind = KINDS[name]
        values = {**kind.typical, **dict.fromkeys({"series_per_v"} & set(kind.typical), 0.0)}
        channel, flow = kind.channel(values), kind.law.bound(values).evaluate([0.0, -40.0])[0]
        assert channel.noise_s(0.0, -40.0) == pytest.approx(2.0 / 3.0 * sum(flow.slopes), rel=0.01)
