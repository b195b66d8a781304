"""The page of proposals as HTML: which sweep, what is wanted, what would give it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from asleft.judge.propose.propose import Proposed, Wanted
from asleft.sheet.names import format_uncertainty
from asleft.web.frame import field
from asleft.web.markup import Child, Markup, details, el, table
from asleft.web.plant_times import for_field
from asleft.web.source import Source
from asleft.web.stretch import Stretch
from asleft.web.tables.text import utc
from asleft.web.units import Pressures
from asleft.web.views.checks import FoundSweep, check_href
from asleft.web.views.proposal import FIELDS, proposal_href
from asleft.web.when import age
from asleft.web.words import sentence_case

PROPOSES = (
    "These are proposals, read off one recorded sweep at its oil temperature. The technician decides, sets the "
    "driver and verifies what came of it; nothing is set from here."
)
_DECIMALS: Mapping[str, int] = {"A": 3, "s": 2, "%": 1}


def choose(source: Source, valve: str, sweeps: Sequence[FoundSweep], looked: Stretch, chosen: Stretch | None,
           typed: Mapping[str, str]) -> Markup:  # fmt: skip
    """Sweeps to choose from, and a form to look elsewhere."""
    now = source.now_ns()
    items = [
        el(
            "li",
            el("a", f"Sweep at {source.time.moment(one.at_ns, now)}", href=proposal_href(valve, one.stretch, typed),
               aria_current="true" if _same(one.stretch, chosen) else None),
            f", {age(one.lasted_s)} long",
            ", shown above" if _same(one.stretch, chosen) else None,
        )
        for one in sweeps
    ]  # fmt: skip
    span = f"{source.time.full(looked.from_ns)} to {source.time.full(looked.to_ns)}"
    none = el("p", f"No sweep 0-100-0 % from {span}. ", el("a", "How a sweep is made", href=check_href(valve)), ".")
    form = el(
        "form",
        el("p", f"Day and time by the plant's clock, {source.time.name}.", class_="sub"),
        el(
            "div",
            *(
                field(name, label, value=for_field(source.time, at_ns).replace("T", " "))
                for name, label, at_ns in (
                    ("plant_from", "From", looked.from_ns),
                    ("plant_to", "To", looked.to_ns),
                )
            ),
            class_="fields",
        ),
        *(el("input", type="hidden", name=name, value=text) for name, text in typed.items() if text),
        el(
            "p",
            el("button", "Look for sweeps", type="submit", name="do", value="look"),
            " ",
            el("button", "Take this stretch", type="submit", name="do", value="take", class_="quiet"),
        ),
        method="get",
        action=proposal_href(valve),
    )
    return el(
        "section",
        el("h2", "Which sweep"),
        el("ul", *items, class_="choices") if items else none,
        details("Look elsewhere, or take a stretch yourself", form, key="elsewhere"),
    )


def _same(one: Stretch, chosen: Stretch | None) -> bool:
    """Whether they are one, to the millisecond that an address keeps."""
    return chosen is not None and [utc(t) for t in (one.from_ns, one.to_ns)] == [
        utc(t) for t in (chosen.from_ns, chosen.to_ns)
    ]


def wanted_form(valve: str, stretch: Stretch | None, typed: Mapping[str, str], faults: Mapping[str, str],
                shown: Pressures) -> Markup:  # fmt: skip
    """What is wanted, in the reader's unit. What is left empty is not proposed for."""
    kept = {} if stretch is None else {"from": utc(stretch.from_ns), "to": utc(stretch.to_ns)}
    return el(
        "section",
        el("h2", "What is wanted"),
        el(
            "form",
            *(el("input", type="hidden", name=name, value=text) for name, text in kept.items()),
            el(
                "div",
                *(
                    field(name, f"{label}, {shown.unit}{'/s' if name == 'rate' else ''}",
                          value=typed.get(name, ""), fault=faults.get(name, ""), limit=40)
                    for name, label in FIELDS.items()
                ),
                class_="fields",
            ),
            el("p", el("button", "Propose", type="submit")),
            method="get",
            action=proposal_href(valve),
        ),
    )  # fmt: skip


def proposals_table(proposals: Sequence[Proposed]) -> Markup:
    """Each number with its uncertainty and where it comes from, or why there is none."""
    rows: list[list[Child]] = [
        [
            sentence_case(one.label),
            "–" if one.value is None else f"{one.value:.{_DECIMALS[one.unit]}f} {one.unit}",
            "–" if one.value is None else format_uncertainty(one.uncertainty),
            sentence_case(one.basis),
        ]
        for one in proposals
    ]
    head = ["setting", "proposed", "uncertainty", "where from, or why not"]
    caption = "Proposals. Uncertainty: expanded, 95 %, in the unit of the value."
    return table(caption, head, rows, numeric=frozenset({1, 2}))


def opening(proposals: Sequence[Proposed]) -> str:
    """What a colleague would say of them."""
    found = {one.quantity: one.value for one in proposals if one.quantity and one.value is not None}
    words = {"current_at_zero": "{:.3f} A at zero", "current_at_full": "{:.3f} A at full command",
             "ramp_up": "{:.2f} s up", "ramp_down": "{:.2f} s down"}  # fmt: skip
    said = [text.format(found[name]) for name, text in words.items() if name in found]
    return f"Proposed: {', '.join(said)}." if said else "Nothing can be proposed of this yet."


def marks_of(wanted: Wanted, shown: Pressures) -> list[tuple[str, float]]:
    """What the picture marks: words and bar."""
    both = (("at zero", wanted.zero_bar), ("at full", wanted.full_bar))
    return [(f"wanted {words}: {shown.text(bar)}", bar) for words, bar in both if bar is not None]
