"""The public names, each typed once: ``__init__.py`` loads from this list when a name is first used."""

from .audio.render import Rendering as Rendering
from .audio.render import render as render
from .audio.render_file import FileRendering as FileRendering
from .audio.render_file import render_file as render_file
from .errors import ConvergenceError as ConvergenceError
from .errors import FetsimError as FetsimError
from .errors import InputError as InputError
from .errors import UnitError as UnitError
from .measurements.capture.procedure import measure_capture as measure_capture
from .measurements.curve.procedure import measure_curve as measure_curve
from .measurements.distortion.procedure import measure_distortion as measure_distortion
from .measurements.distortion.trim_null import measure_trim_null as measure_trim_null
from .measurements.explain.procedure import measure_explain as measure_explain
from .measurements.idle.procedure import idle_point as idle_point
from .measurements.levels.procedure import measure_levels as measure_levels
from .measurements.needle.procedure import measure_needle as measure_needle
from .measurements.noise.procedure import measure_noise as measure_noise
from .measurements.response.procedure import measure_response as measure_response
from .measurements.timing.procedure import measure_timing as measure_timing
from .schematic.load import load_unit as load_unit
from .schematic.unit import Unit as Unit
from .studies.compare.study import compare as compare

__version__: str
