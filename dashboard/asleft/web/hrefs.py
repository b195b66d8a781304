"""Addresses of pages, for links from one to another."""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import quote, urlencode

from asleft.web.csv_text import utc
from asleft.web.when import Stretch


def valve_href(valve: str) -> str:
    """The address of a valve's page."""
    return f"/valve/{quote(valve, safe='')}"


def sheet_href(valve: str) -> str:
    """Address of a valve's sheet."""
    return f"/sheets/{quote(valve, safe='')}"


def retune_href(valve: str, before: Stretch | None = None, after: Stretch | None = None, kind: str = "") -> str:
    """Address of a comparison; of the one proposed where no stretches are given."""
    href = f"/retune/{quote(valve, safe='')}{'.' + kind if kind else ''}"
    if before is None or after is None:
        return href
    ends = dict(zip(RETUNE_ENDS, map(utc, (before.from_ns, before.to_ns, after.from_ns, after.to_ns)), strict=True))
    return f"{href}?{urlencode(ends, safe=':')}"


def proposal_href(valve: str, stretch: Stretch | None = None, typed: Mapping[str, str] | None = None) -> str:
    """Address of a valve's proposals: in general, or of a sweep and with what is wanted."""
    query = {} if stretch is None else {"from": utc(stretch.from_ns), "to": utc(stretch.to_ns)}
    query |= {name: text for name, text in (typed or {}).items() if text}
    return f"{sheet_href(valve)}/proposal{'?' if query else ''}{urlencode(query, safe=':')}"


def check_href(
    valve: str, stretch: Stretch | None = None, *, live_from_ns: int | None = None, before: Stretch | None = None
) -> str:
    """Address of a valve's verification: in general, of a stretch, or watched as it is done.

    `before`: the stretch that was taken as found, which stays known until a record is made.
    """
    query: dict[str, str] = {}
    if stretch is not None:
        query = {"from": utc(stretch.from_ns), "to": utc(stretch.to_ns)}
    elif live_from_ns is not None:
        query = {"from": utc(live_from_ns)}
    if before is not None:
        query |= {"found_from": utc(before.from_ns), "found_to": utc(before.to_ns)}
    href = f"/verification/{quote(valve, safe='')}"
    return f"{href}?{urlencode(query, safe=':')}" if query else href


def alarm_href(alarm: str) -> str:
    """Address of one alarm's page."""
    return f"/alarms/{quote(alarm, safe='/')}"


def work_href(valve: str) -> str:
    """Address of the page on which work on a valve is declared."""
    return f"/work-in-progress/{quote(valve, safe='')}"


RETUNE_ENDS = ("before_from", "before_to", "after_from", "after_to")


def record_href(valve: str, number: int, kind: str = "") -> str:
    """Address of a record, as a page or as a document of a kind ("html", "pdf", "json")."""
    return f"/verification/{quote(valve, safe='')}/{number}{'.' + kind if kind else ''}"


def form_href(valve: str, found_in: Stretch, left_in: Stretch | None = None) -> str:
    """Address of the form that makes a record of one or two stretches."""
    query = {"found_from": utc(found_in.from_ns), "found_to": utc(found_in.to_ns)}
    if left_in is not None:
        query |= {"left_from": utc(left_in.from_ns), "left_to": utc(left_in.to_ns)}
    return f"/verification/{quote(valve, safe='')}/record?{urlencode(query, safe=':')}"


def csv_of_valve(valve: str, what: str) -> str:
    """Address of one of a valve's tables."""
    return f"/csv/{quote(valve, safe='')}/{what}"


def csv_of_stretch(valve: str, what: str, from_ns: int, to_ns: int) -> str:
    """Address of one of a valve's tables over a stretch of time."""
    return f"{csv_of_valve(valve, what)}?{urlencode({'from': utc(from_ns), 'to': utc(to_ns)}, safe=':')}"


def report_href(valve: str, kind: str, stretch: Stretch, paper: str = "a4") -> str:
    """Address of a report."""
    args = {"from": utc(stretch.from_ns), "to": utc(stretch.to_ns)}
    if paper != "a4":
        args["paper"] = paper
    return f"/report/{quote(valve, safe='')}.{kind}?{urlencode(args, safe=':')}"
