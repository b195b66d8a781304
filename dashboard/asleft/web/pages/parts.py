"""Parts of a page that the server draws: sent as text, put in place by the browser, only when they have changed."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

import dash
from asleft.web.markup import Markup
from asleft.web.pages.components import in_browser, node
from dash.development.base_component import Component

Parts = dict[str, str]
Tags = dict[str, str]


def changed(parts: Mapping[str, Markup], tags: Mapping[str, str] | None) -> tuple[Parts, Tags]:
    """Those parts whose tag differs from what the browser has, and the tags of all."""
    fresh = {target: _tag(text) for target, text in parts.items()}
    known = tags or {}
    return {target: str(text) for target, text in parts.items() if known.get(target) != fresh[target]}, fresh


def place(target: str, kind: str = "Div", **more: object) -> Component:
    """Where a part goes. The framework never looks inside."""
    return node(kind, id=target, **more)


def register(app: dash.Dash, store: str) -> None:
    """Have the browser put in place whatever arrives in the store."""
    in_browser(app, "paint", store)


def _tag(text: str) -> str:
    return hashlib.sha1(text.encode(), usedforsecurity=False).hexdigest()[:12]
