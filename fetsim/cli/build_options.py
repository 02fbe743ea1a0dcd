"""Options of the commands that have many builds of a unit measured: with which tones, how finely, and by whom."""

from dataclasses import dataclass
from typing import Annotated, Any, ClassVar

import typer

from fetsim.audio.arrays import real_number
from fetsim.cli.options import (
    BeforeStepOption,
    Options,
    QualityOption,
    SchedulerOption,
    StepLevelOption,
    StepTonesOption,
    TonesOption,
    WorkersOption,
)
from fetsim.measurements.curve.procedure import DEFAULT_FREQUENCY_HZ as CURVE_HZ
from fetsim.measurements.timing.procedure import DEFAULT_FREQUENCY_HZ as STEP_HZ
from fetsim.rig.quality import DEFAULT_QUALITY


@dataclass(frozen=True, kw_only=True)
class BuildOptions(Options):
    """How builds are measured."""

    at_the_end: ClassVar[bool] = True

    frequency: TonesOption = CURVE_HZ
    step_frequency: StepTonesOption = STEP_HZ
    before: BeforeStepOption = None
    level: StepLevelOption = None
    quality: QualityOption = DEFAULT_QUALITY
    workers: WorkersOption = None
    scheduler: SchedulerOption = None

    def asked(self) -> dict[str, Any]:
        """As ``figures_of_builds`` and the studies that stand on it take them. Raises InputError for what is no tone,
        by the name of its option."""
        real_number(self.frequency, "--frequency")
        real_number(self.step_frequency, "--step-frequency")
        return {
            "curve_hz": self.frequency, "step_hz": self.step_frequency, "before_dbu": self.before,
            "level_dbu": self.level, "quality": self.quality, "workers": self.workers, "scheduler": self.scheduler,
        }  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class TrimsOptions(Options):
    """Whether trims are set before anything is measured."""

    trims: Annotated[
        bool, typer.Option("--trims", help="set the trims of the unit and of every build first, as fetsim trims does, "
                           "but for steps that need a tone"),
    ] = False
    tone_steps: Annotated[
        bool, typer.Option("--tone-steps", help="with --trims: the steps that need a tone too, which takes 1.5 to 1.9 "
                           "times as long"),
    ] = False

    def set_first(self) -> dict[str, Any]:
        """As studies take it."""
        return {"trims": self.trims, "tone_steps": self.tone_steps}
