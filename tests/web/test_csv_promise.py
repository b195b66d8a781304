"""Columns of the CSV that pages give: name, unit and order stay, new ones come at the end."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest
from asleft.web.app import create_app

FILE = Path(__file__).parents[1] / "stability" / "csv.json"
PROMISED: dict[str, list[str]] = json.loads(FILE.read_text(encoding="utf-8"))


def test_something_is_promised():
    assert len(PROMISED) == 9
    assert all(PROMISED.values())


@pytest.mark.parametrize("path", PROMISED)
def test_columns_stay(plant, door, path):
    client = create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server.test_client()
    answer = client.get(path)
    assert answer.status_code == 200, answer.get_data(as_text=True)
    columns = next(csv.reader(io.StringIO(answer.get_data(as_text=True), newline="")))
    assert columns[: len(PROMISED[path])] == PROMISED[path]
