"""Lists of measured FETs: every way to write one, every mistake in a line that names its row and column."""

# ruff: noqa: E501 (the table below has one mistake a line)

from math import exp, log

import pytest
from scipy.optimize import brentq

from fetsim.devices.jfet_figures import channel_of
from fetsim.errors import InputError
from fetsim.report.drawer.how import how_text
from fetsim.schematic.load import load_unit
from fetsim.studies.drawer.fets import MOST_FETS, MeasuredFet, read_fets
from fetsim.studies.drawer.jig import FET, fet_changes, gain_fet, read_in_jig

HEAD = "name,i_dss,v_gs_off,v_gs_off_current\n"
JIG = load_unit("jig")
KT_Q_V = 0.02585


def fets(text, tmp_path, **more):
    path = tmp_path / "fets.csv"
    path.write_text(text, encoding="utf-8")
    return read_fets(path, **more)


@pytest.mark.parametrize(
    "text",
    [
        HEAD + "A1,12.3mA,-3.9V,1uA\n",
        "\ufeff" + HEAD + "A1, 12.3 mA , -3.9, 1e-6\n\n",
        "Name;I_DSS [mA];V_GS_off;V_GS_off_current (uA);remark\nA1;12.3;-3.9;1;from the bin\n",
        "name\ti dss [mA]\tv gs off [V]\tv_gs_off_current [nA]\nA1\t12.3\t-3.9\t1000\n",
        'v_gs_off,"name",i_dss,v_gs_off_current,r_ds_on\n-3900mV,"A1",12300uA,1uA,\n',
    ],
)
def test_units_stand_in_the_heading_or_in_the_cells(text, tmp_path):
    (fet,), _ = fets(text, tmp_path)
    assert (fet.name, fet.row) == ("A1", 2)
    assert (fet.i_dss_a, fet.v_gs_off_v, fet.v_gs_off_current_a) == pytest.approx((12.3e-3, -3.9, 1e-6), rel=1e-12)
    assert fet.r_ds_on_ohm is None and fet.v_ds_v is None


def test_what_is_known_besides(tmp_path):
    text = "name,i_dss [mA],v_gs_off,r_ds_on,v_ds,lot\nA,12,-3.9,180,8.9,7\nB,13,-4.1,,,7\n"
    (one, other), left_out = fets(text, tmp_path, off_current_a=2e-6)
    assert (one.r_ds_on_ohm, one.v_ds_v, one.v_gs_off_current_a) == (180.0, 8.9, 2e-6) and left_out == ("lot",)
    assert other.r_ds_on_ohm is None and other.row == 3


# the file, beginning of the one line behind its name, what else it says
MISTAKES = [
    ("", "is empty; its first row names the columns", "v_gs_off_current"),
    (HEAD, "has 0 FETs", "1 to 500"),
    ("name,i_dss,v_gs_off\nA,12mA,-3\n", "column v_gs_off_current: is missing", "--off-current"),
    ("name,idss,v_gs_off,v_gs_off_current\nA,12mA,-3,1uA\n", "column 'idss': is none that is known; did you mean i_dss?", ""),
    ("name,i_dss,i_dss,v_gs_off,v_gs_off_current\nA,1mA,1mA,-3,1uA\n", "column i_dss: is there twice", ""),
    (HEAD + "A,12,-3,1uA\n", "row 2, column i_dss: 12 A is outside what junction FETs have", "i_dss [mA]"),
    (HEAD + "A,12mA,-300,1uA\n", "row 2, column v_gs_off: -300 V is outside", "250 mV to 30 V"),
    (HEAD + "A,12mA,0.01,1uA\n", "row 2, column v_gs_off: 10 mV is outside", ""),
    (HEAD + "A,5uA,-3,1nA\n", "row 2, column i_dss: 5 uA is outside", ""),
    (HEAD + "A,12mV,-3,1uA\n", "row 2, column i_dss: '12mV' is in volt", ""),
    (HEAD + "A,12mA,-3,\n", "row 2, column v_gs_off_current: is empty", ""),
    (HEAD + "A,12mA,-3,2mA\n", "row 2, column v_gs_off_current: 2 mA is outside", ""),
    (HEAD + "A,2mA,-3,900uA\n", "row 2, column v_gs_off_current: 900 uA is no small share of i_dss", ""),
    (HEAD + "A,many,-3,1uA\n", "row 2, column i_dss: 'many' is not an amount in ampere", ""),
    (HEAD + ",12mA,-3,1uA\n", "row 2, column name: is empty", ""),
    (HEAD + "A,12mA,-3,1uA\n\nA,13mA,-3,1uA\n", "row 4, column name: 'A' is in row 2 already", ""),
    ("name,i_dss [mA],v_gs_off,v_gs_off_current [uA]\nA,12,3,-3,9,1\n", "row 2: has 6 cells under 4 columns; is a decimal comma in it?", ""),
    ("name;i_dss [mA];v_gs_off;v_gs_off_current [uA]\nA;12,3;-3.9;1\n", "row 2, column i_dss: '12,3' has a comma; write a decimal point", ""),
    ('name,i_dss,v_gs_off,v_gs_off_current\n"A,12mA,-3,1uA\n', "cannot be read as a table", ""),
]  # fmt: skip


@pytest.mark.parametrize(("text", "beginning", "also"), MISTAKES)
def test_a_mistake_is_a_line_that_names_row_and_column(text, beginning, also, tmp_path):
    with pytest.raises(InputError) as caught:
        fets(text, tmp_path)
    (line,) = str(caught.value).splitlines()
    assert line.partition("fets.csv: ")[2].startswith(beginning) and also in line


def test_all_mistakes_are_told_and_lists_have_an_end(tmp_path):
    with pytest.raises(InputError) as caught:
        fets(HEAD + "A,12,-3,1uA\nB,12mA,x,1uA\n", tmp_path)
    assert len(str(caught.value).splitlines()) == 2
    with pytest.raises(InputError, match=f"has {MOST_FETS + 1} FETs"):
        fets(HEAD + "".join(f"F{k},12mA,-3,1uA\n" for k in range(MOST_FETS + 1)), tmp_path)
    with pytest.raises(InputError, match="give one of the two"):
        fets(HEAD + "A,12mA,-3,1uA\n", tmp_path, off_current_a=1e-6)


def by_hand_a(v_gs, v_ds, i_dss_a, pinch_off_v, slope=0.006):
    """Drain current by the law as it stands in the literature: square with a diffusion tail, and the rise with V_DS."""

    def opening(v):
        return 2.0 * KT_Q_V * log(1.0 + exp((v - pinch_off_v) / (2.0 * KT_Q_V)))

    beta = i_dss_a / opening(0.0) ** 2
    return beta * (opening(v_gs) ** 2 - opening(v_gs - v_ds) ** 2) * (1.0 + slope * v_ds)


@pytest.mark.parametrize(("i_dss_a", "pinch_off_v"), [(15e-3, -4.5), (9e-3, -2.9), (3e-3, -1.1)])
def test_a_fet_that_is_put_in_the_jig_comes_back(i_dss_a, pinch_off_v):
    jig = JIG.changed({"J1.i_dss": i_dss_a, "J1.pinch_off_voltage": pinch_off_v})
    reading = read_in_jig(jig)
    # what the meter must show, solved by hand: 9 V, 1 + 10 ohm to the drain; 1 Mohm beside the meter's 10 at the source
    sense_v = brentq(lambda v: v / 10.0 - by_hand_a(0.0, 9.0 - 1.1 * v, i_dss_a, pinch_off_v), 0.0, 1.0)
    source_v = brentq(lambda v: v / (1e7 / 11.0) - by_hand_a(-v, 9.0 - v, i_dss_a, pinch_off_v), 0.1, 8.0)
    assert reading.sense_v == pytest.approx(sense_v, rel=5e-4)  # the switch has 50 mohm
    assert reading.source_v == pytest.approx(source_v, abs=2e-5)
    part = jig.parts[FET]
    back = jig.changed(fet_changes(part, reading.fet("x"))).parts[FET].device.figures
    assert back["i_dss"] == pytest.approx(i_dss_a, rel=1e-3)
    assert channel_of(back, KT_Q_V).pinch_off_v == pytest.approx(pinch_off_v, abs=0.5e-3)
    blind = jig.changed(fet_changes(part, reading.fet("x", at_drain=False))).parts[FET].device.figures
    assert blind["i_dss"] == pytest.approx(i_dss_a * (1.0 + 0.006 * reading.v_ds_v), rel=1e-3)


def test_a_sheet_with_a_channel_resistance_keeps_it_in_proportion():
    unit = load_unit("teaching").changed({"J1.r_ds_on": 180})
    read = MeasuredFet(name="a", i_dss_a=7.5e-3, v_gs_off_v=-2.25, v_gs_off_current_a=1e-6)
    assert fet_changes(gain_fet(unit), read)["J1.r_ds_on"] == pytest.approx(180.0)  # half of V_P over half of I_DSS
    assert unit.changed(fet_changes(gain_fet(unit), read)).parts["J1"].device.figures["i_dss"] == 7.5e-3


def test_how_it_is_measured_is_told_with_what_the_jig_reads():
    text = how_text()
    assert "909 kohm" in text and "+5.26 %" in text and "the meter's 10 Mohm forgotten" in text
    assert 15e-3 * (1.0 + 0.006 * 8.84) == pytest.approx(15.79e-3, rel=1e-3)  # the line without v_ds, by hand
    assert "15.79 mA" in text


def test_a_unit_without_a_junction_fet_in_its_gain_cell_is_refused():
    with pytest.raises(InputError, match=r"Jig for FETs: has no \[gain_cell\]"):
        gain_fet(JIG)
