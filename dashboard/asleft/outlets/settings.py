"""Where what goes out: a small TOML file."""

from __future__ import annotations

import base64
import binascii
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from asleft.outlets.addresses import fault_of
from asleft.outlets.events import EventName
from asleft.recorder.broker_link import BrokerAccess
from asleft.sheet.zones import find_zone
from asleft.wire.settings import LONGEST_PATH, Section
from asleft.wire.topics import ID_WANTED, valid_agent

MOST_HOOKS = 8
SAMPLE = """\
# What goes out by itself. Try it with: asleft outlets --settings FILE --check
zone = "Europe/Vienna"                    # the plant's time, in sentences

[[webhook]]
name = "maintenance"
url_from = "ASLEFT_HOOK"                  # variable with the address: https://..., http:// on this machine
secret_from = "ASLEFT_HOOK_SECRET"        # variable with the secret: 24 to 64 bytes in base64
events = ["alarm-raised", "alarm-escalated", "alarm-gone", "alarm-acknowledged", "verdict-changed",
          "valve-silent", "valve-heard"]
# valves = ["press-4.platen"]             # of these valves alone
# ca_file = "/etc/asleft/ca.crt"          # where the receiver's certificate is of an authority of your own

[mqtt]                                    # asleft/1/status/<valve>, retained
name = "outlet"                           # also the session's name at the broker
host = "127.0.0.1"
# port = 8883
# ca_file = "/etc/asleft/ca.crt"
# certificate_file = "/etc/asleft/outlet.crt"
# key_file = "/etc/asleft/outlet.key"
# username = "outlet"
# password_file = "/etc/asleft/outlet.password"

# [sparkplug]                             # Sparkplug B: an edge node, each valve that is heard a device
# group = "plant"
# name = "asleft"                         # the edge node, and the session's name; broker as in [mqtt]
# host = "127.0.0.1"
"""
_LEAST_SECRET, _LONGEST_SECRET = 24, 64


@dataclass(frozen=True, slots=True)
class Webhook:
    """One address that is told of events. `url` and `secret` are never shown, logged or stored."""

    name: str
    url: str
    secret: bytes
    events: frozenset[EventName]
    valves: frozenset[str] | None
    ca_file: Path | None = None  # of the authority (PEM) that signed the receiver's certificate; None: the system's

    def __repr__(self) -> str:
        """Without address and secret."""
        return f"Webhook({self.name!r})"


@dataclass(frozen=True, slots=True)
class Broker:
    """An MQTT broker and who we are there."""

    name: str
    host: str
    port: int
    access: BrokerAccess


@dataclass(frozen=True, slots=True)
class SparkplugSettings:
    """The edge node: its group, and its broker, whose name for us is the node's."""

    group: str
    broker: Broker


@dataclass(frozen=True, slots=True)
class OutletSettings:
    """The whole file."""

    zone: str
    webhooks: tuple[Webhook, ...] = field(default=())
    mqtt: Broker | None = None
    sparkplug: SparkplugSettings | None = None

    @property
    def lines(self) -> list[str]:
        """What goes where, without what is secret."""
        lines = [f"web hook {one.name}: {', '.join(sorted(one.events))}" for one in self.webhooks]
        if self.mqtt is not None:
            lines.append(f"statuses: {self.mqtt.host}:{self.mqtt.port}, as {self.mqtt.name}")
        if self.sparkplug is not None:
            at = self.sparkplug.broker
            lines.append(f"Sparkplug B: {at.host}:{at.port}, group {self.sparkplug.group}, edge node {at.name}")
        return lines


def read_settings(text: str, *, source: str, environment: Mapping[str, str] | None = None) -> OutletSettings:
    """The settings in a file's text.

    Raises:
        SettingsError: it has faults; each is named with its key, its value and what is wanted.
    """
    top = Section.of_text(text, source)
    known = os.environ if environment is None else environment
    wanted = 'must be the name of a time zone, as "Europe/Vienna"'
    zone = top.text("zone", most=60, check=lambda name: find_zone(name) is not None, wanted=wanted) or "UTC"
    hooks: list[Webhook] = []
    entries = top.sections("webhook") if "webhook" in top else []
    if len(entries) > MOST_HOOKS:
        top.fault("webhook", f"must be at most {MOST_HOOKS}, are {len(entries)}", len(entries))
    for entry in entries:
        entry.distinct("name", [one.name for one in hooks])
        hooks.append(_hook(entry, known))
    mqtt = _broker(top.section("mqtt")) if "mqtt" in top else None
    sparkplug = _sparkplug(top.section("sparkplug")) if "sparkplug" in top else None
    if mqtt is not None and sparkplug is not None and mqtt.name == sparkplug.broker.name:
        top.fault(
            "sparkplug", "sparkplug.name must differ from mqtt.name: a broker ends one session of a name", mqtt.name
        )
    if not {"webhook", "mqtt", "sparkplug"} & set(top.keys):
        top.fault("webhook", "missing: a [[webhook]], [mqtt] or [sparkplug], else nothing goes out")
    top.finish()
    return OutletSettings(zone, tuple(hooks), mqtt, sparkplug)


def _hook(entry: Section, environment: Mapping[str, str]) -> Webhook:
    name = entry.text("name", check=_is_name, needed="a name of 1 to 40 of a-z, 0-9, - and .")
    values: dict[str, str] = {}
    for key, what in (("url_from", "address"), ("secret_from", "secret")):
        wanted = "no such environment variable, or it is empty"
        needed = f"the environment variable with the {what}"
        variable = entry.text(key, check=environment.get, wanted=wanted) if key in entry else None
        if key not in entry:
            entry.fault(key, f"missing: {needed}")
        values[key] = environment.get(variable, "") if variable is not None else ""
    url = values["url_from"]
    fault = fault_of(url) if url else ""
    if fault:
        entry.fault("url_from", f"the address in it {fault}")
    secret = _secret(values["secret_from"])
    if values["secret_from"] and secret is None:
        entry.fault(
            "secret_from",
            f"the secret in it must be {_LEAST_SECRET} to {_LONGEST_SECRET} bytes in base64, as "
            "“openssl rand -base64 32” makes them",
        )
    every = [one.value for one in EventName]
    events = entry.words("events", every, needed=f"which events are told, some of {', '.join(every)}")
    valves = _valves(entry)
    ca_file = entry.text("ca_file", most=LONGEST_PATH, check=bool)
    entry.close()
    told = frozenset(EventName(one) for one in events or ())
    return Webhook(name or "", url, secret or b"", told, valves, Path(ca_file) if ca_file else None)


def _valves(entry: Section) -> frozenset[str] | None:
    given = entry.raw("valves")
    if given is None:
        return None
    if isinstance(given, list) and given and all(isinstance(one, str) and valid_agent(one) for one in given):
        return frozenset(given)
    entry.fault("valves", f"must be a list of ids of valves; each {ID_WANTED}")
    return None


def _sparkplug(entry: Section) -> SparkplugSettings:
    group = entry.text("group", most=64, check=_is_group, needed="a name without / + # or spaces at its ends")
    return SparkplugSettings(group or "", _broker(entry))


def _is_group(text: str) -> bool:
    return text == text.strip() != "" and not set(text) & set("/+#")


def _broker(entry: Section) -> Broker:
    name = entry.text("name", check=valid_agent, wanted=ID_WANTED) or "outlet"
    host = entry.text("host", check=bool, needed="the broker's name or address")
    files = {
        key: Path(text) if (text := entry.text(key, most=LONGEST_PATH, check=bool)) else None
        for key in ("ca_file", "certificate_file", "key_file", "password_file")
    }
    if ("certificate_file" in entry) != ("key_file" in entry):
        entry.fault("certificate_file", "certificate_file and key_file belong together")
    if "certificate_file" in entry:
        entry.require("ca_file", "without it the broker's own certificate cannot be checked")
    port = entry.integer("port", 1, 65535) or (1883 if files["ca_file"] is None else 8883)
    username = entry.text("username") or ""
    entry.close()
    access = BrokerAccess(
        files["ca_file"], files["certificate_file"], files["key_file"], username, files["password_file"]
    )
    return Broker(name, host or "", port, access)


def _is_name(text: str) -> bool:
    return re.fullmatch(r"[a-z0-9][a-z0-9.-]{0,39}", text) is not None


def _secret(text: str) -> bytes | None:
    try:
        found = base64.b64decode(text.removeprefix("whsec_"), validate=True)
    except (binascii.Error, ValueError):
        return None
    return found if _LEAST_SECRET <= len(found) <= _LONGEST_SECRET else None
