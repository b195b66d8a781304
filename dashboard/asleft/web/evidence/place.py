"""The picture as a part of a page or of paper: title, drawing, and for a screen the figure that replaces it."""

from __future__ import annotations

from asleft.alarms.states import AlarmView
from asleft.web.evidence import style
from asleft.web.evidence.paper import paper_svg
from asleft.web.evidence.picture import NoPicture, Picture
from asleft.web.evidence.screen import screen_figure
from asleft.web.evidence.subject import of_alarm
from asleft.web.evidence.view import evidence
from asleft.web.markup import Markup
from asleft.web.source import Source
from asleft.web.templates import filled


def on_screen(picture: Picture | NoPicture) -> Markup:
    """Drawn by the server; the script `evidence.js` puts a plot with hover in its place, of the same size."""
    return _filled(picture, live=True)


def on_paper(picture: Picture | NoPicture) -> Markup:
    """The same without the figure."""
    return _filled(picture, live=False)


def of_alarm_page(source: Source, view: AlarmView) -> Markup:
    """At the head of an alarm's page."""
    return on_screen(evidence(source, of_alarm(view), source.records.judgement(view.valve)))


def _filled(picture: Picture | NoPicture, *, live: bool) -> Markup:
    if isinstance(picture, NoPicture):
        return filled("evidence/evidence.html", title="", why=picture.why, svg=None, height=0, figure=None)
    return filled(
        "evidence/evidence.html",
        title=picture.title,
        why="",
        svg=paper_svg(picture),
        height=round(style.height(picture)) if live else 0,
        figure=screen_figure(picture) if live else None,
    )
