"""The page on which a report's stretch is chosen: usual ones as links, others by two days of the plant's calendar."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from urllib.parse import quote, urlencode

from asleft.web.fragments.csv_link import csv_of_valve
from asleft.web.frame import choice, field
from asleft.web.markup import Child, Markup, el, table
from asleft.web.report.paper import SIZES
from asleft.web.stretch import EARLIEST_NS, BadStretch, Stretch
from asleft.web.tables.text import utc
from asleft.web.views.valve import ValveView
from asleft.web.when import PlantTime

LONGEST_DAYS = 3660
USUAL: tuple[tuple[str, int], ...] = (("last day", 1), ("last week", 7), ("last month", 30))
KINDS: Mapping[str, str] = {"html": "HTML", "pdf": "PDF"}
_PAPER = [("a4", "A4"), ("letter", "Letter")]
_DAY_NS = 86_400 * 10**9
_WORDS = (
    "What was found, the findings and the history in a report are always of the moment it is made. The stretch says "
    "over what time the machine's states and the data are counted."
)


def report_href(valve: str, kind: str, stretch: Stretch, paper: str = "a4") -> str:
    """Address of a report."""
    args = {"from": utc(stretch.from_ns), "to": utc(stretch.to_ns)}
    if paper != "a4":
        args["paper"] = paper
    return f"/report/{quote(valve, safe='')}.{kind}?{urlencode(args, safe=':')}"


def size_in(text: str) -> str:
    """A size of paper. Raises `BadStretch`."""
    if text not in SIZES:
        raise BadStretch(f"paper = {text[:40]!r}: wanted is {' or '.join(SIZES)}.")
    return text


def days_in(typed: Mapping[str, str], time_of: PlantTime, now_ns: int) -> tuple[Stretch | None, dict[str, str]]:
    """The stretch of a form that was filled in, from the first day's beginning to the last one's end or now.

    Without a stretch, what is wrong, by the form's fields.
    """
    faults: dict[str, str] = {}
    days: dict[str, date] = {}
    for name in ("from", "to"):
        try:
            days[name] = date.fromisoformat(typed.get(name, ""))
        except ValueError:
            faults[name] = f"{typed.get(name, '')[:20]!r} is no day; wanted is one as 2026-11-26."
    if typed.get("paper") not in SIZES:
        faults["paper"] = f"{typed.get('paper', '')[:20]!r}: wanted is A4 or Letter."
    if typed.get("as") not in KINDS:
        faults["as"] = f"{typed.get('as', '')[:20]!r}: a report is HTML or PDF."
    if faults:
        return None, faults
    if days["to"] < days["from"]:
        return None, {"to": "The last day lies before the first."}
    if (days["to"] - days["from"]).days >= LONGEST_DAYS:
        return None, {"from": f"At most {LONGEST_DAYS} days are covered at once."}
    from_ns = _begins_ns(days["from"], time_of)
    if not EARLIEST_NS <= from_ns < now_ns:
        return None, {"from": "That day is not among those from 1970 to today."}
    return Stretch(from_ns, min(_begins_ns(days["to"] + timedelta(days=1), time_of), now_ns)), {}


def chooser(
    view: ValveView, time_of: PlantTime, now_ns: int, typed: Mapping[str, str], faults: Mapping[str, str]
) -> list[Child]:
    """The page's contents, with what was typed and what is wrong with it."""
    valve, today = view.name.id, time_of.local(now_ns).date()
    rows: list[list[Child]] = []
    for words, days in USUAL:
        stretch = Stretch(now_ns - days * _DAY_NS, now_ns)
        since = time_of.full(stretch.from_ns).rsplit(":", 1)[0]
        rows.append([words, f"since {since}", *(_link(valve, kind, stretch, words) for kind in KINDS)])
    return [
        el(
            "p",
            el("a", "Presses", href="/"),
            f" / {view.name.press} / " if view.name.press else " / ",
            el("a", view.name.name, href=f"/valve/{quote(valve, safe='')}"),
            class_="crumbs",
        ),
        el("h1", f"A report of the {view.name.spoken}: over what time?"),
        el("p", _WORDS, class_="sub"),
        el("section", table("Usual stretches", ["until now", "from", "to read", "to print"], rows), class_="usual"),
        el("section", el("h2", "Other days"), _form(typed, faults, today, time_of)),
        el(
            "p",
            "The table of settings alone: ",
            el("a", "CSV", href=csv_of_valve(valve, "quantities"), aria_label="CSV, settings"),
        ),
    ]


def _link(valve: str, kind: str, stretch: Stretch, words: str) -> Markup:
    return el("a", KINDS[kind], href=report_href(valve, kind, stretch), aria_label=f"{KINDS[kind]}, {words}")


def _form(typed: Mapping[str, str], faults: Mapping[str, str], today: date, time_of: PlantTime) -> Markup:
    first = typed.get("from", (today - timedelta(days=7)).isoformat())
    hint = f"As {today.isoformat()}. Days begin at 00:00, {time_of.name}."
    return el(
        "form",
        el(
            "div",
            field("from", "First day", value=first, kind="date", hint=hint, fault=faults.get("from", "")),
            field("to", "Last day, whole", value=typed.get("to", today.isoformat()), kind="date",
                  fault=faults.get("to", "")),
            choice("paper", "Paper", _PAPER, typed.get("paper", "a4")),
            class_="fields",
        ),
        *(el("p", faults[name], class_="wrong", role="alert") for name in ("paper", "as") if name in faults),
        el(
            "p",
            *(el("button", f"Open as {w}", type="submit", name="as", value=kind) for kind, w in KINDS.items()),
            class_="row-of",
        ),
        method="get",
    )  # fmt: skip


def _begins_ns(day: date, time_of: PlantTime) -> int:
    return round(datetime.combine(day, time(), time_of.zone).timestamp()) * 10**9
