"""The examples of the guide are read without a fault, so that what they show is what there is."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from asleft.edge.config import parse_config
from asleft.instruments.registry import FAMILIES

GUIDE = (Path(__file__).parent.parent.parent / "agent" / "README.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```toml\n(\[\[instrument\]\].*?)```", GUIDE, re.DOTALL)


def test_the_guide_has_examples_and_names_every_family() -> None:
    assert len(EXAMPLES) >= 3
    assert [family for family in FAMILIES if f"`{family}`" not in GUIDE and f'"{family}"' not in GUIDE] == [
        "csv-replay"
    ]


@pytest.mark.parametrize("example", EXAMPLES, ids=[re.findall(r'family = "(.*?)"', one)[0] for one in EXAMPLES])
def test_an_example_of_the_guide_has_no_fault(example: str, tmp_path: Path) -> None:
    config = parse_config(f'agent = "hall-1"\n{example}', "README.md", tmp_path)
    assert config.valves == ("press-4.platen",)
