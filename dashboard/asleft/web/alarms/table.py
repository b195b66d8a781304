"""The alarms as a table."""

from __future__ import annotations

from collections.abc import Callable

from asleft.alarms.classes import class_of
from asleft.web.csv_files import TableFiles
from asleft.web.csv_text import Cell, Csv, both
from asleft.web.source import Source
from asleft.web.views.alarms import Call, alarms_view, calls_of, found_words, lately
from asleft.web.words import kind_words, part_words
from flask import Flask, Response


def alarms(source: Source) -> Csv:
    """One row per alarm of the page, those that wait first."""
    columns = (
        *("list", "alarm", "valve", "press", "name", "kind", "class", "severity", "likely_part", "evidence", "state"),
        *("onset_utc", "onset_plant", "raised_utc", "raised_plant", "returned_utc", "returned_plant"),
        *("shelved_until_utc", "shelved_until_plant", "acknowledged_by", "found_to_be", "follows_from"),
        *("escalated_utc", "escalated_plant", "class_at_raising", "likely_part_at_raising", "evidence_at_raising"),
        *("measured_when_gone", "shared_by"),
    )
    view = alarms_view(source)
    lists = (
        *(("waiting", view.waiting), ("standing", view.standing), ("begun", view.begun)),
        *(("set aside", view.aside), ("past", view.past)),
    )
    alone = _one_by_one(source)
    rows = [
        _alarm(source, name, alone(one), call)
        for name, calls in lists
        for call in calls
        for one in ([member.alarm for member in call.members] or [call.alarm])
    ]
    return Csv("alarms", columns, rows)


def _one_by_one(source: Source) -> Callable[[str], Call]:
    """Each alarm as a line of its own, whatever cause it shares with others."""
    now_ns = source.now_ns()
    views = {view.alarm: view for view in lately(source, now_ns)}
    return lambda alarm: calls_of(source, [views[alarm]])[0]


def _alarm(source: Source, name: str, call: Call, shown: Call) -> list[Cell]:
    """`call`: of one valve; `shown`: as the page shows it, with those of one cause."""
    view, first = call.view, call.view.at_raising
    return [
        *(name, view.alarm, view.valve, call.name.press, call.name.name, kind_words(view.kind), call.klass.value),
        *(call.severity, part_words(call.present.part) if call.present.part else "", call.what, call.state),
        *(*both(view.onset_ns, source.time), *both(view.raised_ns, source.time)),
        *(*both(view.returned_ns, source.time), *both(view.shelved_until_ns, source.time)),
        *(view.acknowledged_by, found_words(view.found) if view.found else "", call.under),
        *both(view.escalated_ns, source.time),
        class_of(view.kind, view.severity if first is None else first.severity).value,
        part_words(view.part if first is None else first.part),
        *(view.evidence if first is None else first.evidence, view.measured, shown.where if shown.members else ""),
    ]


def register(server: Flask, source: Source) -> None:
    """Add the route."""
    files = TableFiles(source)

    @server.get("/csv/alarms")
    def _csv_alarms() -> Response:
        return files.whole(lambda: alarms(source))
