"""What is installed is what is in the tree: templates, styles, scripts, the demo's files, schemas, the contract."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TREES = ("agent", "dashboard", "sim")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory) -> zipfile.ZipFile:
    out = tmp_path_factory.mktemp("wheel")
    made = subprocess.run(
        [sys.executable, "-m", "build", "--no-isolation", "--wheel", "--outdir", str(out), str(ROOT)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert made.returncode == 0, made.stdout + made.stderr
    (path,) = out.glob("*.whl")
    return zipfile.ZipFile(path)


def in_the_tree() -> dict[str, Path]:
    """Every file of the packages, by its name in a wheel; but what the interpreter leaves behind."""
    found: dict[str, Path] = {}
    for tree in TREES:
        for path in sorted((ROOT / tree / "asleft").rglob("*")):
            if path.is_file() and "__pycache__" not in path.parts:
                found[path.relative_to(ROOT / tree).as_posix()] = path
    return found


def test_every_file_of_the_packages_is_in_the_wheel_as_it_is(wheel):
    expected = in_the_tree()
    kinds = {path.suffix for path in expected.values()}
    assert {".html", ".css", ".js", ".toml", ".json", ".mako", ".proto"} <= kinds
    packed = {name for name in wheel.namelist() if name.startswith("asleft/")}
    assert packed == set(expected)
    different = [name for name, path in expected.items() if wheel.read(name) != path.read_bytes()]
    assert different == []


def test_the_commands_and_the_licence_come_along(wheel):
    (info,) = {name.split("/")[0] for name in wheel.namelist()} - {"asleft"}
    assert wheel.read(f"{info}/licenses/LICENSE") == (ROOT / "LICENSE").read_bytes()
    entries = wheel.read(f"{info}/entry_points.txt").decode()
    assert "asleft = asleft.cli.main:main" in entries
    assert "asleft-agent = asleft.edge.main:main" in entries
