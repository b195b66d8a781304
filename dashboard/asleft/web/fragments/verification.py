"""The pages of verification: where one begins, what is found in what was recorded, and the form of a record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from urllib.parse import quote, urlencode

from asleft.store.verifications import VerificationRecord
from asleft.web.frame import Frame, choice, field
from asleft.web.markup import Child, Markup, details, el, join, table
from asleft.web.plant_times import for_field
from asleft.web.source import Source
from asleft.web.stretch import Stretch
from asleft.web.tables.text import utc
from asleft.web.views.checks import FoundSweep, check_href
from asleft.web.views.record import CHANNELS
from asleft.web.views.valves import ValveName
from asleft.web.when import age
from asleft.web.words_check import BEFORE_COMMAND, HOW_TO, LOAD_STATES

_PLATE = (
    ("valve_plate", "Valve plate", "type and serial number as on its plate"),
    ("coil_plate", "Coil plate", "voltage, current or resistance as on its plate"),
    ("driver_type", "Driver type", ""),
    ("driver_serial", "Driver serial number", ""),
)
_DECISIONS = [("", "choose"), ("accepted", "accepted as left"), ("not-accepted", "not accepted")]
_CHANNEL_LABEL: Mapping[str, str] = {
    "command": "Command", "current": "Current", "pressure": "Pressure sensor", "gauge": "Gauge read beside it",
}  # fmt: skip


def cautions() -> Markup:
    """What has to be read before anyone commands the valve."""
    return el(
        "div",
        el("b", "Before full command"),
        el("ul", *(el("li", words) for words in BEFORE_COMMAND)),
        class_="form-caution",
        role="note",
    )


def how_to() -> Markup:
    """What to do, in order."""
    return el("section", el("h2", "What to do"), el("ol", *(el("li", text) for text in HOW_TO), class_="steps-to-do"))


def begin_form(valve: str, now_ns: int) -> Markup:
    """Begin to watch from now on."""
    return el(
        "section",
        el("h2", "Watch it as it is done"),
        el(
            "p",
            "The page takes what is recorded from now on, says what it has recognised and what is missing, and "
            "grades the rest. Nothing is commanded from here.",
        ),
        el(
            "div",
            el("a", "Begin watching", href=check_href(valve, live_from_ns=now_ns), class_="button"),
            class_="way-on",
        ),
    )


def found(
    source: Source, valve: str, sweeps: Sequence[FoundSweep], looked: Stretch, before: Stretch | None
) -> Markup:
    """Sweeps in what was recorded, after the one taken as found if there is one, and a form to look elsewhere."""
    now = source.now_ns()
    items = [
        el(
            "li",
            el(
                "a",
                f"Sweep at {source.time.moment(one.at_ns, now)}",
                href=check_href(valve, one.stretch, before=before),
            ),
            f", {age(one.lasted_s)} long, after {one.cycles_before} other full "
            f"{'cycle' if one.cycles_before == 1 else 'cycles'}",
        )
        for one in sweeps
        if before is None or one.stretch.from_ns >= before.to_ns
    ]
    span = f"{source.time.full(looked.from_ns)} to {source.time.full(looked.to_ns)}"
    return el(
        "section",
        el("h2", "Found in what was recorded"),
        el("ul", *items, class_="choices") if items else el("p", f"No sweep 0-100-0 % from {span}."),
        details(
            "Look elsewhere, or take a stretch yourself", stretch_form(source, valve, looked, before), key="elsewhere"
        ),
    )


def stretch_form(source: Source, valve: str, stretch: Stretch, before: Stretch | None = None) -> Markup:
    """From and to by the plant's clock: look for sweeps there, or grade just that."""
    kept = () if before is None else (("found_from", before.from_ns), ("found_to", before.to_ns))
    return el(
        "form",
        *(el("input", type="hidden", name=name, value=utc(at_ns)) for name, at_ns in kept),
        el(
            "div",
            field("plant_from", "From", value=for_field(source.time, stretch.from_ns).replace("T", " "), kind="text",
                  hint=f"plant time, {source.time.name}"),
            field("plant_to", "To", value=for_field(source.time, stretch.to_ns).replace("T", " "), kind="text"),
            class_="fields",
        ),
        el(
            "p",
            el("button", "Look for sweeps", type="submit", name="do", value="look"),
            " ",
            el("button", "Grade this stretch", type="submit", name="do", value="grade", class_="quiet"),
        ),
        method="get",
        action=check_href(valve),
    )  # fmt: skip


def records(source: Source, valve: str, filed: Sequence[VerificationRecord]) -> Markup:
    """All records of a valve, newest first."""
    rows: list[list[Child]] = [
        [
            el("a", f"record {one.number}", href=record_href(valve, one.number)),
            source.time.full(one.at_ns),
            one.who,
            "accepted" if one.accepted else "not accepted",
            f"sheet {one.sheet_number}",
        ]
        for one in reversed(filed)
    ]
    inner = (
        table("Filed, and never changed", ["record", "filed", "by", "decision", "against"], rows)
        if rows
        else el("p", "None has been filed yet.")
    )
    return el("section", el("h2", "Records"), inner)


def record_href(valve: str, number: int, kind: str = "") -> str:
    """Address of a record, as a page or as a document of a kind ("html", "pdf", "json")."""
    return f"/verification/{quote(valve, safe='')}/{number}{'.' + kind if kind else ''}"


def form_href(valve: str, found_in: Stretch, left_in: Stretch | None = None) -> str:
    """Address of the form that makes a record of one or two stretches."""
    query = {"found_from": utc(found_in.from_ns), "found_to": utc(found_in.to_ns)}
    if left_in is not None:
        query |= {"left_from": utc(left_in.from_ns), "left_to": utc(left_in.to_ns)}
    return f"/verification/{quote(valve, safe='')}/record?{urlencode(query, safe=':')}"


def ways_on(valve: str, now: Stretch, before: Stretch | None, *, may_enter: bool) -> Markup:
    """What can be done with a graded stretch. `before`: the one taken as found, if there is one."""
    if not may_enter:
        return join()
    taken = el("a", "Make a record: as found, nothing adjusted", href=form_href(valve, now), class_="button")
    if before is None:
        href = check_href(valve, before=now)
        adjust = el("a", "Take this as found, and adjust", href=href, class_="button")
        return el("div", taken, adjust, class_="way-on")
    return el(
        "div",
        el(
            "a",
            "Make a record: as found and, with this, as left",
            href=form_href(valve, before, now),
            class_="button",
        ),
        class_="way-on",
    )


def form(frame: Frame, action: str, typed: Mapping[str, str], faults: Mapping[str, str], accept: str) -> Markup:
    """What a person enters. `accept`: why it cannot be accepted, or empty."""
    return el(
        "form",
        frame.word(),
        el(
            "fieldset",
            el("legend", "Valve and driver"),
            el("div", *(_field(name, label, typed, faults, hint) for name, label, hint in _PLATE), class_="fields"),
            _field("dialled", "Settings as dialled", typed, faults, "as they stand at the driver now", kind="area"),
        ),
        el(
            "fieldset",
            el("legend", "Instruments"),
            el("p", "Of each channel that was read: what is not entered stays so in the record.", class_="sub"),
            *(_instrument(channel, typed, faults) for channel in CHANNELS),
        ),
        el(
            "fieldset",
            el("legend", "Conditions and decision"),
            el(
                "div",
                _choice("load_state", "Load state", [("", "choose"), *LOAD_STATES.items()], typed, faults),
                _field("oil", "Oil", typed, faults, "grade and temperature, if not recorded"),
                _field("technician", "Carried out by", typed, faults),
                _field("witness", "Witnessed by", typed, faults),
                class_="fields",
            ),
            _field("remark", "Remark", typed, faults, "", kind="area"),
            _choice("decision", "Decision", _DECISIONS, typed, faults,
                    hint=f"{accept[:1].upper()}{accept[1:]}" if accept else ""),
        ),
        el("p", "What is filed is never changed; a mistake is set right by another record.", class_="sub"),
        el("button", "File the record", type="submit"),
        method="post",
        action=action,
    )  # fmt: skip


def _field(name: str, label: str, typed: Mapping[str, str], faults: Mapping[str, str], hint: str = "", *,
           kind: str = "text") -> Markup:  # fmt: skip
    return field(name, label, value=typed.get(name, ""), hint=hint, fault=faults.get(name, ""), kind=kind, limit=2000)


def _choice(name: str, label: str, options: list[tuple[str, str]], typed: Mapping[str, str],
            faults: Mapping[str, str], hint: str = "") -> Markup:  # fmt: skip
    fault = faults.get(name, "")
    return join(
        choice(name, label, options, typed.get(name, ""), hint=hint),
        el("p", f"{label}: {fault}.", class_="wrong", role="alert") if fault else None,
    )


def _instrument(channel: str, typed: Mapping[str, str], faults: Mapping[str, str]) -> Markup:
    label = _CHANNEL_LABEL[channel]
    parts = (("id", "id"), ("range", "range"), ("due", "calibration due"), ("uncertainty", "uncertainty, 95 %"))
    fields = [
        field(f"{channel}_{part}", f"{label}: {words}", value=typed.get(f"{channel}_{part}", ""),
              fault=faults.get(f"{channel}_{part}", ""), hint="as 2027-03-31" if part == "due" else "", limit=200)
        for part, words in parts
    ]  # fmt: skip
    return el("div", *fields, class_="fields")


def crumbs(name: ValveName, valve: str, *more: str) -> Markup:
    """Where one is."""
    return el(
        "p",
        el("a", "Verification", href="/verification"),
        " / ",
        f"{name.press} / " if name.press else None,
        el("a", name.name, href=check_href(valve)),
        *(f" / {one}" for one in more),
        class_="crumbs",
    )
