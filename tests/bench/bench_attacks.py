"""What costs a server more than it costs the sender, thrown at a real dashboard, and how long others wait meanwhile.

    python tests/bench/bench_attacks.py

The dashboard is a process of its own with accounts, password checks as they are, and the plant of the pages' tests.
Each attack is sent at a size and at four times that size, from threads of this process; somebody else asks for the
sign-in page twenty times a second meanwhile. Printed: how long the attack was worked on at either size (the smallest
of three), and the longest that anybody else waited. Goals: others within a second; four times as much takes at most
four times as long (a tenth of a second is allowed to what depends on no size).
"""

from __future__ import annotations

import argparse
import http.client
import multiprocessing
import socket
import sys
import tempfile
import threading
import time
import urllib.parse
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "web"))
import fixture_door
import fixture_operator_actions
import fixture_plant
from asleft.store.accounts import Role
from asleft.web.access.passwords import Passwords
from asleft.web.app import create_app
from asleft.web.serve import bind, serve
from report import Goal

PDF = "/report/press-2.clamp.pdf"
REVISE = "/sheets/press-2.clamp/revise"
PAUSE_S = 0.05
HALF = b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: "


def main() -> int:
    """Print a line for each attack, then the goals."""
    argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter).parse_args()
    goals: list[Goal] = []
    with tempfile.TemporaryDirectory() as folder, dashboard(Path(folder)) as port:
        people = [Browser(port) for _ in range(8)]
        for number, browser in enumerate(people):
            browser.sign_in(("viewer", "technician", "administrator")[number % 3])
        technician = people[1]
        for name, size, attack in attacks(port, people, technician):
            with asking(port) as waits:
                took = [min(timed(attack, size * times) for _ in range(3)) for times in (1, 4)]
            print(f"{name}, {size} and {4 * size}: {took[0]:.2f}, {took[1]:.2f} s; others at most {max(waits):.2f} s")
            goals.append(Goal(f"{name}: others wait", max(waits), at_most=1.0, unit="s", timed=True))
            if size > 1_000:
                goals.append(Goal(f"{name}: time", took[1], at_most=4 * took[0] + 0.1, unit="s", timed=True))
    for goal in goals:
        print(goal.line())
    return 0 if all(goal.held for goal in goals) else 1


def attacks(
    port: int, people: list[Browser], technician: Browser
) -> Iterator[tuple[str, int, Callable[[int], object]]]:
    """Name, smaller size, and what is done with a size."""
    stranger = Browser(port)
    marks = "\u0316\u0301"
    yield "marks as a name", 60_000, lambda n: stranger.enter("a" + marks * (n // 4), "copper ladder")
    yield "marks as a password", 60_000, lambda n: stranger.enter("viewer", "a" + marks * (n // 4))
    yield "marks as a new password", 60_000, lambda n: technician.change_password("a" + marks * (n // 4))
    for name, text in (
        ("a key of many parts", lambda n: "a." * (n // 2) + "a=1"),
        ("hexadecimal digits", lambda n: "a = 0x" + "f" * n),
        ("brackets", lambda n: "a = " + "[" * (n // 2) + "]" * (n // 2)),
        ("many keys", lambda n: "".join(f"a{k}=1\n" for k in range(n // 8))),
    ):
        yield f"sheet: {name}", 60_000, lambda n, text=text: technician.revise(text(n))
    yield "an address", 2_000, lambda n: technician.get("/valve/" + "a." * (n // 2))
    yield "a record's number", 2_000, lambda n: technician.get("/verification/press-2.clamp/" + "9" * n)
    yield "documents at a time", 16, lambda n: at_once(people, n, PDF)
    yield "tables at a time", 16, lambda n: at_once(people, n, "/csv/press-2.clamp/window")
    yield "unfinished requests", 150, lambda n: unfinished(port, n)


def timed(attack: Callable[[int], object], size: int) -> float:
    """Seconds of one."""
    begin = time.perf_counter()
    attack(size)
    return time.perf_counter() - begin


def at_once(people: list[Browser], count: int, path: str) -> None:
    """So many requests of one address, from several people."""
    with ThreadPoolExecutor(count) as pool:
        for answer in [pool.submit(people[k % len(people)].get, path) for k in range(count)]:
            assert answer.result() in (200, 429, 503)


def unfinished(port: int, count: int) -> None:
    """Requests that are begun and not gone on with."""
    with ExitStack() as stack:
        for _ in range(count):
            made = stack.enter_context(closing(socket.create_connection(("127.0.0.1", port), 10)))
            made.sendall(HALF)
        time.sleep(0.5)


class Browser:
    """One person's, by hand: no library that would wait for a turn of its own."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.cookies: dict[str, str] = {}

    def ask(self, method: str, path: str, form: dict[str, str] | None = None) -> tuple[int, str]:
        """Status and text of an answer."""
        headers = {"Cookie": "; ".join(f"{name}={value}" for name, value in self.cookies.items())}
        body = None
        if form is not None:
            body = urllib.parse.urlencode(form)
            headers |= {
                "Content-Type": "application/x-www-form-urlencoded",
                "Referer": f"http://localhost:{self.port}",
            }
        with closing(http.client.HTTPConnection("localhost", self.port, timeout=120)) as connection:
            connection.request(method, path, body, headers)
            answer = connection.getresponse()
            text = answer.read().decode(errors="replace")
            for line in answer.headers.get_all("Set-Cookie") or ():
                name, _, value = line.split(";")[0].partition("=")
                self.cookies[name] = value
            return answer.status, text

    def get(self, path: str) -> int:
        """Status of a page."""
        return self.ask("GET", path)[0]

    def post(self, page: str, form: dict[str, str]) -> int:
        """Status of a form that is sent with its page's token."""
        token = fixture_door.word_in(self.ask("GET", page)[1])
        return self.ask("POST", page, {fixture_door.CSRF: token, **form})[0]

    def enter(self, name: str, password: str) -> int:
        """Try to sign in."""
        return self.post("/login", {"name": name, "password": password, "next": "/"})

    def sign_in(self, name: str) -> None:
        """Sign in as one of the fixture's people."""
        status = self.enter(name, fixture_door.PASSWORD)
        assert status == 303, status

    def change_password(self, wanted: str) -> None:
        """A new password that will not do."""
        status = self.post("/account", {"present": fixture_door.PASSWORD, "wanted": wanted, "again": wanted})
        assert status in (400, 403, 413, 429), status

    def revise(self, toml: str) -> None:
        """A sheet that is refused."""
        status = self.post(REVISE, {"act": "check", "toml": toml})
        assert status in (400, 413), status


@contextmanager
def asking(port: int) -> Iterator[list[float]]:
    """Somebody who looks at the sign-in page meanwhile; what each look took (s)."""
    waits: list[float] = []
    over = threading.Event()

    def look() -> None:
        somebody = Browser(port)
        while True:
            waits.append(timed(lambda _: somebody.get("/login"), 0))
            if over.wait(PAUSE_S):
                return

    thread = threading.Thread(target=look)
    thread.start()
    try:
        yield waits
    finally:
        over.set()
        thread.join()


@contextmanager
def dashboard(folder: Path) -> Iterator[int]:
    """The dashboard in a process of its own; its port."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=run, args=(folder, theirs), daemon=True)
    process.start()
    try:
        yield ours.recv()
    finally:
        process.terminate()
        process.join(30)


def run(folder: Path, told: multiprocessing.connection.Connection) -> None:
    """Serve the plant of the pages' tests with accounts and the usual hashes."""
    plant = fixture_plant.Plant(time.time_ns())
    door = fixture_door.Door(folder, time.time_ns)
    door.access.passwords = Passwords()
    for role in Role:
        door.add(role.value, role)
    desked = fixture_operator_actions.Desked(plant, door, folder / "door")
    app = create_app(plant, desked, door.access, clock_ns=lambda: plant.now)
    listener = bind("127.0.0.1", 0, lambda *_: None)
    told.send(listener.getsockname()[1])
    serve(app, listener)


if __name__ == "__main__":
    raise SystemExit(main())
