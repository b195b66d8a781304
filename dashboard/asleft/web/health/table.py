"""The health page as a table."""

from __future__ import annotations

from asleft.web.csv_files import TableFiles
from asleft.web.csv_text import Cell, Csv
from asleft.web.health.view import health_view
from asleft.web.source import Source
from flask import Flask, Response

_LINK = {True: "online", False: "offline", None: "unknown"}


_COUNT = {True: "balanced", False: "does not balance", None: "unknown"}


def health(source: Source, version: str) -> Csv:
    """Every figure of the health page as a row of its own."""
    view = health_view(source, version)
    rows: list[list[Cell]] = [["page", "", "in a sentence", view.headline]]
    for agent in view.agents:
        d, balance = agent.delivery, agent.delivery.balance
        figures: tuple[tuple[str, Cell], ...] = (
            ("link", "finished" if agent.finished else _LINK[agent.online]),
            ("last block", agent.lag),
            ("blocks generated", balance.generated if balance else None),
            ("blocks stored", d.stored),
            ("blocks declared lost", d.declared_gap),
            ("blocks on their way", balance.unacknowledged if balance else None),
            ("blocks sent twice", d.duplicates),
            ("count", _COUNT[d.balanced]),
            ("remark", agent.remark),
            ("clock", agent.clock),
            ("version", agent.version),
            ("settings", agent.settings),
        )
        rows += [["delivery", agent.name, what, value] for what, value in figures]
    for valve in view.judged:
        told = (("newest sample", valve.newest), ("judged", valve.lag), ("history", valve.history))
        rows += [["judging", valve.valve, what, value] for what, value in told]
        if valve.trouble:
            rows.append(["judging", valve.valve, "fails", valve.trouble])
    rows += [["store and versions", "", fact.what, fact.value] for fact in view.facts]
    return Csv("health", ("about", "name", "figure", "value"), rows)


def register(server: Flask, source: Source, version: str) -> None:
    """Add the route."""
    files = TableFiles(source)

    @server.get("/csv/health")
    def _csv_health() -> Response:
        return files.whole(lambda: health(source, version))
