"""The file of readings, and what is wrong with it in one line each."""

import pytest

from fetsim.errors import InputError
from fetsim.schematic.load import load_unit
from fetsim.studies.observed.observations import Observations
from fetsim.studies.observed.predict import predict
from fetsim.studies.observed.readings import read_readings

TEACHING = load_unit("teaching")


def read(tmp_path, text, name="bench.csv"):
    path = tmp_path / name
    path.write_text(text)
    return read_readings(path, TEACHING)


def test_each_column_is_read(tmp_path):
    volts, threshold, release = read(
        tmp_path,
        "figure,value,accuracy,meter,settings,expected\n"
        "volts@ctl,-5.02V,2%,1M,,-5.0\nthreshold,-19.3 dBu,0.3dB,,,\nrelease,120ms,5ms,,,\nattack,,,,,\n",
    )
    assert (volts.value, volts.accuracy, volts.meter_ohm) == (-5.02, pytest.approx(0.1004), 1e6)
    assert (threshold.value, threshold.accuracy, threshold.meter_ohm) == (-19.3, 0.3, None)
    assert (release.value, release.accuracy) == (0.12, pytest.approx(0.005))


def test_times_tell_the_step_that_they_were_read_off_and_are_simulated_there(tmp_path):
    """Attack of a larger step is another one; levels that are given go before those of the file."""
    times = read(tmp_path, "figure,value,settings\nattack,2ms,step_from=-20dBu; step_to=0dBu\nrelease,120ms,\n")
    assert [one.step_dbu for one in times] == [(-20.0, 0.0), None]
    far, near, given = (
        predict(Observations(unit=TEACHING, readings=readings, **levels), [{}], quality="draft", workers=1)[0].readings
        for readings, levels in ((times, {}), (times[1:], {}), (times, {"before_dbu": -29.0, "level_dbu": -9.0}))
    )
    assert far[1] > 1.5 * near[0] and given[1] == pytest.approx(near[0], rel=0.02)
    other = read(tmp_path, "figure,value,settings\nrelease,120ms,step_from=-30dBu; step_to=0dBu\n")
    with pytest.raises(InputError, match=r"read off several steps, .* at -20 to 0 dBu and .* at -30 to 0 dBu"):
        _ = Observations(unit=TEACHING, readings=(*times, *other)).step_dbu


def test_a_level_may_be_written_in_volts_rms(tmp_path):
    """0 dBu is sqrt(0.6) V (IEC 60268-17); 2 % of a voltage are 0.17 dB."""
    signal, in_dbu = read(tmp_path, "figure,value,accuracy\nsignal@dr@-10,0.7746V,2%\nsignal@po@-10,-8.1 dBu,0.2\n")
    assert (signal.value, signal.accuracy) == (pytest.approx(0.0, abs=1e-4), pytest.approx(0.1737, abs=1e-3))
    assert (in_dbu.value, in_dbu.accuracy, in_dbu.figure.level_dbu) == (-8.1, 0.2, -10.0)


def test_toml_holds_the_same(tmp_path):
    (one,) = read(tmp_path, '[[reading]]\nfigure = "volts@ctl"\nvalue = "-5.02V"\nmeter = "none"\n', "bench.toml")
    assert (one.value, one.meter_ohm) == (-5.02, None)
    assert one.accuracy == pytest.approx(0.0502)  # a meter of 1 %, as nothing is said


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("volts@ctrl,1V,,,", "column figure: point: Teaching loop has no node or probe 'ctrl'; did you mean"),
        ("volts@ctl,1mA,,,", "column value: '1mA'"),
        ("release,120,,,", "column value: '120' has no unit; write it as 120ms or 0.12s"),
        ("release,-1s,,,", "column value: release is never zero or less"),
        ("signal@dr@-10,0V,,,", "column value: '0V' is no rms voltage"),
        ("threshold,-19.3,0dB,,", "column accuracy: '0dB' must be above zero"),
        ("threshold,-19.3,,10M,", "column meter: threshold is not read by a voltmeter"),
        ("volts@ctl,1V,,10,", "column meter: '10' is no input resistance of a voltmeter"),
        ("volts@ctl,1V,,,loud=1", "column settings: 'loud' is no control or switch"),
        ("release,120ms,,,step_from=-20dBu", "column settings: give both levels of the step, as step_from=-20dBu;"),
        ("release,120ms,,,step_from=0;step_to=-20", "column settings: a step goes up: step_from must be less than"),
        ("threshold,-19.3,,,step_from=-20;step_to=0", "column settings: step_from and step_to are the levels"),
        ("volts@ctl,1V,,,,7", "has 6 cells under 5 columns"),
    ],
)
def test_a_mistake_is_one_line_with_its_place(tmp_path, row, told):
    with pytest.raises(InputError) as error:
        read(tmp_path, f"figure,value,accuracy,meter,settings\n{row}\n")
    (line,) = str(error.value).splitlines()
    assert "row 2" in line
    assert told in line


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "is empty"),
        ("figure,valeu\n", "did you mean value?"),
        ("figure,accuracy\nloss,1%\n", "column value is missing"),
        ("figure,value\nloss,\n", "has 0 readings with a value"),
        ("figure,value\nloss,1dB\nloss,2dB\n", "row 3, column figure: loss is in row 2 already; keep one of them"),
        ("figure,value\nvolts@ctl,-5V\nvolts@control,-4V\n",
         "row 3, column figure: volts@control is in row 2 already, as volts@ctl; keep one of them"),
    ],
)
def test_a_file_that_is_none_says_so(tmp_path, text, told):
    with pytest.raises(InputError, match=r"bench\.csv: ") as error:
        read(tmp_path, text)
    assert told in str(error.value)


def test_several_files_are_one_list_in_which_nothing_is_there_twice(tmp_path):
    first, second = tmp_path / "monday.csv", tmp_path / "tuesday.csv"
    first.write_text("figure,value\nvolts@ctl,-5.02V\n")
    second.write_text("figure,value\nthreshold,-19.3\n")
    assert [one.figure.key for one in read_readings([first, second], TEACHING)] == ["volts@ctl", "threshold"]
    second.write_text("figure,value\nthreshold,-19.3\nvolts@ctl,-5.1V\n")
    with pytest.raises(InputError, match=r"tuesday\.csv: row 3, .* volts@ctl is in \S*monday\.csv: row 2 already"):
        read_readings([first, second], TEACHING)
    with pytest.raises(InputError, match=r"monday\.csv: is given twice; give it once"):
        read_readings([first, first], TEACHING)
