"""A connection to an OPC UA server that can read and nothing else."""

from __future__ import annotations

import logging
import socket
from collections.abc import Awaitable, Callable
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path

from asleft.instruments.opcua_settings import OpcUaAddress
from asyncua import Client, ua
from asyncua.client.ua_client import UaClientState
from asyncua.client.ua_session import UaSession
from asyncua.crypto import security_policies
from asyncua.crypto.uacrypto import CertProperties, load_certificate
from asyncua.observer import Observer
from cryptography import x509

# The library logs every loss several times, with its calls; what matters of it the agent says itself.
logging.getLogger("asyncua").setLevel(logging.CRITICAL)

ALLOWED = frozenset(
    {
        "GetEndpointsRequest",
        "CreateSessionRequest",
        "ActivateSessionRequest",
        "CloseSessionRequest",
        "ReadRequest",
        "BrowseRequest",
        "BrowseNextRequest",
        "CreateSubscriptionRequest",
        "DeleteSubscriptionsRequest",
        "TransferSubscriptionsRequest",
        "CreateMonitoredItemsRequest",
        "PublishRequest",
        "RepublishRequest",
    }
)
"""Services that may be asked for (OPC 10000-4, 5). None of them changes a value, a node or calls a method."""

SESSION_S = 120.0
"""How long the server is asked to keep session and subscription without a sign of life."""

_MODES = {
    "sign": ua.MessageSecurityMode.Sign,
    "sign-and-encrypt": ua.MessageSecurityMode.SignAndEncrypt,
}
_POLICIES: dict[str, type[security_policies.SecurityPolicy]] = {
    "Basic256Sha256": security_policies.SecurityPolicyBasic256Sha256,
    "Aes128-Sha256-RsaOaep": security_policies.SecurityPolicyAes128Sha256RsaOaep,
    "Aes256-Sha256-RsaPss": security_policies.SecurityPolicyAes256Sha256RsaPss,
}


class WriteRefused(Exception):  # noqa: N818 - reads as what it says
    """Something in this program tried to ask for a service that could change the machine."""


class ReadOnly(Observer):
    """Hung in where every request passes before it is sent: those that are not `ALLOWED` raise `WriteRefused`."""

    def observe_request(self, request: object) -> AbstractContextManager[None]:
        """Let it pass or raise."""
        service = type(request).__name__
        if service not in ALLOWED:
            raise WriteRefused(f"{service} was about to be sent; only services that read are allowed")
        return nullcontext()


class FileFault(Exception):  # noqa: N818 - reads as what it says
    """A file that a secured connection needs cannot be used; the text names it."""


async def make_client(address: OpcUaAddress, timeout_s: float) -> Client:
    """A client that is not connected yet. Raises `FileFault`."""
    client = Client(address.url, timeout=timeout_s, watchdog_intervall=max(1.0, timeout_s / 2))
    client.uaclient.observer = ReadOnly()
    client.name = client.description = "asleft"
    client.application_uri = own_uri()
    client.product_uri = "urn:asleft"
    client.session_timeout = int(1000 * SESSION_S)
    if address.security != "none":
        if address.certificate_file is None or address.key_file is None or address.server_certificate_file is None:
            raise FileFault("a secured connection needs certificate, key and the server's certificate")
        await check_files(address)
        client.application_uri = await _uri_of(address.certificate_file)
        await client.set_security(
            _POLICIES[address.policy],
            _properties(address.certificate_file),
            CertProperties(address.key_file, extension="pem"),
            server_certificate=_properties(address.server_certificate_file),
            mode=_MODES[address.security],
        )
    if address.username:
        client.set_user(address.username)
        client.set_password(_first_line(address.password_file) if address.password_file else "")
    return client


def own_uri() -> str:
    """How this application names itself, unless its certificate says otherwise."""
    return f"urn:{socket.gethostname()}:asleft:agent"


async def check_files(address: OpcUaAddress) -> None:
    """Raises `FileFault` for the first file that is missing, cannot be read or is not what it should be."""
    for file in (address.certificate_file, address.server_certificate_file):
        if file is not None:
            await _certificate(file)
    if address.certificate_file is not None:
        await _uri_of(address.certificate_file)
    for file in (address.key_file, address.password_file):
        if file is not None:
            _first_line(file)


def granting(session: UaSession, tell: Callable[[list[ua.MonitoredItemCreateResult]], None]) -> None:
    """Let `tell` see what the server granted of each variable's sampling interval and queue.

    The library keeps that to itself, also where it makes the items again after a loss.
    """
    ask: Callable[[ua.CreateMonitoredItemsParameters], Awaitable[list[ua.MonitoredItemCreateResult]]]
    ask = session.create_monitored_items

    async def noted(parameters: ua.CreateMonitoredItemsParameters) -> list[ua.MonitoredItemCreateResult]:
        results = await ask(parameters)
        tell(results)
        return results

    session.create_monitored_items = noted  # type: ignore[method-assign, assignment]


def publishing_when_connected(client: Client) -> None:
    """Let nothing be asked to be published while a connection is being made.

    The library holds requests back while it has no connection, and not while it opens channel and session of a new
    one: asked for there, some servers end the connection and others never answer, so that all that waits is lost.
    """
    publish = client.uaclient.session.publish

    async def waiting(acks: list[ua.SubscriptionAcknowledgement]) -> ua.PublishResponse:
        async with client.uaclient.subscribe_state() as states:
            await states.wait_for_state(UaClientState.CONNECTED)
        return await publish(acks)

    client.uaclient.session.publish = waiting  # type: ignore[method-assign]


def _properties(file: Path) -> CertProperties:
    return CertProperties(file, extension="der" if file.read_bytes()[:1] == b"\x30" else "pem")


async def _certificate(file: Path) -> x509.Certificate:
    try:
        properties = _properties(file)
        made: x509.Certificate = await load_certificate(properties.path_or_content, properties.extension)
    except (OSError, ValueError) as error:
        raise FileFault(f"{file}: no certificate that can be read: {error}") from error
    return made


async def _uri_of(file: Path) -> str:
    """The application's URI, which an OPC UA certificate must carry (OPC 10000-6, 6.2.2)."""
    certificate = await _certificate(file)
    try:
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        return names.get_values_for_type(x509.UniformResourceIdentifier)[0]
    except (x509.ExtensionNotFound, IndexError) as error:
        raise FileFault(
            f"{file}: the certificate names no application (a URI among its alternative names)"
        ) from error


def _first_line(file: Path) -> str:
    try:
        return file.read_text().partition("\n")[0].rstrip("\r")
    except (OSError, UnicodeDecodeError) as error:
        raise FileFault(f"{file}: cannot be read: {error}") from error
