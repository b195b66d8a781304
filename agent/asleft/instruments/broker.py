"""Which MQTT broker, and the files that a connection to it needs: for the agent's own link and for instruments."""

from __future__ import annotations

import ssl
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from asleft.wire.settings import LONGEST_PATH, Section
from asleft.wire.transport import WEBSOCKET_PATH_WANTED, is_websocket_path

if TYPE_CHECKING:
    import paho.mqtt.client as mqtt


class BrokerFilesError(Exception):
    """Files of a connection cannot be used; the text names them."""


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """An MQTT broker: `[broker]`, where the whole table may be absent, or one that an instrument names."""

    host: str
    """Name or address; 127.0.0.1 when absent."""
    port: int
    """TCP port; when absent 1883, or 8883 with TLS."""
    username: str
    """Empty when the broker asks for none."""
    password_file: Path | None
    """File whose first line is the password; it is kept out of this file so that this file can be shown."""
    keepalive_s: int
    """A broker silent for this long is given up; 15 when absent."""
    ca_file: Path | None = None
    """Certificate (PEM) of the authority that signed the broker's; with it TLS, else plain."""
    certificate_file: Path | None = None
    """Our own certificate, by which the broker knows who we are; always together with `key_file`."""
    key_file: Path | None = None
    """The private key of `certificate_file`."""
    websocket_path: str = ""
    """Path of a broker that is reached by WebSockets, as "/mqtt"; empty, when absent: plain MQTT."""


def read_broker(table: Section, credential: Callable[[str], Path]) -> BrokerSettings:
    """Keys that say which broker; faults go into the table's list, which is not closed."""

    def file(key: str) -> Path | None:
        name = table.text(key, most=LONGEST_PATH)
        return None if name is None else credential(name)

    password_file, ca_file, certificate_file, key_file = (
        file(key) for key in ("password_file", "ca_file", "certificate_file", "key_file")
    )
    if "password_file" in table and not table.raw("username"):
        table.fault("password_file", "is given without a username")
    if "certificate_file" in table:
        table.require("key_file", "certificate_file is of no use without its key")
    if "key_file" in table:
        table.require("certificate_file", "key_file is of no use without its certificate")
    if "certificate_file" in table or "key_file" in table:
        table.require("ca_file", "without it the broker's own certificate cannot be checked")
    if "websocket_path" in table:
        table.require("port", "brokers have no usual port for WebSockets")
    return BrokerSettings(
        host=table.text("host", check=bool, wanted="must be a host name or address") or "127.0.0.1",
        port=table.integer("port", 1, 65535) or (1883 if ca_file is None else 8883),
        username=table.text("username") or "",
        password_file=password_file,
        ca_file=ca_file,
        certificate_file=certificate_file,
        key_file=key_file,
        keepalive_s=table.integer("keepalive_s", 2, 600, "s") or 15,
        websocket_path=table.text("websocket_path", check=is_websocket_path, wanted=WEBSOCKET_PATH_WANTED) or "",
    )


def transport(settings: BrokerSettings) -> Literal["tcp", "websockets"]:
    """How the broker is reached, as the client library calls it."""
    return "websockets" if settings.websocket_path else "tcp"


def prepare_connection(client: mqtt.Client, settings: BrokerSettings) -> None:
    """Give a client name, password, TLS and path of its broker. Raises `BrokerFilesError`."""
    if settings.username:
        client.username_pw_set(settings.username, password(settings.password_file))
    if settings.ca_file is not None:
        client.tls_set_context(tls_context(settings))
    if settings.websocket_path:
        client.ws_set_options(settings.websocket_path)


def tls_context(settings: BrokerSettings) -> ssl.SSLContext:
    """TLS 1.2 or later, the broker's certificate and name checked; made anew for every connection, as files change.

    Raises `BrokerFilesError` naming the files if they cannot be used.
    """
    try:
        context = ssl.create_default_context(cafile=settings.ca_file)
        if settings.certificate_file is not None:
            context.load_cert_chain(settings.certificate_file, settings.key_file)
    except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
        names = ", ".join(
            str(file) for file in (settings.ca_file, settings.certificate_file, settings.key_file) if file
        )
        raise BrokerFilesError(f"the files for TLS ({names}) cannot be used: {error}") from error
    return context


def password(file: Path | None) -> str | None:
    """First line of the password file; read anew for every connection, so that it can be changed while we run."""
    if file is None:
        return None
    try:
        lines = file.read_text().splitlines()
    except OSError as error:
        raise BrokerFilesError(f"password file: {error}") from error
    return lines[0] if lines else ""
