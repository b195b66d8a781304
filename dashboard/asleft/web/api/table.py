"""Everything there is under `/api/v1`, a row each: routes and the published document are made from it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import msgspec
from asleft.web.api import answers, plant, questions, series
from asleft.web.api.plant import Plant
from flask import Response

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
    query: type[questions.Some],
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

    return Resource(path, name, summary, questions.Nothing, answers.One[kind], made, _UNITS.get(kind, {}))


def _history(row: Resource, where: Plant, asked: Any, valve: str) -> Found:  # noqa: ANN401
    return series.history(where, asked, valve, row.form)


def _readings(row: Resource, where: Plant, asked: Any, valve: str) -> Found:  # noqa: ANN401
    found = series.readings(where, asked, valve, row.form)
    return found if isinstance(found, Response) else answers.ReadingsPage(*found)


_UNITS: Mapping[Any, Mapping[str, str]] = {
    answers.Judgement: {"quantities.tolerance_used_percent": "%"},
}

RESOURCES: tuple[Resource, ...] = (
    _many("/valves", "valves", "Every valve as it stands", questions.Some, answers.Valve, plant.valves),
    _one("/valves/<valve>", "valve", "One valve as it stands", answers.Valve, plant.valve),
    _many(
        *("/judgements", "judgements", "What was judged last of every valve", questions.SomeOfValve),
        *(answers.Judgement, plant.judgements),
    ),
    _one("/valves/<valve>/judgement", "judgement", "What was judged last", answers.Judgement, plant.judgement),
    _many(
        *("/findings", "findings", "Everything the last judgements found", questions.SomeOfValve),
        *(answers.Finding, plant.findings),
    ),
    _many(
        *("/alarms", "alarms", "Alarms of the last month, and what still waits", questions.SomeAlarms),
        *(answers.Alarm, plant.alarms),
    ),
    _many("/sheets", "sheets", "The sheets in force now", questions.SomeOfValve, answers.Sheet, plant.sheets),
    _many(
        *("/valves/<valve>/sheets", "sheets", "Every revision of a sheet", questions.Some),
        *(answers.Sheet, plant.sheets_of),
    ),
    _one(
        *("/valves/<valve>/sheets/<int:number>", "sheet", "One revision, with its text"),
        *(answers.SheetText, plant.sheet),
    ),
    _many(
        *("/records", "records", "The newest verification record of every valve", questions.SomeOfValve),
        *(answers.RecordRef, plant.records),
    ),
    _many(
        *("/valves/<valve>/records", "records", "Every verification record of a valve", questions.Some),
        *(answers.RecordRef, plant.records_of),
    ),
    _one(
        *("/valves/<valve>/records/<int:number>", "record", "One verification record, as it was filed"),
        *(answers.Record, plant.record),
    ),
    Resource(
        *("/valves/<valve>/history", "history", "As found over time, setting by setting", questions.HistorySpan),
        *(answers.Page[answers.Point], _history),
        files=True,
    ),
    Resource(
        *("/valves/<valve>/readings", "readings", "Readings as they are stored", questions.ReadingsSpan),
        *(answers.ReadingsPage, _readings),
        files=True,
    ),
)
