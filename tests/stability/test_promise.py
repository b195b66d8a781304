"""What operating.md promises stays as it was put down in promise.json; more may come, nothing may go or change."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from asleft.cli.main import main
from asleft.edge.config import load_config
from asleft.edge.figures import AgentFigures
from asleft.edge.metrics import AgentCollector
from asleft.edge.sampler import SamplerCounters
from asleft.edge.spool import SpoolCounters
from asleft.recorder.batch import Counters
from asleft.recorder.metrics import RecorderCollector, RecorderFigures
from asleft.sheet.reader import read_sheet
from asleft.web.availability import Availability
from asleft.web.notices.settings import read_settings
from asleft.web.watched import DashboardCollector
from asleft.wire.block import AgentState
from flask import Flask
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.parser import text_string_to_metric_families
from promised import FILE, SCHEMA, WHAT, metrics

HERE = Path(__file__).parent
PROMISED: dict[str, Any] = json.loads(FILE.read_text(encoding="utf-8"))


def broken(promised: Any, now: Any, where: str) -> list[str]:
    """What was promised and is not so any more."""
    if isinstance(promised, dict):
        missing = [f"{where}: {key} is gone" for key in promised if key not in now]
        return missing + [
            fault for key in promised if key in now for fault in broken(promised[key], now[key], f"{where}: {key}")
        ]
    if isinstance(promised, list) and where.startswith(("exit codes", "options", "verification record")):
        return [f"{where}: {one} is gone" for one in promised if one not in now]
    return [] if promised == now else [f"{where}: was {promised}, is {now}"]


@pytest.mark.parametrize("what", WHAT)
def test_nothing_promised_is_gone_or_changed(what: str) -> None:
    assert PROMISED[what], "an empty promise"
    assert broken(PROMISED[what], WHAT[what](), what) == []


def test_a_broken_promise_is_noticed() -> None:
    assert broken({"Block": {"seq": [1, 4, ""]}}, {"Block": {"seq": [2, 4, ""]}}, "block.proto")
    assert broken({"judge": [0, 1]}, {"judge": [0]}, "exit codes")
    assert broken({"a": {}}, {}, "topics")


def test_a_sheet_that_was_accepted_means_the_same() -> None:
    """sheet.toml has every key there was; sheet.json is what it meant."""
    meant = json.loads((HERE / "sheet.json").read_text(encoding="utf-8"))
    sheet = read_sheet((HERE / "sheet.toml").read_text(encoding="utf-8"))
    assert {key: value for key, value in sheet_values(sheet).items() if key in meant} == meant


def sheet_values(sheet: Any) -> dict[str, Any]:
    """A sheet as plain values, in stored units."""
    return {
        "valve": sheet.valve,
        "controls": sheet.controls,
        "signal": [sheet.signal.unit, sheet.signal.at_zero, sheet.signal.at_full, sheet.signal.off_below_pct,
                   sheet.signal.made_by.value],
        "as_left": dict(sheet.as_left),
        "tolerance": {name: [str(one.below), str(one.above)] for name, one in sheet.tolerance.items()},
        "coil": [sheet.coil.duty_max, sheet.coil.driver_limit_a],
        "characteristic": [list(sheet.characteristic.falling_bar)],
        "modes": [list(sheet.conditions.producing_modes), list(sheet.conditions.set_up_modes),
                  list(sheet.conditions.in_control_modes)],
        "conditions": [list(sheet.conditions.oil_temperature_degc), list(sheet.conditions.in_control_command_pct)],
        "current": [sheet.instruments["current"].where.value, sheet.instruments["current"].expanded_uncertainty],
        "revision": [sheet.revision.number, str(sheet.revision.at), sheet.revision.by, sheet.revision.why],
    }  # fmt: skip


def test_settings_that_worked_keep_working() -> None:
    config = load_config(HERE / "agent.toml")
    assert config.agent == "hall-1"
    assert len(config.valves) == 8
    text = (HERE / "notify.toml").read_text(encoding="utf-8")
    addresses = dict.fromkeys(("ASLEFT_ON_CALL", "ASLEFT_WORKSHOP", "ASLEFT_MORNING"), "json://127.0.0.1")
    assert [to.name for to in read_settings(text, source="notify.toml", environment=addresses).to] == [
        "on call",
        "workshop",
        "morning round",
    ]


def exposed() -> dict[str, list[str]]:
    """Every series of the three programs with something in it: name as a collector has it -> labels."""
    state = AgentState("hall-1", True, "stream", highest_seq=1, acknowledged=1, at_ns=0, version="1", details={})
    agent = AgentFigures("hall-1", "1", [("press-1", SamplerCounters())], 0, SpoolCounters(1, 1, 1, 0, 0), 1, 0, True,
                         1, 0, False)  # fmt: skip
    recorder = RecorderFigures("r", "1", Counters(), 0, 1, True, 1, {"hall-1": (state, 1)}, [], 0, {}, True)
    server = Flask("promise")
    dashboard = DashboardCollector(server, Availability(lambda: 0), "1")
    server.test_client().get("/nothing")
    registry = CollectorRegistry()
    for one in (AgentCollector(lambda: agent), RecorderCollector(lambda: recorder), dashboard):
        registry.register(one)
    found: dict[str, list[str]] = {}
    for family in text_string_to_metric_families(generate_latest(registry).decode()):
        for sample in family.samples:
            name = sample.name if family.type != "histogram" else family.name
            found[name] = sorted(label for label in sample.labels if label != "le")
    return found


def test_the_metrics_of_the_guide_are_those_of_the_programs() -> None:
    """Each is in the guide with its labels, and nothing is in the guide that no program has."""
    told = {name: sorted(labels) for name, labels in metrics().items()}
    now = {name: labels for name, labels in exposed().items() if not name.endswith("_created")}
    assert told == now


def test_json_of_a_judgement_names_its_form(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = tmp_path / "sheet.toml"
    sheet.write_text(
        '[valve]\nid = "press-4.platen"\n[signal]\nkind = "4-20mA"\n'
        "[as_left]\nramp_up = 1.2\ncurrent_at_full = 0.92\n"
    )
    log = tmp_path / "log.csv"
    rows = "\n".join(f"{n / 10},{12 if n // 50 % 2 else 4},{0.55 if n // 50 % 2 else 0.18}" for n in range(600))
    log.write_text(f"time,command,current\n{rows}\n")
    main(["judge", str(log), "--sheet", str(sheet), "--json", "-"])
    found = json.loads(capsys.readouterr().out)
    assert found["schema"] == "asleft-judgement-1"
    assert set(PROMISED["judgement"]) <= set(found)
    assert found["quantities"]
    assert set(PROMISED["quantity"]) <= set(found["quantities"][0])


def test_a_record_names_its_form_and_its_schema_knows_it() -> None:
    from asleft.web.verification.record import SCHEMA as NAME

    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    assert NAME == "asleft-verification-record-2"
    assert schema["properties"]["schema"] == {"const": NAME} or NAME in json.dumps(schema["properties"]["schema"])
