"""When each sentence of a burst's explanation comes true: the instants that the figures tell, in their order."""

from dataclasses import dataclass

from fetsim.measurements.explain.figures import RECOVERED_DB
from fetsim.measurements.explain.procedure import Explanation
from fetsim.measurements.explain.sentences import told


@dataclass(frozen=True, kw_only=True)
class Moment:
    """Something that happens at one instant."""

    at_s: float
    """From the burst's beginning."""
    event: str
    """In a few words."""
    sentence: str = ""
    """Of the trace in which it happens, whose instant this is; empty where that stands at another one."""


def moments(one: Explanation) -> tuple[Moment, ...]:
    """All of them. What never happens is told at the end of the burst, since only then it is known."""
    figures, fet, end_s = one.figures, one.points.cell.fet, one.burst.duration_s
    sentences = {name: row.sentence for name, row in told(one).items()}
    passing = [(found.passes_s, found.point) for found in figures.rectifier if found.passes_s is not None]
    passes_s, point = min(passing, default=(None, ""))
    conducts = f"{fet} conducts before the burst" if figures.channel.shows_at_rest else f"{fet} conducts"

    def when(trace: str, at_s: float | None, event: str, never: str) -> Moment:
        if at_s is None:
            return Moment(at_s=end_s, event=never, sentence=sentences[trace])
        return Moment(at_s=at_s, event=event, sentence=sentences[trace])

    found = [
        when("source", 0.0, "The burst begins", ""),
        when("rectifier", passes_s, f"{point} passes the control voltage", "The rectifier rests"),
        when("channel", figures.channel.opens_s, conducts, f"{fet} stays pinched off"),
        when("control", figures.control.t63_s, "63 % of the control's change", "The control voltage at the end"),
        when("gain", figures.gain.t63_s, "63 % of the gain reduction", "The gain at the end"),
        when("tap", figures.tap.first_peak_s, "Largest swing of the first cycle at the tap", ""),
        when("output", figures.output.first_peak_s, "Largest swing of the first cycle at the output", ""),
        Moment(at_s=end_s, event="The burst ends"),
    ]
    later = (
        (figures.gain.release_t63_s, "63 % of the gain is given back"),
        (figures.gain.recovered_s, f"All but {RECOVERED_DB:g} dB is given back"),
    )
    found += [Moment(at_s=end_s + after_s, event=event) for after_s, event in later if after_s is not None]
    if figures.control.starts_s is not None:
        found.append(Moment(at_s=figures.control.starts_s, event="The control voltage begins to move"))
    return tuple(sorted(found, key=lambda moment: moment.at_s))
