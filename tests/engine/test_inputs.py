"""Several inputs: against superposition and closed forms, in lanes, and those that the engine makes itself."""

import numpy as np
import pytest
from scipy import signal as dsp

from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import PROGRAM, Circuit
from fetsim.engine.lanes import WIDTH
from fetsim.engine.linear import linearise
from fetsim.engine.methods import METHODS
from fetsim.engine.signals import Sine, White
from fetsim.engine.simulation import Simulation
from fetsim.engine.state import State
from fetsim.engine.together import march_together
from fetsim.errors import InputError
from tests.engine.small import DIODE, capacitor, element, resistor, source

RATE_HZ = 96000.0
TIME_S = np.arange(1, 400) / RATE_HZ
PROGRAM_V = np.sin(2 * np.pi * 1000.0 * TIME_S)
KEY_V = 0.3 * np.sin(2 * np.pi * 3300.0 * TIME_S + 1.0)


def key(name: str, a: str, ohm: float):
    return source(name, a, ohm).driven_by("key")


def ladder() -> Circuit:
    """Two sources on a ladder; the nodes ``p`` and ``k`` at the sources are taken out by the reduction."""
    return Circuit((
        source("V", "p", 50.0), resistor("R1", "p", "a", 1e3), capacitor("C1", "a", "0", 47e-9),
        resistor("R2", "a", "b", 2.2e3), capacitor("C2", "b", "0", 22e-9),
        key("K", "k", 100.0), resistor("R3", "k", "b", 3.3e3),
    ))  # fmt: skip


def two_clippers(ohm: float = 2.2e3) -> Circuit:
    return Circuit((
        source("V", "out", 2.2e3), key("K", "out", ohm), capacitor("C", "out", "0", 10e-9),
        element("diode", "D1", ["out", "0"], **DIODE), element("diode", "D2", ["0", "out"], **DIODE),
    ))  # fmt: skip


def of(circuit: Circuit, method: str = "bdf4", recorded=("out",), rate_hz: float = RATE_HZ) -> Simulation:
    return Simulation.of(circuit, rate_hz, list(recorded), method=method, tolerance_v=1e-9)


@pytest.mark.parametrize("method", ["bdf4", "sdirk4"])
def test_superposition(method):
    """Both inputs together give what each alone gives, and so do nodes that the reduction has taken out."""
    nodes = ("p", "a", "b", "k")
    both = of(ladder(), method, nodes).advance({PROGRAM: PROGRAM_V, "key": KEY_V})
    alone = [of(ladder(), method, nodes).advance(drive) for drive in (PROGRAM_V, {"key": KEY_V})]
    assert np.abs(both - sum(alone)).max() < 1e-14
    assert np.abs(alone[1]).max() > 0.01


@pytest.mark.parametrize("method", ["bdf4", "sdirk4"])
def test_a_normalled_input_follows_the_program_until_it_is_fed(method):
    """As if it had been fed so many times the program's voltage; what is fed to it counts alone."""
    follows = Circuit(ladder().elements, normalled={"key": 0.5})
    by_itself = of(follows, method, ("b",)).advance(PROGRAM_V)
    fed = of(ladder(), method, ("b",)).advance({PROGRAM: PROGRAM_V, "key": 0.5 * PROGRAM_V})
    assert np.array_equal(by_itself, fed)
    other = {PROGRAM: PROGRAM_V, "key": KEY_V}
    assert np.array_equal(
        of(follows, method, ("b",)).advance(other), of(ladder(), method, ("b",)).advance(other)
    )
    assert not np.any(of(follows, method, ("b",)).advance({"key": 0.0 * KEY_V}))
    linear = [linearise(system, find_bias(system)) for system in (assemble(follows), assemble(ladder()))]
    wanted = linear[1].driven_by(PROGRAM) + 0.5 * linear[1].driven_by("key")
    assert np.array_equal(linear[0].driven_by(PROGRAM), wanted)
    assert np.array_equal(linear[0].driven_by("key"), linear[1].driven_by("key"))


def test_a_second_input_is_as_good_as_the_first():
    """The same circuit with the names exchanged."""
    exchanged = Circuit(tuple(
        e.driven_by({PROGRAM: "key", "key": PROGRAM}[e.input]) if e.kind == "source" else e for e in ladder().elements
    ))  # fmt: skip
    one = of(ladder(), recorded=("b",)).advance({PROGRAM: PROGRAM_V, "key": KEY_V})
    other = of(exchanged, recorded=("b",)).advance({PROGRAM: KEY_V, "key": PROGRAM_V})
    assert np.abs(one - other).max() < 1e-15


def test_key_against_scipy():
    """Key through 100 ohm and 3.3 kohm, the ladder behind: state equations written by hand, integrated by scipy."""
    out = of(ladder(), "sdirk4", ("b",), 8 * RATE_HZ)
    t = np.arange(1, 8 * len(TIME_S)) / (8 * RATE_HZ)
    fine = 0.3 * np.sin(2 * np.pi * 3300.0 * t + 1.0) * (1.0 - np.exp(-t * 2e4))
    found = out.advance({"key": fine})[:, 0]
    a = [[-(1 / 1050 + 1 / 2200) / 47e-9, 1 / 2200 / 47e-9], [1 / 2200 / 22e-9, -(1 / 2200 + 1 / 3400) / 22e-9]]
    _, wanted, _ = dsp.lsim((a, [[0.0], [1 / 3400 / 22e-9]], [[0.0, 1.0]], [[0.0]]), [0.0, *fine], [0.0, *t])
    # lsim holds the input on straight lines between samples: (w h)^2 / 12 of it
    assert np.abs(found - wanted[1:]).max() < 2e-4 * np.abs(wanted).max()


def test_small_signal_from_either_input():
    system = assemble(two_clippers())
    linear = linearise(system, find_bias(system))
    near = of(two_clippers(), "bdf4", ("out",), 40 * RATE_HZ)
    time = np.arange(1, 400_000) / (40 * RATE_HZ)
    for name in linear.inputs:
        tone = 1e-4 * np.sin(2 * np.pi * 1e3 * time)
        heard = near.branch().advance({name: tone})[-38_400 * 4 :, 0]
        phase = np.exp(-2j * np.pi * 1e3 * time[-38_400 * 4 :])
        gain = 2j * np.mean(heard * phase) / 1e-4
        (row,) = linear.solve(1e3, linear.driven_by(name))
        assert gain == pytest.approx(row, rel=1e-5)


@pytest.mark.parametrize("method", ["bdf4", "sdirk2"])
def test_lanes(method, monkeypatch):
    """Two inputs in lanes, one lane in need of rescue: as alone."""
    monkeypatch.setattr("fetsim.engine.prepared.MAX_ITERATIONS", 4)
    jumps = {PROGRAM: PROGRAM_V, "key": np.where(np.arange(len(TIME_S)) // 50 % 2, 6.0, -6.0)}
    drives = [{PROGRAM: PROGRAM_V * 0.1, "key": KEY_V}, jumps, {"key": KEY_V}, {PROGRAM: PROGRAM_V}, jumps]
    circuits = [two_clippers(ohm) for ohm in (1e3, 2e3, 3e3, 4e3, 5e3)]
    together = [Simulation.of(c, RATE_HZ, ["out"], method=method) for c in circuits]
    alone = [Simulation.of(c, RATE_HZ, ["out"], method=method) for c in circuits]
    found = march_together(together, drives)
    assert len(found) > WIDTH
    for one, other, marched, drive in zip(alone, together, found, drives, strict=True):
        wanted = one.march(drive)
        assert wanted.failure is None and marched.failure is None
        assert np.abs(marched.record - wanted.record).max() < 1e-9
        assert np.array_equal(marched.input_v("key"), drive.get("key", 0.0 * KEY_V))
        assert np.array_equal(other.state.inputs, one.state.inputs)
    assert alone[1].effort.subdivided_steps > 0


def test_rescue_runs_every_input_on_a_straight_line(monkeypatch):
    """Jumps that are subdivided, against the same ramps taken in 4096 steps each; the pieces are as small as Newton's
    method needs them, not as accuracy would."""
    fine = Simulation.of(two_clippers(), 20e3 * 4096, ["out"])
    jumps = np.array([0.0, 9.0, -9.0, 9.0, -9.0, 9.0])
    monkeypatch.setattr("fetsim.engine.prepared.MAX_ITERATIONS", 2)
    cut = Simulation.of(two_clippers(), 20e3, ["out"])
    ends = cut.advance({PROGRAM: -0.5 * jumps, "key": jumps})[:, 0]
    assert cut.effort.subdivided_steps >= 4
    ramp = np.concatenate([np.linspace(a, b, 4097)[1:] for a, b in zip([0.0, *jumps], jumps, strict=False)])
    truth = fine.advance({PROGRAM: -0.5 * ramp, "key": ramp})[4095::4096, 0]
    assert ends == pytest.approx(truth, abs=2e-3)


def test_inputs_that_do_not_fit_are_named():
    run = of(two_clippers())
    with pytest.raises(InputError, match="'kez' is none of this circuit's; inputs are program, key"):
        run.march({"kez": KEY_V})
    with pytest.raises(InputError, match="as many steps"):
        run.march({PROGRAM: PROGRAM_V, "key": KEY_V[:-1]})
    with pytest.raises(InputError, match="'key' is made by the engine; inputs are program"):
        of(with_signal(Sine(frequency_hz=50.0, peak_v=1.0))).march({"key": KEY_V})
    with pytest.raises(InputError, match="1 inputs, this one has 1, 2, 0 and 2"):
        run.state = of(Circuit(tuple(e.driven_by(PROGRAM) for e in two_clippers().elements))).state


def with_signal(signal) -> Circuit:
    return Circuit(two_clippers().elements, {"key": signal})


def rc(signal, ohm: float = 1e3, farad: float = 1e-7) -> Circuit:
    return Circuit((key("K", "a", ohm), capacitor("C", "a", "0", farad)), {"key": signal})


@pytest.mark.parametrize("signal", [Sine(frequency_hz=50.0, peak_v=3.0, phase_deg=30.0), White(density_v2_per_hz=1e-5)])
@pytest.mark.parametrize("method", ["bdf4", "sdirk2"])
def test_what_the_engine_makes_goes_on(signal, method, tmp_path):
    """Through blocks of any size, a saved state and another process's simulation: the same to the last bit."""
    straight, parts = (of(with_signal(signal), method) for _ in range(2))
    n = 9000
    whole = straight.advance(np.zeros(n))
    pieces, start = [], 0
    for size in (1, 2, 7, 500, 3, 4000):
        pieces.append(parts.advance(np.zeros(size)))
        start += size
    parts.state.save(tmp_path / "state.npz")
    later = of(with_signal(signal), method)
    later.state = State.load(tmp_path / "state.npz")
    pieces.append(later.advance(np.zeros(n - start)))
    assert np.array_equal(np.concatenate(pieces), whole)
    assert np.abs(whole).max() > 0.1


def test_sine_is_exact_in_phase_over_hours():
    """After a thousand hours at 288 kHz: step 1.04e12, whose phase integers give exactly."""
    first, rate_hz = 288_000 * 3600 * 1000 + 12345, 288e3
    found = Sine(frequency_hz=50.0, peak_v=1.0).within("mains", 0, first, 5, np.ones(1), rate_hz)[:, 0]
    exact = [np.sin(2 * np.pi * ((first + k + 1) * 50 % 288_000) / 288_000) for k in range(5)]
    assert found == pytest.approx(exact, abs=1e-12)


def test_sine_into_rc_against_phasor():
    run = of(rc(Sine(frequency_hz=50.0, peak_v=2.0, phase_deg=40.0)), recorded=("a",))
    out = run.advance(np.zeros(9600))[-1920:, 0]  # 100 ms are 1000 time constants
    time = np.arange(9600 - 1920 + 1, 9601) / RATE_HZ
    gain = 1.0 / (1.0 + 2j * np.pi * 50.0 * 1e-4)
    phase = np.exp(1j * (2 * np.pi * 50.0 * time + np.radians(40.0)))
    assert out == pytest.approx(np.imag(2.0 * gain * phase), abs=1e-8)


@pytest.mark.parametrize("corner", [0.007, 0.066])
def test_noise_of_an_rc_against_its_law_and_the_method(corner):
    """A density S through a low pass gives S f_c pi / 2. The step makes less of it: BDF4 passes each value through its
    recurrence with lambda h, whose sum of squares is its power; the values of this theory are 0.9907 and 0.9181 of the
    rms at these two corners."""
    density, farad = 1e-8, 1e-7
    f_c = corner * RATE_HZ
    run = of(rc(White(density_v2_per_hz=density, seed=7), 1.0 / (2 * np.pi * f_c * farad), farad), recorded=("a",))
    heard = run.advance(np.zeros(1_000_000))[1000:, 0]
    z = 2 * np.pi * corner  # h over the time constant
    bdf4 = np.array([25.0 / 12.0, -4.0, 3.0, -4.0 / 3.0, 0.25])
    impulse = dsp.lfilter([z], bdf4 + z * np.eye(1, 5)[0], np.eye(1, 5000)[0])
    theory = np.sqrt(0.5 * density * RATE_HZ * np.sum(impulse**2))
    law = np.sqrt(density * f_c * np.pi / 2)
    assert theory / law == pytest.approx({0.007: 0.9907, 0.066: 0.9181}[corner], abs=1e-4)
    independent = len(heard) * min(1.0, 2 * np.pi * corner)
    assert np.sqrt(np.mean(heard**2)) == pytest.approx(theory, rel=4.0 / np.sqrt(independent))


def test_noise_is_white_and_of_its_variance():
    values = White(density_v2_per_hz=2e-5, seed=1).within("hiss", 0, 0, 2_000_000, np.ones(1), 1e5)[:, 0]
    assert np.mean(values**2) == pytest.approx(1.0, rel=4e-3)  # 4 standard errors of the square of nearly normal values
    assert abs(np.mean(values)) < 3e-3
    _, density = dsp.welch(values, fs=1e5, nperseg=256)
    assert density[2:-2] == pytest.approx(2e-5, rel=0.06)  # 16000 segments: 0.8 % each
    assert np.mean(values**4) == pytest.approx(2.7, abs=0.02)  # four uniform numbers: 3 - 1.2 / 4


@pytest.mark.slow
def test_sequences_are_independent():
    """Of seed, name and stream, at any distance; the same seed, name and stream are the same."""
    def values(name="hiss", stream=0, seed=0, first=0):
        one = White(density_v2_per_hz=2.0, seed=seed)
        return one.within(name, stream, first, 100_000, np.ones(1), 1.0)[:, 0]

    mine = values()
    assert np.array_equal(mine[500:], values(first=500)[:-500])
    for other in (values("hum"), values(stream=1), values(seed=1)):
        found = np.correlate(mine, other[1000:-1000], "valid") / len(mine)
        assert np.abs(found).max() < 5.0 / np.sqrt(len(mine))  # 2001 lags, one standard error each


def test_channels_have_noise_of_their_own():
    prepared = of(with_signal(White(density_v2_per_hz=1e-6))).prepared
    rest = np.zeros(prepared.system.size)
    runs = [Simulation(prepared, ["out"], prepared.state_at(rest, stream)) for stream in (0, 1)]
    first, second = (run.advance(np.zeros(100)) for run in runs)
    assert not np.array_equal(first, second)
    runs[1].state = runs[1].state.copy()
    assert State.from_bytes(runs[1].state.to_bytes()).stream == 1


def test_noise_is_held_over_the_stages():
    found = White(density_v2_per_hz=1.0).within("hiss", 0, 3, 5, METHODS["sdirk4"].fractions, 48e3)
    assert found.shape == (5, len(METHODS["sdirk4"].fractions))
    assert np.ptp(found, axis=1).max() == 0.0
