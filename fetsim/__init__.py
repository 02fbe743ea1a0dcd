"""Component-level simulation of feedback FET compressors: predict, measure, hear and explain a part change."""

from fetsim.audio.render import Rendering, render
from fetsim.audio.render_file import FileRendering, render_file
from fetsim.errors import ConvergenceError, FetsimError, InputError, UnitError
from fetsim.schematic.load import load_unit
from fetsim.schematic.unit import Unit

__version__ = "0.1.0"
__all__ = [
    "ConvergenceError",
    "FetsimError",
    "FileRendering",
    "InputError",
    "Rendering",
    "Unit",
    "UnitError",
    "load_unit",
    "render",
    "render_file",
]
