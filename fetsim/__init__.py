"""Component-level simulation of feedback FET compressors: predict, measure, hear and explain a part change.

Public names are loaded when they are first used, so that a command starts without the rooms it does not need.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fetsim.audio.render import Rendering, render
    from fetsim.audio.render_file import FileRendering, render_file
    from fetsim.errors import ConvergenceError, FetsimError, InputError, UnitError
    from fetsim.measurements.capture import measure_capture
    from fetsim.measurements.circuit_noise import measure_noise
    from fetsim.measurements.explain import measure_explain
    from fetsim.measurements.idle import idle_point
    from fetsim.measurements.level_plan import measure_levels
    from fetsim.measurements.measure_curve import measure_curve
    from fetsim.measurements.measure_distortion import measure_distortion
    from fetsim.measurements.measure_timing import measure_timing
    from fetsim.measurements.needle import measure_needle
    from fetsim.measurements.response import measure_response
    from fetsim.measurements.trim_null import measure_trim_null
    from fetsim.schematic.load import load_unit
    from fetsim.schematic.unit import Unit
    from fetsim.studies.compare import compare

__version__ = "0.1.0"
__all__ = [
    "ConvergenceError",
    "FetsimError",
    "FileRendering",
    "InputError",
    "Rendering",
    "Unit",
    "UnitError",
    "compare",
    "idle_point",
    "load_unit",
    "measure_capture",
    "measure_curve",
    "measure_distortion",
    "measure_explain",
    "measure_levels",
    "measure_needle",
    "measure_noise",
    "measure_response",
    "measure_timing",
    "measure_trim_null",
    "render",
    "render_file",
]

_HOMES = {
    "audio.render": ("Rendering", "render"),
    "audio.render_file": ("FileRendering", "render_file"),
    "errors": ("ConvergenceError", "FetsimError", "InputError", "UnitError"),
    "measurements.capture": ("measure_capture",),
    "measurements.circuit_noise": ("measure_noise",),
    "measurements.explain": ("measure_explain",),
    "measurements.idle": ("idle_point",),
    "measurements.level_plan": ("measure_levels",),
    "measurements.measure_curve": ("measure_curve",),
    "measurements.measure_distortion": ("measure_distortion",),
    "measurements.measure_timing": ("measure_timing",),
    "measurements.needle": ("measure_needle",),
    "measurements.response": ("measure_response",),
    "measurements.trim_null": ("measure_trim_null",),
    "schematic.load": ("load_unit",),
    "schematic.unit": ("Unit",),
    "studies.compare": ("compare",),
}
_HOME_OF = {name: f"fetsim.{module}" for module, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in _HOME_OF:
        raise AttributeError(f"module 'fetsim' has no attribute {name!r}")
    return getattr(import_module(_HOME_OF[name]), name)
