"""What every answer carries, the names we answer to, and addresses that lead nowhere."""

from __future__ import annotations

import gzip
from collections import OrderedDict
from collections.abc import Collection, Sequence
from threading import Lock
from urllib.parse import urlsplit

from asleft.web.access.roles import PROBES
from dash.exceptions import DependencyException
from flask import Flask, Response, g, request
from sqlalchemy.exc import DataError
from werkzeug.routing import IntegerConverter

_WORTH_BYTES = 600
_KEEP_BYTES = 50_000  # answers larger than this are files that do not change: compress once
_KEEP = 64
_LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})
LARGEST_REQUEST_BYTES = 2_000_000


def policy(script_hashes: Sequence[str]) -> str:
    """The Content-Security-Policy. Plots set styles on their elements, hence 'unsafe-inline' for styles alone."""
    return "; ".join(
        (
            "default-src 'none'",
            " ".join(("script-src 'self'", *script_hashes)),
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data:",
            "font-src 'self'",
            "connect-src 'self'",
            "base-uri 'none'",
            "form-action 'self'",
            "frame-ancestors 'none'",
        )
    )


def protect(
    server: Flask,
    script_hashes: Sequence[str],
    *,
    names: Collection[str] = (),
    any_name: bool = False,
    tls: bool = False,
) -> None:
    """Headers on every answer; and only requests addressed to a name of ours, so that no foreign name leads here.

    `names` are host names beside loopback; `tls` says that a proxy before us speaks it.
    """
    headers = {
        "Content-Security-Policy": policy(script_hashes),
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "same-origin",
        "X-Frame-Options": "DENY",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    }
    if tls:
        headers["Strict-Transport-Security"] = "max-age=31536000"
    known = _LOOPBACK | {name.lower() for name in names}
    server.config["MAX_CONTENT_LENGTH"] = LARGEST_REQUEST_BYTES

    @server.before_request
    def _addressed_here() -> Response | None:
        host = request.host.rsplit(":", 1)[0] if not request.host.endswith("]") else request.host
        if any_name or host.strip("[]").lower() in known or request.path in PROBES:
            return None
        words = (
            "This dashboard is not known by this name. On the machine itself it is 127.0.0.1; further names are "
            "given to it with: asleft web --name NAME\n"
        )
        return Response(words, 421, mimetype="text/plain")

    @server.after_request
    def _headers(response: Response) -> Response:
        for name, value in headers.items():
            response.headers.setdefault(name, value)
        return response


def compress(server: Flask) -> None:
    """Pack what is text and worth it, keeping the packed form of large files."""
    kept: OrderedDict[tuple[str, int, str], bytes] = OrderedDict()
    lock = Lock()

    @server.after_request
    def _pack(response: Response) -> Response:
        if not _packable(response):
            return response
        response.direct_passthrough = False
        body = response.get_data()
        if len(body) < _WORTH_BYTES:
            return response
        key = (request.full_path, len(body), response.headers.get("Last-Modified", ""))
        with lock:
            packed = kept.get(key)
        if packed is None:
            large = len(body) > _KEEP_BYTES and request.method == "GET" and bool(key[2])
            packed = gzip.compress(body, 9 if large else 5)
            if large:
                with lock:
                    kept[key] = packed
                    while len(kept) > _KEEP:
                        kept.popitem(last=False)
        response.set_data(packed)
        response.headers["Content-Encoding"] = "gzip"
        response.vary.add("Accept-Encoding")
        etag, weak = response.get_etag()
        if etag and not weak:
            response.set_etag(etag, weak=True)
        return response


def _packable(response: Response) -> bool:
    kind = response.mimetype or ""
    text = kind.startswith("text/") or kind in ("application/json", "application/javascript", "image/svg+xml")
    return (
        text
        and not (kind == "text/csv" and response.is_streamed)  # however long: sent as it is made
        and not g.get("holds_secret", False)  # a secret beside words of the asker's must not be packed with them
        and response.status_code == 200
        and "Content-Encoding" not in response.headers
        and "gzip" in request.headers.get("Accept-Encoding", "")
    )


# Addresses that lead nowhere: a number that no store can hold, a file that is not ours, a page that is not there.


class RecordNumber(IntegerConverter):
    """A number in an address: nine digits, which every store can hold; a longer one is no such address."""

    regex = r"[0-9]{1,9}"


def count_to_nine_digits(server: Flask) -> None:
    """To be called before the routes are added."""
    server.url_map.converters["int"] = RecordNumber


def answer_errors(server: Flask) -> None:
    """Say by the status what is not there, where neither a route nor a page says so."""

    @server.errorhandler(DependencyException)
    def _no_file(_error: DependencyException) -> Response:
        return Response("There is no such file.\n", 404, mimetype="text/plain")

    @server.errorhandler(DataError)
    def _no_value(_error: DataError) -> Response:  # a character or number that PostgreSQL does not hold
        return Response("Something in this request cannot be kept or looked for.\n", 400, mimetype="text/plain")


def safe_path(text: str) -> str:
    """A path of this dashboard, with its query; "/" for whatever might lead anywhere else."""
    parts = urlsplit(text)
    plain = text.isascii() and text.isprintable() and " " not in text and "\\" not in text
    if not plain or parts.scheme or parts.netloc or not text.startswith("/") or text.startswith(("//", "/login")):
        return "/"
    return text
