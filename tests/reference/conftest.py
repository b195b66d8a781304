"""Data and results that others published, each beside its source; see `published.json`.

Every test here says above its numbers where they come from and what kind of evidence that is: published (in print),
computed with a reference library, closed form (follows on paper), or from memory (not to be cited as read).
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "bench"))  # exact run lengths


@pytest.fixture(scope="session")
def published() -> dict[str, dict[str, Any]]:
    """The data sets by name; each entry carries its `source` and `evidence`."""
    return json.loads((Path(__file__).parent / "published.json").read_text("utf-8"))
