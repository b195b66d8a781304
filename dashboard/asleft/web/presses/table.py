"""All presses as a table."""

from __future__ import annotations

from asleft.sheet.model import QUANTITY_UNITS
from asleft.web.csv_files import TableFiles
from asleft.web.csv_text import Cell, Csv, both
from asleft.web.presses.view import presses_view
from asleft.web.source import Source
from asleft.web.views.valves import judged_until_ns, onset_ns, strip_marks
from flask import Flask, Response


def presses(source: Source) -> Csv:
    """One row per valve, worst first, with the share of each tolerance that is used."""
    columns = (
        *("valve", "press", "name", "status", "sentence", "since_utc", "since_plant", "machine_state", "data"),
        *("newest_reading_utc", "newest_reading_plant", "judged_until_utc", "judged_until_plant"),
        *(f"{quantity}_used_percent" for quantity in QUANTITY_UNITS),
    )
    rows: list[list[Cell]] = []
    judgements, spans = source.records.judgements(), source.samples.all_spans()
    for row in presses_view(source, everything=True).rows:
        valve = row.name.id
        judgement, span = judgements.get(valve), spans.get(valve)
        used = {mark.quantity: mark.used_pct for mark in strip_marks(judgement, all_columns=False)}
        rows.append(
            [
                *(valve, row.name.press, row.name.name, row.status, row.sentence),
                *(*both(onset_ns(judgement), source.time), row.state, row.liveness.word),
                *both(span[1] if span is not None else None, source.time),
                *both(judged_until_ns(judgement), source.time),
                *(used.get(quantity) for quantity in QUANTITY_UNITS),
            ]
        )
    return Csv("presses", columns, rows)


def register(server: Flask, source: Source) -> None:
    """Add the route."""
    files = TableFiles(source)

    @server.get("/csv/presses")
    def _csv_presses() -> Response:
        return files.whole(lambda: presses(source))
