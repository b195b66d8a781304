"""A real InfluxDB 2, where there is one: started on a free port, set up as a plant would, stopped by pid.

Debian has none, so nothing is installed for it. It is used where `influxd` on the PATH is one, or where
`ASLEFT_INFLUXD2` names one (built from its public source, or the makers' package).
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import time
from functools import cache
from pathlib import Path
from typing import Any, TypeAlias

import urllib3
from influx_server import InfluxServer, free_port

NAMED_BY = "ASLEFT_INFLUXD2"
ORG = "works"
_WAIT_S = 120.0


@cache
def found() -> tuple[str, str]:
    """Program and version of an InfluxDB 2; the program is empty where there is none, the version then says why."""
    named = os.environ.get(NAMED_BY, "")
    program = named or shutil.which("influxd") or ""
    if not program:
        return "", f"no influxd 2 on the PATH, and {NAMED_BY} names none"
    try:
        said = subprocess.run([program, "version"], capture_output=True, text=True, timeout=120, check=False)
        told = said.stdout or said.stderr
    except OSError as error:
        return "", f"{NAMED_BY}={named}: {error}"
    version = re.search(r"InfluxDB v?(\d+)(\.[\w.~-]+)", told)
    if version is None or version[1] != "2":
        what = " ".join(told.split())[:100] or "nothing"
        return "", f"{program} says {what!r}, an InfluxDB 2 is needed; {NAMED_BY} may name one"
    return program, version[1] + version[2]


class Influx2Server:
    """influxd over one folder, with an organisation and an administrator; buckets and tokens are made on request."""

    def __init__(self, folder: Path, *options: str, disk_mb: int = 0) -> None:
        """`options` go to influxd as they are; with `disk_mb` it sees a disk of that size, which only it has."""
        self._folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self.port = free_port()
        self._options = options
        self._disk_mb = disk_mb
        self._influxd: subprocess.Popen[bytes] | None = None
        self._pool = urllib3.PoolManager(retries=False, timeout=120.0)
        self._admin = ""
        self._org_id = ""
        self._owner = ""

    def start(self, *, set_up: bool = True) -> Influx2Server:
        """Start it and wait until it answers; the first time, make an organisation and its administrator."""
        program, why = found()
        assert program, why
        folder = self._folder
        command = [program, "--bolt-path", f"{folder}/influxd.bolt", "--sqlite-path", f"{folder}/influxd.sqlite"]
        command += ["--engine-path", f"{folder}/engine", "--http-bind-address", f"127.0.0.1:{self.port}"]
        command += ["--reporting-disabled", "--log-level", "error", *self._options]
        if self._disk_mb:
            (folder / "engine").mkdir(exist_ok=True)
            mount = f'mount -t tmpfs -o size={self._disk_mb}m tmpfs "{folder}/engine" && exec "$@"'
            command = ["unshare", "--user", "--map-root-user", "--mount", "sh", "-c", mount, "sh", *command]
        with (folder / "influxd.log").open("ab") as log:
            self._influxd = subprocess.Popen(command, stdout=log, stderr=log)
        deadline = time.monotonic() + _WAIT_S
        while not self._ready():
            if time.monotonic() > deadline or self._influxd.poll() is not None:
                said = (folder / "influxd.log").read_text(errors="replace")[-2000:]
                self.stop()
                raise RuntimeError(f"InfluxDB 2 does not answer: {said}")
            time.sleep(0.05)
        if set_up and not self._admin:
            wanted = {"username": "keeper", "password": "longer than eight", "org": ORG, "bucket": "first"}
            made = self.api("POST", "setup", wanted)
            self._admin, self._org_id = made["auth"]["token"], made["org"]["id"]
            self._owner = made["user"]["id"]
        return self

    def kill_database(self) -> None:
        """End influxd as a power cut would."""
        assert self._influxd is not None
        self._influxd.kill()
        self._influxd.wait()

    def stop(self) -> None:
        """End it, by its pid."""
        process = self._influxd
        if process is not None and process.poll() is None:
            process.terminate()
            try:
                process.wait(15.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        self._influxd = None

    @property
    def disk(self) -> Path:
        """Where the disk of its own is seen from here."""
        assert self._influxd is not None
        return Path(f"/proc/{self._influxd.pid}/root{self._folder}/engine")

    def url(self, bucket: str) -> str:
        """For `--samples`."""
        return f"influx://127.0.0.1:{self.port}/{bucket}?org={ORG}"

    def plant_place(self, bucket: str) -> tuple[str, dict[str, str]]:
        """For `--samples`, and what else the environment must say; makes both buckets and their token."""
        return self.url(bucket), {"ASLEFT_INFLUX_TOKEN": self.plant(bucket)}

    @property
    def processes(self) -> tuple[subprocess.Popen[bytes], ...]:
        """Those that run."""
        return () if self._influxd is None else (self._influxd,)

    def api(self, method: str, path: str, body: object = None, **fields: str) -> Any:
        """A request of the administrator, by none of the project's code."""
        headers = {"Authorization": f"Token {self._admin}"} if self._admin else {}
        url = f"http://127.0.0.1:{self.port}/api/v2/{path}"
        if body is None:
            got = self._pool.request(method, url, fields=fields, headers=headers)
        else:
            got = self._pool.request(method, url, json=body, headers=headers)
        assert got.status < 300, f"{method} {path}: {got.status} {got.data.decode(errors='replace')}"
        return got.json() if got.data else None

    def create(self, bucket: str, keep_s: int = 0) -> str:
        """Make a bucket that keeps for `keep_s` (0: for ever); its id."""
        rules = [{"type": "expire", "everySeconds": keep_s}] if keep_s else []
        made = self.api("POST", "buckets", {"orgID": self._org_id, "name": bucket, "retentionRules": rules})
        return str(made["id"])

    def drop(self, bucket_id: str) -> None:
        """Take a bucket away."""
        self.api("DELETE", f"buckets/{bucket_id}")

    def map(self, bucket_id: str, database: str) -> None:
        """Let InfluxQL find a bucket under the name `database`."""
        wanted = {"bucketID": bucket_id, "database": database, "retention_policy": "autogen", "default": True}
        self.api("POST", "dbrps", {"orgID": self._org_id, **wanted})

    def token(self, *rights: tuple[str, str]) -> str:
        """A token that may do no more than each ("read" or "write", bucket id)."""
        may = [
            {"action": action, "resource": {"type": "buckets", "id": bucket, "orgID": self._org_id}}
            for action, bucket in rights
        ]
        made = self.api("POST", "authorizations", {"orgID": self._org_id, "permissions": may})
        return str(made["token"])

    def plant(self, bucket: str, keep_s: int = 0, keep_overview_s: int = 0) -> str:
        """Both buckets of a plant and a token for nothing else, as the guide says."""
        ids = [self.create(bucket, keep_s), self.create(f"{bucket}-overview", keep_overview_s)]
        return self.token(*((action, one) for one in ids for action in ("read", "write")))

    def write(self, bucket: str, lines: list[str]) -> None:
        """Points in line protocol, times in ns, by none of the project's code."""
        got = self._pool.request(
            "POST",
            f"http://127.0.0.1:{self.port}/api/v2/write?org={ORG}&bucket={bucket}&precision=ns",
            body="\n".join(lines).encode(),
            headers={"Authorization": f"Token {self._admin}"},
        )
        assert got.status == 204, got.data

    def query(self, statement: str, database: str = "") -> list[dict[str, object]]:
        """The series of the first result of an InfluxQL statement."""
        got = self._pool.request(
            "POST",
            f"http://127.0.0.1:{self.port}/query",
            fields={"q": statement, "db": database, "epoch": "ns"},
            encode_multipart=False,
            headers={"Authorization": f"Token {self._admin}"},
        )
        assert got.status == 200, got.data
        (result,) = got.json()["results"]
        assert "error" not in result, result
        return list(result.get("series", []))

    def _ready(self) -> bool:
        try:
            got = self._pool.request("GET", f"http://127.0.0.1:{self.port}/health", timeout=2.0)
        except urllib3.exceptions.HTTPError:
            return False
        return got.status == 200


AnyInflux: TypeAlias = InfluxServer | Influx2Server


def server_of(folder: Path, *, second: bool) -> AnyInflux:
    """A server of the one kind or the other, started."""
    return (Influx2Server(folder) if second else InfluxServer(folder)).start()
