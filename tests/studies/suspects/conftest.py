"""What tests of suspects share: the teaching loop, recorded with C2 a fifth up."""

import numpy as np
import pytest
from scipy import signal

import fetsim
from fetsim.studies.observed.observations import Observations, Recording
from fetsim.studies.suspects.columns import columns_of
from fetsim.studies.suspects.origins import Drawn
from fetsim.studies.suspects.set_up import set_up
from fetsim.studies.suspects.values import values_of

RATE_HZ = 48000.0


@pytest.fixture(scope="module")
def drawn() -> Drawn:
    """The teaching loop, recorded at another level with noise 60 dB down."""
    unit = fetsim.load_unit("teaching")
    rng = np.random.default_rng(4)
    dry = np.zeros(48000)
    dry[24000:] = rng.normal(size=24000) * np.repeat(rng.uniform(0.01, 0.2, 24), 1000)
    dry = signal.sosfilt(signal.butter(4, 2000.0, fs=RATE_HZ, output="sos"), dry)  # slopes are of draft plays
    played = np.ravel(fetsim.render(dry, RATE_HZ, unit=unit.changed(C2="180n")).output)
    noise = 1e-3 * np.std(played) * rng.normal(size=len(played))
    recording = Recording(dry=dry, wet=0.4 * (played + noise), rate_hz=RATE_HZ)
    columns = columns_of(
        Observations(unit=unit, readings=(), recordings=(recording,)), (), quality="standard", workers=1
    )
    setting = set_up(unit, *values_of(unit))
    return Drawn(columns=columns, set_up=setting, plays=columns.moved(setting))
