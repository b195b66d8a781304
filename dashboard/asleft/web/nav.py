"""The pages there are, in one place: the frame of the framework's pages and that of the plain ones show the same."""

from __future__ import annotations

from dataclasses import dataclass

from asleft.store.accounts import Role
from asleft.web.access.roles import page_role


@dataclass(frozen=True, slots=True)
class Entry:
    """One link of the navigation. `plain`: a page outside the framework, which is loaded anew."""

    href: str
    words: str
    plain: bool
    here: str = ""  # "", "page" or "true": whether this is the page, or one below it


_ENTRIES = (
    Entry("/", "Presses", False),
    Entry("/alarms", "Alarms", True),
    Entry("/night", "Night", True),
    Entry("/sheets", "Sheets", True),
    Entry("/verification", "Verification", True),
    Entry("/health", "Health", False),
    Entry("/audit", "Audit", False),
    Entry("/sessions", "Sessions", True),
)


def entries(path: str, role: Role, waiting: int = 0) -> list[Entry]:
    """The links that somebody of that role may follow; `waiting`: alarms that nobody has acknowledged."""
    out = []
    for entry in _ENTRIES:
        needed = page_role(entry.href)
        if needed is None or not role.may(needed):
            continue
        below = path.startswith("/valve/" if entry.href == "/" else f"{entry.href}/")
        here = "page" if path == entry.href else "true" if below else ""
        words = f"{entry.words} {waiting}" if entry.href == "/alarms" and waiting else entry.words
        out.append(Entry(entry.href, words, entry.plain, here))
    return out
