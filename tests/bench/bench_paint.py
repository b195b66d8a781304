"""How long a day of readings takes to paint against one raw hour: `bench_paint.py FOLDER`, of a recorded data folder.

Server and browser together: reading the store, making the figure, and what Chromium needs to parse and draw it. The
raw hour is drawn as a page would that thins nothing.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import time
from pathlib import Path

import numpy as np
from asleft.store.records import open_records
from asleft.store.samples import open_samples_reader
from asleft.web.source import Source
from asleft.web.valve.window_figure import window_figure
from asleft.web.views.spans import Choice
from asleft.web.views.window import SHOWN, Line, WindowView, window_view
from asleft.web.when import PlantTime
from playwright.sync_api import sync_playwright

SCRIPT = Path(__file__).parents[2] / "dashboard/asleft/web/assets/plotly-basic.min.js"
DRAW = """async ([text]) => {
  const start = performance.now();
  const figure = JSON.parse(text);
  await Plotly.newPlot('place', figure.data, figure.layout);
  await new Promise(done => requestAnimationFrame(() => setTimeout(done, 0)));
  return performance.now() - start;
}"""


def raw_hour(source: Source, valve: str, to_ns: int) -> WindowView:
    """Every reading of an hour."""
    stored = source.samples.samples(valve, to_ns - 3600 * 10**9, to_ns)
    lines = {name: Line(stored.time_ns, stored.channels[name]) for name in SHOWN if name in stored.channels}
    lines["expected"] = lines["current"]
    return WindowView(to_ns - 3600 * 10**9, to_ns, "mA", lines, (lines["current"].values,) * 2)


def main() -> int:
    """Print what each took, the median of several tries."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--tries", type=int, default=5)
    args = parser.parse_args()
    samples = open_samples_reader(args.folder)
    valve = samples.valves()[0]
    span = samples.span(valve)
    assert span is not None
    source = Source(samples, open_records(args.folder / "records.db"), PlantTime.named("UTC"), lambda: span[1])
    shown = {
        "raw hour": lambda: raw_hour(source, valve, span[1]),
        **{key: lambda key=key: window_view(source, valve, Choice.of(key)) for key in ("10min", "1h", "1d", "1w")},
    }
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu"]
        )
        for name, make in shown.items():
            took: list[tuple[float, float, int]] = []
            for _ in range(args.tries):
                start = time.perf_counter()
                text = json.dumps(window_figure(make(), source.time, live=False))
                served_ms = (time.perf_counter() - start) * 1e3
                page = browser.new_page(viewport={"width": 1320, "height": 900})
                page.set_content("<div id='place' style='width:860px;height:600px'></div>")
                page.add_script_tag(path=SCRIPT)
                took.append((served_ms, page.evaluate(DRAW, [text]), len(text)))
                page.close()
            served_ms, painted_ms = (statistics.median(row[k] for row in took) for k in (0, 1))
            sys.stdout.write(
                f"{name:9} server {served_ms:7.0f} ms, browser {painted_ms:7.0f} ms, "
                f"{np.median([row[2] for row in took]) / 1e3:8.0f} kB\n"
            )
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
