"""A bill of materials of an environment (CycloneDX 1.6), by the CycloneDX project's generator.

    python .ci/sbom.py OUT.json

What the generator cannot see is added: the script of somebody else's that comes inside our own distribution.
"""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
SCRIPT = ROOT / "dashboard/asleft/web/assets/plotly-basic.min.js"


def carried() -> dict[str, Any]:
    """The browser's plotting library, a copy of which is among the dashboard's assets."""
    content = SCRIPT.read_bytes()
    version = re.search(rb"v(\d+\.\d+\.\d+)", content[:400])
    assert version is not None, f"{SCRIPT.name} no longer says its version"
    purl = f"pkg:npm/plotly.js-basic-dist-min@{version.group(1).decode()}"
    return {
        "type": "library",
        "bom-ref": purl,
        "name": "plotly.js-basic-dist-min",
        "version": version.group(1).decode(),
        "purl": purl,
        "licenses": [{"license": {"id": "MIT"}}],
        "hashes": [{"alg": "SHA-256", "content": hashlib.sha256(content).hexdigest()}],
    }


def main() -> None:
    """Write it."""
    out = Path(sys.argv[1])
    out.parent.mkdir(parents=True, exist_ok=True)
    subprocess.run(
        [sys.executable, "-m", "cyclonedx_py", "environment", "--pyproject", str(ROOT / "pyproject.toml"),
         "--sv", "1.6", "--no-validate", "--output-reproducible", "--output-file", str(out), sys.executable],
        check=True,
    )  # fmt: skip
    bom = json.loads(out.read_text(encoding="utf-8"))
    bom["components"].append(carried())
    root = bom["metadata"]["component"]["bom-ref"]
    next(one for one in bom["dependencies"] if one["ref"] == root).setdefault("dependsOn", []).append(
        carried()["bom-ref"]
    )
    bom["dependencies"].append({"ref": carried()["bom-ref"]})
    out.write_text(json.dumps(bom, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
