"""A real InfluxDB 1.6 (Debian's) with the rewrite of `compose/` before it: started on free ports, stopped by pid."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from pathlib import Path

REWRITE = Path(__file__).parent.parent / "compose" / "influxdb1-nginx.conf"

_INFLUXD = """
reporting-disabled = true
bind-address = "127.0.0.1:{rpc}"
[meta]
  dir = "{folder}/meta"
[data]
  dir = "{folder}/data"
  wal-dir = "{folder}/wal"
  query-log-enabled = false
  cache-snapshot-write-cold-duration = "{cold_s}s"
  compact-full-write-cold-duration = "{cold_s}s"
[http]
  bind-address = "127.0.0.1:{port}"
  log-enabled = false
[monitor]
  store-enabled = false
[logging]
  level = "error"
"""

_NGINX = """
daemon off;
master_process off;
pid {folder}/nginx.pid;
error_log {folder}/nginx.log;
events {{ }}
http {{
    access_log off;
    client_body_temp_path {folder}/body;
    proxy_temp_path {folder}/proxy;
    fastcgi_temp_path {folder}/fastcgi;
    uwsgi_temp_path {folder}/uwsgi;
    scgi_temp_path {folder}/scgi;
{server}
}}
"""


def free_port() -> int:
    """A port of loopback that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class InfluxServer:
    """influxd and nginx over one folder. `url` is what the recorder is given, less the bucket."""

    def __init__(self, folder: Path, cold_s: int = 600) -> None:
        """`cold_s`: after so long without writing the server compacts its files."""
        self._folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self.port, self._database, rpc = free_port(), free_port(), free_port()
        (folder / "influxdb.conf").write_text(
            _INFLUXD.format(folder=folder, port=self._database, rpc=rpc, cold_s=cold_s)
        )
        server = REWRITE.read_text(encoding="utf-8").replace(":8087", f":{self.port}")
        server = server.replace(":8086", f":{self._database}")
        (folder / "nginx.conf").write_text(_NGINX.format(folder=folder, server=server))
        self._influxd: subprocess.Popen[bytes] | None = None
        self._nginx: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """Where it is, for `--samples`."""
        return f"influx://127.0.0.1:{self.port}"

    def plant_place(self, bucket: str) -> tuple[str, dict[str, str]]:
        """For `--samples`, and what else the environment must say."""
        return f"{self.url}/{bucket}", {}

    def start(self) -> InfluxServer:
        """Start both, and wait until they answer."""
        log = (self._folder / "influxd.log").open("ab")
        if self._nginx is None:
            command = [_binary("nginx"), "-e", f"{self._folder}/nginx.log", "-c", f"{self._folder}/nginx.conf"]
            self._nginx = subprocess.Popen(command, stdout=log, stderr=log)
        command = [_binary("influxd"), "-config", str(self._folder / "influxdb.conf")]
        self._influxd = subprocess.Popen(command, stdout=log, stderr=log)
        log.close()
        deadline = time.monotonic() + 120.0
        while not self._answers():
            if time.monotonic() > deadline or self._influxd.poll() is not None or self._nginx.poll() is not None:
                said = (self._folder / "influxd.log").read_text(errors="replace")[-2000:]
                self.stop()
                raise RuntimeError(f"InfluxDB does not answer: {said}")
            time.sleep(0.05)
        return self

    @property
    def processes(self) -> tuple[subprocess.Popen[bytes], ...]:
        """Those that run."""
        return tuple(process for process in (self._influxd, self._nginx) if process is not None)

    def kill_database(self) -> None:
        """End influxd as a power cut would; nginx stays and answers 502."""
        assert self._influxd is not None
        self._influxd.kill()
        self._influxd.wait()

    def stop(self) -> None:
        """End both, by their pids."""
        for process in (self._influxd, self._nginx):
            if process is not None and process.poll() is None:
                process.terminate()
                try:
                    process.wait(10.0)
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()
        self._influxd = self._nginx = None

    def query(self, statement: str, database: str = "") -> list[dict[str, object]]:
        """The series of the first result of an InfluxQL statement, asked without any of the project's code."""
        asked = urllib.parse.urlencode({"q": statement, "db": database, "epoch": "ns"}).encode()
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/query", asked, timeout=120.0) as answer:
            (result,) = json.load(answer)["results"]
        assert "error" not in result, result
        return list(result.get("series", []))

    def write(self, database: str, lines: list[str]) -> None:
        """Points in line protocol, times in ns, past the rewrite."""
        url = f"http://127.0.0.1:{self._database}/write?db={database}&precision=ns"
        with urllib.request.urlopen(url, "\n".join(lines).encode(), timeout=120.0):
            pass

    def create(self, *databases: str) -> None:
        """Make databases."""
        for name in databases:
            self.query(f'CREATE DATABASE "{name}"')

    def _answers(self) -> bool:
        try:
            self.query("SHOW DATABASES")
        except (urllib.error.URLError, OSError):
            return False
        return True


def _binary(name: str) -> str:
    found = shutil.which(name, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
    assert found, f"the tests need {name}: sh tests/install_services.sh installs it"
    return found
