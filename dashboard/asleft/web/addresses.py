"""Addresses that lead nowhere: a number that no store can hold, a file that is not ours, a page that is not there."""

from __future__ import annotations

from urllib.parse import urlsplit

from dash.exceptions import DependencyException
from flask import Flask, Response
from sqlalchemy.exc import DataError
from werkzeug.routing import IntegerConverter


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
