"""Text that is already markup, and elements of drawings as text, escaped when put in unless they are markup.

Pages are made by templates (`asleft.web.templates`); SVG, whose shapes are computed, is made here.
"""

from __future__ import annotations

from html import escape

from markupsafe import Markup

__all__ = ["Child", "Markup", "el", "join", "number_text"]

_VOID = frozenset({"br", "hr", "img", "input", "meta", "link"})


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
        parts.append(f" {name}" if value is True else f' {name}="{escape(number_text(value), quote=True)}"')
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


def number_text(value: str | float) -> str:
    """A value as an attribute has it: two digits after the point at most."""
    if isinstance(value, float):
        return f"{value:.2f}".rstrip("0").rstrip(".")
    return str(value)
