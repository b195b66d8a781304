from __future__ import annotations

import importlib.util
import os
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from types import ModuleType

import pytest
from asleft.web.app import create_app
from asleft.web.serve import address, bind
from playwright.sync_api import Browser, BrowserContext, Error, Page, sync_playwright
from waitress.server import create_server

HERE = Path(__file__).parent
PATIENCE_S = 240.0  # only a test that fails waits that long, however slow the machine is
ARTEFACTS = HERE.parent / "artefacts"
AXE = HERE / "vendor" / "axe.min.js"
SIZES = {"laptop": (1320, 900), "phone": (390, 844), "wall": (1920, 1080)}
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-dev-shm-usage",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def _load(name: str, folder: Path = HERE.parent / "web") -> ModuleType:
    known = sys.modules.get(name)
    if known is not None:
        return known
    spec = importlib.util.spec_from_file_location(name, folder / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@contextmanager
def desked() -> Iterator[tuple[str, object, dict[str, str]]]:
    """A plant with alarms that people may work with: its address, its records, the names of the alarms."""
    with TemporaryDirectory() as folder:
        door = _load("fixture_door").Door(Path(folder), time.time_ns, notice="This is a plant for tests.")
        door.add_one_of_each()
        plant = _load("fixture_plant").Plant(time.time_ns())
        records = _load("fixture_operator_actions").Desked(plant, door, Path(folder))
        alarms = records.raise_usual(time.time_ns())
        try:
            with _answering(door, plant, records) as url:
                yield url, records, alarms
        finally:
            records.close()
            door.close()


@contextmanager
def served(**choices: int) -> Iterator[tuple[str, object]]:
    """A plant of its own behind a server of its own, where one has to sign in; its address, and the plant."""
    with TemporaryDirectory() as folder:
        door = _load("fixture_door").Door(Path(folder), time.time_ns, notice="This is a plant for tests.")
        door.add_one_of_each()
        try:
            with _served(door, **choices) as both:
                yield both
        finally:
            door.close()


@contextmanager
def _served(door, **choices: int) -> Iterator[tuple[str, object]]:
    plant = _load("fixture_plant").Plant(time.time_ns(), **choices)
    with _answering(door, plant, plant) as url:
        yield url, plant


@contextmanager
def _answering(door, plant, records) -> Iterator[str]:
    def clock() -> int:
        plant.now = time.time_ns()
        return plant.now

    listener = bind("127.0.0.1", 0, lambda *_: None)
    server = create_server(
        create_app(plant, records, door.access, clock_ns=clock).server, sockets=[listener], threads=8
    )
    url = address(listener)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield url.rstrip("/")
    finally:
        server.close()
        server.task_dispatcher.shutdown(cancel_pending=True, timeout=2)


def sign_in(context: BrowserContext, url: str, name: str = "viewer") -> None:
    """Sign in through the form of the site at an address, once for all pages of the browser's context."""
    door = _load("fixture_door")
    site = "/".join(url.split("/")[:3])
    form = {door.CSRF: door.word_in(context.request.get(f"{site}/login").text()), "name": name, "next": "/"}
    answer = context.request.post(f"{site}/login", form={**form, "password": door.PASSWORD}, max_redirects=0)
    assert answer.status == 303, answer.text()


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=ARGUMENTS, timeout=1000 * PATIENCE_S
        )
        yield running
        running.close()


def wait_until(page: Page, expression: str, seconds: float = PATIENCE_S) -> None:
    """Until the expression is true in the page. The page's policy forbids what the driver's own waiting would do."""
    end = time.monotonic() + seconds
    while not _now(page, expression):
        if time.monotonic() > end:
            raise AssertionError(f"still not so after {seconds} s: {expression}")
        page.wait_for_timeout(100)


def _now(page: Page, expression: str) -> bool:
    """Whether it is true; not so while the page loads itself anew."""
    try:
        return bool(page.evaluate(expression))
    except Error as error:
        if "Execution context was destroyed" in str(error):
            return False
        raise


@pytest.fixture
def until():
    """`wait_until`."""
    return wait_until


@pytest.fixture
def enter():
    """`sign_in`, for a browser's context without a visitor."""
    return sign_in


@pytest.fixture
def serve():
    """`served`, for tests that need a plant of their own."""
    return served


@pytest.fixture
def demo_plant() -> Iterator[tuple[str, object, object]]:
    """The demo's plant behind the dashboard: its address, the plant, its door."""
    with _load("demo_plant", HERE).demo_plant(_load("fixture_door")) as parts:
        yield parts


@pytest.fixture
def load_fixture():
    """`_load`: a module of the page tests by its name."""
    return _load


@pytest.fixture
def desk() -> Iterator[tuple[str, object, dict[str, str]]]:
    """`desked`."""
    with desked() as parts:
        yield parts


@pytest.fixture(scope="session")
def site() -> Iterator[str]:
    with served() as (url, _):
        yield url


@pytest.fixture(scope="session")
def looked_at() -> Iterator[tuple[str, dict[str, str]]]:
    """A plant with alarms and a sweep, for tests that change nothing: its address, and names for its pages."""
    hands = _load("fixture_hand")
    with desked() as (url, records, alarms):
        hand = hands.Hand(time.time_ns() - 1500 * 10**9, [*hands.strokes(), *hands.sweep()], up_s=2.1)
        records.hands.setdefault("press-1.platen", []).append(hand)
        ends = {"from": hand.start_ns, "to": hand.end_ns}
        times = {name: time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(at / 1e9)) for name, at in ends.items()}
        yield url, {**alarms, **times}


@pytest.fixture(scope="session")
def hall() -> Iterator[str]:
    """The site of a plant of two hundred valves."""
    with served(many=200) as (url, _):
        yield url


class Visitor:
    """One browser window, which remembers every complaint and every request that left this machine."""

    def __init__(self, page: Page, name: str) -> None:
        self.page = page
        self.name = name
        self.sites: set[str] = set()
        self.complaints: list[str] = []
        self.outside: list[str] = []
        page.on("console", lambda m: self.complaints.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("request", lambda request: self._note(request.url))

    def _note(self, url: str) -> None:
        if not url.startswith(("http://127.0.0.1:", "data:", "blob:")):
            self.outside.append(url)

    def open(self, url: str) -> Page:
        """Go there, signed in unless the visitor is nobody, and wait for the page's sentence."""
        site = "/".join(url.split("/")[:3])
        if self.name and site not in self.sites:
            self.sites.add(site)
            sign_in(self.page.context, url, self.name)
        self.page.goto(url)
        self.page.wait_for_selector("main h1")
        return self.page

    def forgive(self, status: str) -> None:
        """Forget what the browser says of an answer with that status, which the test wanted."""
        self.page.wait_for_timeout(200)
        self.complaints[:] = [text for text in self.complaints if f"status of {status}" not in text]

    def photograph(self, name: str) -> None:
        """Keep a picture of the whole page for people to look at, where `PHOTOGRAPHS` is set: each takes a second."""
        if not os.environ.get("PHOTOGRAPHS"):
            return
        ARTEFACTS.mkdir(exist_ok=True)
        self.page.screenshot(path=ARTEFACTS / f"{name}.png", full_page=True)

    def axe(self) -> list[str]:
        """What axe-core finds, one line per rule."""
        self.page.evaluate(AXE.read_text())
        return self.page.evaluate(
            "axe.run({resultTypes: ['violations']}).then(r => r.violations.map("
            "v => v.id + ': ' + v.nodes.map(n => n.html.slice(0, 120)).join(' | ')))"
        )


@pytest.fixture(scope="session")
def rested() -> list[BrowserContext]:
    """Contexts of tests that have ended, without pages and cookies: what they fetched need not be fetched again."""
    return []


@pytest.fixture
def visit(browser: Browser, rested: list[BrowserContext]) -> Iterator[object]:
    """Makes visitors of a given size; checks at the end that none complained or looked outside."""
    made: list[Visitor] = []
    contexts: list[BrowserContext] = []

    def make(size: str = "laptop", name: str = "viewer", *, first: bool = False) -> Visitor:
        """`first`: this browser has never been here and has nothing kept."""
        width, height = SIZES[size]
        context = rested.pop() if rested and not first else browser.new_context()
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_S * 1000)
        page.set_viewport_size({"width": width, "height": height})
        visitor = Visitor(page, name)
        made.append(visitor)
        return visitor

    yield make
    complaints = [complaint for visitor in made for complaint in visitor.complaints]
    outside = [url for visitor in made for url in visitor.outside]
    for context in contexts:
        for page in context.pages:
            page.close()
        context.clear_cookies()
        rested.append(context)
    assert outside == []
    assert complaints == []
