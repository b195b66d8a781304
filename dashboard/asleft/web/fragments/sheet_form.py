"""The form of a sheet's revision as HTML: sections of fields, and who, when and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from asleft.web.frame import Frame, choice, field
from asleft.web.markup import Markup, el
from asleft.web.views.sheet_form import Input, Inputs


def values_form(
    frame: Frame,
    href: str,
    sections: Sequence[Inputs],
    about: Mapping[str, str],
    faults: Mapping[str, str],
    after: int,
    unit: str,
) -> Markup:
    """All sections, and who, when and why.

    `after`: the revision that the fields were filled from, 0 for none; `unit`: in which pressures are entered.
    """
    return el(
        "form",
        frame.word(),
        el("input", type="hidden", name="act", value="values"),
        el("input", type="hidden", name="after", value=str(after)),
        el("input", type="hidden", name="unit", value=unit),
        *(_section(section) for section in sections),
        _about(about, faults),
        el("button", "See what would change", type="submit"),
        method="post",
        action=href,
        novalidate=True,
        class_="sheet-form",
    )


def _section(section: Inputs) -> Markup:
    fields = el("div", *(_field(one) for one in section.inputs), class_="fields")
    note = el("p", section.note, class_="sub")
    if not section.fold:
        return el("fieldset", el("legend", section.title), note, fields)
    return el(
        "details",
        el("summary", section.title, " ", el("small", section.count)),
        el("fieldset", el("legend", section.title, class_="unseen"), note, fields),
        data_key=section.key,
        open=section.open,
    )


def _field(one: Input) -> Markup:
    if one.choices:
        options = [(value, value or "not given") for value in one.choices]
        if one.value not in one.choices:
            options.append((one.value, one.value[:40] or "not given"))
        return choice(one.name, one.label, options, one.value, hint=one.hint, fault=one.fault)
    return field(one.name, one.label, value=one.value, hint=one.hint, fault=one.fault, limit=one.longest)


def _about(about: Mapping[str, str], faults: Mapping[str, str]) -> Markup:
    return el(
        "fieldset",
        el("legend", "Who, when, why"),
        el(
            "div",
            field("by", "Set by", value=about.get("by", ""), fault=faults.get("by", ""), required=True, limit=60),
            field(
                "at",
                "In force from",
                value=about.get("at", ""),
                fault=faults.get("at", ""),
                required=True,
                limit=40,
                hint="With its zone, as 2026-11-26T10:05:00Z. In the past: what came since is judged again.",
            ),
            field("why", "Why", value=about.get("why", ""), fault=faults.get("why", ""), required=True, limit=300),
            class_="fields",
        ),
    )
