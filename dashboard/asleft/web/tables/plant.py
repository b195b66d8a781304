"""Tables of the whole plant: presses, alarms, health."""

from __future__ import annotations

from asleft.sheet.model import QUANTITY_UNITS
from asleft.web.source import Source
from asleft.web.tables.text import Cell, Csv, both
from asleft.web.views.alarms import Call, alarms_view, found_words
from asleft.web.views.health import health_view
from asleft.web.views.presses import presses_view
from asleft.web.views.valves import judged_until_ns, onset_ns, strip_marks
from asleft.web.words import kind_words, part_words

_LINK = {True: "online", False: "offline", None: "unknown"}
_COUNT = {True: "balanced", False: "does not balance", None: "unknown"}


def presses(source: Source) -> Csv:
    """One row per valve, worst first, with the share of each tolerance that is used."""
    columns = (
        *("valve", "press", "name", "status", "sentence", "since_utc", "since_plant", "machine_state", "data"),
        *("newest_reading_utc", "newest_reading_plant", "judged_until_utc", "judged_until_plant"),
        *(f"{quantity}_used_percent" for quantity in QUANTITY_UNITS),
    )
    rows: list[list[Cell]] = []
    judgements, spans = source.records.judgements(), source.samples.all_spans()
    for row in presses_view(source).rows:
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


def alarms(source: Source) -> Csv:
    """One row per alarm of the page, those that wait first."""
    columns = (
        *("list", "alarm", "valve", "press", "name", "kind", "class", "severity", "likely_part", "evidence", "state"),
        *("onset_utc", "onset_plant", "raised_utc", "raised_plant", "returned_utc", "returned_plant"),
        *("shelved_until_utc", "shelved_until_plant", "acknowledged_by", "found_to_be", "follows_from"),
    )
    view = alarms_view(source)
    lists = (("waiting", view.waiting), ("standing", view.standing), ("set aside", view.aside), ("past", view.past))
    return Csv("alarms", columns, [_alarm(source, name, call) for name, calls in lists for call in calls])


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
        )
        rows += [["delivery", agent.name, what, value] for what, value in figures]
    for valve in view.judged:
        told = (("newest sample", valve.newest), ("judged", valve.lag), ("history", valve.history))
        rows += [["judging", valve.valve, what, value] for what, value in told]
        if valve.trouble:
            rows.append(["judging", valve.valve, "fails", valve.trouble])
    rows += [["store and versions", "", fact.what, fact.value] for fact in view.facts]
    return Csv("health", ("about", "name", "figure", "value"), rows)


def _alarm(source: Source, name: str, call: Call) -> list[Cell]:
    view = call.view
    return [
        *(name, view.alarm, view.valve, call.name.press, call.name.name, kind_words(view.kind), call.klass.value),
        *(view.severity, part_words(view.part) if view.part else "", view.evidence, call.state),
        *(*both(view.onset_ns, source.time), *both(view.raised_ns, source.time)),
        *(*both(view.returned_ns, source.time), *both(view.shelved_until_ns, source.time)),
        *(view.acknowledged_by, found_words(view.found) if view.found else "", call.under),
    ]
