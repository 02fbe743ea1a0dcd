"""Arrays through a unit: alignment to the sample, blocks, channels, probes, the log against the output itself."""

import json

import numpy as np
import pytest
from matplotlib.figure import Figure

import fetsim
from fetsim.audio.levels import DBU_REFERENCE_V, dbu_to_rms_v, decibels, full_scale_peak_v, rms_v_to_dbu
from fetsim.audio.oversampling import RateChange
from fetsim.audio.player import Player
from fetsim.audio.render import render
from fetsim.errors import InputError
from fetsim.rig.quality import QUALITIES

RATE_HZ = 48000


def sine(level_dbfs: float, frequency_hz: float, seconds: float, rate_hz: float = RATE_HZ) -> np.ndarray:
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * frequency_hz * t)


class TestLevels:
    """Definitions: 0 dBu = sqrt(0.6) V; EBU R 68 puts 0 dBFS at +18 dBu = 8.7014 V peak; SMPTE RP 155 at +24 dBu =
    17.3617 V peak (second-hand; volts computed)."""

    def test_volts(self):
        assert pytest.approx(0.774597, abs=1e-6) == DBU_REFERENCE_V
        assert full_scale_peak_v(18.0) == pytest.approx(8.7014, abs=1e-4)
        assert full_scale_peak_v(24.0) == pytest.approx(17.3617, abs=1e-4)
        assert dbu_to_rms_v(4.0) == pytest.approx(1.227653, abs=1e-6)
        assert rms_v_to_dbu(1.0) == pytest.approx(2.2185, abs=1e-4)
        assert decibels([10.0, 2.0]) == pytest.approx([20.0, 6.0206], abs=1e-4)


@pytest.mark.parametrize("quality", QUALITIES)
@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_output_lines_up_with_input(quality, rate_hz):
    """A quiet click comes out where it went in, to a small part of a sample (the unit's own delay is 2 us)."""
    click = np.zeros(rate_hz // 20)
    click[rate_hz // 40] = 0.01
    out = render(click, rate_hz, quality=quality, unit=fetsim.load_unit("dunlin").changed(curve="none")).output
    assert len(out) == len(click)
    spectrum = np.fft.rfft(np.roll(out, -(rate_hz // 40)))
    f = np.fft.rfftfreq(len(out), 1 / rate_hz)
    band = (f > 2000) & (f < 8000)
    delay_s = -np.polyfit(2 * np.pi * f[band], np.unwrap(np.angle(spectrum[band])), 1)[0]
    assert abs(delay_s) < 4e-6  # a fifth of a sample at 48 kHz; the transformers and amplifiers delay by 2 to 3 us


def test_blocks_of_any_size_give_the_same_samples():
    audio = sine(-8.0, 440.0, 0.2) * np.repeat([0.1, 1.0, 0.3, 1.0], 2400)
    whole = render(audio, RATE_HZ).output
    with Player(fetsim.load_unit("dunlin"), RATE_HZ, 1) as player:
        sizes = [1, 7, 100, 2048, 4096, 1]
        pieces, start = [], 0
        while start < len(audio):
            size = sizes[len(pieces) % len(sizes)]
            end = start + size
            pieces.append(player.push(audio[start:end, None], last=end >= len(audio))[0])
            start = end
    assert np.array_equal(np.concatenate(pieces)[:, 0], whole)


def test_channels_go_through_units_of_their_own():
    left, right = sine(-6.0, 300.0, 0.1), sine(-30.0, 1000.0, 0.1)
    both = render(np.column_stack([left, right]), RATE_HZ)
    assert both.output.shape == (4800, 2)
    assert np.array_equal(both.output[:, 0], render(left, RATE_HZ).output)
    assert np.array_equal(both.output[:, 1], render(right, RATE_HZ).output)
    assert both.logs[0].gain_reduction_max_db.max() > 5.0 > both.logs[1].gain_reduction_max_db.max()


def test_log_agrees_with_the_drop_of_the_output():
    """Gain reduction from the channel's conductance against idle gain minus the gain of the fundamental: within
    0.02 dB at 1 kHz (the log holds the source impedance of the divider at its idle value; measured 0.001 to 0.01)."""

    def gain_db(level_dbfs):
        result = render(sine(level_dbfs, 1000.0, 1.0), RATE_HZ)
        fundamental = abs(np.fft.rfft(result.output[-4800:])[100]) / 2400
        return 20 * np.log10(fundamental) - level_dbfs, result.logs[0].gain_reduction_mean_db[-20:].mean()

    idle_db, none = gain_db(-60.0)
    assert none == pytest.approx(0.0, abs=1e-6)
    for level_dbfs in (-24.0, -18.0, -8.0):
        gain, logged = gain_db(level_dbfs)
        assert logged == pytest.approx(idle_db - gain, abs=0.02)


def test_log_misses_no_peak():
    """A 2 ms burst between log instants of 5 Hz is still in the log."""
    audio = np.zeros(RATE_HZ)
    audio[30000:30096] = sine(-3.0, 2000.0, 0.002)
    log = render(audio, RATE_HZ, log_rate_hz=5.0).logs[0]
    assert len(log.time_s) == 5
    assert log.gain_reduction_max_db.max() > 6.0
    assert log.input_peak_dbu.max() == pytest.approx(18.0, abs=0.3)  # -3 dBFS at 0 dBFS = +18 dBu rms, +21 peak


@pytest.mark.parametrize("shape", ["square", "constant", "slow"])
def test_no_rms_of_the_log_is_above_its_peak(shape):
    """Both against sqrt(0.6) V: a square's are equal, and so are those of a sine longer than a row."""
    t = np.arange(4800) / RATE_HZ
    audio = {"square": np.where(t * 100.0 % 1.0 < 0.5, 0.5, -0.5), "constant": np.full(4800, 0.25)}.get(
        shape, 0.5 * np.sin(2 * np.pi * 20.0 * t)
    )
    log = render(audio, RATE_HZ, unit="teaching", quality="draft").logs[0]
    assert np.all(log.input_rms_dbu <= log.input_peak_dbu)
    assert np.all(log.output_rms_dbu <= log.output_peak_dbu)


def test_a_sine_peaks_3_db_above_its_rms():
    log = render(sine(-20.0, 1000.0, 0.2), RATE_HZ, unit="teaching", quality="draft", log_rate_hz=50.0).logs[0]
    middle = slice(2, -2)  # the ends ring in the rate conversion
    assert (log.input_peak_dbu - log.input_rms_dbu)[middle] == pytest.approx(20.0 * np.log10(np.sqrt(2.0)), abs=0.01)
    assert log.input_rms_dbu[middle] == pytest.approx(-2.0, abs=0.01)  # -20 dBFS at 0 dBFS = +18 dBu


def test_what_the_fet_takes_at_rest_is_in_the_result():
    """Trimmed wrongly, the Dunlin's FET takes 12.4 dB from everything while its gain reduction is 0 dB."""
    unit = fetsim.load_unit("dunlin")
    right, wrong = (
        render(sine(-60.0, 1000.0, 0.02), RATE_HZ, unit=one, quality="draft")
        for one in (unit, unit.changed(idle_trim=0.2))
    )
    assert right.rest.loss_db < 0.03 and right.rest.above_pinch_off_v < 0.0 and not right.warnings
    lost_db = wrong.rest.loss_db - right.rest.loss_db  # the right one's tail takes a little too
    assert lost_db == pytest.approx(right.idle_gain_db - wrong.idle_gain_db, abs=0.02)
    assert wrong.rest.loss_db > 10.0 and wrong.rest.above_pinch_off_v > 0.0
    assert abs(wrong.logs[0].gain_reduction_max_db).max() < 0.2
    assert any(f"takes {wrong.rest.loss_db:.2f} dB" in text for text in wrong.warnings)


def test_probes_line_up_and_know_their_unit():
    """Series current times 4.7k is the voltage across R2; the control node follows the audio within a sample."""
    audio = sine(-12.0, 500.0, 0.1)
    result = render(audio, RATE_HZ, probes=["t1s", "dr", "R2.current", "control", "Q6.current", "C16.current"])
    p = result.probes
    middle = slice(200, -200)
    assert p["t1s"][middle] - p["dr"][middle] == pytest.approx(p["R2.current"][middle] * 4700.0, abs=1e-9)
    assert p["control"][0] == pytest.approx(-4.617, abs=2e-3)
    assert p["control"].max() > -4.4
    assert p["Q6.current"][0] == pytest.approx(35.3e-3, rel=0.05)  # class-A follower; idle current by its sink
    assert 1e-5 < p["C16.current"].max() < 1e-2  # charging through the attack resistor


def test_unknown_probe_is_one_line_with_a_hint():
    with pytest.raises(InputError, match=r"nothing is called 'ctrl'.*did you mean ctl"):
        render(np.zeros(100), RATE_HZ, probes=["ctrl"])


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_samples_that_are_no_numbers_are_located(bad):
    audio = np.zeros((RATE_HZ, 2))
    audio[24000, 1] = bad
    with pytest.raises(InputError, match=r"at 0\.500000 s, channel 2"):
        render(audio, RATE_HZ)


def test_absurd_rates_and_shapes_are_refused():
    with pytest.raises(InputError, match="sample rate"):
        render(np.zeros(100), 10.0)
    with pytest.raises(InputError, match="shape"):
        render(np.zeros((0,)), RATE_HZ)
    with pytest.raises(InputError, match=r"quality.*draft, standard, fine"):
        render(np.zeros(100), RATE_HZ, quality="best")


def test_no_dc_comes_out_of_a_transformer():
    out = render(sine(-10.0, 200.0, 3.0), RATE_HZ, quality="draft").output
    assert abs(out[-48000:].mean()) < 1e-6  # after the 2.85 Hz resonance of C10 and T2 has died


def test_aliases_at_15_db_of_gain_reduction():
    """A 4999 Hz tone: whatever is not on a harmonic lies 100 dB under it or lower (the table of quality.py)."""
    tone = sine(-11.0, 4999.0, 1.5)
    out = render(tone, RATE_HZ).output[RATE_HZ // 2 :]
    power = np.abs(np.fft.rfft(out * np.blackman(len(out)))) ** 2
    away = np.ones(len(power), dtype=bool)
    away[:20] = away[20000:] = False
    for k in range(1, 5):
        away[4999 * k - 40 : 4999 * k + 41] = False  # the release's slow drift widens the lines
    assert 10 * np.log10(power[away].max() / power.max()) < -100.0


class TestRateConversion:
    def test_round_trip(self):
        """There and back, no delay: -120 dB of error up to 20 kHz by factors of 2 and 3; by 5, where the filter is
        interpolated, -70 dB (0.003 dB) at 20 kHz."""
        for factor, f, limit_db in (
            (6, 20000.0, -120.0),
            (12, 20000.0, -120.0),
            (5, 10000.0, -120.0),
            (5, 20000.0, -70.0),
        ):
            x = sine(0.0, f, 1.0)
            up, down = RateChange(48000, 48000 * factor), RateChange(48000 * factor, 48000)
            y = down.push(up.push(x, last=True), last=True)
            assert len(y) == len(x)
            error = (y - x)[12000:-12000]  # switching the tone on is not band-limited
            assert 20 * np.log10(np.sqrt(np.mean(error**2)) / np.sqrt(0.5)) < limit_db


def test_a_render_says_what_made_it_and_draws_itself():
    """The table is that of the log; a tone of -6 dBFS is well above the teaching unit's threshold."""
    tone = 0.5 * np.sin(2.0 * np.pi * 1000.0 / 48000.0 * np.arange(4800))
    made = fetsim.render(tone, 48000.0, unit="teaching", quality="draft")
    assert made.provenance.unit == "Teaching loop" and made.provenance.rate_hz == made.internal_rate_hz
    assert made.provenance.method == made.method
    told = made.to_dict()
    json.dumps(told, allow_nan=False)
    assert told["provenance"]["quality"] == "draft" and "output" not in told and "logs" not in told
    (row,) = told["tables"]["channels"]["rows"]
    assert row["most_gain_reduction_db"] == made.logs[0].gain_reduction_max_db.max() > 6.0
    assert row["input_peak_dbu"] == made.logs[0].input_peak_dbu.max()
    assert [table.key for table in made.tables()] == ["channels"]
    assert len(made.plot().axes) == 2
    ax = Figure().subplots()
    assert made.plot(ax) is ax and ax.get_lines()
