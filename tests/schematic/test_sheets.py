"""Device sheets of the library: complete, inside their own datasheet limits, consistent with each other."""

import tomllib
from importlib.resources import files
from math import log, sqrt

import pytest

from fetsim.schematic.sheets import library_devices, library_sheets, read_sheet
from fetsim.schematic.values import parse_value

SHEETS = library_sheets()
DEVICES = library_devices()


@pytest.mark.parametrize("name", SHEETS)
def test_a_sheet_is_sound_and_says_where_its_figures_come_from(name):
    device, mistakes = read_sheet(name, SHEETS[name])
    assert mistakes == []
    assert device is not None
    assert device.source


def test_no_name_stands_in_two_files():
    folder = files("fetsim.library").joinpath("devices")
    count = sum(
        len(tomllib.loads(f.read_text("utf-8"))) for f in folder.iterdir() if f.name.endswith(".toml")
    )
    assert count == len(SHEETS) == len(DEVICES)


def test_the_generic_types_are_there():
    jfets = "J111 J112 J113 2N4391 2N4392 2N4393 J201 2N3819 BF245A BF245B BF245C MPF102 2N5457 2N5458 2N5459"
    p_channel = "J174 J175 J176 J177 2N5460 2N5461 2N5462"
    assert all(DEVICES[name].polarity == "p" for name in p_channel.split())
    others = "2N3904 2N3906 BC547B BC557B BD139 1N4148 1N34A BZX79-C5V6 BZX79-C12 BZX79-C24"
    assert set((jfets + " " + others).split()) <= set(DEVICES)


# I_DSS min and max in mA, V_GS(off) min and max in V, from the datasheets named in the sheets: a second copy
JFET_LIMITS = {
    "J111": (20, None, 3, 10),
    "J112": (5, None, 1, 5),
    "J113": (2, None, 0.5, 3),
    "2N4391": (50, 150, 4, 10),
    "2N4392": (25, 75, 2, 5),
    "2N4393": (5, 30, 0.5, 3),
    "J201": (0.2, 1.0, 0.3, 1.5),
    "2N3819": (2, 20, None, 8),
    "BF245A": (2, 6.5, 0.25, 8),
    "BF245B": (6, 15, 0.25, 8),
    "BF245C": (12, 25, 0.25, 8),
    "MPF102": (2, 20, None, 8),
    "2N5458": (2, 9, 1, 7),
    "2N5459": (4, 16, 2, 8),
    "J174": (20, 135, 5, 10),
    "J175": (7, 70, 3, 6),
    "J176": (2, 35, 1, 4),
    "J177": (1.5, 20, 0.8, 2.5),
    "2N5460": (1, 5, 0.75, 6),
    "2N5461": (2, 9, 1, 7.5),
    "2N5462": (4, 16, 1.8, 9),
}


@pytest.mark.parametrize("name", JFET_LIMITS)
def test_jfets_lie_inside_their_datasheets(name):
    low_ma, high_ma, low_v, high_v = JFET_LIMITS[name]
    figures, limits = DEVICES[name].figures, DEVICES[name].limits
    assert low_ma <= 1e3 * figures["i_dss"] <= (high_ma or 1e9)
    off_v = abs(figures.get("v_gs_off", figures["pinch_off_voltage"]))
    assert (low_v or 0.0) <= off_v <= high_v
    assert limits["i_dss"].minimum == pytest.approx(low_ma * 1e-3)
    assert limits["i_dss"].maximum == (None if high_ma is None else pytest.approx(high_ma * 1e-3))
    assert abs(limits["v_gs_off"].maximum) == high_v


def test_v_gs_off_is_read_at_the_current_of_the_datasheet():
    for name in JFET_LIMITS:
        figures, limits = DEVICES[name].figures, DEVICES[name].limits
        if "v_gs_off" in figures:
            assert parse_value(limits["v_gs_off"].at.split(", ")[0], "ampere") == figures["v_gs_off_current"], name


@pytest.mark.parametrize(
    ("name", "low_v", "high_v"), [("BF245A", 0.4, 2.2), ("BF245B", 1.6, 3.8), ("BF245C", 3.2, 7.5)]
)
def test_the_groups_of_the_bf245_at_200_microampere(name, low_v, high_v):
    # Philips 1996 gives -V_GS at I_D = 200 uA by group (from memory)
    figures = DEVICES[name].figures
    # the tail opens a channel that is open by 0.3 V already by less than 0.1 mV
    gate_v = -figures["pinch_off_voltage"] * (1.0 - sqrt(200e-6 / figures["i_dss"]))
    assert low_v < gate_v < high_v


def test_a_high_current_group_has_the_larger_pinch_off_voltage():
    # I_DSS and pinch-off voltage go together in real devices
    p_channel = (("J177", "J176", "J175", "J174"), ("2N5460", "2N5461", "2N5462"))
    for group in (*p_channel, ("J113", "J112", "J111"), ("2N4393", "2N4392", "2N4391"), ("BF245A", "BF245B", "BF245C")):
        figures = [DEVICES[name].figures for name in group]
        assert sorted(figures, key=lambda one: one["i_dss"]) == figures
        assert sorted(figures, key=lambda one: abs(one["pinch_off_voltage"])) == figures


def test_small_signal_diode_at_the_points_of_its_sheet():
    # published fit, from memory: 0.376, 0.480, 0.585 V at 10 uA, 100 uA, 1 mA; 0.694 V at 10 mA, of which
    # 6 mV fall across its series resistance of 0.568 ohm, which is not modelled here
    figures = DEVICES["1N4148"].figures
    volt = [
        figures["ideality"] * 0.025852 * log(amp / figures["saturation_current"])
        for amp in (1e-5, 1e-4, 1e-3, 1e-2)
    ]
    assert volt == pytest.approx([0.376, 0.480, 0.585, 0.688], abs=1.5e-3)
    limits = DEVICES["1N4148"].limits
    assert volt[3] < limits["forward_voltage"].maximum
    assert figures["saturation_current"] < limits["reverse_current"].maximum


@pytest.mark.parametrize("name", ["BC547B", "BC557B"])
def test_small_transistors_base_emitter_voltage(name):
    # V_BE 0.58 to 0.70 V at 2 mA (datasheet limits, from memory)
    volt = 0.025852 * log(2e-3 / DEVICES[name].figures["saturation_current"])
    assert 0.58 < volt < 0.70


def good():
    return dict(SHEETS["2N5458"])


WRONG = [
    ({"kind": "jefet"}, "kind", "did you mean jfet?"),
    ({"i_dsss": "5mA"}, "i_dsss", "did you mean i_dss?"),
    ({"i_dss": "5mV"}, "i_dss", "is in volt"),
    ({"polarity": "npn"}, "polarity", "choices: n, p"),
    ({"v_gs_off": "3V"}, "v_gs_off", "negative in an n-channel"),
    ({"polarity": "p"}, "v_gs_off", "positive in a p-channel"),
    ({"v_gs_off": "-0.1V"}, "v_gs_off", "nearer to zero"),
    ({"pinch_off_voltage": "-3V"}, "v_gs_off", "says the same as pinch_off_voltage"),
    ({"v_gs_off_current": None}, "v_gs_off", "without the drain current"),
    ({"v_gs_off_current": "10mV"}, "v_gs_off_current", "is in volt"),
    ({"v_gs_off_current": "20mA"}, "v_gs_off_current", "must be below i_dss"),
    ({"r_ds_on": "2k"}, "r_ds_on", "is not to be had"),
    ({"r_ds_on": "0"}, "r_ds_on", "outside"),
    ({"ideality": 0.5}, "ideality", "outside"),
    ({"gate_leakage": "-1nA"}, "gate_leakage", "outside"),
    ({"i_dss": "30mA"}, "i_dss", "outside the sheet's own limits"),
    ({"v_gs_off": "-0.9V"}, "v_gs_off", "outside the sheet's own limits"),
    ({"limits": {"idss": {"min": 1}}}, "limits.idss", "did you mean i_dss?"),
    ({"limits": {"i_dss": {"min": "1V"}}}, "limits.i_dss", "is in volt"),
    ({"limits": {"i_dss": {"mini": 1}}}, "limits.i_dss.mini", "did you mean min?"),
    ({"gate_saturation_current": "0"}, "gate_saturation_current", "outside"),
    ({"reference_temperature_c": 900}, "reference_temperature_c", "outside"),
]


@pytest.mark.parametrize(("edit", "key", "complaint"), WRONG)
def test_a_wrong_sheet_is_refused(edit, key, complaint):
    device, mistakes = read_sheet("x", {**good(), **edit})
    assert device is None
    assert [text for where, text in mistakes if where == key and complaint in text], mistakes


@pytest.mark.parametrize("raw", [None, 5, "2N5458", [], {}, {"kind": ["jfet"]}])
def test_what_is_no_sheet_is_refused(raw):
    assert read_sheet("x", raw)[0] is None


def test_a_figure_put_over_a_sheet_may_lie_outside_the_limits():
    # a single device for a "what if" is the user's own choice
    device, mistakes = read_sheet("2N5458", good(), {"i_dss": "30mA"})
    assert mistakes == []
    assert device is not None and device.figures["i_dss"] == 0.03


@pytest.mark.parametrize(
    ("figures", "key", "volt"),
    [({"pinch_off_voltage": "-3V"}, "pinch_off_voltage", -3.0), ({"v_gs_off": "-2V"}, "v_gs_off", -2.0)],
)
def test_a_pinch_off_voltage_put_over_a_sheet_replaces_v_gs_off_and_the_other_way_round(figures, key, volt):
    device, mistakes = read_sheet("2N5458", good(), figures)
    assert mistakes == [] and device is not None
    assert device.figures[key] == volt
    assert ("v_gs_off" in device.figures) == (key == "v_gs_off")
    assert device.figures["pinch_off_voltage"] == pytest.approx(-3.0 if key != "v_gs_off" else -1.85, abs=0.02)
