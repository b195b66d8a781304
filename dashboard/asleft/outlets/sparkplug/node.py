"""The state of an edge node by the rules of the specification (chapters 5 and 6). Pure: messages out, no network.

bdSeq goes up with each connection and ties a birth to the will of the same connection; seq goes from 0 at the node's
birth to 255 and begins again, over all messages of the node and its devices.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from asleft.outlets.link import Message
from asleft.outlets.sparkplug.metrics import Metric, Type, payload

NAMESPACE = "spBv1.0"
REBIRTH = "Node Control/Rebirth"
BD_SEQ = "bdSeq"
REFUSED = "Commands Refused"
_ROUND = 256

Devices = Mapping[str, Sequence[Metric]]


@dataclass
class Node:
    """One edge node. `bd_seq`: that of the connection before; -1 where there was none. Times are unix ms."""

    group: str
    name: str
    version: str
    bd_seq: int = -1
    refused: int = 0
    born: bool = field(default=False, init=False)
    _seq: int = field(default=0, init=False)
    _devices: dict[str, list[Metric]] = field(default_factory=dict, init=False)
    _refused_said: int = field(default=0, init=False)

    @property
    def filters(self) -> tuple[str, ...]:
        """What is listened to: commands to the node, and to its devices."""
        return self._topic("NCMD"), self._topic("DCMD", "+")

    def connecting(self, at_ms: int) -> Message:
        """A connection begins: its will."""
        self.bd_seq = (self.bd_seq + 1) % _ROUND
        self.born = False
        self._devices.clear()
        return self.death(at_ms)

    def death(self, at_ms: int) -> Message:
        """That of this connection: the will, and what is said before leaving."""
        return Message(self._topic("NDEATH"), payload([self._bd_seq()], at_ms, None, units=False))

    def birth(self, devices: Devices, at_ms: int) -> list[Message]:
        """The node's birth and that of its devices: the first messages of a connection, or when asked for again."""
        self._seq = -1
        self._devices.clear()
        self.born = True
        metrics = [self._bd_seq(), Metric(REBIRTH, Type.BOOLEAN, False), *self._own()]
        messages = [self._message("NBIRTH", metrics, at_ms, units=True)]
        return messages + [self._device_birth(name, metrics, at_ms) for name, metrics in devices.items()]

    def data(self, devices: Devices, at_ms: int) -> list[Message]:
        """What has changed since the last message: devices that came, changed or went. Nothing before a birth."""
        if not self.born:
            return []
        messages = []
        if self.refused != self._refused_said:
            messages.append(self._message("NDATA", [self._refused()], at_ms, units=False))
        for gone in [name for name in self._devices if name not in devices]:
            del self._devices[gone]
            messages.append(self._message("DDEATH", [], at_ms, units=False, device=gone))
        for name, metrics in devices.items():
            before = self._devices.get(name)
            if before is None or [one.shape for one in before] != [one.shape for one in metrics]:
                messages.append(self._device_birth(name, metrics, at_ms))
                continue
            changed = [now for now, then in zip(metrics, before, strict=True) if now != then]
            if changed:
                self._devices[name] = list(metrics)
                messages.append(self._message("DDATA", changed, at_ms, units=False, device=name))
        return messages

    def asks_rebirth(self, topic: str, commands: Sequence[tuple[str, object]]) -> bool:
        """Whether a command asks for a birth. Every other one is refused, and counted."""
        rebirth = topic == self._topic("NCMD") and (REBIRTH, True) in [(name, value) for name, value in commands]
        self.refused += sum(1 for one in commands if not (rebirth and one == (REBIRTH, True)))
        return rebirth

    def _device_birth(self, name: str, metrics: Sequence[Metric], at_ms: int) -> Message:
        self._devices[name] = list(metrics)
        return self._message("DBIRTH", metrics, at_ms, units=True, device=name)

    def _message(self, kind: str, metrics: Sequence[Metric], at_ms: int, *, units: bool, device: str = "") -> Message:
        self._seq = (self._seq + 1) % _ROUND
        return Message(self._topic(kind, device), payload(metrics, at_ms, self._seq, units=units), qos=0)

    def _own(self) -> list[Metric]:
        return [Metric("Software", Type.STRING, f"asleft {self.version}"), self._refused()]

    def _refused(self) -> Metric:
        self._refused_said = self.refused
        return Metric(REFUSED, Type.UINT64, self.refused)

    def _bd_seq(self) -> Metric:
        return Metric(BD_SEQ, Type.INT64, self.bd_seq)

    def _topic(self, kind: str, device: str = "") -> str:
        return "/".join((NAMESPACE, self.group, kind, self.name, *([device] if device else [])))
