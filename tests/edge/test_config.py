from __future__ import annotations

from pathlib import Path

import pytest
from asleft.edge.config import load_config, parse_config
from asleft.wire.settings_faults import SettingsError

INSTRUMENT = """
[[instrument]]
family = "modbus-tcp"
host = "192.0.2.10"
[[instrument.valve]]
id = "press-4.platen"
[[instrument.valve.channel]]
name = "current"
unit = "A"
register = 3
"""


def faults_of(text: str) -> tuple[str, ...]:
    with pytest.raises(SettingsError) as caught:
        parse_config(text, "box.toml", Path("/somewhere"))
    return tuple(str(fault) for fault in caught.value.faults)


def test_a_smallest_file_takes_the_documented_defaults() -> None:
    config = parse_config('agent = "hall-2"' + INSTRUMENT, "box.toml", Path("/somewhere"))
    assert (config.agent, config.broker.host, config.broker.port) == ("hall-2", "127.0.0.1", 1883)
    assert (config.sampling.rate_hz, config.sampling.block_s, config.sampling.block_size) == (100.0, 1.0, 100)
    assert config.spool.file == Path("/somewhere/spool.db")
    assert config.valves == ("press-4.platen",)


def test_with_an_authority_the_connection_is_tls_on_its_own_port() -> None:
    keys = 'ca_file = "ca.crt"\ncertificate_file = "hall-2.crt"\nkey_file = "/keys/hall-2.key"\n'
    broker = parse_config('agent = "hall-2"\n[broker]\n' + keys + INSTRUMENT, "box.toml", Path("/etc/asleft")).broker
    assert broker.port == 8883
    assert broker.ca_file == Path("/etc/asleft/ca.crt")
    assert (broker.certificate_file, broker.key_file) == (Path("/etc/asleft/hall-2.crt"), Path("/keys/hall-2.key"))


def test_by_websockets_a_port_is_named_and_a_path() -> None:
    lines = 'agent = "hall-2"\n[broker]\nport = 9001\nwebsocket_path = "/mqtt"\n'
    assert parse_config(lines + INSTRUMENT, "box.toml", Path("/etc/asleft")).broker.websocket_path == "/mqtt"
    assert any("port: missing" in one for one in faults_of(lines.replace("port = 9001\n", "") + INSTRUMENT))
    assert any('must begin with "/"' in one for one in faults_of(lines.replace('"/mqtt"', '"mq tt"') + INSTRUMENT))


def test_all_faults_are_reported_at_once() -> None:
    text = 'agent = "Hall 2"\nspeed = 3\n[sampling]\nrate_hz = 500\n[broker]\nport = "x"\n[spool]\nsize_mb = 0\n'
    text += INSTRUMENT.replace("register = 3", "regster = 3")
    faults = faults_of(text)
    for part in (
        'box.toml: agent = "Hall 2": must be of a-z, 0-9, "-" and "."',
        "box.toml: speed = 3: unknown key; known here: agent, instrument",
        "box.toml: sampling.rate_hz = 500: must be from 10 to 200 Hz",
        'box.toml: broker.port = "x": must be a whole number from 1 to 65535',
        "box.toml: spool.size_mb = 0: must be a whole number from 1 to 1000000 MB",
        "box.toml: instrument[1].valve[1].channel[1].register: missing: the number of the register",
        'box.toml: instrument[1].valve[1].channel[1].regster = 3: unknown key; did you mean "register"?',
    ):
        assert any(part in fault for fault in faults), (part, faults)
    assert len(faults) == 7


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("agent = ", "not readable as TOML"),
        ('agent = "a"', "instrument: missing: at least one [[instrument]]"),
        ('agent = "a"' + INSTRUMENT + INSTRUMENT, 'instrument[2]: valve "press-4.platen" is served twice'),
        ('agent = "a"\n[broker]\npassword_file = "p"' + INSTRUMENT, "without a username"),
        (
            'agent = "a"\n[broker]\nca_file = "c"\ncertificate_file = "p"' + INSTRUMENT,
            "key_file: missing: cert",
        ),
        (
            'agent = "a"\n[broker]\nca_file = "c"\nkey_file = "p"' + INSTRUMENT,
            "certificate_file: missing: key",
        ),
        (
            'agent = "a"\n[broker]\ncertificate_file = "p"\nkey_file = "k"' + INSTRUMENT,
            "ca_file: missing: with",
        ),
        ('agent = "a"\ninstrument = [3]', "instrument = [3]: must be tables, each written [[instrument]]"),
        ('agent = "a"\nbroker = 3' + INSTRUMENT, "broker = 3: must be a table, written [broker]"),
    ],
)
def test_faults(text: str, part: str) -> None:
    assert any(part in fault for fault in faults_of(text))


def test_a_file_that_is_no_text(tmp_path: Path) -> None:
    file = tmp_path / "box.toml"
    file.write_bytes(b"agent = \xff")
    with pytest.raises(SettingsError, match="not UTF-8 at byte 8"):
        load_config(file)
