"""The health page: its contents and its one callback."""

from __future__ import annotations

import dash
from asleft.web import ids
from asleft.web.health.view import HealthView, health_view
from asleft.web.live import LivePage, Renewal
from asleft.web.markup import Markup
from asleft.web.source import Source
from asleft.web.templates import filled

REFRESH_MS = 2000
_RENEWAL = Renewal(ids.HEALTH_PARTS, ids.HEALTH_TAGS, ids.HEALTH_TIMER)


def page(source: Source, version: str) -> LivePage:
    """The page with its first contents."""
    first = health_body(health_view(source, version))
    return _RENEWAL.page("Health", ids.HEALTH_BODY, "health", first, REFRESH_MS)


def health_body(view: HealthView) -> Markup:
    """Sentence, agents, judging, the rest."""
    return filled("health/health.html", view=view)


def register(app: dash.Dash, source: Source, version: str) -> None:
    """Renewal every two seconds."""
    _RENEWAL.register(app, lambda: {ids.HEALTH_BODY: health_body(health_view(source, version))})
