"""The bill of materials: read back by the CycloneDX library, compared with what is installed and with the lock."""

from __future__ import annotations

import hashlib
import json
from importlib.metadata import distributions, version
from pathlib import Path

import pytest
from asleft.cli.main import main
from asleft.cli.sbom_lock import hashes_of
from cyclonedx.model.bom import Bom

ROOT = Path(__file__).parent.parent.parent
LOCK = ROOT / "requirements.lock"


@pytest.fixture
def written(tmp_path, capsys):
    """The document with the given options, read back."""

    def write(*words: str) -> tuple[dict, Bom, str]:
        file = tmp_path / "made" / "asleft.cdx.json"
        assert main(["sbom", "--out", str(file), *words]) == 0
        document = json.loads(file.read_text())
        return document, Bom.from_json(document), capsys.readouterr().err

    return write


def test_it_is_a_cyclonedx_document_of_what_is_installed(written):
    document, bom, _ = written()
    assert (document["bomFormat"], document["specVersion"]) == ("CycloneDX", "1.6")
    assert bom.metadata.component.name == "asleft"
    assert bom.metadata.component.version == version("asleft")
    found = {component.name: component.version for component in bom.components}
    here = {d.metadata["Name"].lower().replace("_", "-").replace(".", "-"): d.version for d in distributions()}
    for name in ("numpy", "dash", "flask", "argon2-cffi", "argon2-cffi-bindings", "cffi", "paho-mqtt"):
        assert found[name] == here[name]
    assert all(component.purl is not None for component in bom.components)
    assert "pip" not in found  # nothing of ours needs it
    bare = [c["name"] for c in document["components"] if not c.get("licenses")]
    assert len(bare) <= 3, bare


def test_who_needs_whom_is_told_and_everything_has_a_reason_to_be_there(written):
    document, _, _ = written()
    needs = {entry["ref"]: set(entry.get("dependsOn", ())) for entry in document["dependencies"]}
    reference = {c["name"]: c["bom-ref"] for c in (*document["components"], document["metadata"]["component"])}
    assert reference["cffi"] in needs[reference["argon2-cffi-bindings"]]
    assert reference["argon2-cffi-bindings"] in needs[reference["argon2-cffi"]]
    assert reference["argon2-cffi"] in needs[reference["asleft"]]
    reached, waiting = set(), [reference["asleft"]]
    while waiting:
        one = waiting.pop()
        if one not in reached:
            reached.add(one)
            waiting.extend(needs.get(one, ()))
    assert reached == set(reference.values())


def test_with_the_lock_every_part_has_the_hashes_of_its_files(written):
    document, _, complaints = written("--lock", str(LOCK))
    assert complaints == "", "something is installed in another version than the lock's"
    locked = hashes_of(LOCK.read_text())
    for component in document["components"]:
        if component["purl"].startswith("pkg:npm/"):
            continue
        told = [r["hashes"][0]["content"] for r in component["externalReferences"]]
        assert sorted(told) == sorted(locked[component["name"], component["version"]]), component["name"]


def test_the_copied_script_is_among_the_parts(written):
    document, _, _ = written()
    (script,) = [c for c in document["components"] if c["purl"].startswith("pkg:npm/")]
    content = (ROOT / "dashboard/asleft/web/assets/plotly-basic.min.js").read_bytes()
    assert script["hashes"] == [{"alg": "SHA-256", "content": hashlib.sha256(content).hexdigest()}]
    assert f"v{script['version']}" in content[:200].decode()


def test_an_extra_alone_leaves_the_rest_out(written):
    names = {component.name for component in written("--extra", "plant")[1].components}
    assert {"dash", "sqlalchemy"} <= names
    assert not {"amqtt", "pytest", "playwright"} & names


def test_the_same_installation_gives_the_same_bytes(tmp_path, monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    files = [tmp_path / "one.json", tmp_path / "two.json"]
    for file in files:
        assert main(["sbom", "--out", str(file)]) == 0
    assert files[0].read_bytes() == files[1].read_bytes()
    assert "2023-11-14T22:13:20" in files[0].read_text()


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (("--extra", "nothing"), "--extra nothing: there are demo, "),
        (("--lock", "nowhere.lock"), "--lock nowhere.lock: cannot be read"),
        (("--lock", str(ROOT / "Makefile")), "has no line NAME==VERSION"),
    ],
)
def test_wrong_input_is_one_message(capsys, words, complaint):
    assert main(["sbom", *words]) == 2
    assert complaint in capsys.readouterr().err


def test_a_lock_is_read_as_installers_read_it():
    digests = ["ab" * 32, "cd" * 32, "ef" * 32]
    text = (
        f"# a comment\nPy_Thing.Two==1.0 ; python_version < '4' \\\n    --hash=sha256:{digests[0]} \\\n"
        f"    --hash=sha256:{digests[1]}\n    # via other\nother==2.0+local \\\n"
        f"    --hash=sha256:{digests[2]}\nbare==3\n"
    )
    assert hashes_of(text) == {("py-thing-two", "1.0"): digests[:2], ("other", "2.0+local"): digests[2:]}


def test_the_lock_names_every_file_by_its_hash():
    """`pip install --require-hashes` refuses anything else; this says so before somebody installs."""
    lines = LOCK.read_text().splitlines()
    pins = [line for line in lines if "==" in line and not line.startswith((" ", "#"))]
    locked = hashes_of(LOCK.read_text())
    assert len(pins) == len(locked) > 60
