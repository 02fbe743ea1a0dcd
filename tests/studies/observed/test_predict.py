"""What builds would give where a real unit was observed, and its slopes, against closed forms."""

import numpy as np
import pytest

from fetsim.errors import InputError
from fetsim.files.user_cache import UserCache
from fetsim.schematic.load import load_unit
from fetsim.studies.observed.observations import Observations, Recording
from fetsim.studies.observed.predict import predict
from fetsim.studies.observed.readings import reading_of
from fetsim.studies.observed.slopes import derivatives
from tests.studies.observed.small_units import DIVIDER, RC

RATE_HZ = 48000.0


def unit_of(tmp_path, text):
    path = tmp_path / "unit.toml"
    path.write_text(text)
    return load_unit(path)


def test_a_meter_pulls_a_divider_down(tmp_path):
    unit = unit_of(tmp_path, DIVIDER)
    rows = [{"figure": "volts@m", "value": "6V", "meter": meter} for meter in ("10M", "none")]
    rows += [{"figure": "volts@w", "value": "5V", "settings": "turn=0.8"}]
    observed = Observations(unit=unit, readings=tuple(reading_of(row, unit) for row in rows))
    (as_built, changed) = predict(observed, [{}, {"R2": 2e6, "turn": 0.1}])

    def loaded(r2_ohm, meter_ohm):
        lower = r2_ohm * meter_ohm / (r2_ohm + meter_ohm)
        return 10.0 * lower / (2e6 + lower)

    assert as_built.readings == pytest.approx([loaded(3e6, 10e6), 6.0, 8.0], rel=2e-4)  # 10 Mohm at the wiper's 1.6 k
    assert changed.readings == pytest.approx([loaded(2e6, 10e6), 5.0, 8.0], rel=2e-4)  # the setting stands


def test_slopes_are_those_of_the_closed_form(tmp_path):
    """v = 10 V R2 / (R1 + R2): by the logarithm of R1 -v R1 / (R1 + R2), by that of R2 as much the other way."""
    unit = unit_of(tmp_path, DIVIDER)
    row = {"figure": "volts@m", "value": "6V", "meter": "none"}
    observed = Observations(unit=unit, readings=(reading_of(row, unit),))
    found = derivatives(observed, ["R1", "R2", "turn"])
    assert found.readings[0] == pytest.approx([-2.4, 2.4, 0.0], rel=0.005, abs=1e-9)  # a step of 1 % is taken


def test_slopes_of_sound_are_those_of_a_low_pass(tmp_path):
    """H = 1 / (1 + jwRC): by the logarithm of R, and of C, dH = -jwRC H^2."""
    unit = unit_of(tmp_path, RC)
    cache = UserCache(tmp_path)
    n, cycles = 24000, 800
    dry = 0.2 * np.sin(2.0 * np.pi * cycles * np.arange(n) / n)
    observed = Observations(unit=unit, recordings=(Recording(dry=dry, wet=dry, rate_hz=RATE_HZ),))
    found = derivatives(observed, ["R1", "C1"], cache=cache, workers=1)
    w = 2j * np.pi * cycles * RATE_HZ / n * 10001.0 * 10e-9  # with the source's 1 ohm
    tail = slice(n // 2, None)  # settled, whole cycles
    for slope in found.outputs[0]:
        got = np.fft.rfft(slope.part(0, n)[tail])[cycles // 2] / np.fft.rfft(dry[tail])[cycles // 2]
        assert abs(got - -w / (1.0 + w) ** 2) < 0.01 * abs(w / (1.0 + w) ** 2)


@pytest.mark.parametrize(
    ("wet", "told"), [(np.zeros(24000), "wet is silent"), (np.full(24000, np.nan), "finite"), (np.ones(100), "lasts")]
)
def test_a_recording_that_is_none_is_refused(wet, told):
    with pytest.raises(InputError, match=told):
        Recording(dry=np.ones(24000), wet=wet, rate_hz=RATE_HZ)


def test_one_recording_is_not_taken_for_two():
    dry, wet = np.random.default_rng(1).standard_normal((2, 24000))
    one, again = (Recording(dry=dry, wet=wet, rate_hz=RATE_HZ, name=name) for name in ("a.wav", "b.wav"))
    with pytest.raises(InputError, match=r"a\.wav and b\.wav: are one recording; give it once"):
        Observations(unit=load_unit("teaching"), recordings=(one, again))
    Observations(unit=load_unit("teaching"), recordings=(one, Recording(dry=dry, wet=2.0 * wet, rate_hz=RATE_HZ)))
