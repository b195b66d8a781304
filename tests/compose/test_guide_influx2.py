"""The guide's lines for InfluxDB 2, typed as they stand at a real server with its own client, where both are."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from asleft.store.influx.place import TOKEN_FILE, place_from
from asleft.store.influx.samples import open_influx
from asleft.wire.block import Block, Channel
from plant_broker import COMPOSE

sys.path.insert(0, str(Path(__file__).parent.parent))
import influx2_server

GUIDE = (COMPOSE / "operating.md").read_text(encoding="utf-8")
S = 1_000_000_000


@pytest.fixture
def server(request, tmp_path):
    """Nobody has set it up yet."""
    program, version = influx2_server.found()
    if not program:
        pytest.skip(f"not here: {version}")
    made = influx2_server.Influx2Server(tmp_path / "influx").start(set_up=False)
    request.node.user_properties.append(("server", f"InfluxDB {version}"))
    yield made
    made.stop()


@pytest.fixture
def client():
    """Folder of the command `influx` of InfluxDB 2: beside the server's program, or on the PATH."""
    beside = Path(influx2_server.found()[0]).with_name("influx")
    for program in (str(beside), shutil.which("influx")):
        if program is None or not Path(program).exists():
            continue
        told = subprocess.run([program, "version"], capture_output=True, text=True, timeout=30, check=False)
        if told.stdout.startswith("Influx CLI"):
            return Path(program).parent
    pytest.skip("not here: no client (influx) of InfluxDB 2 beside influxd or on the PATH")


def test_the_lines_make_what_the_recorder_needs_and_a_token_for_no_more(server, client, tmp_path):
    (lines,) = re.findall(r"```sh\n([^`]*?influx setup[^`]*?)```", GUIDE)
    for place in ("/root/", "/etc/asleft/"):
        assert place in lines
        lines = lines.replace(place, f"{tmp_path}/")
    environment = {
        "PATH": f"{client}:{os.environ['PATH']}",
        "HOME": str(tmp_path),
        "INFLUX_CONFIGS_PATH": str(tmp_path / "configs"),
        "INFLUX_HOST": f"http://127.0.0.1:{server.port}",
    }
    done = subprocess.run(
        ["sh", "-eu", "-c", lines.replace(" -o asleft", "")],
        env=environment, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert re.search(r"\basleft\b.*\bautogen\b", done.stdout)
    assert re.search(r"\basleft-overview\b.*\bautogen\b", done.stdout)
    (options,) = re.findall(r"--samples (\S+)", (COMPOSE / "systemd" / "plant.env").read_text())
    url = options.replace("127.0.0.1:8086", f"127.0.0.1:{server.port}")
    store = open_influx(
        place_from(url, {TOKEN_FILE: str(tmp_path / "influx_token")}), tmp_path / "records.db", tmp_path / "data"
    )
    block = Block("edge-1", "v", "s", 1, "b", time.time_ns() - S, 1, True, np.zeros(1, np.int32),
                  (Channel("current", "A", values=np.ones(1)),))  # fmt: skip
    store.commit([block], [], 1)
    assert store.samples("v", 0, 2**62).channels["current"].tolist() == [1.0]
    assert store.about()["keeps_raw"] == "90 days"
    assert store.about()["keeps_overview"] == "for ever"
    store.close()
    listed = told_by(client, environment, "auth", "list", "--json")
    rights = re.findall(r'"((?:read|write):orgs/[^"]*)"', listed)
    assert len(rights) == 4
    assert all("/buckets/" in one for one in rights)
    taken_away = [line for line in GUIDE[GUIDE.index("## Uninstall") :].splitlines() if line.startswith("influx ")]
    assert len(taken_away) == 2
    before = told_by(client, environment, "bucket", "list", "--org", "asleft", "--hide-headers")
    for line in taken_away:
        told_by(client, environment, *line.split()[1:])
    after = told_by(client, environment, "bucket", "list", "--org", "asleft", "--hide-headers")
    assert len(re.findall(r"\basleft(?:-overview)?\b", before)) == 2
    assert not re.search(r"\basleft\b", after)


def told_by(client: Path, environment: dict[str, str], *words: str) -> str:
    """What the server's own client says to a command that has to work."""
    program = str(client / "influx")
    return subprocess.run([program, *words], env=environment, capture_output=True, text=True, check=True).stdout
