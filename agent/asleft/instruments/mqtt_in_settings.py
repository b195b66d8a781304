"""Settings of values that come by MQTT: the `[[instrument]]` table of an agent's file. Pure."""

from __future__ import annotations

import socket
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path as File

from asleft.instruments.broker import BrokerSettings, read_broker
from asleft.instruments.channel_settings import read_name_and_unit, read_scaling
from asleft.instruments.json_values import FORMS, Path, parse_path
from asleft.instruments.protocol import ChannelForm, ValveForm
from asleft.wire.settings import Section
from asleft.wire.topics import ID_WANTED, valid_valve
from asleft.wire.units import Unit

_MS = Unit("ms", divisor=1000.0)
_TOPIC_WANTED = "must be one topic, without # and +"
_PATH_WANTED = 'must be names parted by dots, as "values.current", or a JSON pointer, as "/values/current"'


@dataclass(frozen=True, slots=True)
class Place:
    """Where one channel is found: value = offset + scale * number."""

    name: str
    unit: str
    topic: str
    path: Path
    scale: float = 1.0
    offset: float = 0.0
    on_change: bool = False
    """Published only when it changes: its value holds until the next comes, and a retained one counts."""


@dataclass(frozen=True, slots=True)
class MqttValve:
    """One valve."""

    valve: str
    places: tuple[Place, ...]

    def form(self) -> ValveForm:
        """What the rest of the agent needs to know of it."""
        return ValveForm(self.valve, tuple(ChannelForm(one.name, one.unit) for one in self.places))


@dataclass(frozen=True, slots=True)
class MqttInSettings:
    """Values that are published on one broker."""

    name: str
    """What messages call it; the broker's host:port when absent."""
    broker: BrokerSettings
    client_id: str
    """Our name at the broker; of this machine and `name` when absent. Two must not share it."""
    qos: int
    """0, 1 or 2; 1 when absent."""
    time: Path | None
    """Where the time is in the payload; None: the time of arrival."""
    time_form: str
    """One of `FORMS`; "iso" when absent."""
    hold_s: float
    """A channel that was not published for so long has no value; 2 when absent."""
    silent_s: float
    """A valve of which nothing comes for so long is marked; 10 when absent."""
    join_s: float
    """Messages of one valve this near in time are one reading; `join_ms`, 5 when absent."""
    valves: tuple[MqttValve, ...]


def read_mqtt_in_settings(table: Section, credential: Callable[[str], File]) -> MqttInSettings:
    """Settings from the file; faults go into the table's list, and then the value must not be used."""
    broker = read_broker(table, credential)
    name = table.text("name", check=bool, wanted="must not be empty") or f"{broker.host}:{broker.port}"
    qos = table.integer("qos", 0, 2)
    time = None if "time" not in table else _path(table, "time")
    form = table.word("time_form", FORMS)
    if form is not None and time is None:
        table.fault("time_form", "is given without time, the path of the time in the payload")
    settings = MqttInSettings(
        name=name,
        broker=broker,
        client_id=table.text("client_id", check=bool, wanted="must not be empty")
        or f"asleft-in-{socket.gethostname()}-{name}",
        qos=1 if qos is None else qos,
        time=time,
        time_form=form or FORMS[0],
        hold_s=table.number("hold_s", 0.05, 3600.0, Unit("s")) or 2.0,
        silent_s=table.number("silent_s", 1.0, 3600.0, Unit("s")) or 10.0,
        join_s=table.number("join_ms", 0.001, 1.0, _MS) or 0.005,
        valves=tuple(_read_valve(valve) for valve in table.sections("valve")),
    )
    table.close()
    return settings


def _read_valve(table: Section) -> MqttValve:
    valve = table.text("id", check=valid_valve, wanted=ID_WANTED, needed='the valve\'s id, as "press-4.platen"') or ""
    common = table.text("topic", most=1000, check=_is_topic, wanted=_TOPIC_WANTED)
    places: list[Place] = []
    for channel in table.sections("channel"):
        name, unit = read_name_and_unit(channel, [one.name for one in places])
        own = channel.text("topic", most=1000, check=_is_topic, wanted=_TOPIC_WANTED)
        if own is None and common is None and "topic" not in channel and "topic" not in table:
            channel.require("topic", "the topic it is published on, here or for the whole valve")
        path = _path(channel, "path")
        scale, offset = read_scaling(channel)
        on_change = channel.flag("on_change") or False
        places.append(Place(name, unit, own or common or "", path, scale, offset, on_change))
        channel.close()
    table.close()
    return MqttValve(valve, tuple(places))


def _path(table: Section, key: str) -> Path:
    text = table.text(key, most=500, check=_is_path, wanted=_PATH_WANTED) or ""
    return parse_path(text) if _is_path(text) else ()


def _is_path(text: str) -> bool:
    try:
        parse_path(text)
    except ValueError:
        return False
    return True


def _is_topic(text: str) -> bool:
    return bool(text) and not any(sign in text for sign in "#+\0") and not text.startswith("$share/")
