"""The settings of outlets, and to which addresses a web hook may go."""

from __future__ import annotations

import base64
import socket
from urllib.parse import urlsplit

import pytest
from asleft.cli.main import main
from asleft.outlets.addresses import Refused, allowed, fault_of, resolved
from asleft.outlets.settings import SAMPLE, read_settings
from asleft.wire.settings_faults import SettingsError

SECRET = base64.b64encode(bytes(32)).decode()
ENVIRONMENT = {"ASLEFT_HOOK": "https://hooks.plant.example/in", "ASLEFT_HOOK_SECRET": SECRET}


def test_the_sample_is_good_and_shows_no_secret():
    found = read_settings(SAMPLE, source="outlets.toml", environment=ENVIRONMENT)
    assert [one.name for one in found.webhooks] == ["maintenance"]
    assert len(found.webhooks[0].events) == 7
    assert (found.mqtt.host, found.mqtt.port) == ("127.0.0.1", 1883)
    for text in (repr(found), *found.lines):
        assert "hooks.plant" not in text
        assert SECRET not in text


@pytest.mark.parametrize(
    ("change", "environment", "told"),
    [
        (("url_from", "url_frm"), {}, "webhook[1].url_from: missing"),
        (('"ASLEFT_HOOK" ', '"OTHER" '), {}, "no such environment variable"),
        ((), {"ASLEFT_HOOK": "http://hooks.plant.example/"}, "http:// goes to 127.0.0.1"),
        ((), {"ASLEFT_HOOK": "https://user:pw@hooks.plant.example/"}, "no name, password"),
        ((), {"ASLEFT_HOOK": "ftp://hooks.plant.example/"}, "must begin with https://"),
        ((), {"ASLEFT_HOOK_SECRET": "c2hvcnQ="}, "24 to 64 bytes in base64"),
        ((), {"ASLEFT_HOOK_SECRET": "not base64!"}, "24 to 64 bytes in base64"),
        (('"alarm-gone"', '"alarm-over"'), {}, "must be a list of one or more of"),
        (('name = "maintenance"', 'name = "a b"'), {}, "a name of 1 to 40"),
        (("# port = 8883", "port = 70000"), {}, "from 1 to 65535"),
        (("# key_file", "key_file"), {}, "belong together"),
        (('name = "outlet" ', 'name = "Outlet" '), {}, "must be of a-z"),
    ],
)
def test_a_fault_names_key_and_what_is_wanted(change, environment, told):
    text = SAMPLE.replace(*change) if change else SAMPLE
    assert not change or text != SAMPLE
    with pytest.raises(SettingsError) as raised:
        read_settings(text, source="outlets.toml", environment={**ENVIRONMENT, **environment})
    assert told in str(raised.value)
    assert "outlets.toml" in str(raised.value)
    assert "plant.example" not in str(raised.value)  # addresses are secrets


def test_settings_from_which_nothing_goes_out_are_refused():
    with pytest.raises(SettingsError, match="nothing goes out"):
        read_settings('zone = "UTC"\n', source="x", environment={})


def test_the_command_prints_and_checks(tmp_path, capsys, monkeypatch):
    assert main(["outlets", "--sample"]) == 0
    file = tmp_path / "outlets.toml"
    file.write_text(capsys.readouterr().out, encoding="utf-8")
    assert main(["outlets", "--settings", str(file), "--check"]) == 2
    assert "ASLEFT_HOOK" in capsys.readouterr().err
    for name, value in ENVIRONMENT.items():
        monkeypatch.setenv(name, value)
    assert main(["outlets", "--settings", str(file), "--check"]) == 0
    assert "statuses: 127.0.0.1:1883, as outlet" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("address", "tls", "plain"),
    [
        ("127.0.0.1", True, True),
        ("::1", True, True),
        ("10.1.2.3", True, False),
        ("192.168.0.4", True, False),
        ("fd00::7", True, False),
        ("8.8.8.8", True, False),
        ("169.254.169.254", False, False),
        ("::ffff:169.254.169.254", False, False),
        ("fe80::1%eth0", False, False),
        ("224.0.0.1", False, False),
        ("0.0.0.0", False, False),
        ("::", False, False),
        ("255.255.255.255", False, False),
    ],
)
def test_where_a_web_hook_may_go(address, tls, plain):
    assert (allowed(address, plain=False), allowed(address, plain=True)) == (tls, plain)


def test_a_name_that_leads_where_none_may_go_is_refused_whatever_else_it_leads_to(monkeypatch):
    def looked_up(*_args, **_more):
        return [(2, 1, 6, "", (one, 443)) for one in ("93.184.216.34", "169.254.169.254")]

    monkeypatch.setattr(socket, "getaddrinfo", looked_up)
    assert fault_of("https://hooks.plant.example/") == ""
    with pytest.raises(Refused):
        resolved(urlsplit("https://hooks.plant.example/"))
