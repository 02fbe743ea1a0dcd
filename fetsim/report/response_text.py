"""A response measurement in plain words."""

import numpy as np

from fetsim.measurements.response import Response, ResponseMeasurement, ToneCheck
from fetsim.report.columns import blocks, columns, paragraph

SHOWN_HZ = (20.0, 50.0, 100.0, 1000.0, 5000.0, 10e3, 20e3)
HELD = (
    "Held: the control node stands at the voltage given, as if by an ideal supply, and the loop is open. Loop closed: steady "
    "tones at that source level, the gain reduction settled at each frequency."
)
CHECKED = "Small tones played through the whole circuit in time agree with the linearised response within"


def response_text(measured: ResponseMeasurement) -> str:
    """A table for each point and state: gain, gain re 1 kHz, phase, group delay, gain reduction; corners; checks."""
    texts = [_table(one) for one in measured.responses]
    if any(one.control_v is not None or not one.is_linear for one in measured.responses):
        texts.append(paragraph(HELD))
    if measured.checks:
        texts.append(_checks(measured.checks))
    return blocks(texts)
