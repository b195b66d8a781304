"""Settings of an OPC UA server: the `[[instrument]]` table of an agent's file. Pure."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from asleft.instruments.channel_settings import read_name_and_unit, read_scaling
from asleft.instruments.opcua_values import Variable
from asleft.instruments.protocol import ChannelForm, ValveForm
from asleft.wire.settings import LONGEST_PATH, Section
from asleft.wire.topics import ID_WANTED, valid_valve
from asleft.wire.units import Unit

SECURITY = ("sign-and-encrypt", "sign", "none")
POLICIES = ("Basic256Sha256", "Aes128-Sha256-RsaOaep", "Aes256-Sha256-RsaPss")
"""Names as the end of their URIs; all of them with SHA-256."""
DEFAULT_PORT = 4840

_NODE = re.compile(r"(?:ns=\d{1,5};)?(?:i=\d{1,10}|s=.{1,4000}|g=[0-9A-Fa-f-]{36}|b=[A-Za-z0-9+/=]{1,4000})")
_NODE_WANTED = 'must be a node id, as "ns=2;s=Press4.Current" or "ns=3;i=1042"; see asleft-agent browse'
_MS = Unit("ms", divisor=1000.0)


@dataclass(frozen=True, slots=True)
class OpcUaAddress:
    """Where a server is, and how the connection is secured."""

    url: str
    security: str = "none"
    """One of `SECURITY`."""
    policy: str = POLICIES[0]
    certificate_file: Path | None = None
    """Our own certificate (DER or PEM); always together with `key_file`."""
    key_file: Path | None = None
    server_certificate_file: Path | None = None
    """The only certificate that the server may show."""
    username: str = ""
    password_file: Path | None = None
    """File whose first line is the password."""

    @property
    def files(self) -> list[Path]:
        """Files that must be there."""
        named = (self.certificate_file, self.key_file, self.server_certificate_file, self.password_file)
        return [file for file in named if file is not None]


@dataclass(frozen=True, slots=True)
class OpcUaValve:
    """One valve of a server."""

    valve: str
    variables: tuple[Variable, ...]

    def form(self) -> ValveForm:
        """What the rest of the agent needs to know of it."""
        return ValveForm(self.valve, tuple(ChannelForm(one.name, one.unit) for one in self.variables))


@dataclass(frozen=True, slots=True)
class OpcUaSettings:
    """One server."""

    name: str
    """What messages call it; the URL when absent."""
    address: OpcUaAddress
    sampling_s: float
    """How often the server is to look at each variable; `sampling_ms`, 20 when absent."""
    publishing_s: float
    """How often it is to send what it saw; `publishing_ms`, 200 when absent."""
    queue_s: float
    """How long it is to keep values while the connection is away; 10 when absent."""
    timeout_s: float
    """How long to wait for an answer; 4 when absent."""
    valves: tuple[OpcUaValve, ...]

    @property
    def queue_size(self) -> int:
        """Values that the server is asked to keep of each variable."""
        return max(2, round(self.queue_s / self.sampling_s))


def read_opcua_settings(table: Section, credential: Callable[[str], Path]) -> OpcUaSettings:
    """Settings from the file; faults go into the table's list, and then the value must not be used."""
    address = _read_address(table, credential)
    settings = OpcUaSettings(
        name=table.text("name") or address.url,
        address=address,
        sampling_s=table.number("sampling_ms", 0.005, 10.0, _MS) or 0.02,
        publishing_s=table.number("publishing_ms", 0.02, 10.0, _MS) or 0.2,
        queue_s=table.number("queue_s", 1.0, 600.0, Unit("s")) or 10.0,
        timeout_s=table.number("timeout_s", 0.1, 60.0, Unit("s")) or 4.0,
        valves=tuple(_read_valve(valve) for valve in table.sections("valve")),
    )
    table.close()
    return settings


def _read_address(table: Section, credential: Callable[[str], Path]) -> OpcUaAddress:
    def file(key: str) -> Path | None:
        name = table.text(key, most=LONGEST_PATH, check=bool, wanted="must be a file name")
        return None if name is None else credential(name)

    url = table.text(
        "url", check=is_url, wanted='must be "opc.tcp://HOST:PORT", without a user', needed="the server's address"
    )
    local = is_loopback(url or "opc.tcp://localhost")
    security = table.word("security", SECURITY) or ("none" if local else SECURITY[0])
    username = table.text("username") or ""
    address = OpcUaAddress(
        url=url or "",
        security=security,
        policy=table.word("policy", POLICIES) or POLICIES[0],
        certificate_file=file("certificate_file"),
        key_file=file("key_file"),
        server_certificate_file=file("server_certificate_file"),
        username=username,
        password_file=file("password_file"),
    )
    if security != "none":
        table.require("certificate_file", "our own certificate; asleft-agent certificate makes one")
        table.require("key_file", "the private key of certificate_file")
        table.require("server_certificate_file", "the certificate that the server must show; no other is trusted")
    elif not local and username:
        table.fault(
            "username", 'must be left out with security = "none": others on the network could read the password'
        )
    if "password_file" in table and not username:
        table.fault("password_file", "is given without a username")
    return address


def is_url(text: str) -> bool:
    """Whether a text is an address of OPC UA's own transport."""
    try:
        parts = urlsplit(text)
        _ = parts.port
    except ValueError:
        return False
    return parts.scheme == "opc.tcp" and bool(parts.hostname) and "@" not in parts.netloc


def is_loopback(url: str) -> bool:
    """Whether the address is this machine itself."""
    host = urlsplit(url).hostname or ""
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _read_valve(table: Section) -> OpcUaValve:
    valve = table.text("id", check=valid_valve, wanted=ID_WANTED, needed='the valve\'s id, as "press-4.platen"') or ""
    variables: list[Variable] = []
    for channel in table.sections("channel"):
        name, unit = read_name_and_unit(channel, [one.name for one in variables])
        channel.distinct("node", [one.node for one in variables])
        node = channel.text(
            "node", most=4096, check=_NODE.fullmatch, wanted=_NODE_WANTED, needed="the variable's node id"
        )
        variables.append(Variable(name, unit, node or "", *read_scaling(channel)))
        channel.close()
    table.close()
    return OpcUaValve(valve, tuple(variables))
