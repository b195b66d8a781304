"""A store full of valves and streams that an agent has made up: pages ask as little and show as much as before."""

from __future__ import annotations

import time
from collections import Counter
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from asleft.store.protocols import SheetRecord
from asleft.store.records import open_records
from asleft.store.samples import open_samples
from asleft.web.health import MOST_STREAMS, health_body, health_view
from asleft.web.presses import page as tables
from asleft.web.presses.view import presses_view
from asleft.web.sheets.view import sheet_rows
from asleft.web.source import MOST_WITHOUT_SHEET, Source
from asleft.web.start import start_view
from asleft.web.when import PlantTime
from asleft.wire.block import Block, Channel

S = 1_000_000_000
SHEET = """
[valve]
id = "{valve}"
[signal]
kind = "4-20mA"
[as_left]
current_at_zero = 0.18
current_at_full = 0.92
[revision]
number = 1
at = 2023-01-01T00:00:00Z
by = "ab"
why = "first"
"""


class Counting:
    """Counts the questions that a store is asked."""

    def __init__(self, store):
        self.store, self.asked = store, Counter()

    def __getattr__(self, name):
        found = getattr(self.store, name)
        self.asked[name] += 1
        return found


def block(seq, stream, valve):
    return Block(
        "hall-1", valve, stream, seq, "boot", time.time_ns() - 5 * S, 1, True, np.arange(2, dtype=np.int32),
        (Channel("command", "mA", values=np.ones(2)),),
    )  # fmt: skip


@pytest.fixture
def plant(tmp_path):
    """Opens a plant with three good valves and so many made up ones."""
    opened = []

    def make(rubbish):
        folder = tmp_path / str(rubbish)
        folder.mkdir()
        samples, records = open_samples(folder), open_records(folder / "records.db")
        opened.extend((samples, records))
        good = [f"press-{number}.platen" for number in range(3)]
        for valve in good:
            records.put_sheet(SheetRecord(valve, 1, 0, "ab", "first", SHEET.format(valve=valve), 1))
        blocks = [block(1, f"spool-{number}", f"rubbish-{number}") for number in range(rubbish)]
        samples.commit([*blocks, *(block(2 + k, "good", valve) for k, valve in enumerate(good))], [], time.time_ns())
        return Source(Counting(samples), Counting(records), PlantTime(ZoneInfo("UTC")), time.time_ns)

    yield make
    for one in opened:
        one.close()


VIEWS = {
    "health": lambda source: health_view(source, "0"),
    "presses": presses_view,
    "sheets": sheet_rows,
    "start": lambda source: start_view(source, accounts=True),
}


@pytest.mark.parametrize("view", VIEWS.values(), ids=VIEWS)
def test_pages_ask_no_more_of_the_stores_however_many_valves_there_are(plant, view):
    asked = []
    for rubbish in (5, 400):
        source = plant(rubbish)
        view(source)
        asked.append((source.samples.asked, source.records.asked))
    assert asked[0] == asked[1]
    assert sum(sum(one.values()) for one in asked[1]) < 25


def test_pages_show_valves_with_a_sheet_and_some_of_the_others_and_say_how_many_more(plant):
    source = plant(400)
    health, presses = health_view(source, "0"), presses_view(source)
    unlisted = 400 - MOST_WITHOUT_SHEET
    for names in ([row.valve for row in health.judged], [row.name.id for row in presses.rows]):
        assert len(names) == 3 + MOST_WITHOUT_SHEET
        assert {"press-0.platen", "press-1.platen", "press-2.platen"} < set(names)
    assert f"{unlisted} more valves without a sheet are not listed here." in presses.subline
    assert [fact.value for fact in health.facts if "not listed" in fact.what] == [str(unlisted)]
    assert len(tables.presses(source).rows) == 403  # the table has them all


def test_an_agents_old_streams_are_one_line_and_none_of_their_blocks_is_forgotten(plant):
    source = plant(400)
    health = health_view(source, "0")
    names = [agent.name for agent in health.agents]
    assert names == ["hall-1"] * MOST_STREAMS + [f"hall-1, {401 - MOST_STREAMS} earlier streams"]
    marks = source.samples.marks()
    assert sum(agent.delivery.stored for agent in health.agents) == sum(mark.stored for mark in marks)
    assert str(health_body(health)).count("<tr>") < 2 * (MOST_WITHOUT_SHEET + MOST_STREAMS)
