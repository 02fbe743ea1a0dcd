"""The live page in a real browser: latency, drop-outs, and whether what is heard is what the log replays.

    python benchmarks/live_page.py                      # Dunlin, standard, 60 s with 50 changes
    python benchmarks/live_page.py teaching draft 10 8  # unit, quality, seconds, changes

Needs Chromium (its path in FETSIM_CHROMIUM, or ``chromium``). Drop-outs and latency mean something on idle cores only;
the difference does anywhere, since the silence of drop-outs is left out.
"""

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
from playwright.sync_api import sync_playwright

from fetsim.live.log import read_log
from fetsim.live.programme import read_programme
from fetsim.live.replay import replay
from fetsim.schematic.load import load_unit
from tests.browsers import LAUNCH
from tests.live.tapped import listen, tapped

RATE_HZ = 48000
COMMAND = (
    "from fetsim.live import server; from tests.live.tapped import WITH_TAP; server.FILES = WITH_TAP; "
    "from fetsim.cli.main import main; import sys; main(sys.argv[1:])"
)


def programme(path):
    """Four seconds of bursts and noise that is treble-rich for a moment."""
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    tone = np.sin(2 * np.pi * 220 * time_s) * (0.03 + 0.3 * (time_s % 0.5 < 0.15))
    hiss = np.random.default_rng(3).standard_normal(len(time_s)) * 0.1 * (time_s % 1.0 < 0.02)
    soundfile.write(path, tone + hiss, RATE_HZ, subtype="FLOAT")


def played(page, seconds, changes):
    """Turn values at random, so many in so long; latencies [ms] and drop-outs as the page tells them."""
    draw = random.Random(7)
    steps = page.locator(".step")
    count = steps.count()
    page.click("#play")
    page.wait_for_timeout(2000)
    began, latencies = time.monotonic(), []
    for number in range(changes):
        page.evaluate("document.getElementById('read-latency').textContent = ''")
        steps.nth(draw.randrange(count)).click()
        left = began + (number + 1) * seconds / changes - time.monotonic()
        page.wait_for_timeout(max(left, 0.2) * 1000)
        text = page.inner_text("#read-latency")
        if text.endswith(" ms"):
            latencies.append(int(text.removesuffix(" ms")))
    readings = {name: page.inner_text(f"#read-{name}") for name in ("late", "busy")}
    readings["quality"] = page.input_value("#quality")
    readings["output"] = page.get_attribute("#read-latency", "title") or "not told"
    readings["strain"] = page.inner_text("#strain") or "none"
    page.click("#play")
    return latencies, readings


def main(unit="dunlin", quality="standard", seconds=60.0, changes=50):
    path = os.environ.get("FETSIM_CHROMIUM") or shutil.which("chromium")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        sound = Path(folder) / "in.wav"
        programme(sound)
        words = ["turn", "--unit", unit, "-q", quality, "--no-browser", str(sound)]
        serving = subprocess.Popen([sys.executable, "-c", COMMAND, *words], stdout=subprocess.PIPE, text=True)
        address = serving.stdout.readline().split()[-1]
        browser = playwright.chromium.launch(executable_path=path, args=LAUNCH)
        page = browser.new_page()
        listen(page)
        page.goto(address)
        page.wait_for_selector("#stages table")
        latencies, readings = played(page, seconds, changes)
        heard = tapped(page)
        with page.expect_download() as download:
            page.click("#export-log")
        frames, log = read_log(Path(download.value.path()).read_text())
        browser.close()
        serving.send_signal(signal.SIGINT)
        serving.wait(20)
        made = replay(load_unit(unit), read_programme(sound), log, frames, quality)
    apart = np.abs(heard - made[: len(heard)]).max()
    under_db = 20 * np.log10(max(apart, 1e-20) / np.sqrt(np.mean(made**2)))
    done = sum(one.kind == "change" for one in log)
    print(f"{unit}, {quality}, {len(heard) / RATE_HZ:.1f} s heard, {done} changes, load {os.getloadavg()[0]:.1f}")
    if latencies:
        middle, nine = np.quantile(latencies, (0.5, 0.9))
        print(f"latency of a change: {middle:.0f} ms in the middle, nine of ten under {nine:.0f} ms, "
              f"{max(latencies)} ms at the most")  # fmt: skip
        print(f"  {readings['output']}")
    print(f"drop-outs: {readings['late']}; quality at the end: {readings['quality']}; strain: {readings['strain']}")
    print(f"the march takes {readings['busy']}")
    print(f"largest difference from the replayed log: {under_db:.1f} dB under the rms of the output")


if __name__ == "__main__":
    given = sys.argv[1:]
    main(*given[:2], *(float(one) for one in given[2:3]), *(int(one) for one in given[3:4]))
