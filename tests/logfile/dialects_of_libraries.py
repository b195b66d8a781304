"""The same recording as written by libraries of others, each with habits of its own that no hand of ours chose.

Numbers are handed over as they are; quotes, ends of lines, types, chunks and the layout of workbooks are theirs.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv
import pyarrow.feather
import pyarrow.parquet
import xlsxwriter
from dialects import dialect, frame, iso, stamps
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P
from recording import Recording


def columns(r: Recording) -> tuple[list[float], ...]:
    return r.command_ma.tolist(), r.current_a.tolist(), r.pressure_bar.tolist()


# -------------------------------------------------------------------------------------------------- pandas, as text


def to_csv(name: str, change: Any = None, *, times: str = "absolute", **options: Any) -> None:
    """A way of `DataFrame.to_csv`; `change` makes the frame from the usual one and the recording."""

    def write(r: Recording, folder: Path) -> Path:
        path = folder / "log.csv"
        seen = frame(r) if change is None else change(frame(r), r)
        seen.to_csv(path, **{"index": False, **options})
        return path

    write.__name__ = f"pandas_{name}"
    dialect(by="pandas", times=times)(write)


def named(*names: str) -> Any:
    return lambda seen, _r: seen.set_axis(list(names), axis=1)


def with_times(make: Any) -> Any:
    return lambda seen, r: seen.assign(Timestamp=make(seen["Timestamp"], r))


to_csv("tabs_and_time_as_index", lambda seen, _r: seen.set_index("Timestamp"), index=True, sep="\t")
to_csv("pipes", sep="|")
to_csv("quotes_round_everything", quoting=csv.QUOTE_ALL)
to_csv("quotes_round_text", quoting=csv.QUOTE_NONNUMERIC)
to_csv("semicolons_and_other_ends_of_lines", sep=";", quoting=csv.QUOTE_ALL, lineterminator="\r\n")
to_csv("in_utc", with_times(lambda times, _r: times.dt.tz_localize("UTC")))
to_csv("in_vienna", with_times(lambda times, _r: times.dt.tz_localize("UTC").dt.tz_convert("Europe/Vienna")))
to_csv("epoch_nanoseconds", with_times(lambda times, _r: times.astype("datetime64[ns]").astype("int64")))
to_csv("epoch_milliseconds", with_times(lambda times, _r: times.astype("datetime64[ms]").astype("int64")))
to_csv("scientific_numbers", float_format="%.9e")
to_csv("nine_digits", float_format="%.9f", date_format="%Y-%m-%dT%H:%M:%S.%fZ")
to_csv("month_by_name", date_format="%d-%b-%Y %H:%M:%S.%f")
to_csv("levels_of_headers", lambda seen, _r: seen.set_axis(
    pd.MultiIndex.from_tuples([("Time", ""), ("Command", "mA"), ("Coil current", "A"), ("Pressure", "bar")]), axis=1
))  # fmt: skip
to_csv(
    "seconds_as_index",
    lambda seen, r: seen.drop(columns="Timestamp").set_index(pd.Index(r.time_s, name="Time (s)")),
    index=True,
    times="elapsed",
)
_DAY = "%Y-%m-%d %H:%M:%S.%f"
#: Locale, its words for the four columns, code page, and how it writes a day.
LOCALES: Mapping[str, tuple[tuple[str, ...], str, str]] = {
    "de_DE": (("Zeitstempel", "Sollwert (mA)", "Spulenstrom (A)", "Druck (bar)"), "cp1252", "%d.%m.%Y %H:%M:%S,%f"),
    "fr_FR": (("Horodatage", "Consigne (mA)", "Courant bobine (A)", "Pression (bar)"), "utf-16", _DAY),
    "es_ES": (("Marca de tiempo", "Consigna (mA)", "Corriente bobina (A)", "Presión (bar)"), "cp1252", _DAY),
    "it_IT": (("Orario", "Comando (mA)", "Corrente solenoide (A)", "Pressione (bar)"), "utf-8-sig", _DAY),
    "nl_NL": (("Tijdstip", "Stuursignaal (mA)", "Spoelstroom (A)", "Druk (bar)"), "utf-8", _DAY),
    "pl_PL": (("Czas", "Wartość zadana (mA)", "Prąd cewki (A)", "Ciśnienie (bar)"), "cp1250", "%d.%m.%Y %H:%M:%S.%f"),
    "cs_CZ": (("Čas", "Požadovaný (mA)", "Proud cívka (A)", "Tlak (bar)"), "cp1250", "%d.%m.%Y %H:%M:%S.%f"),
    "sv_SE": (("Tid", "Styrsignal (mA)", "Spolström (A)", "Tryck (bar)"), "latin-1", _DAY),
    "pt_BR": (("Horário", "Referência (mA)", "Corrente da bobina (A)", "Pressão (bar)"), "cp1252", _DAY),
    "ja_JP": (("時間", "設定 (mA)", "コイル 電流 (A)", "圧力 (bar)"), "utf-8-sig", "%Y/%m/%d %H:%M:%S.%f"),
}  # fmt: skip
for _locale, (_names, _code, _day) in LOCALES.items():
    _comma = {} if _locale == "ja_JP" else {"sep": ";", "decimal": ","}
    to_csv(_locale, named(*_names), encoding=_code, date_format=_day, **_comma)


@dialect(by="pandas", times="elapsed")
def pandas_to_string(r, folder):
    path = folder / "log.txt"
    seen = frame(r).drop(columns="Timestamp").set_axis(["command_mA", "coil_current_A", "pressure_bar"], axis=1)
    seen.insert(0, "time_s", r.time_s)
    path.write_text(seen.to_string(index=False), encoding="utf-8")
    return path


# ------------------------------------------------------------------------------------------------------- csv, numpy


class _Semicolons(csv.Dialect):
    delimiter, quotechar, escapechar = ";", "'", "\\"
    lineterminator, quoting, doublequote = "\n", csv.QUOTE_MINIMAL, False


def by_csv(folder: Path, head: Sequence[str], rows: Any, **options: Any) -> Path:
    path = folder / "log.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, **options)
        writer.writerow(head)
        writer.writerows(rows)
    return path


HEAD = ("Time", "Command (mA)", "Current (A)", "Pressure (bar)")


@dialect(by="csv")
def csv_floats_unquoted_text_quoted(r, folder):
    return by_csv(folder, HEAD, zip(iso(r), *columns(r), strict=True), quoting=csv.QUOTE_NONNUMERIC)


@dialect(by="csv")
def csv_own_semicolons(r, folder):
    return by_csv(folder, HEAD, zip(iso(r, " "), *columns(r), strict=True), dialect=_Semicolons)


@dialect(by="csv")
def csv_date_and_time_apart(r, folder):
    days, clocks = stamps(r, "%Y-%m-%d"), stamps(r, "%H:%M:%S.%f", -3)
    return by_csv(folder, ("Date", *HEAD), zip(days, clocks, *columns(r), strict=True), dialect="excel-tab")


@dialect(by="csv")
def csv_of_datetimes(r, folder):
    return by_csv(folder, HEAD, zip(r.moments(), *columns(r), strict=True), dialect="unix")


def stacked(r: Recording, first: Sequence[float]) -> np.ndarray:
    return np.column_stack([first, r.command_ma, r.current_a, r.pressure_bar])


@dialect(by="numpy", times="elapsed")
def numpy_as_it_comes(r, folder):
    np.savetxt(folder / "log.txt", stacked(r, r.time_s), header="time_s command_mA coil_current_A pressure_bar")
    return folder / "log.txt"


@dialect(by="numpy", times="elapsed")
def numpy_with_commas(r, folder):
    head, foot = "time_s,command_mA,coil_current_A,pressure_bar", "end of record"
    np.savetxt(folder / "log.csv", stacked(r, r.time_s), "%.6g", ",", "\r\n", header=head, footer=foot, comments="# ")
    return folder / "log.csv"


@dialect(by="numpy")
def numpy_epochs_with_tabs(r, folder):
    epochs = [each.timestamp() for each in r.moments()]
    head = "\t".join(("Epoch time", "Command (mA)", "Current (A)", "Pressure (bar)"))
    np.savetxt(folder / "log.tsv", stacked(r, epochs), "%.4f", "\t", header=head, comments="")
    return folder / "log.tsv"


# ---------------------------------------------------------------------------------------------------------- pyarrow


def arrow(r: Recording, times: pa.DataType, **changed: Any) -> pa.Table:
    at = [each if getattr(times, "tz", None) else each.replace(tzinfo=None) for each in r.moments()]
    found = {"Time": pa.array(at, times), "Command (mA)": r.command_ma, "Current (A)": r.current_a}
    return pa.table({**found, "Pressure (bar)": r.pressure_bar, **changed})


def by_arrow_csv(name: str, times: pa.DataType, **options: Any) -> None:
    def write(r: Recording, folder: Path) -> Path:
        pa.csv.write_csv(arrow(r, times), folder / "log.csv", pa.csv.WriteOptions(**options))
        return folder / "log.csv"

    write.__name__ = f"arrow_csv_{name}"
    dialect(by="pyarrow")(write)


by_arrow_csv("as_it_comes", pa.timestamp("ms"))
by_arrow_csv("without_quotes", pa.timestamp("us"), delimiter=";", quoting_style="none")
by_arrow_csv("quotes_round_everything", pa.timestamp("ms", tz="UTC"), quoting_style="all_valid")


def by_parquet(name: str, make: Any, **options: Any) -> None:
    def write(r: Recording, folder: Path) -> Path:
        pa.parquet.write_table(make(r), folder / "log.parquet", **options)
        return folder / "log.parquet"

    write.__name__ = f"parquet_{name}"
    dialect(by="pyarrow")(write)


by_parquet("in_row_groups", partial(arrow, times=pa.timestamp("us")), row_group_size=97, compression="gzip")
by_parquet("of_the_first_version", partial(arrow, times=pa.timestamp("ms")), version="1.0", use_dictionary=False)
by_parquet("in_vienna", partial(arrow, times=pa.timestamp("ns", tz="Europe/Vienna")), compression="none")
by_parquet("old_spark_times", partial(arrow, times=pa.timestamp("ns")), use_deprecated_int96_timestamps=True)
by_parquet("times_as_text", lambda r: arrow(r, pa.timestamp("ms"), Time=pa.array(iso(r), pa.large_string())))
by_parquet("times_in_a_dictionary", lambda r: arrow(r, pa.timestamp("ms"), Time=pa.array(iso(r)).dictionary_encode()))
by_parquet("decimals", lambda r: arrow(
    r,
    pa.timestamp("ms"),
    **{"Pressure (bar)": pa.array([Decimal(f"{each:.2f}") for each in columns(r)[2]], pa.decimal128(9, 2))},
))  # fmt: skip


@dialect(by="pyarrow")
def arrow_file_in_batches(r, folder):
    whole = arrow(r, pa.timestamp("ms"))
    with pa.ipc.new_file(
        folder / "log.arrow", whole.schema, options=pa.ipc.IpcWriteOptions(compression="zstd")
    ) as out:
        for batch in whole.to_batches(max_chunksize=101):
            out.write_batch(batch)
    return folder / "log.arrow"


@dialect(by="pyarrow")
def feather_in_chunks(r, folder):
    pa.feather.write_feather(
        arrow(r, pa.timestamp("us", tz="UTC")), str(folder / "log.feather"), "zstd", chunksize=77
    )
    return folder / "log.feather"


# -------------------------------------------------------------------------------------------------------- workbooks


def workbook(folder: Path, fill: Any, options: Mapping[str, Any] = {}) -> Path:
    path = folder / "log.xlsx"
    with xlsxwriter.Workbook(path, dict(options)) as book:
        fill(book, book.add_worksheet("Log"), book.add_format({"num_format": "dd.mm.yyyy hh:mm:ss.000"}))
    return path


def fill_rows(r: Recording) -> Any:
    def fill(_book: Any, sheet: Any, form: Any) -> None:
        sheet.write_row(0, 0, HEAD)
        for k, (at, *cells) in enumerate(zip(r.moments(), *columns(r), strict=True), 1):
            sheet.write_datetime(k, 0, at.replace(tzinfo=None), form)
            sheet.write_row(k, 1, cells)

    return fill


@dialect(by="xlsxwriter")
def workbook_row_by_row(r, folder):
    return workbook(folder, fill_rows(r), {"constant_memory": True})


@dialect(by="xlsxwriter")
def workbook_counting_from_1904(r, folder):
    return workbook(folder, fill_rows(r), {"date_1904": True})


@dialect(by="xlsxwriter")
def workbook_with_a_table_and_a_chart(r, folder):
    def fill(book: Any, sheet: Any, form: Any) -> None:
        rows = [[at.replace(tzinfo=None), *cells] for at, *cells in zip(r.moments(), *columns(r), strict=True)]
        heads = [{"header": name, **({"format": form} if name == "Time" else {})} for name in HEAD]
        sheet.add_table(2, 1, 2 + len(rows), 4, {"data": rows, "columns": heads})
        chart = book.add_chart({"type": "line"})
        chart.add_series({"values": ["Log", 3, 2, 40, 2]})
        sheet.insert_chart("H2", chart)

    return workbook(folder, fill)


@dialect(by="xlsxwriter")
def workbook_of_formulas(r, folder):
    def fill(_book: Any, sheet: Any, form: Any) -> None:
        sheet.write_row(0, 0, HEAD)
        for k, (at, c, i, p) in enumerate(zip(r.moments(), *columns(r), strict=True), 1):
            sheet.write_datetime(k, 0, at.replace(tzinfo=None), form)
            sheet.write_number(k, 1, c)
            sheet.write_formula(k, 2, f"={i}*1", value=i)
            sheet.write_formula(k, 3, f"={p}+0", value=p)

    return workbook(folder, fill)


@dialect(by="xlsxwriter")
def workbook_of_texts(r, folder):
    def fill(_book: Any, sheet: Any, _form: Any) -> None:
        sheet.write_row(0, 0, HEAD)
        for k, (at, *cells) in enumerate(zip(iso(r), *columns(r), strict=True), 1):
            for at_column, cell in enumerate([at, *map(str, cells)]):
                sheet.write_string(k, at_column, cell)

    return workbook(folder, fill)


@dialect(by="xlsxwriter")
def pandas_workbook_with_index_lower_down(r, folder):
    path = folder / "log.xlsx"
    with pd.ExcelWriter(path, engine="xlsxwriter", datetime_format="yyyy-mm-dd hh:mm:ss.000") as out:
        frame(r).set_index("Timestamp").to_excel(out, sheet_name="Data", startrow=3, startcol=1)
    return path


def opendocument_of(r: Recording, folder: Path, first: Any) -> Path:
    book, sheet = OpenDocumentSpreadsheet(), Table(name="Log")
    for row in [HEAD, *zip(r.moments(), *columns(r), strict=True)]:
        made = TableRow()
        for k, value in enumerate(row):
            if isinstance(value, str):
                cell = TableCell(valuetype="string")
                cell.addElement(P(text=value))
            else:
                cell = first(value) if k == 0 else TableCell(valuetype="float", value=value)
            made.addElement(cell)
        sheet.addElement(made)
    book.spreadsheet.addElement(sheet)
    book.save(str(folder / "log.ods"))
    return folder / "log.ods"


@dialect(by="odfpy")
def odfpy_with_dates(r, folder):
    def cell(at: Any) -> TableCell:
        return TableCell(valuetype="date", datevalue=at.strftime("%Y-%m-%dT%H:%M:%S.%f"))

    return opendocument_of(r, folder, cell)


@dialect(by="odfpy")
def odfpy_with_texts(r, folder):
    def cell(at: Any) -> TableCell:
        made = TableCell(valuetype="string")
        made.addElement(P(text=at.isoformat(timespec="milliseconds")))
        return made

    return opendocument_of(r, folder, cell)
