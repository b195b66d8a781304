from __future__ import annotations

from pathlib import Path

import pytest
from asleft.instruments.backoff import Backoff
from asleft.instruments.csv_parse import CsvError, parse_log
from asleft.instruments.csv_replay import CsvReplay, read_csv_settings
from asleft.instruments.modbus_address import SerialLine
from asleft.instruments.modbus_settings import read_modbus_settings, read_serial_line, read_tcp_address
from asleft.instruments.registry import FAMILIES, Places, prepare
from asleft.wire.block import Reason
from asleft.wire.settings import Section
from asleft.wire.settings_faults import Fault


def faults_of(raw: dict[str, object]) -> list[str]:
    faults: list[Fault] = []
    read_modbus_settings(Section(faults, "", "instrument[1]", raw), read_tcp_address)
    return [str(fault) for fault in faults]


CHANNEL = {"name": "current", "unit": "A", "register": 0}
LONG_BURST = {"buffers": [65000], "readings": 999}


def test_a_smallest_instrument_is_good() -> None:
    assert faults_of({"host": "h", "valve": [{"id": "v", "channel": [CHANNEL]}]}) == []


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        ({}, ["instrument[1].host: missing", "instrument[1].valve: missing: at least one [[instrument.valve]]"]),
        (
            {"host": "h", "port": 70000, "valve": [{"id": "v", "channel": [CHANNEL]}]},
            ["port = 70000: must be a whole number from 1 to 65535"],
        ),
        (
            {"host": "h", "prot": 5, "valve": [{"id": "v", "channel": [CHANNEL]}]},
            ["prot = 5: unknown key; did you"],
        ),
        ({"host": "h", "valve": [{"id": "V", "channel": [CHANNEL]}]}, ['valve[1].id = "V": must be of']),
        (
            {"host": "h", "valve": [{"id": "v", "channel": [CHANNEL, CHANNEL]}]},
            ['channel[2].name = "current": is'],
        ),
        ({"host": "h", "valve": [{"id": "v", "channel": [CHANNEL | {"scale": 0}]}]}, ["scale = 0: must not be 0"]),
        (
            {"host": "h", "valve": [{"id": "v", "channel": [CHANNEL | {"type": "int8"}]}]},
            ['type = "int8": must be one'],
        ),
        ({"host": "h", "valve": [{"id": "v", "channel": [CHANNEL | {"bit": 3}]}]}, ["bit = 3: names a bit"]),
        (
            {"host": "h", "valve": [{"id": "v", "channel": [CHANNEL | {"register": 65535, "type": "int32"}]}]},
            ['register = 65535: with type = "int32" reaches beyond 65535'],
        ),
        (
            {
                "host": "h",
                "valve": [{"id": "v", "channel": [CHANNEL], "burst": {"buffers": [65000], "readings": 999}}],
            },
            ["burst.buffers = [65000]: a buffer of"],
        ),
        (
            {"host": "h", "unit": True, "valve": [{"id": "v", "channel": [CHANNEL]}]},
            ["unit = true: must be a whole number from 0 to 255"],
        ),
        ({"host": 5, "port": "x", "valve": [{"id": "v", "channel": [{}]}]}, ["host", "port", "name", "register"]),
    ],
)
def test_every_fault_is_named_with_key_value_and_limit(raw: dict[str, object], expected: list[str]) -> None:
    faults = faults_of(raw)
    for part in expected:
        assert any(part in fault for fault in faults), faults
    assert len(faults) >= len(expected)


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        ({}, "device: missing: a serial port, as /dev/ttyUSB0"),
        ({"device": "/dev/ttyUSB0", "baud_rate": 14400}, "baud_rate = 14400: must be one of 1200, 2400"),
        ({"device": "/dev/ttyUSB0", "parity": "mark"}, 'parity = "mark": must be one of "even", "odd"'),
        ({"device": "/dev/ttyUSB0", "one_connection": False}, "one_connection = false: must be left out"),
        ({"device": "/dev/ttyUSB0", "host": "h"}, 'host = "h": unknown key'),
    ],
)
def test_a_serial_line_has_keys_and_faults_of_its_own(raw: dict[str, object], expected: str) -> None:
    faults: list[Fault] = []
    table = Section(faults, "", "instrument[1]", raw | {"valve": [{"id": "v", "channel": [CHANNEL]}]})
    settings = read_modbus_settings(table, read_serial_line)
    assert len(faults) == 1
    assert expected in str(faults[0])
    assert settings.address.is_line


def test_a_line_without_parity_has_two_stop_bits_and_carries_no_bursts() -> None:
    faults: list[Fault] = []
    burst = {"buffers": [100], "readings": 10}
    raw = {"device": "/dev/ttyS0", "parity": "none", "valve": [{"id": "v", "channel": [CHANNEL], "burst": burst}]}
    settings = read_modbus_settings(Section(faults, "", "", raw), read_serial_line)
    assert settings.address == SerialLine("/dev/ttyS0", 19200, "none", 2)
    assert len(faults) == 1
    assert "has a burst, which a serial line cannot carry beside the readings" in str(faults[0])


def test_a_field_of_bits_ends_with_its_register() -> None:
    channel = CHANNEL | {"type": "bit", "bit": 12, "bits": 5}
    (fault,) = faults_of({"host": "h", "valve": [{"id": "v", "channel": [channel]}]})
    assert "channel[1].bits = 5: must be at most 4: a register has no more from bit 12 on" in fault


def test_scaling_by_two_counts_and_their_values() -> None:
    faults: list[Fault] = []
    channel = {"name": "command", "unit": "mA", "register": 0, "counts": [0, 4095], "values": [-2, 22]}
    raw = {"host": "h", "valve": [{"id": "v", "channel": [channel]}]}
    point = read_modbus_settings(Section(faults, "", "x", raw), read_tcp_address).valves[0].points[0]
    assert faults == []
    form = point.form()
    assert form.value(0) == pytest.approx(-2)
    assert form.value(4095) == pytest.approx(22)


@pytest.mark.parametrize(
    ("more", "part"),
    [
        ({"counts": [0, 4095]}, "values: missing"),
        ({"counts": [5, 5], "values": [0, 1]}, "counts = [5, 5]: must be two different numbers"),
        ({"counts": [0, 1, 2], "values": [0, 1]}, "counts = [0, 1, 2]: must be two different numbers"),
        ({"counts": [0, "x"], "values": [0, 1]}, 'counts[2] = "x": must be a finite number'),
        ({"counts": [0, 1], "values": [0, 1], "scale": 2}, "scale = 2: is given beside"),
    ],
)
def test_faulty_scaling(more: dict[str, object], part: str) -> None:
    faults = faults_of({"host": "h", "valve": [{"id": "v", "channel": [CHANNEL | more]}]})
    assert any(part in fault for fault in faults), faults


FEEDS = {"opc-ua", "mqtt-in", "postgresql", "influxdb", "parquet"}
"""Families whose readings come by themselves; each is tried against its server in a file of its own."""


def test_unknown_family(tmp_path: Path) -> None:
    faults: list[Fault] = []
    prepare(
        Section(faults, "", "instrument[1]", {"family": "smoke-signals", "host": "h"}),
        Places(tmp_path, tmp_path.joinpath),
    )
    assert [str(fault) for fault in faults] == [
        'instrument[1].family = "smoke-signals": must be one of ' + ", ".join(f'"{family}"' for family in FAMILIES)
    ]


@pytest.mark.parametrize(
    ("family", "extra"), [("opc-ua", "opcua"), ("postgresql", "database"), ("parquet", "parquet")]
)
def test_a_family_whose_library_is_not_installed_says_what_to_install(
    family: str, extra: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("asleft.instruments.registry.find_spec", lambda _: None)
    faults: list[Fault] = []
    prepare(Section(faults, "", "instrument[1]", {"family": family}), Places(tmp_path, tmp_path.joinpath))
    assert any(f"is not installed: pip install 'asleft[{extra}]'" in str(fault) for fault in faults)


def test_families_build_what_they_promise(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("time,current\n0,0.5\n")
    faults: list[Fault] = []
    settings = {
        "modbus-tcp": {"host": "127.0.0.1", "valve": [{"id": "v", "channel": [CHANNEL]}]},
        "modbus-rtu": {"device": "/dev/no-such-port", "valve": [{"id": "v", "channel": [CHANNEL]}]},
        "csv-replay": {"file": "log.csv", "valve": "v", "channel": [{"name": "current", "unit": "A"}]},
    }
    assert set(settings) | FEEDS == set(FAMILIES)
    for family, raw in settings.items():
        prepared = prepare(
            Section(faults, "", "instrument[1]", {"family": family, **raw}), Places(tmp_path, tmp_path.joinpath)
        )
        (made,) = prepared.build()
        assert prepared.valves == tuple(form.valve for form in made.valves) == ("v",)
        made.open()
        reading = made.read_once(0)
        assert reading is not None
        assert len(reading.numbers) == 1
        assert made.read_bursts(0) == []
        made.close()
        made.close()
    assert faults == []


def test_a_log_becomes_readings() -> None:
    log = parse_log(["t,current,pressure", "10,0.5,100", "", "10.5,,abc", "11,0.75"], "t", ["current", "pressure"])
    assert log.times_s == (0.0, 0.5, 1.0)
    assert list(log.readings[0].numbers) == [0.5, 100.0]
    assert dict(log.readings[1].failed) == {0: Reason.NOT_FINITE, 1: Reason.NOT_FINITE}
    assert dict(log.readings[2].failed) == {1: Reason.NOT_FINITE}


def test_iso_times_and_separator() -> None:
    log = parse_log(["t;current", "2026-03-02T08:00:00Z;1", "2026-03-02T08:00:00.250Z;2"], "t", ["current"], ";")
    assert log.times_s == pytest.approx((0.0, 0.25))


@pytest.mark.parametrize(
    ("lines", "complaint"),
    [
        ([], "no column 't'"),
        (["t,x", "0,1"], "no column 'current'"),
        (["t,current"], "no rows"),
        (["t,current", "0,1", "0,2"], "line 3, column 't': time does not rise"),
        (["t,current", "noon,1"], "line 2, column 't': 'noon' is neither"),
        (["t,current", "nan,1"], "line 2, column 't': 'nan' is no time"),
    ],
)
def test_a_bad_log_is_refused_with_line_and_column(lines: list[str], complaint: str) -> None:
    with pytest.raises(CsvError, match=complaint):
        parse_log(lines, "t", ["current"])


@pytest.mark.parametrize("loop", [False, True])
def test_a_log_is_replayed_at_its_pace(tmp_path: Path, loop: bool) -> None:
    (tmp_path / "log.csv").write_text("time,I\n5,1\n6,2\n7,3\n")
    faults: list[Fault] = []
    raw = {
        "file": str(tmp_path / "log.csv"),
        "valve": "v",
        "loop": loop,
        "channel": [{"name": "current", "column": "I"}],
    }
    settings = read_csv_settings(Section(faults, "", "x", raw))
    assert faults == []
    now = [100.0]
    made = CsvReplay(settings, clock=lambda: now[0])
    before = made.read_once(0)
    assert before is not None
    assert before.failed == {0: Reason.NOT_CONNECTED}
    made.open()
    seen = []
    for elapsed in (0.0, 0.9, 1.0, 2.0, 3.1, 4.1):
        now[0] = 100.0 + elapsed
        reading = made.read_once(0)
        seen.append("the same" if reading is None else "failed" if reading.failed else reading.numbers[0])
    assert seen[:4] == [1, "the same", 2, 3]
    assert seen[4:] == ([1, 2] if loop else ["failed", "failed"])


def test_waits_double_up_to_a_bound_and_are_jittered() -> None:
    backoff = Backoff(1.0, 8.0, lambda: 1.0)
    assert [backoff.next_s() for _ in range(5)] == [1, 2, 4, 8, 8]
    backoff.reset()
    assert backoff.next_s() == 1
    assert Backoff(1.0, 8.0, lambda: 0.0).next_s() == 0.5
