"""Whether the files of a recording stand the wrong way round: the unit itself tells, once more played.

Asked only where what it makes of the dry sound is far from what was recorded. Then the wet sound is played: where that
comes much nearer to the dry one, this is what went in.
"""

from dataclasses import replace

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.measurements.traces.in_step import InStep
from fetsim.studies.observed.observations import Observations, Recording
from fetsim.studies.observed.predict import predict

FAR_DB = -15.0
"""Left over of a recording at the best level: less is no wrong order."""
NEARER_DB = 3.0
"""By which the other way round must be nearer."""


def left_db(one: Array, other: Array) -> float:
    """Of one sound when the other [shape=(n,) each] is taken out at the level that suits best."""
    likeness = float(one @ other) ** 2 / max(float(one @ one) * float(other @ other), 1e-300)
    return float(10.0 * np.log10(max(1.0 - likeness, 1e-12)))


def check_order(observations: Observations, recording: Recording, step: InStep, workers: int | None = None) -> None:
    """``step``: the recording in step with what the unit as drawn makes of its dry sound. Raises InputError."""
    model, wet = step.reference[:, 0], step.recording[:, 0]
    this_way_db = left_db(wet, model)
    if this_way_db < FAR_DB:
        return
    first = round(step.start_s * recording.rate_hz)
    dry = recording.dry[first : first + len(wet)]
    turned = Recording(dry=wet[: len(dry)], wet=dry, rate_hz=recording.rate_hz, settings=recording.settings)
    (found,) = predict(
        replace(observations, readings=(), recordings=(turned,)), [{}], quality="draft", workers=workers, keep=False
    )
    (output,) = found.outputs
    if output is not None and left_db(dry, np.asarray(output, dtype=np.float64)) < this_way_db - NEARER_DB:
        raise InputError(
            f"{recording.name}: looks like what went into the unit, and its dry file like what came out; give the dry "
            "file first"
        )
