"""Where `--json` and its like write: a file, or standard output for "-"."""

from __future__ import annotations

from pathlib import Path

from asleft.cli.errors import UserError


def write_json(text: str, target: str, *, option: str = "--json") -> None:
    """Write `text` to the file `target`, "-" for standard output; UserError where that cannot be."""
    if target == "-":
        print(text, end="")
        return
    try:
        Path(target).write_text(text, encoding="utf-8")
    except OSError as error:
        raise UserError(f"{option} {target}: cannot be written: {error.strerror}") from error
