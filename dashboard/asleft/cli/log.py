"""`asleft log`: what is in a logger's file, before anything is judged."""

from __future__ import annotations

import argparse
import json
import sys
from datetime import tzinfo
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.cli.json_out import write_json
from asleft.cli.log_options import HELP as LOG_HELP
from asleft.cli.log_options import add_log_options, with_answers

if TYPE_CHECKING:
    from asleft.cli.ink import Ink
    from asleft.logfile.door import Look
    from asleft.logfile.given import Question
    from asleft.logfile.overview import Times

HELP = f"""\
what it does
  Shows what is in a logger's file and changes nothing: encoding, separator,
  decimal sign, header; each column with its unit, range, what it is taken for
  and how sure that is; rate, holes, first and last time. Judges nothing.
  --write-map FILE writes the map that reads the file, with what is not sure
  marked, so that the next file of that logger needs nothing.

{LOG_HELP}
examples
  asleft log logger.csv
  asleft log logger.xlsx --write-map logger-map.toml
  asleft log logger.csv --column command="AI 1" --picture logger.png

exit codes
  0  every file can be judged as it is
  2  a file cannot be read, or an option is wrong
  3  a question is open; the message says which option answers it

cautions
  It shows readings and claims nothing of the machine. Before anybody acts on
  one: isolate, lock out, support and bleed.
"""

SCHEMA = "asleft-log-1"
_OPEN = 3


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `asleft log`."""
    parser.add_argument("log", type=Path, nargs="+", metavar="LOG", help="logger's files, or folders of them")
    parser.add_argument("--write-map", metavar="FILE", help='write the map of the (first) file; "-" prints it alone')
    parser.add_argument(
        "--picture",
        type=Path,
        metavar="FILE",
        help="draw every column over its rows: FILE.html can be zoomed, FILE.png and FILE.svg cannot",
    )
    parser.add_argument("--json", metavar="FILE", help='write what was found as JSON; "-" prints it alone')
    parser.add_argument("--ask", action="store_true", help="ask on the terminal what is not sure")
    add_log_options(parser)


def run(args: argparse.Namespace) -> int:
    """Show the files; 3 if a question is open in one."""
    from asleft.cli.ink import ink_for
    from asleft.cli.judge_many import files_of
    from asleft.cli.log_options import given_of
    from asleft.logfile.door import OpenQuestionsError, look

    def seen_with(path: Path, now: argparse.Namespace) -> Look:
        seen = look(path, given_of(now))
        if args.ask and seen.recognition.questions:
            raise OpenQuestionsError(seen.table.place, seen.recognition.questions)
        return seen

    looks = [with_answers(args, partial(seen_with, path)) for path in files_of(args.log)]
    if args.write_map is not None:
        write_json(looks[0].map_text(), args.write_map, option="--write-map")
    if args.json is not None:
        body = {"schema": SCHEMA, "files": [_as_json(seen) for seen in looks]}
        write_json(json.dumps(body, indent=2, ensure_ascii=False) + "\n", args.json)
    if args.picture is not None:
        from asleft.cli.log_picture import write_picture

        write_picture(args.picture, looks)
    if "-" not in (args.write_map, args.json):
        ink = ink_for(sys.stdout)
        for seen in looks:
            print("\n".join(_page(seen, ink)))
    return _OPEN if any(seen.recognition.questions for seen in looks) else 0


def _page(seen: Look, ink: Ink) -> list[str]:
    from asleft.logfile.overview import times_of_look
    from asleft.logfile.times import zone_of

    times = times_of_look(seen)
    return [
        *_wrapped(ink.strong(ink.spell(seen.table.place)), ink),
        *_wrapped(_layout_words(seen), ink),
        *_wrapped(_time_words(times, zone_of(seen.log_map)), ink),
        "",
        *_columns(seen, ink),
        "",
        *_plots(seen, ink),
        *_open_questions(seen.recognition.questions, ink),
        *[line for remark in seen.recognition.remarks for line in _wrapped(f"Note: {remark}.", ink)],
        *_valves(seen, ink),
    ]


def _wrapped(text: str, ink: Ink, indent: str = "") -> list[str]:
    import textwrap

    return textwrap.wrap(ink.spell(text), ink.width, initial_indent="", subsequent_indent=indent) or [""]


_SEPARATOR_WORDS = {"\t": "tabs", " ": "blanks", "blanks": "runs of blanks", "wide blanks": "wide runs of blanks"}


def _layout_words(seen: Look) -> str:
    layout = seen.table.layout
    parts = [seen.kind]
    if seen.table.rows_are == "line":
        parts.append(seen.encoding)
        parts.append(f"{_SEPARATOR_WORDS.get(layout.separator, layout.separator)} between cells")
        parts.append("decimal comma" if layout.decimal_comma else "decimal point")
    if layout.header_lines:
        parts.append(f"{layout.header_lines} lines above the header")
    if not layout.has_header:
        parts.append("no header")
    if layout.units:
        parts.append("a line of units")
    if seen.table.footer:
        parts.append(f"{len(seen.table.footer)} lines at the end that are no rows")
    return ", ".join([*parts, f"{seen.table.rows:,} rows"]) + "."


def _time_words(times: Times | None, zone: tzinfo) -> str:
    from asleft.cli.terminal import duration, moment

    if times is None:
        return "No time is sure yet."
    hours = (times.last_s - times.first_s) / 3600
    if times.absolute:
        text = f"From {moment(times.first_s, zone)} to {moment(times.last_s, zone)} ({duration(hours)})"
    else:
        text = f"{duration(hours)}, from {times.first_s:g} s on, without a date"
    text += f", {times.rate_hz:.4g} rows a second"
    text += f", {len(times.holes)} holes" if times.holes else ", without a hole"
    if times.holes:
        text += f", the longest {duration((times.holes[0][1] - times.holes[0][0]) / 3600)}"
    if times.unreadable:
        text += f", {times.unreadable} times that cannot be read"
    return text + "".join(f"; {note}" for note in times.notes) + "."


def _columns(seen: Look, ink: Ink) -> list[str]:
    from asleft.cli.tables import table_lines

    rows = []
    for column in seen.recognition.columns:
        numbers = f"{column.low:.4g} to {column.high:.4g}" if column.low == column.low else "text"
        taken = column.channel if column.sure else (f"{column.channel}?" if column.channel else "not used")
        rows.append(
            [str(column.number), column.header or "(no header)", column.unit, numbers, taken, "; ".join(column.why)]
        )
    narrow = ink.width < 72
    head = ["", "column", "unit", "values", "taken for", "because of"]
    return table_lines(head[:-1] if narrow else head, [row[:-1] if narrow else row for row in rows], ink)


_BLOCKS = "▁▂▃▄▅▆▇█"
_PLAIN_BLOCKS = "_.-=+*#@"


def _plots(seen: Look, ink: Ink) -> list[str]:
    """A line of blocks for each column of numbers: the middle of each piece's range."""
    import numpy as np
    from asleft.logfile.overview import thinned

    name_width = min(max((len(c.header) for c in seen.recognition.columns), default=0), 20)
    cells = max(min(ink.width - name_width - 4, 80), 10)
    blocks = _BLOCKS if ink.unicode else _PLAIN_BLOCKS
    lines = []
    for column in seen.recognition.columns:
        found = thinned(seen.table, column.number - 1, cells, decimal_comma=seen.log_map.decimal_comma)
        if found is None or column.channel == "time":
            continue
        middle = (found[0] + found[1]) / 2
        low, high = np.nanmin(found[0]), np.nanmax(found[1])
        scaled = (middle - low) / (high - low) if high > low else np.where(np.isfinite(middle), 0.5, np.nan)
        text = "".join(" " if each != each else blocks[min(int(each * 8), 7)] for each in scaled.tolist())
        lines.append(f"  {ink.spell(column.header)[:name_width]:<{name_width}}  {text}")
    return [*lines, ""] if lines else []


def _open_questions(questions: list[Question], ink: Ink) -> list[str]:
    import shlex

    lines = []
    for question in questions:
        lines += [ink.doubtful(line) for line in _wrapped(f"Not sure: {question.text}.", ink)]
        lines += [f"  {shlex.join(choice.options)}   ({choice.label})" for choice in question.choices]
        if question.example:
            lines.append(f"  say it as {shlex.join(question.example)}")
    return lines or _wrapped("Everything that is needed is sure: asleft judge reads this file as it is.", ink)


def _valves(seen: Look, ink: Ink) -> list[str]:
    groups = seen.recognition.groups
    if not groups:
        return []
    options = " ".join(f'--sheet "{name}=SHEET.toml"' for name in groups)
    return _wrapped(f"{len(groups)} valves: {', '.join(groups)}. Judge all with {options}.", ink)


def _as_json(seen: Look) -> dict[str, object]:
    from asleft.logfile.overview import times_of_look

    times = times_of_look(seen)
    return {
        "name": seen.file.name,
        "sha256": seen.file.sha256,
        "kind": seen.kind,
        "encoding": seen.encoding,
        "rows": seen.table.rows,
        "first_s": times.first_s if times else None,
        "last_s": times.last_s if times else None,
        "rate_hz": times.rate_hz if times else None,
        "holes": len(times.holes) if times else None,
        "columns": [
            {
                "number": column.number,
                "header": column.header,
                "unit": column.unit or None,
                "low": column.low if column.low == column.low else None,
                "high": column.high if column.high == column.high else None,
                "channel": column.channel or None,
                "sure": column.sure,
                "points": round(column.points, 2),
                "why": list(column.why),
            }
            for column in seen.recognition.columns
        ],
        "questions": [
            {
                "about": question.about,
                "text": question.text,
                "options": [list(choice.options) for choice in question.choices] or [list(question.example)],
            }
            for question in seen.recognition.questions
        ],
        "valves": list(seen.recognition.groups),
        "map": seen.map_text(),
    }
