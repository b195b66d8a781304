"""How quickly pages show: ours against the framework's stock pages, in one browser, one after the other.

    python tests/bench/bench_pages.py
    python tests/bench/bench_pages.py --hours 2        # a shorter recording, for a look

Comparisons, medians of `--times` turns each, and their goals as ratios, since they depend less on the machine:

- drawing a hundred valves at a glance, as our list does, against a hundred graphs: at most 1/50. From the moment
  everything needed is in the browser until it is painted; both are drawn again in a page that is open;
- the first load with empty caches, of our list of eight and of two hundred valves against a page with one graph and
  the stock bundle: at most 0.12 of bytes sent and 0.35 of time until there is something to see, in every turn;
- a thousand valves: from the address until the sentence is painted at most 1.5 s, and of the server's processor at
  most 0.1 s a renewal;
- from the click on a link until the sentence of our page of a valve is painted, against a stock page's until its
  graph is, which is what that has to say (its heading, printed too, says nothing of the valve): at most 0.4, and at
  most 1.0 s on a quiet machine. Nothing moves afterwards (layout shift under 0.05), no task takes 200 ms of the
  processor, and another stretch of time is drawn from what is there within 0.3 s of the click on it;
- a day recorded at 100 Hz, from the click until it is painted, on our page of a valve, against one hour of it shown
  raw: at most 1/10. Both read the same embedded store.
"""

from __future__ import annotations

import argparse
import json
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "web"))
import fixture_door
import fixture_plant
import stock
from asleft.store.samples import open_samples, open_samples_reader
from asleft.web.app import create_app
from asleft.web.live import Tags
from asleft.web.presses.page import renew
from asleft.web.presses.view import presses_view
from asleft.web.serve import address, bind
from asleft.web.source import Source
from asleft.web.when import PlantTime
from asleft.wire.block import Block, Channel
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright
from report import Goal
from waitress.server import create_server

S, HOUR = 10**9, 3600 * 10**9
RATE_HZ = 100
PATIENCE_MS = 300_000  # a hundred graphs on a busy machine
VALVE = "press-1.platen"
ARGUMENTS = ["--headless", "--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu", "--no-first-run"]

PAINTED = """
const frame = () => new Promise(done => requestAnimationFrame(done));
const painted = async () => { await frame(); await new Promise(done => { const c = new MessageChannel();
  c.port1.onmessage = done; c.port2.postMessage(0); }); };
const until = async (there) => { while (!there()) await frame(); };
"""
DRAW_OURS = f"""async () => {{ {PAINTED}
  const places = ['presses-fleet', 'presses-calm'].map(id => document.getElementById(id));
  const texts = places.map(place => place.innerHTML);
  places.forEach(place => {{ place.innerHTML = ''; }});
  await painted();
  const began = performance.now();
  places.forEach((place, k) => {{ place.innerHTML = texts[k]; }});
  await painted();
  return performance.now() - began;
}}"""
DRAW_STOCK = f"""async () => {{ {PAINTED}
  const plots = Array.from(document.querySelectorAll('.js-plotly-plot'));
  const kept = plots.map(plot => [plot.data, plot.layout]);
  plots.forEach(plot => Plotly.purge(plot));
  await painted();
  const began = performance.now();
  await Promise.all(plots.map((plot, k) => Plotly.newPlot(plot, ...kept[k], {{responsive: true}})));
  await painted();
  return performance.now() - began;
}}"""
#: When the sentence was painted, by the wall clock, and how far what had been painted moved (Layout Instability API).
SENTENCE = """
window.shifted = 0;
new PerformanceObserver(list => list.getEntries().forEach(entry => {
  if (!entry.hadRecentInput) window.shifted += entry.value;
})).observe({type: 'layout-shift', buffered: true});
[['h1', 'sentence'], ['.js-plotly-plot .main-svg', 'drawn']].forEach(([there, name]) => (function look() {
  if (!document.querySelector(there)) return requestAnimationFrame(look);
  requestAnimationFrame(() => setTimeout(() => { window[name] = Date.now(); }));
})());
"""
FOLLOW = """(address) => { const link = document.createElement('a'); link.href = address; document.body.append(link);
  const began = Date.now(); link.click(); return began; }"""
ZOOM = f"""async () => {{ {PAINTED}
  const began = performance.now();
  document.getElementById('span-10s').click();
  await painted();
  return performance.now() - began;
}}"""
SHOW_DAY = f"""async () => {{ {PAINTED}
  const began = performance.now();
  document.getElementById('span-1d').click();
  await until(() => {{
    const plot = document.querySelector('#window-graph .js-plotly-plot');
    return plot && plot.layout.meta && plot.layout.meta.span === '1d' && plot.querySelector('.scatterlayer .trace');
  }});
  await painted();
  return performance.now() - began;
}}"""
SHOW_HOUR = f"""async () => {{ {PAINTED}
  const began = performance.now();
  document.getElementById('{stock.BUTTON}').click();
  await until(() => {{
    const plot = document.querySelector('#{stock.GRAPH} .js-plotly-plot');
    return plot.data.length >= 3 && plot.querySelectorAll('.scatterlayer .trace').length >= 3;
  }});
  await painted();
  return performance.now() - began;
}}"""


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=5, metavar="N", help="turns of each measurement")
    parser.add_argument("--hours", type=float, default=24.0, metavar="H", help="of 100 Hz to record, at least 1")
    args = parser.parse_args()
    if args.times < 1 or args.hours < 1:
        parser.error("--times and --hours are at least 1")
    with TemporaryDirectory() as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        goals = at_a_glance(browser, Path(folder), args.times)
        for valves in (8, 200):
            goals += first_load(browser, Path(folder), args.times, valves)
        goals += thousand(browser, Path(folder), args.times)
        goals += sentence(browser, Path(folder), args.times)
        goals += day_against_hour(browser, Path(folder), args.times, args.hours)
        browser.close()
    for goal in goals:
        print(goal.line(), flush=True)


def at_a_glance(browser: Browser, folder: Path, times: int) -> list[Goal]:
    """A hundred valves drawn by our list, and as a hundred graphs, turn by turn."""
    plant = fixture_plant.Plant(time.time_ns(), many=100)
    rows = presses_view(Source(plant, plant, PlantTime.named("Europe/Madrid"), lambda: plant.now)).rows
    with ours(plant, plant, folder / "glance") as url, serving(stock.many_graphs(rows).server) as other:
        mine, theirs = browser.new_page(), browser.new_page()
        for page in (mine, theirs):
            page.set_viewport_size({"width": 1920, "height": 1080})
            page.set_default_timeout(PATIENCE_MS)
        mine.goto(url)
        mine.wait_for_selector(".calm-names .cell")
        theirs.goto(other)
        theirs.wait_for_function("document.querySelectorAll('.js-plotly-plot .main-svg').length >= 100")
        drawn = [(_in_front(mine, DRAW_OURS), _in_front(theirs, DRAW_STOCK)) for _ in range(times + 1)][1:]
        mine.close()
        theirs.close()
    own_ms, stock_ms = (median(column) for column in zip(*drawn, strict=True))
    print(f"100 valves drawn: ours {own_ms:6.0f} ms, 100 graphs {stock_ms:6.0f} ms")
    return [Goal("100 valves, ours / graphs", own_ms / stock_ms, at_most=1 / 50, timed=True)]


def first_load(browser: Browser, folder: Path, times: int, valves: int) -> list[Goal]:
    """Bytes and time of the first load with empty caches, of a plant of eight valves or of many."""
    plant = fixture_plant.Plant(time.time_ns(), many=valves if valves > 8 else 0)
    there = ".lines .line" if valves > 8 else ".fleet li"
    rows = presses_view(Source(plant, plant, PlantTime.named("Europe/Madrid"), lambda: plant.now)).rows
    page_of_one = stock.one_graph(rows[0], lambda: plant.samples(VALVE, 0, 0)).server
    with ours(plant, plant, folder / f"load-{valves}") as url, serving(page_of_one) as other:
        loads = [
            (_load(browser, url, there), _load(browser, other, ".js-plotly-plot .main-svg")) for _ in range(times)
        ]
    (own_b, own_s), (stock_b, stock_s) = (
        [median(one) for one in zip(*side, strict=True)] for side in zip(*loads, strict=True)
    )
    bytes_most, time_most = (max(mine[k] / theirs[k] for mine, theirs in loads) for k in (0, 1))
    print(
        f"first load, {valves} valves: ours {own_b / 1e6:5.2f} MB, {own_s:5.2f} s; "
        f"stock {stock_b / 1e6:5.2f} MB, {stock_s:5.2f} s"
    )
    return [
        Goal(f"first load, {valves} valves, bytes, ours / stock, most of the turns", bytes_most, at_most=0.12),
        Goal(
            f"first load, {valves} valves, time, ours / stock, most of the turns", time_most, at_most=0.35, timed=True
        ),
    ]


def thousand(browser: Browser, folder: Path, times: int) -> list[Goal]:
    """The list of a thousand valves: until its sentence, and what a renewal takes of the server's processor."""
    plant = fixture_plant.Plant(time.time_ns(), many=1000)
    source = Source(plant, plant, PlantTime.named("Europe/Madrid"), lambda: plant.now)
    tags: Tags | None = None
    renewals = []
    for _ in range(times + 1):
        plant.now += 2 * S
        began = time.thread_time()
        _, tags = renew(source, "", tags)
        renewals.append(time.thread_time() - began)
    with ours(plant, plant, folder / "thousand") as url:
        page = browser.new_page(viewport={"width": 1366, "height": 800})
        page.set_default_timeout(PATIENCE_MS)
        page.add_init_script(SENTENCE)
        page.goto(url)
        page.wait_for_timeout(2500)
        turns = [_follow(page, f"{url}/?again={k}", plots=False)[0] for k in range(times + 1)][1:]
        page.close()
    sentence_s, renewal_s = median(turns) / 1e3, median(renewals[1:])
    print(f"1,000 valves: sentence after {sentence_s:5.2f} s; a renewal {renewal_s:5.3f} s of the server's processor")
    return [
        Goal("1,000 valves, sentence, s", sentence_s, at_most=1.5, timed=True),
        Goal("1,000 valves, a renewal, s of the processor", renewal_s, at_most=0.1, timed=True),
    ]


def sentence(browser: Browser, folder: Path, times: int) -> list[Goal]:
    """From a link to the sentence of a valve's page, against a stock page's heading; longest task and zoom."""
    plant = fixture_plant.Plant(time.time_ns())
    rows = presses_view(Source(plant, plant, PlantTime.named("Europe/Madrid"), lambda: plant.now)).rows
    page_of_one = stock.one_graph(rows[0], lambda: plant.samples(VALVE, 0, 0)).server
    with ours(plant, plant, folder / "sentence") as url, serving(page_of_one) as other:
        mine, theirs = browser.new_page(), browser.new_page()
        for page, home in ((mine, url), (theirs, other)):
            page.set_viewport_size({"width": 1366, "height": 800})
            page.set_default_timeout(PATIENCE_MS)
            page.add_init_script(SENTENCE)
            page.goto(home)
            page.wait_for_timeout(2500)
        valve = f"{url}/valve/{VALVE}?span=10min"
        turns = [(*_follow(mine, valve), *_follow(theirs, f"{other}/?again")) for _ in range(times + 1)][1:]
        mine.wait_for_selector("#window-words details")
        moved = float(mine.evaluate("window.shifted"))
        zoomed_ms = _in_front(mine, ZOOM)
        longest_ms = _longest_task(browser, mine, valve)
        mine.close()
        theirs.close()
    own_ms, _, heading_ms, stock_ms = (median(column) for column in zip(*turns, strict=True))
    print(
        f"after the click: our sentence {own_ms:5.0f} ms, stock heading {heading_ms:5.0f} ms, stock graph "
        f"{stock_ms:5.0f} ms; shift {moved:.3f}; "
        f"zoom {zoomed_ms:4.0f} ms; longest task {longest_ms:4.0f} ms of the processor"
    )
    return [
        Goal("sentence after the click, ours / stock", own_ms / stock_ms, at_most=0.4, timed=True),
        Goal("sentence after the click, s", own_ms / 1e3, at_most=1.0, timed=True),
        Goal("layout shift of a valve's page", moved, at_most=0.05),
        Goal("another stretch from what is there, s", zoomed_ms / 1e3, at_most=0.3, timed=True),
        Goal("longest task of a valve's page, s of the processor", longest_ms / 1e3, at_most=0.2, timed=True),
    ]


def _follow(page: Page, address: str, *, plots: bool = True) -> tuple[float, ...]:
    """Milliseconds from a click on a link until the first heading behind it is painted, and the first plot."""
    page.bring_to_front()
    with page.expect_navigation(wait_until="commit"):
        began = float(page.evaluate(FOLLOW, address))
    while page.evaluate("window.sentence || 0") == 0:
        page.wait_for_timeout(20)
    page.wait_for_timeout(2500)  # all that follows is over
    while plots and page.evaluate("window.drawn || 0") == 0:
        page.wait_for_timeout(20)
    return tuple(float(page.evaluate(f"window.{name} || 0")) - began for name in ("sentence", "drawn"))


def _longest_task(browser: Browser, page: Page, address: str) -> float:
    """Of the page's main thread while it loads, in milliseconds of the processor: what others use does not count."""
    browser.start_tracing(page=page, categories=["toplevel"])
    page.goto(address)
    page.wait_for_timeout(5000)
    events = json.loads(browser.stop_tracing())["traceEvents"]
    main = {(e["pid"], e["tid"]) for e in events if e.get("args", {}).get("name") == "CrRendererMain"}
    tasks = [e["tdur"] for e in events if "RunTask" in e["name"] and "tdur" in e and (e["pid"], e["tid"]) in main]
    return float(max(tasks)) / 1e3


def day_against_hour(browser: Browser, folder: Path, times: int, hours: float) -> list[Goal]:
    """The recording on our page of a valve, and the last hour of it raw on the stock page."""
    plant = fixture_plant.Plant(time.time_ns())
    began = time.perf_counter()
    size = record(folder / "day", plant.start_ns, hours)
    print(f"{hours:g} h of 100 Hz, 3 channels, recorded in {time.perf_counter() - began:.0f} s: {size / 1e6:.0f} MB")
    reader = open_samples_reader(folder / "day")
    rows = presses_view(Source(plant, plant, PlantTime.named("Europe/Madrid"), lambda: plant.now)).rows
    last = (plant.start_ns - HOUR, plant.start_ns)
    page_of_one = stock.one_graph(rows[0], lambda: reader.samples(VALVE, *last)).server
    with ours(reader, plant, folder / "desk") as url, serving(page_of_one) as other:
        shown = [
            (
                _once(browser, f"{url}/valve/{VALVE}?span=10min", "#window-graph .scatterlayer .trace", SHOW_DAY),
                _once(browser, other, ".js-plotly-plot .main-svg", SHOW_HOUR),
            )
            for _ in range(times)
        ]
    reader.close()
    own_ms, stock_ms = (median(column) for column in zip(*shown, strict=True))
    print(f"from the click to the paint: {hours:g} h on ours {own_ms:6.0f} ms, one raw hour {stock_ms:6.0f} ms")
    name = "a day" if hours >= 24 else f"{hours:g} h"
    return [Goal(f"{name} of 100 Hz, ours / a raw hour", own_ms / stock_ms, at_most=1 / 10, timed=True)]


def record(folder: Path, until_ns: int, hours: float) -> int:
    """The last hours of the plant's press cycle at 100 Hz in an embedded store; its size in bytes."""
    folder.mkdir()
    store, seq = open_samples(folder), 0
    scales = {"command": 0.001, "current": 0.0001, "pressure": 0.02}
    units = {"command": "mA", "current": "A", "pressure": "bar"}
    for minute in range(round(hours * 60)):
        first_ns = until_ns // S * S - round(hours * 3600) * S + minute * 60 * S
        time_s = first_ns / 1e9 + np.arange(60 * RATE_HZ) / RATE_HZ
        channels = fixture_plant.cycle(time_s, slow_up=False, seed=7)
        counts = {name: np.round(values / scales[name]).astype(np.int16) for name, values in channels.items()}
        blocks = []
        for second in range(60):
            part, seq = slice(second * RATE_HZ, (second + 1) * RATE_HZ), seq + 1
            blocks.append(
                Block(
                    "bench", VALVE, "bench-stream", seq, "bench-boot", first_ns + second * S, seq * S, True,
                    (np.arange(RATE_HZ) * (1_000_000 // RATE_HZ)).astype(np.int32),
                    tuple(
                        Channel(name, units[name], counts=counts[name][part], scale=scales[name], offset=0.0)
                        for name in counts
                    ),
                )
            )  # fmt: skip
        store.commit(blocks, [], first_ns + 60 * S)
    size = store.size_bytes()
    store.close()
    return size


@contextmanager
def ours(samples: Any, plant: Any, folder: Path) -> Iterator[str]:
    """The dashboard over two stores, open to everybody; its address."""
    folder.mkdir()
    door = fixture_door.Door(folder, time.time_ns)
    try:
        with serving(create_app(samples, plant, door.access, clock_ns=lambda: plant.now).server) as url:
            yield url
    finally:
        door.close()


@contextmanager
def serving(application: Any) -> Iterator[str]:
    """An application behind the server that ours has; its address."""
    listener = bind("127.0.0.1", 0, lambda *_: None)
    server = create_server(application, sockets=[listener], threads=16)
    threading.Thread(target=server.run, daemon=True).start()
    try:
        yield address(listener).rstrip("/")
    finally:
        server.close()
        server.task_dispatcher.shutdown(cancel_pending=True, timeout=2)


def _in_front(page: Page, script: str) -> float:
    page.bring_to_front()  # what lies behind is not painted
    return float(page.evaluate(script))


def _load(browser: Browser, url: str, there: str) -> tuple[int, float]:
    """Bytes received and seconds until something of the page is there, in a browser that has seen nothing."""
    context: BrowserContext = browser.new_context(viewport={"width": 1920, "height": 1080})
    context.set_default_timeout(PATIENCE_MS)
    page, sizes = context.new_page(), []
    wire = context.new_cdp_session(page)
    wire.send("Network.enable")
    wire.on("Network.loadingFinished", lambda event: sizes.append(event["encodedDataLength"]))
    began = time.perf_counter()
    page.goto(url, wait_until="commit")
    page.wait_for_selector(there)
    seconds = time.perf_counter() - began
    page.wait_for_timeout(1000)
    context.close()
    return round(sum(sizes)), seconds


def _once(browser: Browser, url: str, there: str, script: str) -> float:
    """Milliseconds that a script measures in a page of its own, once that is there."""
    context = browser.new_context(viewport={"width": 1920, "height": 1080})
    context.set_default_timeout(PATIENCE_MS)
    page = context.new_page()
    page.goto(url)
    page.wait_for_selector(there, state="attached")
    page.wait_for_timeout(1500)
    found = float(page.evaluate(script))
    context.close()
    return found


if __name__ == "__main__":
    main()
