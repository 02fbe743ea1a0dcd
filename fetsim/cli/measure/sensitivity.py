"""``fetsim measure sensitivity``: by how much each value moves volts at rest, gain and corners."""

from fetsim.cli.measure.shared import measure_and_tell
from fetsim.cli.options import FigureFiles, MeasuredOptions
from fetsim.measurements.sensitivity.procedure import measure_sensitivity


def sensitivity(chosen: MeasuredOptions, files: FigureFiles) -> None:
    """What 1 % more of every value does to volts at rest, gain, corners, loss and gate: exact, without playing.

    \b
    fetsim measure sensitivity --plot sensitivity.svg
    fetsim measure sensitivity --csv everything.csv -v 'as it is:' -v 'larger R11: R11=3k'

    What a value does to threshold, timing and distortion is asked of fetsim spread --moves 1%.
    """
    measure_and_tell(
        chosen, files, lambda unit, told: measure_sensitivity(unit, quality=chosen.quality, progress=told), plays=False
    )
