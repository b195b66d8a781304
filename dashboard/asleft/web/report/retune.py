"""A retune on paper."""

from __future__ import annotations

import hashlib

from asleft.web.fragments.retune import contents
from asleft.web.markup import el
from asleft.web.report.paper import paper
from asleft.web.report.verification import styled
from asleft.web.source import Source
from asleft.web.units import BAR, Pressures
from asleft.web.views.retune import RetuneView
from asleft.web.words import CAUTIONS
from asleft.web.words_check import REPORT_NO_VALIDATION


def retune_report(source: Source, view: RetuneView, version: str, shown: Pressures = BAR, *, size: str = "a4") -> str:
    """The whole document, for reading, printing and keeping. `size`: of its pages, "a4" or "letter"."""
    now = source.now_ns()
    title = f"Retune of {view.name.spoken}"
    foot = f"{view.valve} · sheet {view.record.number} · asleft {version} · made {source.time.full(now)}"
    digest = hashlib.sha256(view.record.toml.encode()).hexdigest()
    return paper(
        title,
        foot,
        el("p", title, class_="sub"),
        styled(contents(source, view, shown)),
        el("h2", "What it rests on"),
        el("p", f"Sheet: revision {view.record.number}, by {view.record.by}. SHA-256 of its file: {digest}."),
        el("p", f"Software: asleft {version}. All times in {source.time.name}, 24 h."),
        el("div", el("h2", "Before anyone goes to the press"), el("ul", *(el("li", text) for text in CAUTIONS)),
           el("p", REPORT_NO_VALIDATION), class_="cautions"),
        size=size,
    )  # fmt: skip
