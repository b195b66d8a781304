"""`asleft-agent browse` and `asleft-agent certificate`: what one needs before an OPC UA server can be read."""

from __future__ import annotations

import argparse
import asyncio
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from asleft.instruments.opcua_settings import POLICIES, SECURITY, OpcUaAddress, is_loopback, is_url

MISSING = "OPC UA needs a library that is not installed: pip install 'asleft[opcua]'"
_DAYS = 1825

COMMANDS = ("browse", "certificate")


def run(argv: Sequence[str]) -> int:
    """Run one of `COMMANDS`; the exit status."""
    try:
        import asyncua  # noqa: F401
    except ImportError:
        sys.stderr.write(f"{MISSING}\n")
        return 2
    args = _arguments(argv)
    return _browse(args) if args.command == "browse" else _certificate(args)


def _arguments(argv: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser("asleft-agent")
    commands = parser.add_subparsers(dest="command", required=True)
    browse = commands.add_parser("browse", help="list the variables of an OPC UA server")
    browse.add_argument("address", metavar="ADDRESS", help="as opc.tcp://192.0.2.7:4840")
    browse.add_argument("--below", default="", metavar="NODE", help="only what is below this node id")
    browse.add_argument("--all", action="store_true", help="also variables that are no numbers")
    browse.add_argument("--timeout", type=float, default=4.0, metavar="S", help="seconds to wait for an answer")
    browse.add_argument("--security", choices=SECURITY, help="sign-and-encrypt, except on this machine itself")
    browse.add_argument("--policy", choices=POLICIES, default=POLICIES[0])
    browse.add_argument("--certificate", type=Path, metavar="FILE", help="our own certificate")
    browse.add_argument("--key", type=Path, metavar="FILE", help="its private key")
    browse.add_argument("--server-certificate", type=Path, metavar="FILE", help="the only one the server may show")
    browse.add_argument("--username", default="")
    browse.add_argument("--password-file", type=Path, metavar="FILE", help="its first line is the password")
    made = commands.add_parser("certificate", help="make a certificate of our own for OPC UA servers")
    made.add_argument("file", type=Path, metavar="FILE", help="FILE.der and FILE.pem are written")
    return parser.parse_args(argv)


def _browse(args: argparse.Namespace) -> int:
    from asleft.instruments.opcua_browse import MOST_NODES, browse, lines_of
    from asleft.instruments.opcua_client import FileFault
    from asyncua.ua.uaerrors import UaError

    if not is_url(args.address):
        sys.stderr.write(f'ADDRESS = "{args.address}": must be "opc.tcp://HOST:PORT", without a user\n')
        return 2
    security = args.security or ("none" if is_loopback(args.address) else SECURITY[0])
    files = (args.certificate, args.key, args.server_certificate)
    if security != "none" and None in files:
        sys.stderr.write(
            f'--security {security} needs --certificate, --key and --server-certificate; "none" is neither signed '
            "nor encrypted\n"
        )
        return 2
    if args.username and security == "none" and not is_loopback(args.address):
        sys.stderr.write("--username: not with --security none: others on the network could read the password\n")
        return 2
    address = OpcUaAddress(args.address, security, args.policy, *files, args.username, args.password_file)
    try:
        found, whole = asyncio.run(browse(address, args.timeout, args.below))
    except (OSError, TimeoutError, UaError, ValueError, FileFault) as error:
        sys.stderr.write(f"{args.address}: {error or type(error).__name__}\n")
        return 1
    for line in lines_of(found, everything=args.all):
        sys.stdout.write(f"{line}\n")
    hidden = sum(not one.numeric for one in found)
    if hidden and not args.all:
        sys.stdout.write(f"{hidden} more are no numbers now; --all shows them.\n")
    if not whole:
        sys.stdout.write(f"Not all: it ended after {MOST_NODES} nodes; --below NODE narrows it.\n")
    if not found:
        sys.stdout.write("No variables.\n")
    return 0


def _certificate(args: argparse.Namespace) -> int:
    import socket

    from asleft.instruments.opcua_client import own_uri
    from asyncua.crypto.cert_gen import dump_private_key_as_pem, generate_private_key
    from asyncua.crypto.cert_gen import generate_self_signed_app_certificate as self_signed
    from cryptography import x509
    from cryptography.hazmat.primitives.serialization import Encoding
    from cryptography.x509.oid import ExtendedKeyUsageOID

    certificate, key_file = (args.file.with_name(args.file.name + end) for end in (".der", ".pem"))
    for file in (certificate, key_file):
        if file.exists():
            sys.stderr.write(f"{file}: is there already and is not written over\n")
            return 2
    key = generate_private_key()
    names: list[x509.GeneralName] = [x509.UniformResourceIdentifier(own_uri()), x509.DNSName(socket.gethostname())]
    made = self_signed(key, "asleft agent", {}, names, [ExtendedKeyUsageOID.CLIENT_AUTH], _DAYS)
    try:
        with os.fdopen(os.open(key_file, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "wb") as out:
            out.write(dump_private_key_as_pem(key))
        certificate.write_bytes(made.public_bytes(Encoding.DER))
    except OSError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    sys.stdout.write(
        f"{certificate} (for the server's list of trusted clients) and {key_file} (stays here), valid until "
        f"{made.not_valid_after_utc:%Y-%m-%d}.\n"
    )
    return 0
