"""How a FET is measured for the drawer, in words, with what the simulated jig reads and how far that is off."""

from collections.abc import Sequence

from fetsim.devices.jfet_figures import channel_of
from fetsim.devices.sheet import thermal_voltage
from fetsim.report.look.columns import columns, page, paragraph, section
from fetsim.schematic.load import load_unit
from fetsim.schematic.unit import Unit
from fetsim.schematic.values import format_value
from fetsim.studies.drawer.fets import MeasuredFet
from fetsim.studies.drawer.jig import FET, JIG, JigReading, fet_changes, read_in_jig

WARM_K_PER_W = 350.0
"""Of a TO-92 in still air (common practice, no source)."""
FINGERS_K = 8.0
POOR_METER_OHM = 1e6

STEPS = (
    "Two figures of every FET, with a meter of 10 Mohm, a supply of 9 V and two resistors (fetsim show --unit jig; "
    "shown for n-channel, turn the supply round for p-channel):",
    "1. I_DSS: gate and source to ground, the drain through 10 ohm to the supply. Read the volts across the 10 ohm: "
    "10 mV is 1 mA. Read within a second or two, before the FET is warm, and write down the drain voltage too.",
    "2. V_GS(off): take the source off ground, 1 Mohm from source to ground. Read the volts across the 1 Mohm: that is "
    "V_GS(off) without its sign, and over 909 kohm (1 Mohm beside the meter's 10) the current that it belongs to.",
    "3. Write a row for each FET, V_GS(off) with its sign: negative for n-channel, positive for p-channel. Keep "
    "fingers off it: 10 K are 20 mV of V_GS(off), and all must be read equally warm.",
)
EXAMPLE = """name, i_dss [mA], v_gs_off, v_gs_off_current [uA], v_ds
A1, 13.2, -3.91V, 4.3, 8.8V"""


def how_text() -> str:
    """The instructions, and a table of what the jig reads for its own FET.

    >>> import fetsim
    >>> fetsim.how_text().splitlines()[0]
    'MEASURING FETS'
    """
    jig = load_unit(JIG)
    truth = jig.parts[FET].device
    assert truth is not None
    known = f"{truth.name}: I_DSS {format_value(truth.figures['i_dss'], 'ampere')}, pinch-off voltage "
    known += f"{format_value(truth.figures['pinch_off_voltage'], 'volt')}."
    return page([
        section("Measuring FETs", *(paragraph(text) for text in STEPS)),
        section("The list", "\n".join(f"  {line}" for line in EXAMPLE.splitlines()), paragraph(
            "r_ds_on may stand beside them; v_ds, the drain voltage of step 1, takes out what the currents rise by it."
        )),
        section("What the jig reads of a known FET", paragraph(known), columns(
            ("read", "I_DSS", "off by", "pinch-off voltage", "off by"), _rows(jig), rigid=(0,)
        ), paragraph(
            "As fetsim works them out of the readings, at the temperature at which the FET was read. The square law "
            "with its tail stands on both sides, so what a real channel does otherwise is not in it."
        )),
    ])  # fmt: skip


def _rows(jig: Unit) -> Sequence[tuple[str, ...]]:
    truth = jig.parts[FET].device
    assert truth is not None
    reading = read_in_jig(jig)
    warm = read_in_jig(jig.changed({f"{FET}.thermal_resistance": WARM_K_PER_W}))
    held = read_in_jig(jig.changed({f"{FET}.temperature_c": jig.temperature_c + FINGERS_K}))
    poor = read_in_jig(jig.changed(load=POOR_METER_OHM))
    forgotten = JigReading(**{**vars(reading), "load_ohm": jig.parts["R2"].values["value"]})
    cases = (
        ("as above", reading.fet("a")),
        ("without v_ds", reading.fet("b", at_drain=False)),
        ("the meter's 10 Mohm forgotten", forgotten.fet("c")),
        ("with a meter of 1 Mohm, known", poor.fet("d")),
        (f"after a minute, warm ({WARM_K_PER_W:g} K/W)", warm.fet("e")),
        (f"held in the fingers, {FINGERS_K:g} K warmer", held.fet("f")),
    )
    return [(what, *_against(jig, fet)) for what, fet in cases]


def _against(jig: Unit, fet: MeasuredFet) -> tuple[str, ...]:
    part = jig.parts[FET]
    found = jig.changed(fet_changes(part, fet)).parts[FET].device
    assert part.device is not None and found is not None
    true, kt_q_v = part.device.figures, thermal_voltage(part.device.reference_temperature_c)
    i_dss, pinch_off_v = found.figures["i_dss"], -abs(channel_of(found.figures, kt_q_v).pinch_off_v)
    return (
        format_value(i_dss, "ampere", 4), f"{100.0 * (i_dss / true['i_dss'] - 1.0):+.2f} %",
        format_value(pinch_off_v, "volt", 4), f"{1e3 * (pinch_off_v - true['pinch_off_voltage']):+.1f} mV",
    )  # fmt: skip
