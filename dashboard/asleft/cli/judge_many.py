"""`asleft judge` of several files or several valves: one judgement each, and one table of all."""

from __future__ import annotations

import argparse
import csv
import glob
import io
import json
import sys
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.cli.errors import UserError
from asleft.cli.json_out import write_json

if TYPE_CHECKING:
    from asleft.cli.judged_file import JudgedFile

SCHEMA = "asleft-judgements-1"

COLUMNS = ("file", "valve", "status", "out", "found", "sentence")
"""Of the table."""

#: Endings of files that lie beside logs and are none.
_NO_LOGS = frozenset({".toml", ".json", ".pdf", ".html", ".png", ".svg", ".md", ".part", ".lock"})
_TABLE_WORDS = "a table of judgements and no log"
_LONGEST_HEADER_BYTES = 1000


@dataclass(frozen=True)
class Row:
    """One line of the table: a file (of one of its valves) and what came of it."""

    path: Path
    group: str | None
    file: JudgedFile | None
    error: str = ""


def files_of(given: Sequence[Path]) -> list[Path]:
    """The files meant by names, folders and patterns. Raises `UserError` for one that holds none."""
    found: list[Path] = []
    for path in given:
        if path.is_dir():
            inside = [each for each in sorted(path.iterdir()) if each.is_file() and not each.name.startswith(".")]
            chosen = _without_tables(each for each in inside if each.suffix.lower() not in _NO_LOGS)
            if not chosen:
                raise UserError(f"{path}: no log files in this folder")
            found += chosen
        elif not path.exists() and any(mark in str(path) for mark in "*?["):
            matching = sorted(Path(each) for each in glob.glob(str(path), recursive=True))  # noqa: PTH207
            if not matching:
                raise UserError(f"{path}: no file is named like that")
            found += _without_tables(each for each in matching if each.is_file())
        elif _is_table(path):
            raise UserError(f"{path}: {_TABLE_WORDS}")
        else:
            found.append(path)
    return found


def _without_tables(paths: Iterable[Path]) -> list[Path]:
    """Those that are no table of ours, as an inbox keeps one among its logs; what is left out is said."""
    kept: list[Path] = []
    for path in paths:
        if _is_table(path):
            print(f"{path}: {_TABLE_WORDS}; left out", file=sys.stderr)
        else:
            kept.append(path)
    return kept


def _is_table(path: Path) -> bool:
    """Whether the file's header is that of --csv, or of an inbox, which has more columns."""
    try:
        with path.open("rb") as file:
            header = file.readline(_LONGEST_HEADER_BYTES)
    except OSError:
        return False  # whoever reads it says what is wrong
    return set(COLUMNS) <= set(header.decode("utf-8-sig", "replace").strip().split(","))


def sheets_of(given: Sequence[str]) -> dict[str | None, Path]:
    """Sheets by the name they are for; under None the only sheet without one. Raises `UserError`."""
    found: dict[str | None, Path] = {}
    for text in given:
        name, sign, path = text.partition("=")
        if not sign or Path(text).exists():
            name, path = "", text
        if len(given) > 1 and not name:
            name = Path(path).stem
        if (name or None) in found:
            raise UserError(f"--sheet {text}: there is already a sheet for {name or 'every file'}")
        found[name or None] = Path(path)
    return found


def judge_many(args: argparse.Namespace, files: Sequence[Path], sheets: Mapping[str | None, Path]) -> int:
    """Judge all, print the table, write it as asked; the gravest exit code."""
    from asleft.cli.judge import exit_code
    from asleft.cli.progress import Progress

    rows: list[Row] = []
    with Progress("judged", len(files), sys.stderr) as progress:
        for count, path in enumerate(files, 1):
            rows += judge_file(args, path, sheets)
            progress.at(count)
    if args.json is not None:
        write_json(judgements_json(rows), args.json)
    if args.csv is not None:
        write_json(_as_csv(rows), args.csv, option="--csv")
    if args.json != "-" and args.csv != "-":
        _print(rows)
    return gravest({2 if row.file is None else exit_code(row.file.judgement) for row in rows})


def gravest(codes: Collection[int]) -> int:
    """The exit code of several: not read over found over not enough seen; 0 of none."""
    return next((code for code in (2, 1, 3) if code in codes), 0)


def judgements_json(rows: Sequence[Row]) -> str:
    """All judgements as one JSON text; a file that was not read with its error in place of one."""
    from importlib.metadata import version

    from asleft.cli.judge import judgement_json

    body = {
        "schema": SCHEMA,
        "software": f"asleft {version('asleft')}",
        "judgements": [
            judgement_json(row.file)
            if row.file
            else {"log": {"files": [{"name": str(row.path)}]}, "error": row.error}
            for row in rows
        ],
    }
    return json.dumps(body, indent=2, ensure_ascii=False) + "\n"


def judge_file(args: argparse.Namespace, path: Path, sheets: Mapping[str | None, Path]) -> Iterator[Row]:
    """A judgement for each valve of a file; a row with its error where it cannot be read."""
    from asleft.cli.judged_file import judged, sheet_of
    from asleft.cli.log_options import given_of
    from asleft.logfile.door import read
    from asleft.logfile.errors import LogError
    from asleft.logfile.given import Given

    try:
        groups = _groups(args, path) if args.map is None and args.group is None else ()
        for group in groups or (args.group,):
            args.sheet = _sheet_for(path, group, sheets)
            sheet_text, sheet = sheet_of(args.sheet)
            given: Given = replace(given_of(args, signal=sheet.signal, sheet_text=sheet_text), group=group)
            file = judged(read(path, given), sheet, sheet_text, given, burst_path=None)
            yield Row(path, group, file)
    except (UserError, LogError) as error:
        yield not_read(path, str(error))


def not_read(path: Path, error: str) -> Row:
    """The row of a file that could not be read."""
    return Row(path, None, None, error)


def _groups(args: argparse.Namespace, path: Path) -> tuple[str, ...]:
    """The valves of a file that holds several; empty for one."""
    from asleft.cli.log_options import given_of
    from asleft.logfile.door import look

    return look(path, given_of(args)).recognition.groups


def _sheet_for(path: Path, group: str | None, sheets: Mapping[str | None, Path]) -> Path:
    """The sheet of a file, or of a valve in it: by name, or the only one."""
    if group is not None:
        wanted = [name for name in sheets if name is not None and name.casefold() == group.casefold()]
        if wanted:
            return sheets[wanted[0]]
        raise UserError(
            f'{path}: no sheet for the valve {group!r} in it; give one for each, as --sheet "{group}=SHEET.toml"'
        )
    named = [name for name in sheets if name is not None and name.casefold() in path.name.casefold()]
    if len(named) == 1:
        return sheets[named[0]]
    if len(sheets) == 1:
        return next(iter(sheets.values()))
    raise UserError(
        f"{path}: which sheet? {len(named) or 'None'} of the names {', '.join(name or '-' for name in sheets)} "
        "is in the file's name; give it as NAME=SHEET.toml with a name that is"
    )


def cells_of(row: Row) -> dict[str, str]:
    """The line of the table, by `COLUMNS`."""
    base = {
        "file": row.path.name,
        "valve": row.group or "",
        "status": "",
        "out": "",
        "found": "",
        "sentence": row.error,
    }
    if row.file is None:
        # The name stands in the first column; of an open question its first line says most.
        said = [line.strip() for line in row.error.removeprefix(f"{row.path}: ").splitlines()]
        return {**base, "status": "not read", "sentence": said[1] if said[1:] else said[0]}
    judgement = row.file.judgement
    out = [quantity.id for quantity in judgement.quantities if quantity.verdict.value == "out"]
    return {
        **base,
        "valve": judgement.valve,
        "status": judgement.status.value,
        "out": " ".join(out),
        "found": str(len(judgement.findings)),
        "sentence": judgement.sentence,
    }


def _as_csv(rows: Sequence[Row]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(cells_of(row) for row in rows)
    return out.getvalue()


def _print(rows: Sequence[Row]) -> None:
    from asleft.cli.ink import ink_for
    from asleft.cli.tables import table_lines

    ink = ink_for(sys.stdout)
    cells = [cells_of(row) for row in rows]
    shown = [[each["file"], each["valve"], each["status"], each["sentence"]] for each in cells]
    for line in table_lines(["file", "valve", "status", "what was found"], shown, ink):
        print(line)
    for row in rows:
        if row.file is None:
            print(f"\n{ink.spell(row.error)}")
