"""Everything there is under `/api/v1`, a row each; routes and published document (OpenAPI 3.1) are made from it."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import msgspec
from asleft.store.verifications import Verifications
from asleft.web.access import programs as problems
from asleft.web.access import roles
from asleft.web.access.programs import MEDIA_TYPE, BadQuestion, NotThere, Problem, problem
from asleft.web.api import answers, plant, series
from asleft.web.api.answers import Nothing, parameters, read
from asleft.web.api.plant import Plant
from asleft.web.api.series import MEDIA_TYPES
from asleft.web.source import Source
from flask import Flask, Response, request

ROOT = "/api/v1"

Found = msgspec.Struct | Response


@dataclass(frozen=True, slots=True)
class Resource:
    """One address. `make` is given what its path names, and answers with `answer`."""

    path: str  # below `ROOT`, as routes write it
    name: str
    summary: str
    query: type[msgspec.Struct]
    answer: Any  # a type
    make: Callable[..., Found]
    units: Mapping[str, str] = field(default_factory=dict)
    files: bool = False  # also as Arrow and Parquet

    @property
    def form(self) -> answers.Form:
        """The form of its answers."""
        return answers.Form(f"asleft.{self.name}", 1)


def _many(
    path: str,
    name: str,
    summary: str,
    query: type[answers.Some],
    kind: Any,  # noqa: ANN401 - a type
    make: Callable[..., Any],
) -> Resource:
    def made(row: Resource, where: Plant, asked: Any, **named: Any) -> Found:  # noqa: ANN401 - checked by the row
        data, following = make(where, asked, **named)
        return answers.Page(row.form, dict(row.units), data, following)

    return Resource(path, name, summary, query, answers.Page[kind], made, _UNITS.get(kind, {}))


def _one(path: str, name: str, summary: str, kind: Any, make: Callable[..., Any]) -> Resource:  # noqa: ANN401
    def made(row: Resource, where: Plant, asked: Any, **named: Any) -> Found:  # noqa: ANN401, ARG001
        return answers.One(row.form, dict(row.units), make(where, **named))

    return Resource(path, name, summary, answers.Nothing, answers.One[kind], made, _UNITS.get(kind, {}))


def _history(row: Resource, where: Plant, asked: Any, valve: str) -> Found:  # noqa: ANN401
    return series.history(where, asked, valve, row.form)


def _readings(row: Resource, where: Plant, asked: Any, valve: str) -> Found:  # noqa: ANN401
    found = series.readings(where, asked, valve, row.form)
    return found if isinstance(found, Response) else answers.ReadingsPage(*found)


_UNITS: Mapping[Any, Mapping[str, str]] = {
    answers.Judgement: {"quantities.tolerance_used_percent": "%"},
}

RESOURCES: tuple[Resource, ...] = (
    _many("/valves", "valves", "Every valve as it stands", answers.Some, answers.Valve, plant.valves),
    _one("/valves/<valve>", "valve", "One valve as it stands", answers.Valve, plant.valve),
    _many(
        *("/judgements", "judgements", "What was judged last of every valve", answers.SomeOfValve),
        *(answers.Judgement, plant.judgements),
    ),
    _one("/valves/<valve>/judgement", "judgement", "What was judged last", answers.Judgement, plant.judgement),
    _many(
        *("/findings", "findings", "Everything the last judgements found", answers.SomeOfValve),
        *(answers.Finding, plant.findings),
    ),
    _many(
        *("/alarms", "alarms", "Alarms of the last month, and what still waits", answers.SomeAlarms),
        *(answers.Alarm, plant.alarms),
    ),
    _many("/sheets", "sheets", "The sheets in force now", answers.SomeOfValve, answers.Sheet, plant.sheets),
    _many(
        *("/valves/<valve>/sheets", "sheets", "Every revision of a sheet", answers.Some),
        *(answers.Sheet, plant.sheets_of),
    ),
    _one(
        *("/valves/<valve>/sheets/<int:number>", "sheet", "One revision, with its text"),
        *(answers.SheetText, plant.sheet),
    ),
    _many(
        *("/records", "records", "The newest verification record of every valve", answers.SomeOfValve),
        *(answers.RecordRef, plant.records),
    ),
    _many(
        *("/valves/<valve>/records", "records", "Every verification record of a valve", answers.Some),
        *(answers.RecordRef, plant.records_of),
    ),
    _one(
        *("/valves/<valve>/records/<int:number>", "record", "One verification record, as it was filed"),
        *(answers.Record, plant.record),
    ),
    Resource(
        *("/valves/<valve>/history", "history", "As found over time, setting by setting", answers.HistorySpan),
        *(answers.Page[answers.Point], _history),
        files=True,
    ),
    Resource(
        *("/valves/<valve>/readings", "readings", "Readings as they are stored", answers.ReadingsSpan),
        *(answers.ReadingsPage, _readings),
        files=True,
    ),
)


# The published document, OpenAPI 3.1, made from the same table as the routes.

_ABOUT = """\
What the dashboard knows, for programs; it only reads. Every answer names its form and version (`schema`) and its
units; numbers are in stored units (pressures in bar), times in UTC. Within a version fields are only added. HEAD goes
wherever GET does; every other method is answered 405. A valve that the token may not see is answered as one that is
not there. Answers have an ETag: ask again with If-None-Match. More requests than are let in: 429 with Retry-After.
"""
_WRONG = {
    400: "A choice cannot be used",
    401: "No token that holds",
    403: "This token may not",
    404: "Not there",
    429: "Ask again later",
    503: "A store is away",
}
_TYPES: dict[str, dict[str, Any]] = {
    "valve": {"type": "string", "maxLength": 64, "pattern": "^[a-z0-9]([a-z0-9.-]*[a-z0-9])?$"},
    "int:number": {"type": "integer", "minimum": 0, "maximum": 999_999_999},
}


def document(version: str) -> dict[str, Any]:
    """The document as plain values."""
    kinds = [row.answer for row in RESOURCES]
    found, components = msgspec.json.schema_components([*kinds, Problem], ref_template="#/components/schemas/{name}")
    wrong = {"description": "What is wrong (RFC 9457)", "content": {MEDIA_TYPE: {"schema": found[-1]}}}
    paths: dict[str, Any] = {}
    for row, schema in zip(RESOURCES, found, strict=False):
        paths[ROOT + re.sub(r"<(?:int:)?(\w+)>", r"{\1}", row.path)] = {"get": _operation(row, schema)}
    paths[f"{ROOT}/openapi.json"] = {"get": _itself()}
    return {
        "openapi": "3.1.1",
        "info": {"title": "Asleft", "version": version, "description": _ABOUT, "license": {"name": "Apache-2.0"}},
        "servers": [{"url": "/"}],
        "security": [{"token": []}],
        "paths": paths,
        "components": {
            "schemas": components,
            "responses": {"Wrong": wrong},
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer", "description": "asleft tokens --help"}},
        },
    }


def _operation(row: Resource, schema: dict[str, Any]) -> dict[str, Any]:
    content: dict[str, Any] = {"application/json": {"schema": schema}}
    if row.files:
        content |= {kind: {} for kind in MEDIA_TYPES.values()}
    role = roles.ROUTES[ROOT + row.path].value
    named = [
        {"name": name.removeprefix("int:"), "in": "path", "required": True, "schema": _TYPES[name]}
        for name in re.findall(r"<([^>]+)>", row.path)
    ]
    form = f"{row.form.name}, version {row.form.version}"
    return {
        "operationId": re.sub(r"\W+", "_", row.path.replace("int:", "")).strip("_"),
        "summary": row.summary,
        "description": f"Form {form}. For a {role}.",
        "parameters": [*named, *parameters(row.query), _HELD],
        "responses": _responses(content),
    }


_HELD = {
    "name": "If-None-Match",
    "in": "header",
    "required": False,
    "description": "The ETag of the answer that is held: 304 if it still holds.",
    "schema": {"type": "string"},
}


def _responses(content: dict[str, Any]) -> dict[str, Any]:
    headers = {"ETag": {"schema": {"type": "string"}}}
    return {
        "200": {"description": "What was asked for", "headers": headers, "content": content},
        "304": {"description": "What is held still holds"},
        **{str(status): {"$ref": "#/components/responses/Wrong"} for status in _WRONG},
    }


def _itself() -> dict[str, Any]:
    return {
        "operationId": "openapi",
        "summary": "This document",
        "parameters": [_HELD],
        "responses": _responses({"application/json": {"schema": {"type": "object"}}}),
    }


# The routes of the interface for programs, made from its table.


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
