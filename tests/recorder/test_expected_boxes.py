"""What each edge box should run, from the plant's own folder, and how the health page says that one runs another."""

from __future__ import annotations

import os

import pytest
from asleft.edge.config import load_config
from asleft.recorder.expected_boxes import LOOK_EVERY_S, NOT_EXPECTED, ExpectedBoxes
from asleft.recorder.health import agent_health
from asleft.web.health.figures import settings_words
from asleft.wire.block import AgentState
from asleft.wire.settings_faults import SettingsError

TEMPLATE = """\
agent = "${agent}"
[[instrument]]
family = "modbus-tcp"
host = "192.0.2.10"
[[instrument.valve]]
id = "${agent}.platen"
channel = [{ name = "current", unit = "A", register = 3 }]
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "hall.toml").write_text(TEMPLATE)
    for number in (7, 8):
        (tmp_path / f"box-{number}.toml").write_text(f'template = "hall.toml"\n[values]\nagent = "hall-{number}"\n')
    return tmp_path


def test_the_digest_is_the_one_that_the_agent_says_of_the_same_files(folder):
    boxes = ExpectedBoxes(folder)
    assert boxes.expected("hall-7") == load_config(folder / "box-7.toml").digest
    assert boxes.expected("hall-8") == load_config(folder / "box-8.toml").digest != boxes.expected("hall-7")
    assert boxes.expected("hall-9") == NOT_EXPECTED


def test_a_changed_file_is_read_again_and_a_spoilt_one_changes_nothing(folder, caplog):
    boxes = ExpectedBoxes(folder)
    before = boxes.expected("hall-7")
    (folder / "hall.toml").write_text(TEMPLATE.replace("192.0.2.10", "192.0.2.11"))
    boxes.look(0.0)
    now = boxes.expected("hall-7")
    assert now == load_config(folder / "box-7.toml").digest != before
    (folder / "hall.toml").write_text("agent = ")
    os.utime(folder / "hall.toml", (1, 1))
    boxes.look(LOOK_EVERY_S - 1.0)
    assert not caplog.records
    boxes.look(LOOK_EVERY_S)
    boxes.look(2 * LOOK_EVERY_S)
    assert boxes.expected("hall-7") == now
    assert len([one for one in caplog.records if "going on with those read before" in one.message]) == 1


def test_two_files_of_one_agent_are_refused_by_name(folder):
    (folder / "box-9.toml").write_text((folder / "box-7.toml").read_text())
    with pytest.raises(SettingsError, match=r'box-9.toml: agent = "hall-7": has its settings in box-7.toml already'):
        ExpectedBoxes(folder)


def test_the_row_of_an_agent_says_what_is_expected_only_where_something_is():
    state = AgentState("hall-7", True, "s", 0, 0, 1, "1.0", {"settings": "a1"})
    assert "expected_settings" not in agent_health(state, 1, []).details
    assert agent_health(state, 1, [], None, None, "b2").details["expected_settings"] == "b2"


@pytest.mark.parametrize(("said", "expected", "words"), [
    ({"settings": "a1"}, None, "settings a1"),
    ({}, None, ""),
    ({"settings": "a1"}, "a1", "settings a1, as expected"),
    ({"settings": "a1"}, "b2", "settings a1, while b2 are expected: they were changed on the box"),
    ({"settings": "a1"}, "", "settings a1; the plant side has no file of this box among those it expects"),
    ({}, "b2", "it does not say which settings it runs: its version is from before agents said so"),
])  # fmt: skip
def test_what_the_health_page_says_of_it(said, expected, words):
    assert settings_words(said, expected).startswith(words)
