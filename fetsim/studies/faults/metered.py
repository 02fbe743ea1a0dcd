"""What a meter shows of each fault where it was put: its input resistance pulls down a node of high resistance.

Of the Dunlin's control voltage, -4.62 V, 10 Mohm leave -3.69 V, so that volts without it would fit other faults. A
build's rest is solved anew with the meter at its node (``studies/observed/loaded``): 25 ms for each fault, and for each
of the good builds, whose trims are set, that say how far tolerances move what is shown.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from fetsim.schematic.unit import Unit
from fetsim.studies.builds.figures import Figures
from fetsim.studies.observed.observations import Observations
from fetsim.studies.observed.predict import predict
from fetsim.studies.observed.readings import Reading


def under_meters(
    rows: Sequence[Figures], read: Sequence[Reading], unit: Unit, builds: Sequence[Mapping[str, str | float]]
) -> list[Figures]:
    """Figures of ``builds`` of a unit, with what the meters of the readings show in place of the volts that were read;
    volts of a build without rest are left out as they were."""
    metered = tuple(one for one in read if one.meter_ohm is not None)
    if not metered:
        return list(rows)
    shown = predict(Observations(unit=unit, readings=metered), builds)
    return [
        replace(row, found={**row.found, **{
            one.figure.key: float(volt) for one, volt in zip(metered, volts.readings, strict=True) if np.isfinite(volt)
        }})
        for row, volts in zip(rows, shown, strict=True)
    ]  # fmt: skip
