"""Which stretch of time is shown, as links, so that the address always says it.

How long, earlier, later, closer, wider.
"""

from __future__ import annotations

from asleft.web.markup import Child, Markup, el
from asleft.web.views.spans import DEFAULT, SPANS, Choice
from asleft.web.when import PlantTime


def span_selector(choice: Choice, path: str, time: PlantTime, now_ns: int) -> Markup:
    """The named lengths, and the ways from what is shown. `path`: address of the page."""
    return el(
        "nav",
        el("span", *_lengths(choice, path), class_="choices"),
        el("span", *_moves(choice, path, time, now_ns), class_="moves"),
        class_="spans",
        aria_label="Stretch of time shown",
    )


def _lengths(choice: Choice, path: str) -> list[Child]:
    links: list[Child] = []
    for span in SPANS.values():
        target = Choice.of(span.key, choice.until_ns)
        live = span.key == DEFAULT.key and choice.until_ns is None
        links.append(
            el(
                "a",
                f"{span.words}, live" if live else span.words,
                href=path + target.query(),
                aria_current="true" if span.key == choice.key else None,
                id=f"span-{span.key}",
            )
        )
    return links


def _moves(choice: Choice, path: str, time: PlantTime, now_ns: int) -> list[Child]:
    closer, wider = choice.scaled(-1, now_ns), choice.scaled(1, now_ns)
    moves: list[Child] = [
        el("a", "← earlier", href=path + choice.shifted(-1, now_ns).query(), id="span-earlier"),
    ]
    if choice.until_ns is not None:
        moves.append(el("a", "later →", href=path + choice.shifted(1, now_ns).query(), id="span-later"))
    if closer != choice:
        moves.append(el("a", "closer", href=path + closer.query(), id="span-closer"))
    if wider != choice:
        moves.append(el("a", "wider", href=path + wider.query(), id="span-wider"))
    if choice.until_ns is not None:
        key = choice.key or DEFAULT.key
        moves.append(el("a", "now", href=path + Choice.of(key).query(), id="span-now"))
        length = "" if choice.key else f"{choice.words}, "
        moves.append(el("span", f"{length}until {time.full(choice.until_ns)}", class_="until"))
    return moves
