"""What is installed and why: a distribution, and everything its requirements lead to."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from importlib import resources
from importlib.metadata import Distribution, PackageNotFoundError, distribution

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name


class UnknownExtraError(ValueError):
    """The distribution has no such extra, or it is not installed."""


@dataclass(slots=True)
class Part:
    """One installed distribution. `licence` is what its metadata says, as written; `needs` are names of others."""

    name: str
    version: str
    licence: str
    summary: str
    needs: set[str] = field(default_factory=set)

    @property
    def key(self) -> tuple[str, str]:
        """Name and version, as a lock has them."""
        return self.name, self.version


@dataclass(frozen=True, slots=True)
class Script:
    """A file of somebody else's that comes inside our own distribution."""

    name: str
    version: str
    licence: str
    sha256: str


def scripts() -> list[Script]:
    """The browser's plotting library, a copy of which is among the dashboard's assets."""
    file = resources.files("asleft.web") / "assets" / "plotly-basic.min.js"
    content = file.read_bytes()
    version = re.search(rb"v(\d+\.\d+\.\d+)", content[:400])
    named = "unknown" if version is None else version.group(1).decode()
    return [Script("plotly.js-basic-dist-min", named, "MIT", hashlib.sha256(content).hexdigest())]


def installed(root: str, extras: Sequence[str] | None = None) -> list[Part]:
    """`root` and all it rests on here, by name.

    With `extras` only those of the root's extras; None takes every extra whose requirements are all here.
    Raises `UnknownExtraError`.
    """
    base = distribution(root)
    chosen = _chosen(base, extras)
    parts: dict[str, Part] = {}
    waiting: list[tuple[str, frozenset[str]]] = [(str(canonicalize_name(root)), frozenset(chosen))]
    seen: set[tuple[str, frozenset[str]]] = set()
    while waiting:
        name, wanted = waiting.pop()
        if (name, wanted) in seen:
            continue
        seen.add((name, wanted))
        found = _distribution(name)
        if found is None:
            continue
        part = parts.setdefault(name, _part(name, found))
        for requirement in _requirements(found, wanted):
            needed = str(canonicalize_name(requirement.name))
            if _distribution(needed) is None:
                continue  # for another platform, or left out on purpose
            if needed != name:
                part.needs.add(needed)
            waiting.append((needed, frozenset(requirement.extras)))
    return [parts[name] for name in sorted(parts)]


def _chosen(base: Distribution, extras: Sequence[str] | None) -> list[str]:
    known = base.metadata.get_all("Provides-Extra") or []
    if extras is None:
        return [extra for extra in known if _complete(base, extra)]
    for extra in extras:
        if extra not in known:
            raise UnknownExtraError(f"{extra}: there are {', '.join(sorted(known))}")
        if not _complete(base, extra):
            raise UnknownExtraError(f"{extra}: is not installed here")
    return list(extras)


def _complete(base: Distribution, extra: str) -> bool:
    return all(_distribution(str(canonicalize_name(r.name))) is not None for r in _requirements(base, {extra}))


def _requirements(of: Distribution, extras: Iterable[str]) -> list[Requirement]:
    """Requirements that hold on this platform, for the distribution itself and those extras."""
    wanted = ["", *extras]
    parsed = [Requirement(line) for line in of.requires or []]
    return [r for r in parsed if r.marker is None or any(r.marker.evaluate({"extra": extra}) for extra in wanted)]


def _distribution(name: str) -> Distribution | None:
    try:
        return distribution(name)
    except PackageNotFoundError:
        return None


def _part(name: str, found: Distribution) -> Part:
    return Part(name, found.version, _licence(found), _field(found, "Summary"))


def _licence(found: Distribution) -> str:
    """The SPDX expression where there is one, else the classifiers, else the field if it is one line."""
    expression = _field(found, "License-Expression")
    if expression:
        return expression
    prefix = "License :: OSI Approved :: "
    classified = [c.removeprefix(prefix) for c in found.metadata.get_all("Classifier") or [] if c.startswith(prefix)]
    if classified:
        return "; ".join(classified)
    words = _field(found, "License").strip()
    return words if len(words.splitlines()) == 1 and len(words) <= 100 else ""


def _field(of: Distribution, name: str) -> str:
    values: list[str] = of.metadata.get_all(name) or [""]
    return values[0]
