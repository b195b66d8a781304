"""The bill of materials: what is installed, why, and the script that comes inside."""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
import sys
import tomllib
from importlib.metadata import version
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
LOCK, PLANT_LOCK = ROOT / "requirements.lock", ROOT / "requirements-plant.lock"


@pytest.fixture(scope="module")
def bom(tmp_path_factory):
    out = tmp_path_factory.mktemp("sbom") / "made" / "asleft.cdx.json"
    done = subprocess.run([sys.executable, ROOT / ".ci/sbom.py", out], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return json.loads(out.read_text())


def test_it_is_a_cyclonedx_document_of_what_is_installed(bom):
    assert (bom["bomFormat"], bom["specVersion"]) == ("CycloneDX", "1.6")
    assert bom["metadata"]["component"]["name"] == "asleft"
    found = {one["name"].lower().replace("_", "-"): one.get("version") for one in bom["components"]}
    for name in ("numpy", "dash", "flask", "argon2-cffi", "paho-mqtt", "prometheus-client"):
        assert found[name] == version(name)


def test_everything_named_in_the_graph_is_there_and_the_root_needs_what_we_ask_for(bom):
    known = {one["bom-ref"] for one in (*bom["components"], bom["metadata"]["component"])}
    needs = {one["ref"]: set(one.get("dependsOn", ())) for one in bom["dependencies"]}
    assert set(needs) <= known
    assert set().union(*needs.values()) <= known
    mine = needs[bom["metadata"]["component"]["bom-ref"]]
    assert any("numpy" in ref for ref in mine)


def test_the_copied_script_is_among_the_parts(bom):
    (script,) = [one for one in bom["components"] if one.get("purl", "").startswith("pkg:npm/")]
    content = (ROOT / "dashboard/asleft/web/assets/plotly-basic.min.js").read_bytes()
    assert script["hashes"] == [{"alg": "SHA-256", "content": hashlib.sha256(content).hexdigest()}]
    assert f"v{script['version']}" in content[:200].decode()


def locked(file: Path) -> dict[str, list[str]]:
    """Name, version and marker of each part -> its hashes."""
    parts = re.split(r"^(?=\S+==)", file.read_text(), flags=re.MULTILINE)[1:]
    return {part.split("\\")[0].strip(): re.findall(r"--hash=(sha256:[0-9a-f]{64})", part) for part in parts}


@pytest.mark.parametrize("file", [LOCK, PLANT_LOCK], ids=lambda file: file.name)
def test_the_lock_names_every_file_by_its_hash(file):
    """`pip install --require-hashes` refuses anything else; this says so before somebody installs."""
    parts = locked(file)
    assert len(parts) > 60
    assert [name for name, hashes in parts.items() if not hashes] == []


def test_what_is_installed_at_a_plant_is_the_lock_without_what_only_developers_need():
    every, plant = locked(LOCK), locked(PLANT_LOCK)
    assert {name: hashes for name, hashes in plant.items() if every.get(name) != hashes} == {}
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    names = {name.split("==")[0] for name in plant}

    def wanted(lines: list[str]) -> set[str]:
        return {re.split(r"[\[<>=]", line)[0] for line in lines}

    assert wanted([*project["dependencies"], *extras["plant"], *extras["export"]]) <= names
    assert names & wanted(extras["dev"]) == set()
