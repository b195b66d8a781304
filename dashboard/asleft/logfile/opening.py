"""Opens a file: its kind by its first bytes, and the tables in it. The only module here that reads disks.

Kinds: text (CSV and the like), records of JSON, gzip and zstd of one file, zip of several, workbooks (xlsx, xlsm,
xls, ods), Parquet, Arrow IPC (Feather, or a stream). The name's ending is not asked, because loggers and mail
programs change it.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import zipfile
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from asleft.logfile.errors import LogError

if TYPE_CHECKING:
    import pyarrow as pa

#: Bytes of one table, unpacked. A file that unpacks to more is refused: a small file can be made to fill any memory.
LARGEST_BYTES = 4 * 1024**3

_GZIP, _ZSTD, _ZIP, _OLE = b"\x1f\x8b", b"\x28\xb5\x2f\xfd", b"PK\x03\x04", b"\xd0\xcf\x11\xe0"
_PARQUET, _ARROW = b"PAR1", b"ARROW1"
_ARROW_STREAM = b"\xff\xff\xff\xff"  # then the length of its first message; no text begins with these bytes
_CHUNK = 1 << 20


@dataclass(frozen=True, slots=True)
class Opened:
    """One table of a file. Either `raw` (text, as bytes) or `columns` (named and typed) is there.

    `place` is what messages call it; `name` is what a map's `table` calls it (None where the file holds only one).
    `rows_are` is "line" or "row".
    """

    place: str
    name: str | None = None
    raw: bytes | None = None
    columns: pa.Table | None = None
    rows_are: str = "line"


@dataclass(frozen=True, slots=True)
class OpenedFile:
    """A file: its tables, the SHA-256 of its bytes (hexadecimal), and its kind in words."""

    path: Path
    sha256: str
    kind: str
    tables: tuple[Opened, ...]


def open_file(path: Path) -> OpenedFile:
    """All tables of a file.

    Raises:
        LogError: it cannot be read, is damaged, or unpacks to more than `LARGEST_BYTES`.
    """
    try:
        raw = path.read_bytes()
    except IsADirectoryError as error:
        raise LogError(f"{path}: is a folder; name a file") from error
    except OSError as error:
        raise LogError(f"{path}: cannot be read: {error.strerror}") from error
    kind, tables = _tables(raw, str(path))
    return OpenedFile(path, hashlib.sha256(raw).hexdigest(), kind, tuple(tables))


def _tables(raw: bytes, place: str, *, nested: bool = False) -> tuple[str, list[Opened]]:
    if raw.startswith(_GZIP):
        return _unpacked("gzip", gzip.GzipFile(fileobj=io.BytesIO(raw)).read, place, nested=nested)
    if raw.startswith(_ZSTD):
        import pyarrow as pa

        stream = pa.CompressedInputStream(pa.BufferReader(raw), "zstd")
        return _unpacked("zstd", stream.read, place, nested=nested)
    if raw.startswith((_ZIP, _OLE)):
        return _zip_or_workbook(raw, place, nested=nested)
    if raw.startswith(_PARQUET):
        return "Parquet", [Opened(place, columns=_columnar(raw, place, "Parquet"), rows_are="row")]
    if raw.startswith(_ARROW):
        return "Arrow", [Opened(place, columns=_columnar(raw, place, "Arrow"), rows_are="row")]
    if raw.startswith(_ARROW_STREAM):
        return "Arrow", [Opened(place, columns=_columnar(raw, place, "Arrow stream"), rows_are="row")]
    head = raw[:200].removeprefix(b"\xef\xbb\xbf").lstrip()
    if head.startswith((b"{", b"[{", b"[\n", b"[\r\n", b"[ ")) and (records := _records(raw)) is not None:
        return "JSON", [Opened(place, columns=records, rows_are="record")]
    if head[:6].lower().startswith((b"<html", b"<!doct", b"<?xml", b"<table")):
        raise LogError(f"{place}: a web page or XML, whatever its name says; save it as CSV or as a workbook")
    return "text", [Opened(place, raw=raw)]


def _records(raw: bytes) -> pa.Table | None:
    """Records, one a line or all in one list, as columns; None where it is something else.

    What stands within a record's value is a column too, named by its way: "valve.coil.current".
    """
    import json

    import pyarrow as pa

    try:
        text = raw.decode("utf-8-sig")
        found = (
            json.loads(text)
            if text.lstrip().startswith("[")
            else [json.loads(each) for each in text.splitlines() if each.strip()]
        )
        made = pa.Table.from_pylist(found)
    except (ValueError, TypeError, AttributeError, RecursionError, pa.ArrowException):
        return None
    while any(pa.types.is_struct(kind) for kind in made.schema.types):
        made = made.flatten()
    return made


def _unpacked(kind: str, read: Callable[[int], bytes], place: str, *, nested: bool) -> tuple[str, list[Opened]]:
    if nested:
        raise LogError(f"{place}: packed twice; unpack it once and name the file inside")
    inner, tables = _tables(_bounded(read, place, kind), place, nested=True)
    return f"{inner} in {kind}", tables


def _bounded(read: Callable[[int], bytes], place: str, kind: str) -> bytes:
    """All that `read` gives, at most `LARGEST_BYTES`."""
    pieces: list[bytes] = []
    size = 0
    try:
        while piece := read(_CHUNK):
            pieces.append(piece)
            size += len(piece)
            if size > LARGEST_BYTES:
                raise LogError(f"{place}: unpacks to more than {LARGEST_BYTES / 1e9:.0f} GB; unpack and cut it")
    except (OSError, EOFError, zlib.error, zipfile.BadZipFile, RuntimeError, NotImplementedError) as error:
        raise LogError(f"{place}: damaged or cut short, it cannot be unpacked as {kind} ({error})") from error
    return b"".join(pieces)


def _zip_or_workbook(raw: bytes, place: str, *, nested: bool) -> tuple[str, list[Opened]]:
    if raw.startswith(_OLE):
        return "workbook", _workbook(raw, place)
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            names = [entry.filename for entry in archive.infolist() if not entry.is_dir()]
            if "[Content_Types].xml" in names or "mimetype" in names:
                size = sum(entry.file_size for entry in archive.infolist())
                if size > LARGEST_BYTES:
                    raise LogError(f"{place}: unpacks to more than {LARGEST_BYTES / 1e9:.0f} GB; cut it")
                return "workbook", _workbook(raw, place)
            if nested:
                raise LogError(f"{place}: packed twice; unpack it once and name the file inside")
            tables: list[Opened] = []
            for name in names:
                if name.startswith("__MACOSX/") or name.rsplit("/", 1)[-1].startswith("."):
                    continue
                inner_place = f"{place}, file {name}"
                with archive.open(name) as member:
                    inner = _bounded(member.read, inner_place, "zip")
                _, found = _tables(inner, inner_place, nested=True)
                tables += [Opened(each.place, name, each.raw, each.columns, each.rows_are) for each in found]
    except (zipfile.BadZipFile, RuntimeError, NotImplementedError, OSError, ValueError) as error:
        raise LogError(f"{place}: damaged, cut short or with a password; it cannot be unpacked ({error})") from error
    if not tables:
        raise LogError(f"{place}: the zip holds no file")
    return "text in zip", tables


def _columnar(raw: bytes, place: str, kind: str) -> pa.Table:
    import pyarrow as pa

    try:
        if kind == "Parquet":
            import pyarrow.parquet as pq

            return pq.read_table(pa.BufferReader(raw))
        open_arrow = pa.ipc.open_stream if kind == "Arrow stream" else pa.ipc.open_file
        with open_arrow(pa.BufferReader(raw)) as reader:
            return reader.read_all()
    except (pa.ArrowException, OSError, ValueError) as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise LogError(f"{place}: damaged or cut short, it cannot be read as {kind} ({reason})") from error


def _workbook(raw: bytes, place: str) -> list[Opened]:
    """Every sheet that holds anything, as text with tabs: numbers with all their digits, times in ISO 8601."""
    from python_calamine import CalamineError, CalamineWorkbook

    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(raw))
        found = [(name, book.get_sheet_by_name(name).to_python(skip_empty_area=False)) for name in _visible(book)]
    except (CalamineError, OSError, ValueError, EOFError) as error:
        raise LogError(f"{place}: damaged or with a password, it cannot be read as a workbook ({error})") from error
    except BaseException as error:
        if type(error).__name__ != "PanicException":  # a fault of the reader's own code, raised past Exception
            raise
        raise LogError(f"{place}: damaged, it cannot be read as a workbook") from error
    filled = [(name, rows) for name, rows in found if any(cell != "" for row in rows for cell in row)]
    if not filled:
        raise LogError(f"{place}: no sheet of the workbook holds anything")
    return [
        Opened(f"{place}, sheet {name}", name, "\n".join(map(_row_text, rows)).encode() + b"\n", rows_are="row")
        for name, rows in filled
    ]


def _visible(book: Any) -> list[str]:  # noqa: ANN401 - the reader's own type
    return [sheet.name for sheet in book.sheets_metadata if "Work" in str(sheet.typ)]


def _row_text(row: Sequence[object]) -> str:
    return "\t".join(map(_cell_text, row)) if any(cell != "" for cell in row) else ""


def _cell_text(cell: object) -> str:
    if isinstance(cell, float):
        return repr(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    isoformat = getattr(cell, "isoformat", None)
    if isoformat is not None:
        return str(isoformat())
    return " ".join(str(cell).split()).replace('"', "'")
