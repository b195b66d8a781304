"""How far a long piece of work has come."""

from __future__ import annotations

from asleft.web.markup import Markup, el
from asleft.web.views.presses import Progress


def progress_bar(progress: Progress) -> Markup:
    """Words and a bar."""
    share = 100 * progress.done / progress.total if progress.total else 0.0
    return el(
        "div",
        el("p", progress.words, id="progress-words"),
        el(
            "div",
            el("div", style=f"width:{share:.1f}%"),
            class_="bar",
            role="progressbar",
            aria_labelledby="progress-words",
            aria_valuemin=0,
            aria_valuemax=progress.total,
            aria_valuenow=progress.done,
        ),
        class_="progress",
    )
