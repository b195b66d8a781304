"""The forms of what is sent, as JSON Schema (2020-12): made from the types that are sent, so they cannot differ."""

from __future__ import annotations

from typing import Any

import msgspec
from asleft.outlets.events import FORM, Event
from asleft.outlets.statuses import OUTLET, STATUS, OutletNow, StatusNow

KINDS = ((FORM, Event), (STATUS, StatusNow), (OUTLET, OutletNow))


def schemas() -> dict[str, Any]:
    """One schema for each form, by its name; what they share stands under `$defs`."""
    found, parts = msgspec.json.schema_components([kind for _, kind in KINDS], ref_template="#/$defs/{name}")
    names = {form.name: reference for (form, _), reference in zip(KINDS, found, strict=True)}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "What asleft outlets sends",
        "anyOf": list(names.values()),
        "properties": {"schema": {"properties": {"name": {"enum": list(names)}}}},
        "$defs": parts,
    }
