"""One recording in many dialects: each function writes it as some logger would, and says what is true of the file.

Those that libraries of others write stand in `dialects_of_libraries`, some at the end here; `by` names the library.
"""

from __future__ import annotations

import csv
import gzip
import io
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.feather
import pyarrow.parquet
import xlsxwriter
from recording import Recording

PSI_PER_BAR = 1e5 / 6894.757293168361


@dataclass(frozen=True)
class Dialect:
    """A way to write a file. `answers`: the options that answer its questions; empty where none must be asked.

    `times`: "absolute" or "elapsed" (the day is not in the file). `loose_s`: how far times may be off.
    """

    write: Callable[[Recording, Path], Path]
    answers: Sequence[str] = ()
    times: str = "absolute"
    loose_s: float = 1e-5
    options: Sequence[str] = field(default=())  # given, not asked
    by: str = ""  # the library that wrote it; empty: by our own hand


DIALECTS: dict[str, Dialect] = {}


def dialect(
    answers: Sequence[str] = (),
    times: str = "absolute",
    loose_s: float = 1e-5,
    options: Sequence[str] = (),
    by: str = "",
) -> Callable[[Callable[[Recording, Path], Path]], Callable[[Recording, Path], Path]]:
    def register(write: Callable[[Recording, Path], Path]) -> Callable[[Recording, Path], Path]:
        DIALECTS[write.__name__] = Dialect(write, answers, times, loose_s, options, by)
        return write

    return register


# -------------------------------------------------------------------------------------------------------------
# helpers


def lines(folder: Path, rows: Sequence[str], name: str = "log.csv", encoding: str = "utf-8", end: str = "\n") -> Path:
    path = folder / name
    path.write_bytes((end.join(rows) + end).encode(encoding))
    return path


def table(
    r: Recording,
    stamps: Sequence[object],
    separator: str = ",",
    comma: bool = False,
    header: Sequence[str] | None = ("Time", "Command (mA)", "Current (A)", "Pressure (bar)"),
    columns: Sequence[np.ndarray] | None = None,
    form: Sequence[str] = (".3f", ".4f", ".2f"),
) -> list[str]:
    columns = (r.command_ma, r.current_a, r.pressure_bar) if columns is None else columns
    texts = [[format(value, each) for value in column.tolist()] for column, each in zip(columns, form, strict=True)]
    if comma:
        texts = [[cell.replace(".", ",") for cell in column] for column in texts]
    head = [separator.join(header)] if header else []
    return head + [separator.join([str(stamp), *cells]) for stamp, *cells in zip(stamps, *texts, strict=True)]


def iso(r: Recording, blank: str = "T", tail: str = "", digits: int = 3) -> list[str]:
    cut = {0: None, 3: -3, 6: None}[digits]
    return [each.strftime(f"%Y-%m-%d{blank}%H:%M:%S.%f")[:cut] + tail for each in r.moments()]


def stamps(r: Recording, pattern: str, cut: int | None = None) -> list[str]:
    return [each.strftime(pattern)[:cut] for each in r.moments()]


def frame(r: Recording) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "Timestamp": pd.to_datetime([each.replace(tzinfo=None) for each in r.moments()]),
            "Valve command [mA]": r.command_ma,
            "Coil current [A]": r.current_a,
            "Platen pressure [bar]": r.pressure_bar,
        }
    )


# ----------------------------------------------------------------------------------------------- text, English and
# other


@dialect()
def plain_own_headers(r, folder):
    return lines(folder, table(r, iso(r, tail="Z"), header=("time", "command", "current", "pressure")))


@dialect(times="elapsed")
def own_headers_seconds(r, folder):
    rows = table(r, [f"{t:.3f}" for t in r.time_s], header=("time", "command", "current", "pressure"))
    return lines(folder, rows)


@dialect()
def units_in_round_brackets(r, folder):
    return lines(folder, table(r, iso(r)))


@dialect()
def units_in_square_brackets_utf8_bom(r, folder):
    header = ("Timestamp", "Command [mA]", "Coil current [A]", "Pressure [bar]")
    return lines(folder, table(r, iso(r), header=header), encoding="utf-8-sig", end="\r\n")


@dialect(times="elapsed")
def elapsed_milliseconds(r, folder):
    header = ("Time [ms]", "Valve setpoint [mA]", "Solenoid current [mA]", "Pressure [bar]")
    columns = (r.command_ma, np.round(r.current_a * 1000, 1), r.pressure_bar)
    rows = table(r, [round(t * 1000) for t in r.time_s], header=header, columns=columns, form=(".3f", ".1f", ".2f"))
    return lines(folder, rows)


@dialect(times="elapsed")
def elapsed_ms_without_unit(r, folder):
    header = ("t", "Command mA", "Coil current A", "Pressure bar")
    return lines(folder, table(r, [round(t * 1000) for t in r.time_s], header=header))


@dialect()
def german_semicolon_decimal_comma(r, folder):
    header = ("Zeit", "Sollwert [mA]", "Magnetstrom [A]", "Druck [bar]")
    rows = table(r, stamps(r, "%d.%m.%Y %H:%M:%S,%f", -3), ";", True, header)
    return lines(folder, rows, encoding="cp1252", end="\r\n")


@dialect()
def german_date_and_time_columns(r, folder):
    header = ("Datum", "Uhrzeit", "Ventilsollwert (mA)", "Spulenstrom (mA)", "Druckistwert (bar)")
    both = [f"{day};{clock}" for day, clock in zip(stamps(r, "%d.%m.%Y"), stamps(r, "%H:%M:%S,%f", -3), strict=True)]
    columns = (r.command_ma, np.round(r.current_a * 1000, 1), r.pressure_bar)
    rows = table(r, both, ";", True, None, columns, (".3f", ".1f", ".2f"))
    return lines(folder, [";".join(header), *rows], encoding="cp1252")


@dialect()
def german_preamble_units_row_footer(r, folder):
    top = ["Messprotokoll", "Anlage;Presse 4", "Ort;Straße 3, Köln", "", "Zeit;Stellsignal;Strom;Druck", "s;mA;A;bar"]
    epoch = [f"{each.timestamp():.3f}".replace(".", ",") for each in r.moments()]
    rows = table(r, epoch, ";", True, None)
    return lines(folder, [*top, *rows, "", "Ende der Messung"], encoding="cp1252")


@dialect()
def french_tab_utf16(r, folder):
    header = ("Horodatage", "Consigne (mA)", "Courant bobine (A)", "Pression (bar)")
    rows = table(r, iso(r, " "), "\t", True, header)
    return lines(folder, rows, encoding="utf-16", end="\r\n")


@dialect()
def french_accents_cp1252(r, folder):
    header = ("Date", "Heure", "Consigne vanne [mA]", "Intensité électroaimant [A]", "Pression mesurée [bar]")
    both = [f"{d};{c}" for d, c in zip(stamps(r, "%Y-%m-%d"), stamps(r, "%H:%M:%S.%f", -3), strict=True)]
    return lines(folder, [";".join(header), *table(r, both, ";", True, None)], encoding="cp1252")


@dialect()
def spanish_pipe(r, folder):
    header = ("Marca de tiempo", "Consigna (mA)", "Corriente bobina (A)", "Presión (bar)")
    return lines(folder, table(r, iso(r, " "), "|", False, header))


@dialect(by="csv")
def italian_quoted_decimal_comma(r, folder):
    path = folder / "log.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, quoting=csv.QUOTE_ALL)
        writer.writerow(["Orario", "Comando (mA)", "Corrente solenoide (A)", "Pressione (bar)"])
        for row in table(r, iso(r), ";", True, None):
            writer.writerow(row.split(";"))
    return path


@dialect()
def dutch_slashes_year_first(r, folder):
    header = ("Tijdstip", "Stuursignaal / mA", "Spoel stroom / A", "Druk / bar")
    return lines(folder, table(r, stamps(r, "%Y/%m/%d %H:%M:%S.%f", -3), ";", True, header))


@dialect()
def polish_cp1250(r, folder):
    header = ("Czas", "Wartość zadana [mA]", "Prąd cewki [A]", "Ciśnienie [bar]")
    return lines(folder, table(r, iso(r, " "), ";", True, header), encoding="cp1250")


@dialect()
def russian_cp1251(r, folder):
    header = ("Время", "Задание, mA", "Ток катушка, A", "Давление, bar")
    return lines(folder, table(r, iso(r, " "), ";", True, header), encoding="cp1251")


@dialect()
def chinese_gb18030(r, folder):
    header = ("时间", "指令 (mA)", "线圈电流 (A)", "压力 (bar)")
    return lines(folder, table(r, iso(r, " "), ",", False, header), encoding="gb18030")


@dialect(by="csv")
def portuguese_quote_minimal(r, folder):
    path = folder / "log.csv"
    with path.open("w", newline="", encoding="latin-1") as file:
        writer = csv.writer(file, dialect="excel")
        writer.writerow(["Horario", "Referência (mA)", "Corrente da bobina (A)", "Pressão (bar)"])
        for row in table(r, iso(r), ";", True, None):
            writer.writerow(row.split(";"))
    return path


@dialect(times="elapsed")
def runs_of_blanks(r, folder):
    rows = ["  time_s    cmd_mA    coil_current_A    pressure_bar"]
    for t, c, i, p in zip(r.time_s, r.command_ma, r.current_a, r.pressure_bar, strict=True):
        rows.append(f"{t:9.3f} {c:9.3f} {i:9.4f} {p:10.2f}")
    return lines(folder, rows, "log.txt")


@dialect()
def fixed_width_with_wide_headers(r, folder):
    rows = ["Time stamp                 Valve command mA   Coil current A   Platen pressure bar"]
    for t, c, i, p in zip(iso(r, " "), r.command_ma, r.current_a, r.pressure_bar, strict=True):
        rows.append(f"{t}    {c:16.3f}   {i:14.4f}   {p:19.2f}")
    return lines(folder, rows, "log.txt")


@dialect(times="elapsed")
def comment_header(r, folder):
    rows = table(r, [f"{t:.3f}" for t in r.time_s], header=("# time_s", "command_mA", "current_A", "pressure_bar"))
    return lines(folder, ["# made by a data logger", "# rate: 50 Hz", *rows])


@dialect()
def zone_offset_in_every_stamp(r, folder):
    local = [each.astimezone(timezone(timedelta(hours=1))) for each in r.moments()]
    return lines(folder, table(r, [each.isoformat(timespec="milliseconds") for each in local]))


@dialect()
def epoch_seconds(r, folder):
    header = ("epoch time", "command_mA", "current_A", "pressure_bar")
    return lines(folder, table(r, [f"{each.timestamp():.3f}" for each in r.moments()], header=header))


@dialect()
def epoch_milliseconds(r, folder):
    header = ("timestamp", "command_mA", "current_A", "pressure_bar")
    return lines(folder, table(r, [round(each.timestamp() * 1000) for each in r.moments()], header=header))


@dialect()
def epoch_microseconds(r, folder):
    header = ("timestamp", "command_mA", "current_A", "pressure_bar")
    return lines(folder, table(r, [round(each.timestamp() * 1000) * 1000 for each in r.moments()], header=header))


@dialect()
def epoch_nanoseconds_json_names(r, folder):
    header = ("time", "valve.command.mA", "valve.current.A", "valve.pressure.bar")
    return lines(folder, table(r, [round(each.timestamp() * 1000) * 10**6 for each in r.moments()], header=header))


@dialect(loose_s=2e-5)
def excel_serials_as_text(r, folder):
    days = [(each.timestamp() / 86400) + 25569 for each in r.moments()]
    return lines(folder, table(r, [f"{each:.10f}" for each in days]))


@dialect()
def american_clock_with_a_day_beyond_twelve(r, folder):
    moved = Recording(r.time_s, r.command_ma, r.current_a, r.pressure_bar, r.start.replace(day=14))
    clock = [each.strftime("%m/%d/%Y %I:%M:%S.%f")[:-3] + each.strftime(" %p") for each in moved.moments()]
    return lines(folder, table(moved, clock))


@dialect(answers=("--dates", "month-first"))
def american_date_that_could_be_european(r, folder):
    clock = [each.strftime("%m/%d/%Y %I:%M:%S.%f")[:-3] + each.strftime(" %p") for each in r.moments()]
    return lines(folder, table(r, clock))


@dialect()
def ambiguous_dates_settled_by_midnight(r, folder):
    moved = Recording(
        r.time_s, r.command_ma, r.current_a, r.pressure_bar, r.start.replace(hour=23, minute=59, second=30)
    )
    return lines(folder, table(moved, stamps(moved, "%d/%m/%Y %H:%M:%S.%f", -3)))


@dialect()
def month_by_name(r, folder):
    return lines(folder, table(r, stamps(r, "%d-%b-%Y %H:%M:%S.%f", -3)))


@dialect()
def month_by_name_first(r, folder):
    header = ("Time", "Command (mA)", "Current (A)", "Pressure (bar)")
    return lines(folder, table(r, stamps(r, "%b %d, %Y %H:%M:%S.%f", -3), ";", header=header))


@dialect()
def month_by_name_german(r, folder):
    header = ("Zeit", "Sollwert (mA)", "Strom (A)", "Druck (bar)")
    local = [each.replace("March", "März") for each in stamps(r, "%d. %B %Y %H:%M:%S,%f", -3)]
    return lines(folder, table(r, local, ";", True, header))


@dialect()
def utc_behind_every_stamp(r, folder):
    return lines(folder, table(r, [each + " UTC" for each in iso(r, " ")]))


@dialect()
def zone_in_the_header(r, folder):
    local = [(each + timedelta(hours=1)).strftime("%Y-%m-%d %H:%M:%S.%f")[:-3] for each in r.moments()]
    header = ("Time (UTC+1)", "Command (mA)", "Current (A)", "Pressure (bar)")
    return lines(folder, table(r, local, header=header))


@dialect()
def zone_name_in_the_header(r, folder):
    local = [(each + timedelta(hours=1)).strftime("%Y-%m-%d %H:%M:%S.%f")[:-3] for each in r.moments()]
    header = ("Time [Europe/Vienna]", "Command (mA)", "Current (A)", "Pressure (bar)")
    return lines(folder, table(r, local, header=header))


@dialect()
def compact_stamps_with_zone(r, folder):
    return lines(folder, table(r, [each + "Z" for each in stamps(r, "%Y%m%dT%H%M%S.%f", -3)]))


@dialect()
def compact_stamps(r, folder):
    return lines(folder, table(r, stamps(r, "%Y%m%d %H%M%S.%f", -3)))


@dialect(times="elapsed")
def clock_alone_past_midnight(r, folder):
    moved = Recording(
        r.time_s, r.command_ma, r.current_a, r.pressure_bar, r.start.replace(hour=23, minute=59, second=30)
    )
    header = ("Clock time", "Command (mA)", "Current (A)", "Pressure (bar)")
    return lines(folder, table(moved, stamps(moved, "%H:%M:%S.%f", -3), header=header))


@dialect(times="elapsed", options=("--start", "2026-03-02T08:00:00Z"))
def elapsed_with_start(r, folder):
    header = ("Elapsed (s)", "Command (mA)", "Current (A)", "Pressure (bar)")
    return lines(folder, table(r, [f"{t:.3f}" for t in r.time_s], header=header))


@dialect(loose_s=0.05)
def whole_second_stamps(r, folder):
    return lines(folder, table(r, stamps(r, "%Y-%m-%d %H:%M:%S")))


@dialect()
def newest_first(r, folder):
    head, *rows = table(r, iso(r))
    return lines(folder, [head, *reversed(rows)])


@dialect()
def rows_out_of_order(r, folder):
    head, *rows = table(r, iso(r))
    for at in range(100, len(rows) - 10, 397):
        rows[at], rows[at + 3] = rows[at + 3], rows[at]
    return lines(folder, [head, *rows])


@dialect()
def clock_put_back_in_autumn(r, folder):
    # 25 October 2026, 00:59:30 to 01:00:30 UTC: Vienna's clocks go from 03:00 back to 02:00 in the middle.
    moved = Recording(
        r.time_s,
        r.command_ma,
        r.current_a,
        r.pressure_bar,
        r.start.replace(month=10, day=25, hour=0, minute=59, second=30),
    )
    local = [
        pd.Timestamp(each).tz_convert("Europe/Vienna").strftime("%Y-%m-%d %H:%M:%S.%f")[:-3]
        for each in moved.moments()
    ]
    return lines(folder, table(moved, local))


DIALECTS["clock_put_back_in_autumn"] = Dialect(clock_put_back_in_autumn, options=("--zone", "Europe/Vienna"))


# --------------------------------------------------------------------------------------------------- headers and
# columns


@dialect()
def three_header_rows(r, folder):
    top = ["Channel 1,Channel 2,Channel 3,Channel 4", "Time,Command,Current,Pressure", ",mA,A,bar"]
    return lines(folder, [*top, *table(r, iso(r), header=None)])


@dialect()
def duplicated_headers_under_group_names(r, folder):
    top = ["Time,Valve command,Coil current,Platen pressure", "Date/Time,Value,Value,Value", "-,mA,A,bar"]
    return lines(folder, [*top, *table(r, iso(r), header=None)])


@dialect(
    answers=(
        "--column",
        "command=2",
        "--unit-of",
        "command=mA",
        "--column",
        "current=3",
        "--unit-of",
        "current=A",
        "--column",
        "pressure=4",
        "--unit-of",
        "pressure=bar",
    )
)
def no_header(r, folder):
    return lines(folder, table(r, iso(r), header=None))


@dialect(
    answers=(
        "--column",
        "command=AI 1",
        "--unit-of",
        "command=mA",
        "--column",
        "current=AI 2",
        "--unit-of",
        "current=A",
        "--column",
        "pressure=AI 3",
        "--unit-of",
        "pressure=bar",
    )
)
def headers_that_say_nothing(r, folder):
    return lines(folder, table(r, iso(r), header=("Time", "AI 1", "AI 2", "AI 3")))


@dialect(times="elapsed")
def channel_numbers_with_units(r, folder):
    header = ("Time (s)", "Ch1 (mA)", "Ch2 (A)", "Ch3 (bar)")
    return lines(folder, table(r, [f"{t:.3f}" for t in r.time_s], header=header))


@dialect(times="elapsed")
def symbols_alone(r, folder):
    header = ("t [s]", "Command [mA]", "I [A]", "p [bar]")
    return lines(folder, table(r, [f"{t:.3f}" for t in r.time_s], header=header))


@dialect()
def setpoints_beside_actual_values(r, folder):
    header = (
        "Time,Pressure setpoint (bar),Command (mA),Current setpoint (A),Actual current (A),Actual pressure (bar),"
        "Oil temp (°C)"
    )
    rows = [
        f"{t},{12 + 198 * (c - 4) / 16:.2f},{c:.3f},{0.18 + 0.74 * (c - 4) / 16:.4f},{i:.4f},{p:.2f},45.1"
        for t, c, i, p in zip(iso(r), r.command_ma, r.current_a, r.pressure_bar, strict=True)
    ]
    return lines(folder, [header, *rows])


@dialect()
def row_numbers_and_remarks(r, folder):
    rows = ["No.;Timestamp;Event;Command (mA);Current (A);Pressure (bar);Flow (l/min)"]
    for k, (t, c, i, p) in enumerate(zip(iso(r), r.command_ma, r.current_a, r.pressure_bar, strict=True), 1):
        rows.append(f"{k};{t};{'start' if k == 1 else ''};{c:.3f};{i:.4f};{p:.2f};{i * 40:.1f}")
    return lines(folder, rows)


@dialect()
def supply_and_contacts_too(r, folder):
    rows = [
        "time,command_mA,current_A,pressure_bar,supply_V,coil_voltage_V,enable,pump_running,mode,oil_temperature_C"
    ]
    for t, c, i, p in zip(iso(r), r.command_ma, r.current_a, r.pressure_bar, strict=True):
        rows.append(f"{t},{c:.3f},{i:.4f},{p:.2f},24.1,{11 * i:.3f},1,true,1,45.2")
    return lines(folder, rows)


# ---------------------------------------------------------------------------------------------------------------
# units


@dialect()
def pressure_in_psi(r, folder):
    header = ("Time", "Command (mA)", "Current (A)", "Pressure (psi)")
    columns = (r.command_ma, r.current_a, r.pressure_bar * PSI_PER_BAR)
    return lines(folder, table(r, iso(r), header=header, columns=columns, form=(".3f", ".4f", ".9f")))


@dialect()
def pressure_in_mpa_current_in_ma(r, folder):
    header = ("Time", "Command (mA)", "Coil current (mA)", "Pressure (MPa)")
    columns = (r.command_ma, r.current_a * 1000, r.pressure_bar / 10)
    return lines(folder, table(r, iso(r), header=header, columns=columns, form=(".3f", ".1f", ".3f")))


@dialect()
def pressure_in_kpa(r, folder):
    header = ("Time", "Command (mA)", "Current (A)", "Pressure (kPa)")
    columns = (r.command_ma, r.current_a, r.pressure_bar * 100)
    return lines(folder, table(r, iso(r), header=header, columns=columns, form=(".3f", ".4f", ".0f")))


@dialect()
def command_in_percent(r, folder):
    header = ("Time", "Command (%)", "Current (A)", "Pressure (bar)")
    columns = ((r.command_ma - 4) / 0.16, r.current_a, r.pressure_bar)
    return lines(folder, table(r, iso(r), header=header, columns=columns, form=(".6f", ".4f", ".2f")))


@dialect(answers=("--counts", "5530:27648"))
def command_in_counts(r, folder):
    header = ("Time", "Command (counts)", "Current (A)", "Pressure (bar)")
    columns = (5530 + (r.command_ma - 4) / 16 * (27648 - 5530), r.current_a, r.pressure_bar)
    return lines(folder, table(r, iso(r), header=header, columns=columns, form=(".6f", ".4f", ".2f")))


@dialect(options=("--shunt", "0.1"))
def current_across_a_shunt(r, folder):
    header = ("Time", "Command (mA)", "Coil current shunt (mV)", "Pressure (bar)")
    columns = (r.command_ma, r.current_a * 100, r.pressure_bar)
    return lines(folder, table(r, iso(r), header=header, columns=columns, form=(".3f", ".2f", ".2f")))


@dialect(options=("--transmitter", "0:250bar"))
def pressure_as_transmitter_ma(r, folder):
    header = ("Time", "Command (mA)", "Current (A)", "Pressure transmitter (mA)")
    columns = (r.command_ma, r.current_a, 4 + r.pressure_bar / 250 * 16)
    return lines(folder, table(r, iso(r), header=header, columns=columns, form=(".3f", ".4f", ".7f")))


@dialect()
def thousands_marks(r, folder):
    rows = ["Time;Command (mA);Coil current (mA);Pressure (kPa)"]
    for t, c, i, p in zip(iso(r), r.command_ma, r.current_a, r.pressure_bar, strict=True):
        kpa = f"{p * 100:,.1f}".replace(",", "_").replace(".", ",").replace("_", ".")
        rows.append(f"{t};{c:.3f};{i * 1000:.1f};".replace(".", ",", 1 if False else 0) + kpa)
    # Decimal commas everywhere else too.
    head, *body = rows
    fixed = []
    for row in body:
        t, c, i, p = row.split(";")
        fixed.append(";".join([t, c.replace(".", ","), i.replace(".", ","), p]))
    return lines(folder, [head, *fixed])


# ------------------------------------------------------------------------------------------------------------ bad
# cells


@dialect()
def missing_marks_at_the_end(r, folder):
    rows = table(r, iso(r))
    marks = ["NaN,OVER,---,", "#N/A,-9999,", "", "OL,n/a,***"]
    last = r.moments()[-1]
    for k, mark in enumerate(marks, 1):
        stamp = (last + timedelta(milliseconds=40 * k)).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3]
        rows.append(f"{stamp},{mark}")
    return lines(folder, rows)


@dialect()
def cut_short_in_the_last_row(r, folder):
    rows = table(r, iso(r))
    path = folder / "log.csv"
    path.write_text("\n".join(rows) + "\n" + rows[-1][:14], encoding="utf-8")
    return path


# --------------------------------------------------------------------------------- written by libraries of other
# people


@dialect(by="pandas")
def pandas_to_csv(r, folder):
    path = folder / "log.csv"
    frame(r).to_csv(path)
    return path


@dialect(by="pandas")
def pandas_to_csv_european(r, folder):
    path = folder / "log.csv"
    frame(r).to_csv(path, sep=";", decimal=",", index=False, encoding="utf-8-sig", date_format="%d.%m.%Y %H:%M:%S.%f")
    return path


@dialect(by="pandas")
def pandas_gzip(r, folder):
    path = folder / "log.csv.gz"
    frame(r).to_csv(path, index=False)
    return path


@dialect(by="pandas")
def pandas_zip(r, folder):
    path = folder / "log.zip"
    frame(r).to_csv(path, index=False, compression={"method": "zip", "archive_name": "log.csv"})
    return path


@dialect(by="pandas")
def pandas_zstd(r, folder):
    path = folder / "log.csv.zst"
    raw = frame(r).to_csv(index=False).encode()
    with pa.CompressedOutputStream(str(path), "zstd") as file:
        file.write(raw)
    return path


@dialect(by="pandas")
def pandas_parquet(r, folder):
    path = folder / "log.parquet"
    frame(r).to_parquet(path)
    return path


@dialect(by="pandas")
def pandas_parquet_index(r, folder):
    path = folder / "log.parquet"
    frame(r).set_index("Timestamp").to_parquet(path)
    return path


@dialect(by="pyarrow")
def arrow_parquet_as_we_export(r, folder):
    path = folder / "log.parquet"
    ns = np.array([round(each.timestamp() * 1000) * 10**6 for each in r.moments()])
    pa.parquet.write_table(
        pa.table(
            {
                "time": pa.array(ns, pa.timestamp("ns", tz="UTC")),
                "command (mA)": r.command_ma,
                "current (A)": r.current_a,
                "pressure (bar)": r.pressure_bar,
            }
        ),
        path,
        compression="zstd",
    )
    return path


@dialect()
def csv_as_we_export(r, folder):
    header = ("time (UTC)", "command (mA)", "current (A)", "pressure (bar)")
    return lines(folder, table(r, iso(r, tail="Z", digits=6), header=header), end="\r\n")


@dialect(by="pyarrow")
def feather(r, folder):
    path = folder / "log.feather"
    pa.feather.write_feather(pa.Table.from_pandas(frame(r)), str(path), compression="lz4")
    return path


@dialect(by="pyarrow")
def feather_float32(r, folder):
    path = folder / "log.arrow"
    seen = frame(r)
    seen["Valve command [mA]"] = seen["Valve command [mA]"].astype("float64")
    pa.feather.write_feather(pa.Table.from_pandas(seen, preserve_index=False), str(path), compression="uncompressed")
    return path


@dialect(by="xlsxwriter")
def workbook_xlsxwriter(r, folder):
    path = folder / "log.xlsx"
    book = xlsxwriter.Workbook(path)
    sheet = book.add_worksheet("Data")
    book.add_worksheet("Notes").write(0, 0, "press 4, taken on 2 March")
    form = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss.000"})
    sheet.write_row(0, 0, ["Time", "Command [mA]", "Coil current [A]", "Pressure [bar]"])
    for k, moment in enumerate(r.moments(), 1):
        sheet.write_datetime(k, 0, moment.replace(tzinfo=None), form)
    for k, column in enumerate((r.command_ma, r.current_a, r.pressure_bar), 1):
        sheet.write_column(1, k, column.tolist())
    book.close()
    return path


@dialect(by="xlsxwriter")
def workbook_with_preamble_and_serials(r, folder):
    path = folder / "log.xlsx"
    book = xlsxwriter.Workbook(path, {"constant_memory": False})
    sheet = book.add_worksheet("Messung")
    sheet.write_row(0, 0, ["Presse 4", "", "Schicht", 2])
    sheet.write_row(2, 1, ["Zeit", "Sollwert", "Strom", "Druck"])
    sheet.write_row(3, 1, ["", "mA", "mA", "bar"])
    serials = [each.timestamp() / 86400 + 25569 for each in r.moments()]
    for k, column in enumerate((serials, r.command_ma, np.round(r.current_a * 1000, 1), r.pressure_bar), 1):
        sheet.write_column(4, k, list(column))
    book.close()
    return path


@dialect(by="xlsxwriter")
def workbook_date_and_time_columns(r, folder):
    path = folder / "log.xlsx"
    book = xlsxwriter.Workbook(path)
    sheet = book.add_worksheet()
    day, clock = book.add_format({"num_format": "dd/mm/yyyy"}), book.add_format({"num_format": "hh:mm:ss.000"})
    sheet.write_row(0, 0, ["Date", "Time", "Command (mA)", "Current (A)", "Pressure (bar)"])
    for k, moment in enumerate(r.moments(), 1):
        sheet.write_datetime(k, 0, datetime(moment.year, moment.month, moment.day), day)  # noqa: DTZ001
        sheet.write_datetime(k, 1, moment.time(), clock)
    for k, column in enumerate((r.command_ma, r.current_a, r.pressure_bar), 2):
        sheet.write_column(1, k, column.tolist())
    book.close()
    return path


@dialect(by="odfpy")
def opendocument(r, folder):
    path = folder / "log.ods"
    frame(r).to_excel(path, engine="odf", index=False, sheet_name="Log")
    return path


@dialect(by="csv")
def tab_dialect_of_csv(r, folder):
    path = folder / "log.tsv"
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, dialect="excel-tab")
        writer.writerow(["Time", "Command mA", "Coil current A", "Pressure bar"])
        writer.writerows(
            zip(iso(r), r.command_ma.tolist(), r.current_a.tolist(), r.pressure_bar.tolist(), strict=True)
        )
    return path


@dialect(by="csv")
def unix_dialect_of_csv(r, folder):
    path = folder / "log.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, ["Time", "Command (mA)", "Current (A)", "Pressure (bar)"], dialect="unix")
        writer.writeheader()
        for row in zip(iso(r), r.command_ma.tolist(), r.current_a.tolist(), r.pressure_bar.tolist(), strict=True):
            writer.writerow(dict(zip(writer.fieldnames, row, strict=True)))
    return path


@dialect(by="numpy")
def numpy_savetxt(r, folder):
    path = folder / "log.dat"
    stacked = np.column_stack([[each.timestamp() for each in r.moments()], r.command_ma, r.current_a, r.pressure_bar])
    np.savetxt(path, stacked, fmt=["%.3f", "%.3f", "%.4f", "%.2f"], header="time_s command_mA current_A pressure_bar")
    return path


@dialect()
def gzip_of_a_utf16_text(r, folder):
    path = folder / "log.txt.gz"
    path.write_bytes(gzip.compress("\r\n".join(table(r, iso(r), "\t")).encode("utf-16")))
    return path


@dialect()
def zip_with_a_readme(r, folder):
    path = folder / "log.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("readme.txt", "Recorded on press 4.\n")
        archive.writestr("data/log.csv", "\n".join(table(r, iso(r))) + "\n")
    return path


def as_text(path: Path) -> str:
    """The first lines of a text dialect, for messages."""
    return io.BytesIO(path.read_bytes()).read(300).decode("latin-1")
