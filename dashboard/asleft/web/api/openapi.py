"""The published document, OpenAPI 3.1, made from the same table as the routes."""

from __future__ import annotations

import re
from typing import Any

import msgspec
from asleft.web.access import roles
from asleft.web.api.questions import parameters
from asleft.web.api.series import MEDIA_TYPES
from asleft.web.api.table import RESOURCES, ROOT, Resource
from asleft.web.problem import MEDIA_TYPE, Problem

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
