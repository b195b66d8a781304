"""Decodes Sparkplug B payloads by a library that is not ours: sparkplug-payload (npm, of Eclipse Tahu)."""

from __future__ import annotations

import base64
import json
import subprocess
from collections.abc import Sequence
from pathlib import Path

from npm_package import environment

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


class Decoder:
    """The library, asked for many payloads at once."""

    def __init__(self, modules: Path) -> None:
        self._environment = environment(modules)

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
