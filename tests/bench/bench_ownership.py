"""Who may commit for an agent: our leases against PostgreSQL's session-level advisory locks, by the same faults.

    python tests/bench/bench_ownership.py [--rounds 3] [--faults kill freeze cut restart] [--folder DIR]

Two processes share one agent over a real PostgreSQL. The one that owns it commits its next number twenty times a
second: one row, and the mark, in one transaction. Each fault hits the owner: it is killed, it is stopped for 20 s
(and wakes up believing that nothing happened), its connection is cut in silence, the database is killed and started
again. Measured is how long until the other one (after the restart: anybody) commits. Afterwards every number up to
the mark must be there once: none lost, none twice.

`leases` is the mechanism of `asleft.store.leases` and `asleft.recorder.leasing` as it is. `locks` is a trial: the
lock is held by the very connection that commits; the server ends a session that has said nothing for as long as a
lease lasts (`idle_session_timeout`, PostgreSQL 14 or later), which is what tells a frozen owner from a quiet one.
"""

from __future__ import annotations

import argparse
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))
import psycopg
from asleft.recorder.leasing import Leasing
from asleft.store.engine import make_engine, writing
from asleft.store.lease_types import LeaseLost
from asleft.store.leases import check_holds, open_leases
from postgres_server import PostgresServer
from report import Goal
from sqlalchemy import text
from sqlalchemy.exc import SQLAlchemyError

AGENT = "hall-1"
BEAT_S, SILENT_S, LOOK_S = 0.05, 6.0, 1.5
"""Between two commits; how long a holder may be silent, and how often others look: both as the leases have it."""
FROZEN_S, WITHIN_S, PATIENCE_S = 20.0, 10.0, 60.0
_TABLES = """
CREATE TABLE bench_block (seq bigint NOT NULL, who text NOT NULL, at timestamptz NOT NULL DEFAULT clock_timestamp());
CREATE TABLE bench_mark (mark bigint NOT NULL);
INSERT INTO bench_mark VALUES (0);
"""
_MARK = "UPDATE bench_mark SET mark = :mark"
_BLOCK = "INSERT INTO bench_block (seq, who) VALUES (:mark, :who)"


def by_leases(url: str, who: str) -> None:
    """Own and commit by leases, until killed."""
    engine, mark = make_engine(url), [-1]

    def adopt(_holds: object) -> None:
        with writing(engine) as connection:
            mark[0] = int(connection.scalar(text("SELECT mark FROM bench_mark")) or 0)

    leasing = Leasing(
        open_leases(url),
        who,
        who,
        known=lambda: [AGENT],
        able=lambda: True,
        adopt=adopt,
        release=lambda _agents: None,
    )
    threading.Thread(target=leasing.run, args=(threading.Event(),), daemon=True).start()
    while True:
        time.sleep(BEAT_S)
        with suppress(LeaseLost, SQLAlchemyError, OSError):
            held = leasing.holds([AGENT])
            if mark[0] < 0:
                continue
            with writing(engine) as connection:
                check_holds(connection, held)
                connection.execute(text(_BLOCK), {"mark": mark[0] + 1, "who": who})
                connection.execute(text(_MARK), {"mark": mark[0] + 1})
            mark[0] += 1
            continue
        with suppress(LeaseLost, SQLAlchemyError, OSError):  # whether it was committed is not known: read it again
            adopt(())


def by_locks(url: str, who: str) -> None:
    """Own by an advisory lock of the connection that commits, until killed."""
    address = url.replace("+psycopg", "")
    while True:
        with suppress(psycopg.Error, OSError), psycopg.connect(address, connect_timeout=5) as connection:
            connection.autocommit = True
            for setting in ("idle_session_timeout", "idle_in_transaction_session_timeout", "tcp_user_timeout"):
                connection.execute(f"SET {setting} = '{SILENT_S:.0f}s'")
            while not connection.execute("SELECT pg_try_advisory_lock(1, hashtext(%s))", (AGENT,)).fetchone()[0]:
                time.sleep(LOOK_S)
            (mark,) = connection.execute("SELECT mark FROM bench_mark").fetchone()
            while True:
                time.sleep(BEAT_S)
                with connection.transaction():
                    connection.execute("INSERT INTO bench_block (seq, who) VALUES (%s, %s)", (mark + 1, who))
                    connection.execute("UPDATE bench_mark SET mark = %s", (mark + 1,))
                mark += 1
        time.sleep(LOOK_S)


class Wire:
    """Carries one process's connections to the server; `cut` stops carrying and tells neither side."""

    def __init__(self, port: int) -> None:
        self._to, self.cut = port, threading.Event()
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def close(self) -> None:
        """Take no more connections."""
        self._server.close()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._server.accept()
                try:
                    far = socket.create_connection(("127.0.0.1", self._to))
                except OSError:
                    near.close()
                    continue
                for one, other in ((near, far), (far, near)):
                    threading.Thread(target=self._carry, args=(one, other), daemon=True).start()

    def _carry(self, one: socket.socket, other: socket.socket) -> None:
        with suppress(OSError):
            while data := one.recv(65_536):
                while self.cut.is_set():
                    time.sleep(0.05)
                other.sendall(data)
        for end in (one, other):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)


class Pair:
    """Two processes of one mechanism, each with a wire of its own."""

    def __init__(self, mechanism: str, server: PostgresServer, name: str) -> None:
        self.server, self._url = server, server.url(name)
        open_leases(self._url).close()
        with self._connect() as connection:
            connection.execute(_TABLES)
        self.wires = {who: Wire(server.port) for who in ("north", "south")}
        self.processes = {who: self._start(mechanism, who) for who in self.wires}

    def _start(self, mechanism: str, who: str) -> subprocess.Popen[bytes]:
        url = self._url.replace(f":{self.server.port}/", f":{self.wires[who].port}/")
        command = [sys.executable, __file__, "--child", mechanism, url, who]
        return subprocess.Popen(command, stderr=subprocess.DEVNULL)

    def owner(self) -> str:
        """Who committed last."""
        return str(self._ask("SELECT who FROM bench_block ORDER BY at DESC LIMIT 1") or "")

    def committed_since(self, who: str, at: object) -> bool:
        """Whether somebody (empty: anybody) has committed after a time of the server's clock."""
        query = "SELECT 1 FROM bench_block WHERE at > %s AND (who = %s OR %s = '') LIMIT 1"
        return self._ask(query, at, who, who) is not None

    def now(self) -> object:
        """The server's clock."""
        return self._ask("SELECT clock_timestamp()")

    def lost_and_twice(self) -> tuple[int, int]:
        """Numbers up to the mark that are missing, and rows too many."""
        mark, rows, distinct = self._all(
            "SELECT (SELECT mark FROM bench_mark), count(*), count(DISTINCT seq) FROM bench_block"
        )
        return mark - distinct, rows - distinct

    def close(self) -> None:
        """End everything."""
        for process in self.processes.values():
            with suppress(ProcessLookupError):
                process.send_signal(signal.SIGCONT)
                process.kill()
            process.wait()
        for wire in self.wires.values():
            wire.close()

    @contextmanager
    def _connect(self) -> Iterator[psycopg.Connection]:
        with psycopg.connect(self._url, autocommit=True, connect_timeout=5) as connection:
            yield connection

    def _all(self, query: str, *values: object) -> tuple:
        with self._connect() as connection:
            return connection.execute(query, values).fetchone()

    def _ask(self, query: str, *values: object) -> object:
        try:
            row = self._all(query, *values)
        except psycopg.Error:
            return None
        return None if row is None else row[0]


def until(condition: Callable[[], bool]) -> float:
    """Seconds until the condition holds."""
    began_s = time.monotonic()
    while not condition():
        if time.monotonic() - began_s > PATIENCE_S:
            raise TimeoutError("nobody took over")
        time.sleep(0.05)
    return time.monotonic() - began_s


def one_round(mechanism: str, fault: str, server: PostgresServer, name: str) -> tuple[float, int, int]:
    """Seconds until somebody else commits, numbers lost, rows twice."""
    pair = Pair(mechanism, server, name)
    try:
        until(lambda: pair.owner() != "")
        time.sleep(4.0)  # leases have been shared out, and renewed, by then
        owner = pair.owner()
        other = {"north": "south", "south": "north"}[owner]
        process, since = pair.processes[owner], pair.now()
        if fault == "kill":
            process.kill()
        elif fault == "freeze":
            process.send_signal(signal.SIGSTOP)
        elif fault == "cut":
            pair.wires[owner].cut.set()
        else:
            server.kill()
            server.start()
            since, other = pair.now(), ""
        took_s = until(lambda: pair.committed_since(other, since))
        if fault in ("freeze", "cut"):
            time.sleep(max(0.0, FROZEN_S - took_s))
            process.send_signal(signal.SIGCONT)
            pair.wires[owner].cut.clear()  # what was on its way arrives after all
        time.sleep(4.0)
        return took_s, *pair.lost_and_twice()
    finally:
        pair.close()


def main() -> int:
    """Run what was asked for."""
    if sys.argv[1:2] == ["--child"]:
        mechanism, url, who = sys.argv[2:]
        {"leases": by_leases, "locks": by_locks}[mechanism](url, who)
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--faults", nargs="+", default=["kill", "freeze", "cut", "restart"])
    parser.add_argument("--folder", type=Path)
    args = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda _number, _frame: sys.exit(1))  # so that the server does not stay behind
    folder = args.folder or Path(tempfile.mkdtemp(prefix="ownership-"))
    server = PostgresServer(folder).start()
    goals: list[Goal] = []
    try:
        for fault in args.faults:
            for mechanism in ("leases", "locks"):
                rows = [
                    one_round(mechanism, fault, server, f"{mechanism} {fault} {number} {os.getpid()}")
                    for number in range(args.rounds)
                ]
                worst_s, lost, twice = (
                    max(row[0] for row in rows),
                    sum(row[1] for row in rows),
                    sum(row[2] for row in rows),
                )
                times = ", ".join(f"{row[0]:.1f}" for row in rows)
                print(
                    f"{mechanism:7} {fault:8} others commit after {times} s; lost {lost}, twice {twice}", flush=True
                )
                goals.append(
                    Goal(f"{mechanism}, {fault}: longest (s)", worst_s, at_most=WITHIN_S, unit="s", timed=True)
                )
                goals.append(Goal(f"{mechanism}, {fault}: lost or twice", lost + twice, at_most=0))
    finally:
        server.stop()
    for goal in goals:
        print(goal.line())
    return 0


if __name__ == "__main__":
    sys.exit(main())
