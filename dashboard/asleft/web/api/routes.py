"""The routes of the interface for programs, made from its table."""

from __future__ import annotations

import hashlib
from collections.abc import Callable

import msgspec
from asleft.store.verifications import Verifications
from asleft.web import problem as problems
from asleft.web.api.openapi import document
from asleft.web.api.plant import Plant
from asleft.web.api.questions import Nothing, read
from asleft.web.api.table import RESOURCES, ROOT, Resource
from asleft.web.problem import BadQuestion, NotThere, problem
from asleft.web.source import Source
from flask import Flask, Response, request


def register(server: Flask, source: Source, verifications: Verifications, version: str) -> None:
    """Add the routes."""
    plant = Plant(source, verifications)
    published = msgspec.json.encode(document(version))
    methods = ["GET", "HEAD"]
    problems.register(server)

    def answering(row: Resource) -> Callable[..., Response]:
        def answer(**named: str | int) -> Response:
            return _answer(row, plant, named)

        return answer

    for row in RESOURCES:
        rule = ROOT + row.path
        server.add_url_rule(rule, rule, answering(row), methods=methods, provide_automatic_options=False)

    def openapi() -> Response:
        try:
            read(request.args, Nothing)
        except BadQuestion as fault:
            return problem(400, str(fault), fault.name)
        return _sent(published)

    def nothing(path: str) -> Response:
        return problem(
            404, f"There is nothing at {problems.PREFIX}{path[:100]}; {ROOT}/openapi.json says what there is."
        )

    for rule, view in ((f"{ROOT}/openapi.json", openapi), (f"{problems.PREFIX}<path:path>", nothing)):
        server.add_url_rule(rule, rule, view, methods=methods, provide_automatic_options=False)


def _answer(row: Resource, plant: Plant, named: dict[str, str | int]) -> Response:
    try:
        found = row.make(row, plant, read(request.args, row.query), **named)
    except BadQuestion as fault:
        return problem(400, str(fault), fault.name)
    except NotThere as fault:
        return problem(404, str(fault))
    return found if isinstance(found, Response) else _sent(msgspec.json.encode(found))


def _sent(body: bytes) -> Response:
    answer = Response(body, mimetype="application/json")
    answer.set_etag(hashlib.sha256(body).hexdigest()[:32])
    answer.vary.update(("Authorization", "Cookie"))
    answer.make_conditional(request)
    return answer
