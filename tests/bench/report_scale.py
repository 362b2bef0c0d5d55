"""How large the report of a film is, and how soon it can be read.

PYTHONPATH=. .venv-tests/bin/python -m tests.bench.report_scale [FRAMES]

A result of a film of so many frames (172 800 if none are given) and of 2000 shots is made up and written as any other; its page is opened
in Chromium, once cold and five times more. Printed: bytes of the page without its pictures and with those of the made-up moments, seconds
to draw it from stored results, and seconds from the start of loading until it can be read and until all is done.
"""

from __future__ import annotations

import dataclasses
import re
import shutil
import statistics
import sys
import tempfile
import time
from fractions import Fraction
from pathlib import Path

from pairdiff._records import Comparison
from pairdiff.writeup.document import write_comparison
from pairdiff.writeup.html import render_report
from tests.writeup._example import RATE, _hdr_levels, _pair, _sdr_levels, make_example, make_stills

SHOTS = 2000
OPENINGS = 5


def make_film(frames: int) -> Comparison:
    """The example, as long as a film."""
    example = make_example()
    hdr = tuple(dataclasses.replace(_hdr_levels(n % 2880), frame=n, time_s=float(Fraction(n) / RATE)) for n in range(frames))
    sdr = tuple(dataclasses.replace(_sdr_levels(n % 2760), frame=n, time_s=float(Fraction(n) / RATE)) for n in range(frames))
    pairs = []
    for number in range(4 * SHOTS):
        frame = number * (frames // (4 * SHOTS))
        time_s = float(Fraction(frame) / RATE)
        pairs.append(
            dataclasses.replace(
                _pair(number % 96), shot=number // 4, hdr_frame=frame, sdr_frame=frame, hdr_time_s=time_s, sdr_time_s=time_s
            )
        )
    return dataclasses.replace(example, hdr_frames=hdr, sdr_frames=sdr, pairs=tuple(pairs))


def main(frames: int = 172_800) -> None:
    """Print the figures."""
    from playwright.sync_api import sync_playwright

    film = make_film(frames)
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "result"
        write_comparison(film, make_stills(film, rows=536, columns=1280), out)
        begun = time.perf_counter()
        page = render_report(out)
        drawn_s = time.perf_counter() - begun
        text = page.read_text(encoding="utf-8")
        bare = len(re.sub(r"data:image/png;base64,[\w+/=]+", "", text))
        print(f"{frames} frames, {SHOTS} shots: {len(text) / 1e6:.2f} MB, {bare / 1e6:.2f} MB without pictures; drawn in {drawn_s:.1f} s")
        with sync_playwright() as driver:
            browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=["--disable-gpu"])
            read_s, done_s = [], []
            for _ in range(1 + OPENINGS):
                tab = browser.new_context(offline=True).new_page()
                tab.goto(page.resolve().as_uri(), wait_until="load")
                spent = tab.evaluate(
                    "(({domInteractive, loadEventEnd}) => [domInteractive, loadEventEnd])(performance.getEntriesByType('navigation')[0])"
                )
                read_s.append(spent[0] / 1e3)
                done_s.append(spent[1] / 1e3)
                tab.close()
            browser.close()
        print(
            f"can be read after {read_s[0]:.2f} s (then {statistics.median(read_s[1:]):.2f}), all done after {done_s[0]:.2f} s "
            f"(then {statistics.median(done_s[1:]):.2f})"
        )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
