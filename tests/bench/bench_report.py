"""How long a report takes: the state of a valve with a picture for each of its settings, as HTML and as PDF.

    python tests/bench/bench_report.py

Over the small plant of the page tests (eight valves, three weeks of points). Goal: a PDF within 1 s,
the first one in a process, which loads what makes PDFs.
"""

from __future__ import annotations

import sys
import time
from io import BytesIO
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "web"))
import fixture_plant
from asleft.web.paper import pdf
from asleft.web.report.state import WEEK_NS, state_report
from asleft.web.source import Source
from asleft.web.when import PlantTime, Stretch
from pypdf import PdfReader
from report import Goal

NOW_NS = 1_795_532_527 * 10**9


def main() -> None:
    """Print the figures."""
    plant = fixture_plant.Plant(NOW_NS)
    source = Source(plant, plant, PlantTime.named("Europe/Madrid"), lambda: NOW_NS)
    began = time.perf_counter()
    text = state_report(source, "press-2.clamp", Stretch(NOW_NS - WEEK_NS, NOW_NS), "bench") or ""
    html_s = time.perf_counter() - began
    times, spent = [], []
    for _ in range(5):
        began, used = time.perf_counter(), time.process_time()
        body = pdf(text)
        times.append(time.perf_counter() - began)
        spent.append(time.process_time() - used)
    pages = len(PdfReader(BytesIO(body)).pages)
    print(f"HTML                {html_s:6.2f} s  {len(text) / 1024:5.0f} kB, {text.count('<svg')} pictures")
    print(f"PDF, {pages} pages, first {times[0]:5.2f} s  {len(body) / 1024:5.0f} kB")
    print(f"  then, median      {sorted(times)[2]:6.2f} s")
    print(f"  of the processor, first {spent[0]:5.2f} s, then {sorted(spent)[2]:5.2f} s")
    print(Goal(f"a report of {pages} pages", html_s + times[0], at_most=1.0, unit="s", timed=True).line())


if __name__ == "__main__":
    main()
