"""Dataclasses that hold arrays have no == by fields: from Python 3.13 on it raises for one and the same array too."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import numpy as np
import pytest
from asleft.wire.block import Burst

ROOT = Path(__file__).parent.parent.parent
_ARRAY = re.compile(r"Array|ndarray")


def with_arrays(text: str) -> list[tuple[str, bool]]:
    """Dataclasses with a field of an array, and whether they have == by their fields."""
    found = []
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, ast.ClassDef):
            continue
        made = [word for word in map(ast.unparse, node.decorator_list) if word.startswith("dataclass")]
        fields = [part for part in node.body if isinstance(part, ast.AnnAssign)]
        if made and any(_ARRAY.search(ast.unparse(part.annotation)) for part in fields):
            found.append((node.name, "eq=False" not in made[0]))
    return found


def test_none_of_ours_is_compared_by_its_fields():
    files = [path for root in ("agent", "dashboard", "sim") for path in (ROOT / root / "asleft").rglob("*.py")]
    found = {
        (path.name, name): by_fields for path in files for name, by_fields in with_arrays(path.read_text("utf-8"))
    }
    assert len(found) > 30
    assert [where for where, by_fields in found.items() if by_fields] == []


def test_the_search_finds_one():
    assert with_arrays("@dataclass(frozen=True)\nclass A:\n    x: FloatArray\n") == [("A", True)]
    assert with_arrays("@dataclass(eq=False)\nclass A:\n    x: npt.NDArray[np.int8]\n") == [("A", False)]
    assert with_arrays("@dataclass\nclass A:\n    x: float\n") == []


@pytest.mark.parametrize("same", [True, False])
def test_two_of_them_compare_by_identity_and_never_raise(same):
    values = np.arange(3.0)
    one = Burst("current", "A", 0, 4000.0, values)
    other = one if same else Burst("current", "A", 0, 4000.0, values)
    assert (one == other) is same
