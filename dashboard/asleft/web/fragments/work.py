"""Work in progress as HTML: the page on which it is declared, and the lines other pages show of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from asleft.store.work import WHY_LONGEST
from asleft.web.frame import Frame, field
from asleft.web.markup import Child, Markup, el, join, table
from asleft.web.views.work import WorkLine, WorkView
from asleft.web.words import CAUTIONS

_RULES = (
    (
        "From now until then nothing is judged and no alarm is raised, with one exception: current or pressure that "
        "nobody asked for is told all the same, because that is danger to whoever works there."
    ),
    "What was judged before stays as it is. The time is counted and shown as not judged.",
    "It ends by itself. The first ramp after it is set aside, then judging goes on as before.",
)


def lines(found: Sequence[WorkLine]) -> Markup | None:
    """The valves that are being worked on, each with its sentence."""
    if not found:
        return None
    items = [el("li", el("a", line.name.spoken, href=line.href), ": ", line.words) for line in found]
    return el("div", el("h2", "Being worked on"), el("ul", *items), class_="since")


def page(frame: Frame, view: WorkView, seen: int, typed: Mapping[str, str], faults: Mapping[str, str]) -> Markup:
    """All of the page below its sentence. `seen`: number of the newest event the forms are based on."""
    return join(
        el(
            "div",
            _declare(frame, view, seen, typed, faults) if frame.may_enter else None,
            el(
                "section",
                el("h2", "What it means"),
                el("ul", *(el("li", rule) for rule in _RULES)),
                el(
                    "div",
                    el("p", "It makes nothing safe. Before you work on the machine:"),
                    el("ul", *(el("li", words) for words in CAUTIONS)),
                    class_="form-caution",
                ),
            ),
            class_="side-by-side",
        ),
        _past(view),
    )


def _declare(frame: Frame, view: WorkView, seen: int, typed: Mapping[str, str], faults: Mapping[str, str]) -> Markup:
    title = "Change until when, or why" if view.standing else "Declare work in progress"
    return el(
        "div",
        el("section", el("h2", "Done?"), _end(frame, view, seen)) if view.standing else None,
        el("section", el("h2", title), _form(frame, view, seen, typed, faults)),
    )


def _form(frame: Frame, view: WorkView, seen: int, typed: Mapping[str, str], faults: Mapping[str, str]) -> Markup:
    return el(
        "form",
        frame.word(),
        el("input", type="hidden", name="act", value="declare"),
        el("input", type="hidden", name="seen", value=str(seen)),
        field(
            "until",
            f"Until (plant time, {frame.source.time.name})",
            value=typed.get("until", view.until),
            hint="As 2026-11-26 18:00, at most 7 days ahead. When you are done sooner, end it here.",
            limit=40,
            fault=faults.get("until", ""),
            required=True,
        ),
        field(
            "why",
            "Why",
            value=typed.get("why", view.why),
            hint="What is being done: everybody who looks at the valve reads it.",
            fault=faults.get("why", ""),
            required=True,
            limit=WHY_LONGEST,
        ),
        el("button", "Change" if view.standing else "Declare from now on", type="submit"),
        method="post",
        action=view.href,
        novalidate=True,
    )


def _end(frame: Frame, view: WorkView, seen: int) -> Markup:
    return el(
        "form",
        frame.word(),
        el("input", type="hidden", name="act", value="end"),
        el("input", type="hidden", name="seen", value=str(seen)),
        el(
            "p",
            "If a setting was changed on purpose, revise the sheet first: it is judged by it at once.",
            class_="sub",
        ),
        el("button", "End it now: judge again", type="submit"),
        method="post",
        action=view.href,
    )


def _past(view: WorkView) -> Markup:
    rows: list[list[Child]] = [[from_, until, why, who] for from_, until, why, who in view.past]
    body = (
        table("Earlier work on this valve", ["from", "until", "why", "declared by"], rows)
        if rows
        else el("p", "None was declared in the last 90 days.", class_="quiet")
    )
    return el("section", el("h2", "Earlier"), body)
