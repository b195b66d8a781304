"""Reading small text files a user names, and writing documents, with readable errors."""

from __future__ import annotations

import argparse
from pathlib import Path

from asleft.cli.errors import UserError


def read_text(path: Path) -> str:
    """The text of a file (UTF-8, with or without byte order mark).

    Raises:
        UserError: it is not there, not readable, or not UTF-8.
    """
    try:
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise UserError(f"{path}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise UserError(f"{path}: line {line}: not UTF-8; save the file as UTF-8 text") from error


def add_paper_option(parser: argparse.ArgumentParser) -> None:
    """Declare `--paper`, the size of a document's pages."""
    parser.add_argument(
        "--paper", type=str.lower, choices=("a4", "letter"), default="a4", help="size of the pages (default a4)"
    )


def write_out(path: Path, text: str) -> None:
    """Write a document, as PDF where the name says so. Raises `UserError`."""
    from asleft.web.paper import PdfUnavailableError, pdf

    try:
        path.write_bytes(pdf(text) if path.suffix == ".pdf" else text.encode())
    except PdfUnavailableError as error:
        raise UserError(str(error)) from error
    except OSError as error:
        raise UserError(f"--out {path}: cannot be written: {error.strerror or error}") from error
