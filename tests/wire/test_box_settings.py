"""Settings of many boxes from one template: values in their places, and every fault by name."""

from __future__ import annotations

from pathlib import Path

import pytest
from asleft.edge.config import load_config
from asleft.wire.box_settings import read_box_settings
from asleft.wire.settings_faults import SettingsError
from hypothesis import given
from hypothesis import strategies as st

TEMPLATE = """\
agent = "${agent}"
[broker]
host = "broker.plant"
[sampling]
rate_hz = "${rate}"
[[instrument]]
family = "modbus-tcp"
name = "driver of ${press}"
host = "${driver}"
[[instrument.valve]]
id = "${press}.platen"
[[instrument.valve.channel]]
name = "current"
unit = "A"
register = 3
"""
BOX = 'template = "hall.toml"\n[values]\nagent = "hall-7"\npress = "press-7"\ndriver = "192.0.2.17"\nrate = 50\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "hall.toml").write_text(TEMPLATE)
    (tmp_path / "box.toml").write_text(BOX)
    return tmp_path


def faults(folder: Path) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        load_config(folder / "box.toml")
    return [str(fault).removeprefix(f"{folder}/") for fault in caught.value.faults]


def test_a_box_is_its_template_with_its_values(folder: Path) -> None:
    config = load_config(folder / "box.toml")
    assert (config.agent, config.valves, config.sampling.rate_hz) == ("hall-7", ("press-7.platen",), 50.0)
    whole = TEMPLATE.replace('"${rate}"', "50").replace("${agent}", "hall-7").replace("${press}", "press-7")
    (folder / "whole.toml").write_text("# the same, written out\n" + whole.replace("${driver}", "192.0.2.17"))
    assert load_config(folder / "whole.toml").digest == config.digest


def test_a_changed_value_changes_the_digest_and_a_comment_does_not(folder: Path) -> None:
    before = read_box_settings(folder / "box.toml").digest
    (folder / "box.toml").write_text("# a box\n" + BOX)
    assert read_box_settings(folder / "box.toml").digest == before
    (folder / "box.toml").write_text(BOX.replace("rate = 50", "rate = 100"))
    assert read_box_settings(folder / "box.toml").digest != before


def test_all_faults_of_values_and_places_are_named_at_once(folder: Path) -> None:
    (folder / "box.toml").write_text(BOX.replace("driver =", "drvier =").replace("rate = 50", "rate = [1]"))
    assert faults(folder) == ["box.toml: values.rate = [1]: must be text, a number, true or false"]
    (folder / "box.toml").write_text(BOX.replace("driver =", "drvier ="))
    assert faults(folder) == [
        'hall.toml: instrument[1].host = "${driver}": there is no "driver" among the [values] of box.toml',
        'box.toml: values.drvier = "192.0.2.17": has no place in hall.toml: no ${drvier}',
    ]


def test_a_fault_of_a_value_is_found_where_the_template_puts_it(folder: Path) -> None:
    (folder / "box.toml").write_text(BOX.replace("rate = 50", "rate = 5000"))
    assert faults(folder) == ["box.toml with hall.toml: sampling.rate_hz = 5000: must be from 10 to 200 Hz"]


def test_a_template_that_is_not_there_or_names_another_is_refused(folder: Path) -> None:
    (folder / "box.toml").write_text(BOX.replace("hall.toml", "none.toml"))
    assert faults(folder) == ['box.toml: template = "none.toml": cannot be read: No such file or directory']
    (folder / "box.toml").write_text(BOX + "\n[values.more]\na = 1\n")
    assert faults(folder) == ["box.toml: values.more = {...}: must be text, a number, true or false"]
    (folder / "box.toml").write_text(BOX)
    (folder / "hall.toml").write_text('template = "box.toml"\n' + TEMPLATE)
    assert faults(folder) == ['hall.toml: template = "box.toml": a template names no other one']


def test_two_dollars_are_one(folder: Path) -> None:
    (folder / "hall.toml").write_text(TEMPLATE.replace("driver of", "$$ of $ ${} $${press}"))
    table = read_box_settings(folder / "box.toml").table
    assert table["instrument"][0]["name"] == "$ of $ ${} ${press} press-7"  # type: ignore[index]


@given(text=st.text(st.characters(exclude_categories=["C", "Zl", "Zp"]), max_size=40))
def test_no_value_can_change_what_the_template_means(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    folder = tmp_path_factory.mktemp("box")
    quoted = text.replace("\\", "\\\\").replace('"', '\\"')
    (folder / "t.toml").write_text('agent = "a ${x} b"\nkept = 1\n')
    (folder / "b.toml").write_text(f'template = "t.toml"\n[values]\nx = "{quoted}"\n')
    assert read_box_settings(folder / "b.toml").table == {"agent": f"a {text} b", "kept": 1}
