"""HTML and SVG as text, escaped by construction: whatever is not already markup is escaped when it is put in."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

_VOID = frozenset({"br", "hr", "img", "input", "meta", "link"})


class Markup(str):
    """Text that is already HTML and must not be escaped again."""

    __slots__ = ()


Child = str | Markup | None


def el(tag: str, *children: Child, **attributes: str | float | bool | None) -> Markup:
    """One element. A trailing underscore of an attribute name is dropped, the others become hyphens.

    `None` children and attributes are left out, `True` becomes a bare attribute, plain strings are escaped.
    """
    parts = [f"<{tag}"]
    for key, value in attributes.items():
        if value is None or value is False:
            continue
        name = key.rstrip("_").replace("_", "-")
        parts.append(f" {name}" if value is True else f' {name}="{escape(_text(value), quote=True)}"')
    parts.append(">")
    if tag in _VOID:
        return Markup("".join(parts))
    parts.append(join(*children))
    parts.append(f"</{tag}>")
    return Markup("".join(parts))


def join(*children: Child) -> Markup:
    """Children side by side, plain strings escaped."""
    return Markup(
        "".join(str(c) if isinstance(c, Markup) else escape(c, quote=False) for c in children if c is not None)
    )


def table(caption: str, head: list[str], rows: list[list[Child]], *, numeric: frozenset[int] = frozenset(),
          marked: Mapping[int, str] | None = None) -> Markup:  # fmt: skip
    """A data table with row headers in the first column; `numeric` columns are set flush right.

    `marked`: class of rows by their number.

    It scrolls sideways within itself on narrow screens, and can be reached by keyboard to do so.
    """
    classes = ["n" if index in numeric else None for index in range(len(head))]
    header = el("tr", *(el("th", text, scope="col", class_=c) for text, c in zip(head, classes, strict=True)))
    body = [
        el(
            "tr",
            el("th", row[0], scope="row"),
            *(el("td", cell, class_=c) for cell, c in zip(row[1:], classes[1:], strict=True)),
            class_=(marked or {}).get(number),
        )
        for number, row in enumerate(rows)
    ]
    inner = el("table", el("caption", caption), el("thead", header), el("tbody", *body))
    return el("div", inner, class_="scroll", tabindex="0", role="region", aria_label=caption)


def details(summary: str, *children: Child, key: str) -> Markup:
    """A fold. `key` lets the page keep it open when its contents are renewed."""
    return el("details", el("summary", summary), *children, data_key=key)


def _text(value: str | float) -> str:
    if isinstance(value, float):
        return f"{value:.2f}".rstrip("0").rstrip(".")
    return str(value)
