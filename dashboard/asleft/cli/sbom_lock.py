"""The hashes of a lock: a requirements file whose every line names one version and its files' SHA-256."""

from __future__ import annotations

import re
from collections.abc import Mapping

_PIN = re.compile(r"^([A-Za-z0-9][A-Za-z0-9._-]*)==([^\s;\\]+)")
_HASH = re.compile(r"--hash=sha256:([0-9a-f]{64})")


def hashes_of(text: str) -> Mapping[tuple[str, str], list[str]]:
    """(name as packaging writes it, version) -> SHA-256 of the files allowed, in hex."""
    found: dict[tuple[str, str], list[str]] = {}
    current: list[str] = []
    for line in text.splitlines():
        pin = _PIN.match(line)
        if pin is not None:
            name = re.sub(r"[-_.]+", "-", pin.group(1)).lower()
            current = found.setdefault((name, pin.group(2)), [])
        current.extend(_HASH.findall(line))
    return {key: hashes for key, hashes in found.items() if hashes}
