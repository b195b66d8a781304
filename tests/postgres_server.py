"""A real PostgreSQL on a free port of loopback, in a folder of its own, for the tests."""

from __future__ import annotations

import hashlib
import os
import pwd
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

import psycopg
from plant_authority import Authority

_START_S = 120.0


def free_port() -> int:
    """A port of loopback that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


TIMESCALE_NAMED_BY = "ASLEFT_TIMESCALEDB"


def timescale_programs() -> Path | str:
    """Folder with the programs of a PostgreSQL that has TimescaleDB; else a sentence why there is none.

    Debian has none: built from its public source, or the makers' package.
    """
    folder = Path(os.environ.get(TIMESCALE_NAMED_BY) or Path(_binary("postgres")).resolve().parent)
    version = folder.parent.name
    # As Debian lays it out, and as a PostgreSQL built from its source does.
    shares = [folder.parents[3] / "share" / "postgresql" / version, folder.parent / "share"]
    if any((share / "extension" / "timescaledb.control").exists() for share in shares):
        return folder
    return f"TimescaleDB: {folder} has none, and {TIMESCALE_NAMED_BY} names no other PostgreSQL's programs"


class PostgresServer:
    """Started as the user postgres when the tests run as root: the server refuses root."""

    def __init__(self, folder: Path, authority: Authority | None = None, programs: Path | None = None) -> None:
        """With an authority nobody is served without TLS. `programs`: of another server, with TimescaleDB."""
        self._authority = authority
        self._programs = programs
        # The second is no name in the certificate.
        self._addresses = "127.0.0.1" if authority is None else "127.0.0.1,127.0.0.2"
        self._folder = folder / "cluster"
        self.port = free_port()
        self._process: subprocess.Popen[bytes] | None = None
        self._known: set[str] = set()
        self._as_other = os.geteuid() == 0

    def start(self) -> PostgresServer:
        """Make the cluster if it is not there yet, start the server, and wait until it answers."""
        if not self._folder.exists():
            self._folder.mkdir(parents=True)
            if self._as_other:
                owner = pwd.getpwnam("postgres")
                os.chown(self._folder, owner.pw_uid, owner.pw_gid)
                for above in self._folder.parents:  # pytest's folders are their owner's only
                    if above.stat().st_uid == 0 and above != Path("/") and not above.stat().st_mode & 0o001:
                        above.chmod(above.stat().st_mode | 0o011)
            subprocess.run(
                [*self._user(), self._binary("initdb"), "-D", str(self._folder), "-U", "asleft", "-A", "trust",
                 "-E", "UTF8", "--locale=C", "--no-sync"],
                check=True, stdout=subprocess.DEVNULL,
            )  # fmt: skip
            if self._authority is not None:
                self._secure(self._authority)
        self._process = subprocess.Popen(
            [*self._user(), self._binary("postgres"), "-D", str(self._folder), "-p", str(self.port),
             *(["-c", "shared_preload_libraries=timescaledb"] if self._programs else []),
             "-c", f"listen_addresses={self._addresses}", "-c", f"unix_socket_directories={self._folder}"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        deadline = time.monotonic() + _START_S
        while True:
            try:
                psycopg.connect(self._address("postgres"), connect_timeout=2).close()
            except psycopg.OperationalError:
                assert self._process.poll() is None, "postgres ended at once"
                assert time.monotonic() < deadline
                time.sleep(0.1)
            else:
                return self

    def _secure(self, authority: Authority) -> None:
        """The server takes a key only if it is its own and nobody else may read it."""
        for name in ("broker.crt", "broker.key"):
            copy = self._folder / name
            shutil.copy(authority.folder / name, copy)
            copy.chmod(0o600)
            if self._as_other:
                owner = pwd.getpwnam("postgres")
                os.chown(copy, owner.pw_uid, owner.pw_gid)
        with (self._folder / "postgresql.conf").open("a") as settings:
            settings.write("ssl = on\nssl_cert_file = 'broker.crt'\nssl_key_file = 'broker.key'\n")
        (self._folder / "pg_hba.conf").write_text("hostssl all all 127.0.0.0/8 trust\n")

    def url(self, name: str) -> str:
        """A database of its own for that name, made when first asked for; as SQLAlchemy writes it."""
        database = "t" + hashlib.sha256(name.encode()).hexdigest()[:16]
        if database not in self._known:
            with psycopg.connect(self._address("postgres"), autocommit=True) as connection:
                connection.execute(f'CREATE DATABASE "{database}"')
            self._known.add(database)
        return f"postgresql://asleft@127.0.0.1:{self.port}/{database}"

    @property
    def pid(self) -> int:
        """Of the process that all others of it are children of."""
        return int((self._folder / "postmaster.pid").read_text().splitlines()[0])

    def kill(self) -> None:
        """Pull its plug: every process of it ends without finishing anything."""
        # Its backends end with it: they see that the postmaster is gone.
        os.kill(self.pid, signal.SIGKILL)
        self._end()

    def stop(self) -> None:
        """End it at once; an orderly end writes out hundreds of databases nobody needs again."""
        if self._process is not None:
            os.kill(self.pid, signal.SIGQUIT)
            self._end()

    def _end(self) -> None:
        assert self._process is not None
        self._process.wait(60.0)
        self._process = None

    def _address(self, database: str) -> str:
        return f"host=127.0.0.1 port={self.port} user=asleft dbname={database}"

    def _binary(self, name: str) -> str:
        return _binary(name) if self._programs is None else str(self._programs / name)

    def _user(self) -> list[str]:
        return ["runuser", "-u", "postgres", "--"] if self._as_other else []


def _binary(name: str) -> str:
    """Debian keeps the server's programs in a folder per version."""
    newest = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
    found = shutil.which(name) or (str(newest[-1]) if newest else None)
    assert found, "these tests need a real PostgreSQL: install the Debian package postgresql"
    return found
