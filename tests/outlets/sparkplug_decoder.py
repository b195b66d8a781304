"""Decodes Sparkplug B payloads by a library that is not ours: sparkplug-payload (npm, of Eclipse Tahu)."""

from __future__ import annotations

import base64
import json
import os
import shutil
import subprocess
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from tempfile import TemporaryDirectory

PACKAGE = "sparkplug-payload@1.0.3"
_SCRIPT = """
const {get} = require("sparkplug-payload");
const spb = get("spBv1.0");
const big = (_, value) => (value && value.low !== undefined && value.high !== undefined
  ? Number(BigInt.asUintN(64, (BigInt(value.high) << 32n) | BigInt(value.low >>> 0))) : value);
const given = JSON.parse(require("fs").readFileSync(0, "utf8"));
if (given.encode) {
  const made = given.encode.map((one) => Buffer.from(spb.encodePayload(one)).toString("base64"));
  process.stdout.write(JSON.stringify(made));
} else {
  process.stdout.write(JSON.stringify(given.decode.map((one) => spb.decodePayload(Buffer.from(one, "base64"))), big));
}
"""


def node_modules() -> Path | str:
    """Folder with the package, installed from npm where it is not there yet; else a sentence why there is none."""
    given = os.environ.get("SPARKPLUG_PAYLOAD_MODULES")
    folder = Path(given) if given else Path.home() / ".cache" / "asleft-tests" / PACKAGE.replace("@", "-")
    if (folder / "node_modules" / "sparkplug-payload").is_dir():
        return folder / "node_modules"
    npm = shutil.which("npm")
    if npm is None or shutil.which("node") is None:
        return "node and npm are not installed"
    folder.parent.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(dir=folder.parent) as made:  # whole or not at all, whoever else installs it meanwhile
        command = [npm, "install", "--no-audit", "--no-fund", "--silent", "--prefix", made, PACKAGE]
        done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
        if done.returncode != 0:
            return f"npm cannot install {PACKAGE}: {done.stderr[-200:]}"
        with suppress(OSError):
            (Path(made) / "node_modules").rename(_made(folder) / "node_modules")
    return folder / "node_modules"


def _made(folder: Path) -> Path:
    folder.mkdir(exist_ok=True)
    return folder


class Decoder:
    """The library, asked for many payloads at once."""

    def __init__(self, modules: Path) -> None:
        self._environment = {**os.environ, "NODE_PATH": str(modules)}

    def decode(self, payloads: Sequence[bytes]) -> list[dict]:
        return self._run({"decode": [base64.b64encode(one).decode() for one in payloads]})

    def encode(self, payload: dict) -> bytes:
        return base64.b64decode(self._run({"encode": [payload]})[0])

    def _run(self, given: dict) -> list:
        done = subprocess.run(
            ["node", "-e", _SCRIPT], input=json.dumps(given), capture_output=True, text=True, timeout=60, check=False,
            env=self._environment,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)
