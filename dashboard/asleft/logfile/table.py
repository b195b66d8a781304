"""Text and typed columns into one table: every row as long as the header, line numbers kept for messages."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
from asleft.logfile.arrow import floats
from asleft.logfile.encoding import as_utf8
from asleft.logfile.errors import LogError
from asleft.logfile.layout import Layout, cells_of, counts_rows, is_data, is_moment
from asleft.logfile.opening import Opened
from asleft.sheet.logmap import LogMap

#: Rows of another width than the header that are put right one by one; more of them are a fault of the whole file.
_MOST_ODD_ROWS = 200_000
#: Lines at the end that are looked at for a footer.
_FOOTER_LINES = 30
#: So many odd rows of different text are looked for by one expression.
_FEW_TEXTS = 100
_LONGEST_LINE = 1 << 22


@dataclass(frozen=True, eq=False, slots=True)
class Table:
    """Columns of one table, all of one length.

    `header`: names, empty where there is none; `above` and `units` as in `Layout`. `columns`: text, or typed.
    `long_rows`: line numbers of rows left out because they have more cells than the header; `short_rows`: fewer,
    where only blanks stand between cells. `footer`: lines at the end that are no rows.
    """

    place: str
    header: tuple[str, ...]
    header_line: int
    columns: tuple[pa.ChunkedArray, ...]
    rows: int
    layout: Layout
    rows_are: str = "line"
    long_rows: tuple[int, ...] = ()
    short_rows: tuple[int, ...] = ()
    footer: tuple[str, ...] = ()
    _body: bytes = field(default=b"", repr=False)

    def row_of(self, row: int) -> str:
        """Where a row (from 0) stands in the file: "line 12" or "row 12"."""
        return f"{self.rows_are} {self.line_of(row)}"

    def line_of(self, row: int) -> int:
        """The line number (from 1) of a row (from 0). Lines are counted only when asked for."""
        first = self.layout.first_line
        if not self._body:
            return first + row
        ends = [end for filled, end in _numbered(self._body, _delimiter(self.layout), first) if filled]
        return ends[row] if row < len(ends) else first + row

    def name_of(self, column: int) -> str:
        """What a column (from 0) is called in messages: its header, or its number from 1."""
        return self.header[column] or f"number {column + 1}"


def _numbered(body: bytes, separator: str, first: int) -> list[tuple[bool, int]]:
    """For each record: whether it holds anything, and the line it ends in."""
    if b'"' not in body:
        return [(bool(line), first + k) for k, line in enumerate(body.splitlines())]
    reader = csv.reader(io.StringIO(body.decode("utf-8", "replace"), newline=""), delimiter=separator)
    return [(bool(cells), first + reader.line_num - 1) for cells in reader]


def layout_of_map(log_map: LogMap, header: str) -> Layout:
    """What a map says of the layout; a separator it does not give is found from the header line."""
    return Layout(
        separator=log_map.separator or next((each for each in ("\t", ";", ",") if each in header), ","),
        decimal_comma=log_map.decimal_comma,
        header_lines=log_map.header_lines,
        has_header=log_map.has_header,
        unit_lines=log_map.unit_lines,
    )


def table_by_map(opened: Opened, log_map: LogMap) -> Table:
    """The table as a map describes it.

    Raises:
        LogError: not of the map's encoding, or no header.
    """
    if opened.columns is not None:
        return typed_table(opened)
    text = as_utf8(opened.raw or b"", "utf-8" if opened.rows_are == "row" else log_map.encoding, opened.place)
    lines = _lines(text, log_map.header_lines + 1)
    header = lines[-1].decode("utf-8") if len(lines) > log_map.header_lines else ""
    layout = layout_of_map(log_map, header)
    if opened.rows_are == "row":
        layout = Layout("\t", layout.decimal_comma, layout.header_lines, layout.has_header, layout.unit_lines)
    return text_table(opened, text, layout, footers=False)


def text_table(opened: Opened, text: bytes, layout: Layout, *, footers: bool = True) -> Table:
    """A text (UTF-8) cut into a table. With `footers`, lines at the end that are no rows are set aside.

    Raises:
        LogError: no header, or not readable as rows.
    """
    skipped = layout.first_line - 1
    lines = _lines(text, skipped)
    body = text[sum(map(len, lines)) :]
    width = 0
    header: tuple[str, ...] = ()
    if layout.has_header:
        raw_header = lines[layout.header_lines] if len(lines) > layout.header_lines else b""
        header = tuple(cells_of(raw_header.decode("utf-8").strip("\r\n"), layout.separator))
        _require_header(opened, header, layout.header_lines + 1)
        header = (header[0].lstrip("#%/ ") or header[0], *header[1:])
        width = len(header)
    footer: tuple[str, ...] = ()
    short_rows: tuple[int, ...] = ()
    if layout.separator.endswith("blanks"):
        names = lines[layout.header_lines] if layout.has_header else b""
        body, short_rows = _cut_by_blanks(names, body, layout, width)
    separator = _delimiter(layout)
    if footers:
        body, footer = _without_footer(body, separator)
    if layout.has_header:
        header = _with_row_numbers(header, body, separator)
        width = len(header)
    if not layout.has_header or footers:
        width = _usual_width(body, separator, width)
        header = (*header[:width], *[""] * (width - len(header)))
    return replace(_cut(opened, body, layout, header, footer), short_rows=short_rows)


def _delimiter(layout: Layout) -> str:
    """The character between cells, once runs of blanks are tabs."""
    return "\t" if layout.separator.endswith("blanks") else layout.separator


def typed_table(opened: Opened) -> Table:
    """A table whose columns have names and types."""
    table = opened.columns
    if table is None:
        raise ValueError("no columns")
    columns = tuple(_plain(column) for column in table.columns)
    layout = Layout(separator="")
    return Table(opened.place, tuple(table.column_names), 1, columns, table.num_rows, layout, "row")


def _plain(column: pa.ChunkedArray) -> pa.ChunkedArray:
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.cast(kind.value_type)
    if (
        pa.types.is_string(column.type)
        or pa.types.is_large_string(column.type)
        or pa.types.is_string_view(column.type)
    ):
        return column.cast(pa.string()).fill_null("")
    return column


def _lines(text: bytes, count: int) -> list[bytes]:
    """The first lines, each with its end."""
    lines: list[bytes] = []
    at = 0
    end = re.compile(rb"\r\n|\n|\r")
    while len(lines) < count and at < len(text):
        match = end.search(text, at)
        stop = match.end() if match else len(text)
        lines.append(text[at:stop])
        at = stop
    return lines


def _require_header(opened: Opened, header: Sequence[str], line: int) -> None:
    where = f"{opened.place}: {opened.rows_are} {line}"
    if not any(header):
        raise LogError(f"{where}: no header, the line is empty; expected column names, as time,command,current")
    if all(_looks_like_data(cell) for cell in header if cell):
        raise LogError(
            f"{where}: no header, the line holds {', '.join(header[:3])}; expected column names, as "
            "time,command,current"
        )


def _looks_like_data(cell: str) -> bool:
    return not any(letter.isalpha() and letter not in "eETZ" for letter in cell) and any(c.isdigit() for c in cell)


def _with_tabs(body: bytes, separator: str) -> bytes:
    runs = rb"[ \t]+" if separator == "blanks" else rb" {2,}|[ ]*\t[ ]*"
    return re.sub(
        rb"(?m)^[ \t]+|[ \t]+$", b"", re.sub(runs, b"\t", re.sub(rb"(?m)^[ \t]+|[ \t]+(?=\r?$)", b"", body))
    )


def _cut_by_blanks(names: bytes, body: bytes, layout: Layout, width: int) -> tuple[bytes, tuple[int, ...]]:
    """Rows with tabs between their cells, and the lines of those left out: an empty cell is not seen among blanks.

    Where columns stand one below the other, they say where the empty cells are.
    """
    tabbed = _with_tabs(body, layout.separator)
    short = {k: line for k, line in enumerate(tabbed.split(b"\n")) if 0 < line.count(b"\t") < width - 1}
    if not short:
        return tabbed, ()
    by_place = _by_places(names, body, width)
    if by_place is not None:
        return by_place, ()
    rows = [b"" if k in short and _begins_with_data(line) else line for k, line in enumerate(tabbed.split(b"\n"))]
    left_out = tuple(layout.first_line + k for k, line in short.items() if _begins_with_data(line))
    return b"\n".join(rows), left_out


def _begins_with_data(line: bytes) -> bool:
    return is_data(line.partition(b"\t")[0].decode("utf-8", "replace"))


def _by_places(names: bytes, body: bytes, width: int) -> bytes | None:
    """Cells cut where no line, that of the names included, has anything but blanks; None if these are no columns."""
    rows = [line.rstrip(b"\r") for line in body.split(b"\n")]
    if b"\t" in body or not body.isascii() or not names.isascii():
        return None
    longest = max(map(len, (names, *rows)))
    used = np.zeros(longest, dtype=bool)
    for line in (names.rstrip(b"\r\n"), *rows):
        used[: len(line)] |= np.frombuffer(line, np.uint8) != ord(" ")
    edges = np.flatnonzero(np.diff(used.astype(np.int8), prepend=0, append=0))
    places = list(zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True))
    if len(places) != width:
        return None
    cut = [b"\t".join(line[a:b].strip() for a, b in places) if line.strip() else b"" for line in rows]
    return b"\n".join(cut)


def _with_row_numbers(header: tuple[str, ...], body: bytes, separator: str) -> tuple[str, ...]:
    """A header that has no name for the numbers of its rows, with an empty one for them."""
    head = body[: 1 << 16].decode("utf-8", "replace").splitlines()[:200]
    rows = [cells_of(line, separator) for line in head[:-1] or head if line.strip()]
    whole = [cells for cells in rows if len(cells) == len(header) + 1]
    if 2 * len(whole) <= len(rows) or not any(cells[-1] for cells in whole) or not counts_rows(whole):
        return header
    return ("", *header)


def _usual_width(body: bytes, separator: str, least: int) -> int:
    head = body[: 1 << 16].decode("utf-8", "replace").splitlines()[:200]
    widths = [len(cells_of(line, separator)) for line in head[:-1] or head if line.strip()]
    return max(max(set(widths), key=widths.count) if widths else 0, least, 1)


def _without_footer(body: bytes, separator: str) -> tuple[bytes, tuple[str, ...]]:
    """The body without the lines at its end that hold no time or number in their first filled cells."""
    footer: list[str] = []
    end = len(body)
    for _ in range(_FOOTER_LINES):
        stop = (
            len(body[:end].rstrip(b"\r\n"))
            if end < (1 << 20)
            else end - len(body[end - (1 << 16) : end]) + len(body[end - (1 << 16) : end].rstrip(b"\r\n"))
        )
        start = max(body.rfind(b"\n", 0, stop), body.rfind(b"\r", 0, stop)) + 1
        line = body[start:stop].decode("utf-8", "replace")
        if not line.strip() or start == 0:
            break
        filled = [cell for cell in cells_of(line, separator) if cell]
        if filled and (is_moment(filled[0]) or (is_data(filled[0]) and sum(map(is_data, filled)) * 2 >= len(filled))):
            break
        footer.insert(0, line.strip())
        end = start
    else:
        return body, ()  # too long for a footer
    return body[:end], tuple(footer)


def _cut(opened: Opened, body: bytes, layout: Layout, header: tuple[str, ...], footer: tuple[str, ...]) -> Table:
    odd: list[pacsv.InvalidRow] = []
    types = _types_of(body, layout, len(header))
    table = _parsed(opened, body, layout, len(header), odd, types)
    long_rows: tuple[int, ...] = ()
    if odd:
        body, long_rows = _put_right(opened, body, layout, header, odd)
        table = _parsed(opened, body, layout, len(header), [], types)
    # Without blank lines, quoted line breaks and rows left out, lines are counted by adding.
    plain = not long_rows and b'"' not in body and body.count(b"\n") in (table.num_rows, table.num_rows - 1)
    return Table(
        place=opened.place,
        header=header,
        header_line=layout.header_lines + 1,
        columns=tuple(table.columns),
        rows=table.num_rows,
        layout=layout,
        rows_are=opened.rows_are,
        long_rows=long_rows,
        footer=footer,
        _body=b"" if plain else body,
    )


#: Whole numbers of more digits may be dates, and leading zeros belong to times.
_PLAIN = r"[+-]?(?:(?:0|[1-9]\d{0,10})POINT\d+|0|[1-9]\d{0,4})(?:[eE][+-]?\d+)?|"
_PLAIN_MOMENT = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:\.\d{1,6})?")


def _types_of(body: bytes, layout: Layout, width: int) -> dict[int, pa.DataType]:
    """The columns whose first cells are plain numbers or empty, and those of times in ISO 8601 without a zone."""
    head = body[: 1 << 14].decode("utf-8", "replace").splitlines()[:100]
    rows = [cells_of(line, _delimiter(layout)) for line in head[:-1] or head if line]
    number = re.compile(_PLAIN.replace("POINT", "," if layout.decimal_comma else r"\."))
    found: dict[int, pa.DataType] = {}
    for k in range(width):
        cells = [row[k] for row in rows if k < len(row)]
        if any(cells) and all(map(number.fullmatch, cells)):
            found[k] = pa.float64()
        elif cells and all(map(_PLAIN_MOMENT.fullmatch, cells)):
            found[k] = pa.timestamp("us")
    return found


def _parsed(
    opened: Opened,
    body: bytes,
    layout: Layout,
    width: int,
    odd: list[pacsv.InvalidRow],
    types: Mapping[int, pa.DataType] = MappingProxyType({}),
) -> pa.Table:
    """Cells as text, or where every cell of a column is of the type given for it, or empty, as that."""
    names = [str(k) for k in range(width)]
    if len(body) < _LONGEST_LINE and not body.strip(b"\r\n"):
        return pa.Table.from_arrays([pa.nulls(0, pa.string()) for _ in names], names=names)
    try:
        table = _as_read(body, layout, names, odd, types)
        if all(_usable(table.column(k)) for k in types):
            return table
    except ValueError as error:  # also of pyarrow's own: not UTF-8, a separator that is none
        if not types:
            reason = str(error).splitlines()[0] if str(error) else type(error).__name__
            raise LogError(f"{opened.place}: not readable as rows of cells: {reason}") from error
    odd.clear()
    return _parsed(opened, body, layout, width, odd)


def _usable(column: pa.ChunkedArray) -> bool:
    """Whether every number can be reckoned with, and no time is missing: a cell's text says why not."""
    if pa.types.is_timestamp(column.type):
        return bool(column.null_count == 0)
    return bool(np.isfinite(floats(column)).sum() == len(column) - column.null_count)


def _as_read(
    body: bytes, layout: Layout, names: list[str], odd: list[pacsv.InvalidRow], types: Mapping[int, pa.DataType]
) -> pa.Table:
    def note(row: pacsv.InvalidRow) -> str:
        odd.append(row)
        return "skip"

    quoted = b'"' in body
    return pacsv.read_csv(
        pa.BufferReader(body if body.endswith((b"\n", b"\r")) else body + b"\n"),
        read_options=pacsv.ReadOptions(column_names=names, use_threads=False, block_size=1 << 23),
        parse_options=pacsv.ParseOptions(
            delimiter=_delimiter(layout),
            quote_char='"' if quoted else False,
            newlines_in_values=quoted,
            invalid_row_handler=note,
        ),
        convert_options=pacsv.ConvertOptions(
            column_types={name: types.get(int(name), pa.string()) for name in names},
            strings_can_be_null=False,
            null_values=[""],
            decimal_point="," if layout.decimal_comma else ".",
        ),
    )


def _put_right(
    opened: Opened, body: bytes, layout: Layout, header: Sequence[str], odd: Sequence[pacsv.InvalidRow]
) -> tuple[bytes, tuple[int, ...]]:
    """Short rows filled with empty cells; rows with more (filled) cells left out, with their lines."""
    if len(odd) > _MOST_ODD_ROWS:
        raise LogError(
            f"{opened.place}: {len(odd):,} rows have another number of cells than the header ({len(header)}): is the "
            "separator also the decimal sign? Save the file with another separator"
        )
    texts = sorted({row.text.strip("\r\n") for row in odd}, key=len, reverse=True)
    if b'"' not in body and len(texts) <= _FEW_TEXTS:
        return _put_right_plain(body, layout, len(header), texts)
    known = frozenset(texts)
    delimiter = _delimiter(layout)
    lines: list[bytes] = []
    long_rows: list[int] = []
    number = layout.first_line
    for record in _records(body):
        text = record.decode("utf-8")
        breaks = text.count("\n")
        if text in known:
            cells = next(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter), [])
            if any(cell.strip() for cell in cells[len(header) :]):
                long_rows.append(number + breaks)
                lines.append(b"\n" * breaks)
            else:
                lines.append(_joined([*cells[: len(header)], *[""] * (len(header) - len(cells))], delimiter))
        else:
            lines.append(record)
        number += 1 + breaks
    return b"\n".join(lines) + b"\n", tuple(long_rows)


def _put_right_plain(body: bytes, layout: Layout, width: int, texts: Sequence[str]) -> tuple[bytes, tuple[int, ...]]:
    """The same for a body without quotes, without cutting it into lines first: a large file has millions of them."""
    mark = _delimiter(layout).encode()
    starts: list[int] = []

    def right(match: re.Match[bytes]) -> bytes:
        cells = match.group(1).split(mark)
        if any(cell.strip() for cell in cells[width:]):
            starts.append(match.start())
            return b""
        return mark.join([*cells[:width], *[b""] * (width - len(cells))])

    lines = b"|".join(re.escape(text.encode()) for text in texts)
    mended = re.sub(rb"(?m)^(" + lines + rb")(?=\r?$|\r)", right, body)
    counted, at, number = [], 0, layout.first_line
    for start in starts:
        number += body.count(b"\n", at, start)
        at = start
        counted.append(number)
    return mended, tuple(counted)


def _records(body: bytes) -> list[bytes]:
    """The lines of a body; a line break inside quotes ends none."""
    lines = body.replace(b"\r\n", b"\n").replace(b"\r", b"\n").rstrip(b"\n").split(b"\n")
    if b'"' not in body:
        return lines
    records: list[bytes] = []
    open_ = b""
    for line in lines:
        whole = open_ + b"\n" + line if open_ else line
        if whole.count(b'"') % 2 and len(whole) < _LONGEST_LINE:
            open_ = whole
        else:
            records.append(whole)
            open_ = b""
    return [*records, open_] if open_ else records


def _joined(cells: Sequence[str], delimiter: str) -> bytes:
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="").writerow(cells)
    return out.getvalue().encode()


def positions(table: Table, log_map: LogMap) -> Mapping[str, int]:
    """Channel -> column (from 0). Mapped channels must be there; the others are taken under their own names.

    Raises:
        LogError: a mapped column is missing, or a header stands there more than once.
    """
    where = f"{table.place}: {table.rows_are} {table.header_line}"
    found: dict[str, int] = {}
    folded = [cell.casefold() for cell in table.header]
    taken = {log_map.columns[channel].header.casefold() for channel in log_map.mapped}
    missing: list[str] = []
    for channel, column in log_map.columns.items():
        mapped = channel in log_map.mapped
        if column.number is not None:
            if column.number > len(table.header):
                missing.append(f"number {column.number} (for {channel})")
            else:
                found[channel] = column.number - 1
            continue
        wanted = column.header.casefold()
        if not mapped and (wanted in taken or channel in ("date", "millisecond")):
            continue  # the map gives the column of that name to another channel
        count = folded.count(wanted)
        if count > 1:
            raise LogError(
                f"{where}: the header {column.header!r} stands {count} times; expected once. A map can give the "
                f"column by its number, as {channel} = {folded.index(wanted) + 1}"
            )
        if count:
            found[channel] = folded.index(wanted)
        elif mapped:
            missing.append(f"{column.header!r} (for {channel})")
    if missing:
        raise LogError(
            f"{where}: no column {', no column '.join(missing)}, which the map names. "
            f"The header has: {', '.join(table.header)}"
        )
    return found
