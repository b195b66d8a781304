"""The drawn-by-the-server parts of a valve's page."""

from __future__ import annotations

from urllib.parse import quote

from asleft.web import units
from asleft.web.fragments.csv_link import csv_link, csv_of_valve
from asleft.web.fragments.progress import progress_bar
from asleft.web.markup import Markup, details, el, join
from asleft.web.svg import LARGE, deviation_strip, status_mark
from asleft.web.views.checks import check_href
from asleft.web.views.retune import retune_href
from asleft.web.views.sheet_lines import SheetLine
from asleft.web.views.sheets import sheet_href
from asleft.web.views.valve import FindingView, ValveView
from asleft.web.views.valves import strip_words
from asleft.web.views.working import work_href
from asleft.web.words import CAUTIONS


def opening(view: ValveView) -> Markup:
    """Where we are, the sentence, the state."""
    crumbs = el(
        "p",
        el("a", "Presses", href="/", id="crumb-presses"),
        " / ",
        f"{view.name.press} / " if view.name.press else None,
        el("b", view.name.name),
        " · ",
        el("a", view.sheet_words, href=sheet_href(view.name.id), data_load=True) if view.lines else view.sheet_words,
        " · ",
        el("a", "verify", href=check_href(view.name.id), data_load=True),
        " · ",
        el("a", "before and after", href=retune_href(view.name.id), data_load=True),
        " · ",
        el("a", "report", href=f"/report/{quote(view.name.id)}", data_load=True),
        " · ",
        el("a", "work in progress", href=work_href(view.name.id), data_load=True),
        class_="crumbs",
    )
    state = " · ".join(p for p in (view.state and f"Machine: {view.state}", view.judged_until) if p)
    return join(
        crumbs,
        el(
            "div",
            status_mark(view.status),
            el("h1", view.sentence),
            class_=f"lead {view.status}",
        ),
        el("p", el("b", f"{view.status_words} {view.since}".strip()), f" · {state}" if state else None, class_="sub"),
        progress_bar(view.progress) if view.progress else None,
    )


def data_age(view: ValveView) -> Markup:
    """Live or how old, refreshed apart because it changes all the time."""
    return el(
        "span", f"{view.liveness.word}, {view.liveness.age}", class_="data" if view.liveness.live else "data silent"
    )


def strip(view: ValveView) -> Markup:
    """The large strip with its labels under it; on narrow screens it scrolls within itself."""
    if not view.strip:
        return Markup("")
    count = len(view.strip)
    names = el(
        "div",
        *(el("span", mark.label) for mark in view.strip),
        class_="strip-names",
        style=f"grid-template-columns:repeat({count},1fr)",
        aria_hidden="true",
    )
    picture = deviation_strip(view.strip, LARGE, strip_words(view.strip))
    return join(
        el("h2", "Deviation ", el("small", "from as left (line), in percent of tolerance (pale band)")),
        el(
            "div",
            el(
                "div",
                picture,
                names,
                class_="strip-large",
                style=f"min-width:{3.8 * count:.1f}rem;max-width:{5.2 * count:.1f}rem",
            ),
            class_="scroll",
            tabindex="0",
            role="region",
            aria_label="Deviation strip",
        ),
        el(
            "p",
            "Dot: as found. Whisker: its uncertainty. Diamond: out. Ring: undecided. Arrow: beyond the scale, with "
            "its figure. Open dash: not observed.",
            class_="key",
        ),
    )


def sheet_table(view: ValveView) -> Markup:
    """As left, as found, why not."""
    if not view.lines:
        return join(
            el("h2", "Sheet"),
            el(
                "p",
                "This valve has no sheet, so there is nothing to compare with. Enter one with ",
                el("code", "asleft sheet put SHEET.toml --data DIR"),
                ".",
            ),
        )
    head = ["setting", "as left", "as found", "uncertainty", "tolerance", "used", "verdict", "why, and what is known"]
    body = [_line(line) for line in view.lines]
    remarks = [text for text in (units.current().note, *view.remarks) if text]
    header = el("tr", *(el("th", t, scope="col", class_="n" if 0 < i < 6 else None) for i, t in enumerate(head)))
    inner = el(
        "table",
        el("caption", "Settings, as left and as found"),
        el("thead", header),
        el("tbody", *body),
        class_="sheet",
    )
    return join(
        el(
            "h2",
            "Sheet ",
            el("small", "as left, as found"),
            csv_link(csv_of_valve(view.name.id, "quantities"), "settings"),
        ),
        el("div", inner, class_="scroll", tabindex="0", role="region", aria_label="Settings, as left and as found"),
        el("ul", *(el("li", remark) for remark in remarks), class_="remarks") if remarks else None,
    )


def findings(view: ValveView) -> Markup:
    """Why we think so, which part, what to look at first."""
    if not view.findings:
        said = "Nothing has departed from as left." if view.status == "good" else "No finding at present."
        return join(el("h2", "Findings"), el("p", said), _hours(view))
    return join(
        el("h2", "Findings"),
        *(_finding(finding) for finding in view.findings),
        details("Before anyone goes to the press", el("ul", *(el("li", text) for text in CAUTIONS)), key="cautions"),
        _hours(view),
    )


def _line(line: SheetLine) -> Markup:
    number = {"class_": "n"}
    return el(
        "tr",
        el("th", line.label, scope="row"),
        el("td", line.as_left, **number),
        el("td", line.as_found, **number),
        el("td", line.uncertainty, **number),
        el("td", line.tolerance, **number),
        el("td", line.used, **number),
        el("td", line.verdict_words),
        el("td", line.remark, class_="why"),
        class_=line.verdict,
    )


def _finding(finding: FindingView) -> Markup:
    under = None
    if finding.consequences:
        under = join(
            el("p", "What follows from it:", class_="under"),
            el("ul", *(el("li", text) for text in finding.consequences)),
        )
    return el(
        "article",
        el("h3", finding.title),
        el("p", f"{finding.since} · {finding.severity_words}", class_=f"when s{finding.severity}"),
        el("p", finding.evidence),
        el("p", el("b", finding.parts)),
        el("p", finding.look_first) if finding.look_first else None,
        el("p", finding.alarm, class_="quiet") if finding.alarm else None,
        under,
        class_="finding",
    )


def _hours(view: ValveView) -> Markup | None:
    if not view.hours and not view.basis:
        return None
    return details(
        "How the machine's state is known",
        el("p", f"Time seen: {view.hours}.") if view.hours else None,
        el("p", view.basis) if view.basis else None,
        key="basis",
    )
