"""The jingle sounds too lively on the marsh transmitter. What would three changes to the Dunlin do about it?

    python demo_audio/compare_jingle.py

plays ``jingle.wav`` (made first where it is missing) through the Dunlin as it is built, with a bigger timing capacitor,
with a weaker FET of the same type (its pinch-off voltage falls with its current, so the idle trim is set again), and
with the firmer curve S3; and writes beside this script:

- ``jingle-compared/``: the page to listen with (open ``listen.html``), the sound files and all figures;
- ``jingle-compared.png``: gain reduction, levels and differences over time.
"""

from pathlib import Path

from fetsim import write_comparison_page
from fetsim.files.whole_files import Outputs
from fetsim.report.compare.picture import draw_comparison
from fetsim.report.compare.text import compare_text
from fetsim.report.look.plots import save_figure
from fetsim.studies.compare.study import compare

HERE = Path(__file__).parent
VERSIONS = {
    "bigger timing cap": {"C16": "330n"},
    "weaker FET": {"J1.i_dss": "12mA", "J1.pinch_off_voltage": "-4.02V", "idle_trim": 0.27},
    "firmer curve": {"curve": "S3"},
}


def main() -> None:
    """Compare, draw, and say what was found."""
    jingle, folder, picture = HERE / "jingle.wav", HERE / "jingle-compared", HERE / "jingle-compared.png"
    if not jingle.exists():
        from make_demo import main as make_demo

        make_demo()
    with Outputs(overwrite=True) as outputs:
        drawing = outputs.stage(picture)
        found = compare(
            jingle, VERSIONS, folder=folder, title="Jingle too lively on the marsh transmitter",
            pages=[write_comparison_page], overwrite=True,
        )  # fmt: skip
        save_figure(draw_comparison(found), drawing, "png")
    print(compare_text(found, folder))
    for one in found.versions:
        if one.loudness is not None and one.loudness.loudness_lufs is not None:
            loudness_lufs = one.loudness.loudness_lufs + one.loudness.gain_db
            above_db = one.loudness.true_peak_dbtp - loudness_lufs
            print(f"  {one.label}: true peak {above_db:.1f} dB above the loudness")


if __name__ == "__main__":
    main()
