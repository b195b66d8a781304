"""`asleft sbom`: what this installation is made of, as a CycloneDX document."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping
from pathlib import Path

from asleft.cli.errors import UserError

HELP = """\
what it does
  Writes a software bill of materials in CycloneDX 1.6 (JSON, ECMA-424): asleft,
  every installed distribution it rests on with version, licence and package
  URL, and which needs which. With --lock also where each may have come from:
  the SHA-256 of the files the lock allows. It looks at what is installed, so
  run it where the thing itself runs: an edge box has far less than a plant.

examples
  asleft sbom --out asleft.cdx.json --lock requirements.lock
  asleft sbom --extra plant             without what only demo and tests need

exit codes
  0  written
  2  wrong input

  With SOURCE_DATE_EPOCH set, the same installation gives the same bytes.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("--out", type=Path, metavar="FILE", help="write here instead of printing")
    parser.add_argument("--lock", type=Path, metavar="FILE", help="the lock whose hashes to add")
    parser.add_argument(
        "--extra",
        action="append",
        metavar="NAME",
        help="only what asleft and this extra need; may be repeated (default: every extra that is installed)",
    )


def run(args: argparse.Namespace) -> int:
    """Write it. Raises `UserError`."""
    from asleft.cli.sbom_document import document
    from asleft.cli.sbom_installed import UnknownExtraError, installed, scripts
    from asleft.cli.sbom_lock import hashes_of

    locked: Mapping[tuple[str, str], list[str]] = {}
    if args.lock is not None:
        try:
            locked = hashes_of(args.lock.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError) as error:
            raise UserError(f"--lock {args.lock}: cannot be read: {error}") from error
        if not locked:
            raise UserError(f"--lock {args.lock}: has no line NAME==VERSION with --hash=sha256:...")
    try:
        parts = installed("asleft", args.extra)
    except UnknownExtraError as error:
        raise UserError(f"--extra {error}") from error
    text = document("asleft", parts, locked, scripts())
    if args.out is None:
        print(text)
        return 0
    try:
        args.out.parent.mkdir(parents=True, exist_ok=True)
        args.out.write_text(text + "\n", encoding="utf-8")
    except OSError as error:
        raise UserError(f"--out {args.out}: cannot be written: {error.strerror}") from error
    unlocked = sorted(part.name for part in parts if part.name != "asleft" and part.key not in locked)
    print(f"{args.out}: {len(parts)} parts")
    if locked and unlocked:
        print(f"not in the lock as installed here: {', '.join(unlocked)}", file=sys.stderr)
    return 0
