"""The option that says where records are: sheets, what was judged, alarms, accounts. The same for every command."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from shlex import quote
from typing import TypeVar

from asleft.cli.errors import UserError

ABOUT = """\
where records are (--records)
  Without it, in a file of the data folder. postgresql://USER@HOST:PORT/DATABASE
  names a PostgreSQL 13 or later instead; all that the server's own programs
  understand may follow, as ?sslmode=verify-full&sslrootcert=ca.crt. Its password
  is read from ~/.pgpass or the file that PGPASSFILE names, never from the command
  line, which others can read. The database must exist, empty at first; its tables
  are made and brought up to date by whichever command comes first.
  All commands over one plant need the same --records.
"""

T = TypeVar("T")


def add_records_argument(parser: argparse.ArgumentParser) -> None:
    """Declare `--records`."""
    parser.add_argument(
        "--records",
        metavar="URL",
        help="postgresql://USER@HOST/DATABASE; without it, records are in the data folder",
    )


def add_command(
    commands: argparse._SubParsersAction[argparse.ArgumentParser], name: str, summary: str, *, named: bool = True
) -> argparse.ArgumentParser:
    """A sub-command over the records, of one named thing in them or of all."""
    made = commands.add_parser(name, help=summary, description=summary)
    if named:
        made.add_argument("name", metavar="NAME", help="a-z, 0-9, dot, - and _; written small")
    made.add_argument("--data", type=Path, required=True, metavar="DIR", help="the recorder's data folder")
    add_records_argument(made)
    return made


def place_of(args: argparse.Namespace) -> str:
    """The options that lead another command to the same records."""
    return f"--data {quote(str(args.data))}" + (f" --records {quote(args.records)}" if args.records else "")


def records_of(args: argparse.Namespace) -> Path | str:
    """The checked `--records`, or the file in the data folder. Raises `UserError`."""
    from asleft.store.records import RECORDS_FILE

    url: str | None = args.records
    if url is None:
        data: Path = args.data
        return data / RECORDS_FILE
    from sqlalchemy import make_url
    from sqlalchemy.exc import ArgumentError

    wanted = "postgresql://USER@HOST:PORT/DATABASE is expected"
    try:
        parsed = make_url(url)
    except (ArgumentError, ValueError) as error:
        raise UserError(f"--records {url}: {wanted}") from error
    if parsed.get_backend_name() != "postgresql":
        raise UserError(f"--records {parsed.render_as_string()}: {wanted}")
    if parsed.password is not None:
        raise UserError(
            f"--records {parsed.render_as_string()}: leave the password out, others can read the command line; put "
            "it into ~/.pgpass or a file that PGPASSFILE names, as HOST:PORT:DATABASE:USER:PASSWORD"
        )
    if not parsed.database:
        raise UserError(f"--records {url}: names no database; {wanted}")
    return url


def opened(where: Path | str, opener: Callable[[Path | str], T]) -> T:
    """What `opener` opens there. Raises `UserError` saying what is wrong with the place."""
    import sqlite3

    from asleft.store.damage import is_damage
    from asleft.store.migrate import MigrationError
    from asleft.wire.tls_words import certificate_hint
    from sqlalchemy.exc import SQLAlchemyError

    try:
        return opener(where)
    except OSError as error:
        folder = where.parent if isinstance(where, Path) else where
        raise UserError(f"--data {folder}: cannot be used: {error.strerror}") from error
    except SQLAlchemyError as error:
        name = where if isinstance(where, Path) else f"--records {where}"
        cause = getattr(error, "orig", None) or error
        said = " ".join(str(cause).split())
        hint = "; put back a backup of it, see asleft restore --help" if is_damage(cause) else ""
        hint = hint or certificate_hint(said, "sslrootcert")
        raise UserError(f"{name}: cannot be opened: {said}{hint}") from error
    except sqlite3.Error as error:  # the file of samples: a full disk, a folder that may only be read
        raise UserError(f"the readings in the data folder cannot be opened: {error}") from error
    except (MigrationError, ImportError) as error:
        raise UserError(f"{where}: cannot be opened: {error}") from error


def make_folder(data: Path) -> None:
    """The data folder, made if need be. Raises `UserError`."""
    try:
        data.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UserError(f"--data {data}: cannot be used: {error.strerror}") from error
