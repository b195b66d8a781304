"""What is wrong with a request, as RFC 9457 has it (application/problem+json)."""

from __future__ import annotations

from http import HTTPStatus

import msgspec
from flask import Flask, Response, request

PREFIX = "/api/"
MEDIA_TYPE = "application/problem+json"
_AWAY = "Something the answer needs cannot be reached or is taken; ask again later."


class Problem(msgspec.Struct, omit_defaults=True):
    """What is wrong: `title` names the status, `detail` says what is wanted, `field` which choice is meant."""

    type: str
    title: str
    status: int
    detail: str
    field: str = ""


class BadQuestion(ValueError):  # noqa: N818 - reads as what it says
    """Something in the address cannot be used. `field` names it; the message says what is wanted."""

    def __init__(self, name: str, words: str) -> None:
        super().__init__(words)
        self.name = name


class NotThere(LookupError):  # noqa: N818 - reads as what it says
    """What the address names is not there, or not for who asks: the two are answered alike."""


def problem(status: int, detail: str, field: str = "") -> Response:
    """An answer that says what is wrong."""
    found = Problem("about:blank", HTTPStatus(status).phrase, status, detail, field)
    answer = Response(msgspec.json.encode(found), status, mimetype=MEDIA_TYPE)
    answer.headers["Content-Type"] = MEDIA_TYPE  # without a charset, which the type does not have
    return answer


def register(server: Flask) -> None:
    """Have everything that goes wrong under `/api/` said so, whoever noticed it."""

    @server.after_request
    def _said(response: Response) -> Response:
        wrong = request.path.startswith(PREFIX) and response.status_code >= 400
        if not wrong or response.mimetype == MEDIA_TYPE:
            return response
        plain = response.mimetype == "text/plain" and not response.is_streamed
        words = response.get_data(as_text=True).strip() if plain else ""
        status = response.status_code
        made = problem(status, words or (_AWAY if status in (429, 503) else HTTPStatus(status).description))
        for name in ("Retry-After", "Allow"):
            if name in response.headers:
                made.headers[name] = response.headers[name]
        response.close()
        return made
