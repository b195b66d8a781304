"""Files as loggers, trend exports, oscilloscopes, historians and spreadsheets write them, in habits seldom met.

Each function writes the one recording in some habit. `HABITS` are read; what must be answered first stands in
`answers`. `TRAPS` hold what is easily taken for something else: read rightly or refused in words that hold `says`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from dialects import iso, lines, stamps, table
from recording import Recording

Write = Callable[[Recording, Path], Path]


@dataclass(frozen=True)
class Habit:
    """How a file is written. `answers`: options that answer its questions. `elapsed`: it holds no day."""

    write: Write
    answers: Sequence[str] = ()
    elapsed: bool = False
    loose_s: float = 1e-5


@dataclass(frozen=True)
class Trap:
    """How a file is written that must not be read as it looks, and what is said of it."""

    write: Write
    says: str


HABITS: dict[str, Habit] = {}
TRAPS: dict[str, Trap] = {}

HEAD = ("Time", "Command (mA)", "Current (A)", "Pressure (bar)")


def habit(answers: Sequence[str] = (), *, elapsed: bool = False, loose_s: float = 1e-5) -> Callable[[Write], Write]:
    def register(write: Write) -> Write:
        HABITS[write.__name__] = Habit(write, answers, elapsed, loose_s)
        return write

    return register


def trap(says: str) -> Callable[[Write], Write]:
    def register(write: Write) -> Write:
        TRAPS[write.__name__] = Trap(write, says)
        return write

    return register


def cells(r: Recording) -> list[tuple[str, str, str]]:
    """Command, current and pressure of each row as text."""
    columns = (r.command_ma.tolist(), r.current_a.tolist(), r.pressure_bar.tolist())
    return [(f"{u:.3f}", f"{i:.4f}", f"{p:.2f}") for u, i, p in zip(*columns, strict=True)]


def since(r: Recording, origin: datetime, per_s: int) -> list[int]:
    """Whole counts since an origin, exactly."""
    per_us = per_s / 1_000_000
    return [round((each - origin) / timedelta(microseconds=1) * per_us) for each in r.moments()]


# ------------------------------------------------------------------------------------------------------- historians


def tall(r: Recording, *, quality: str | None = None, by_tag: bool = False) -> list[str]:
    tags = ("press4.valve.command_mA", "press4.valve.coil_current_A", "press4.platen.pressure_bar")
    tail = f",{quality}" if quality else ""
    order = [(row, k) for row in range(r.time_s.size) for k in range(3)]
    if by_tag:
        order.sort(key=lambda each: each[1])
    times, values = iso(r, tail="Z"), cells(r)
    return [f"{times[row]},{tags[k]},{values[row][k]}{tail}" for row, k in order]


@habit()
def tall_rows_of_time_tag_value(r, folder):
    return lines(folder, ["Timestamp,Tag,Value", *tall(r)])


@habit()
def tall_rows_with_quality_one_tag_after_the_other(r, folder):
    return lines(folder, ["Time,TagName,Value,Quality", *tall(r, quality="Good", by_tag=True)])


@habit()
def quality_word_behind_every_value(r, folder):
    head = "Time;Command (mA);Quality;Current (A);Quality;Pressure (bar);Quality"
    rows = [";".join([at, u, "Good", i, "Good", p, "Good"]) for at, (u, i, p) in zip(iso(r), cells(r), strict=True)]
    return lines(folder, [head, *rows])


@habit()
def quality_number_behind_every_value(r, folder):
    head = "Time;Command (mA);Q;Current (A);Q;Pressure (bar);Q"
    rows = [";".join([at, u, "192", i, "192", p, "192"]) for at, (u, i, p) in zip(iso(r), cells(r), strict=True)]
    return lines(folder, [head, *rows])


@habit()
def a_time_before_every_value_all_the_same(r, folder):
    head = "Valve command time;Valve command [mA];Coil current time;Coil current [A];Pressure time;Pressure [bar]"
    rows = [";".join([at, u, at, i, at, p]) for at, (u, i, p) in zip(iso(r), cells(r), strict=True)]
    return lines(folder, [head, *rows])


@trap("times that differ")
def a_time_before_every_value_of_its_own(r, folder):
    head = "Valve command time;Valve command [mA];Coil current time;Coil current [A];Pressure time;Pressure [bar]"
    other = [(each + timedelta(milliseconds=7)).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] for each in r.moments()]
    rows = [";".join([at, u, late, i, at, p]) for at, late, (u, i, p) in zip(iso(r), other, cells(r), strict=True)]
    return lines(folder, [head, *rows])


# ------------------------------------------------------------------------------------------------------------ times


@habit()
def iso_week_dates(r, folder):
    times = [f"{each:%G-W%V-%u}T{each:%H:%M:%S.%f}"[:-3] for each in r.moments()]
    return lines(folder, table(r, times, header=HEAD))


@habit()
def iso_ordinal_dates(r, folder):
    return lines(folder, table(r, stamps(r, "%Y-%jT%H:%M:%S.%f", -3), header=HEAD))


@habit()
def offset_behind_a_blank_without_colon(r, folder):
    times = [(each + timedelta(hours=1)).strftime("%Y-%m-%d %H:%M:%S.%f")[:-3] + " +0100" for each in r.moments()]
    return lines(folder, table(r, times, header=HEAD))


@habit()
def zone_name_in_brackets_behind_the_offset(r, folder):
    times = [
        (each + timedelta(hours=1)).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "+01:00[Europe/Vienna]"
        for each in r.moments()
    ]
    return lines(folder, table(r, times, header=HEAD))


@habit(loose_s=2e-5)
def ticks_of_100_ns_since_year_one(r, folder):
    times = since(r, datetime(1, 1, 1, tzinfo=UTC), 10_000_000)
    return lines(folder, table(r, times, header=("Ticks", *HEAD[1:])))


@habit(loose_s=2e-5)
def counts_of_100_ns_since_1601(r, folder):
    times = since(r, datetime(1601, 1, 1, tzinfo=UTC), 10_000_000)
    return lines(folder, table(r, times, header=HEAD))


@habit()
def seconds_since_1904(r, folder):
    begin = datetime(1904, 1, 1, tzinfo=UTC)
    times = [f"{(each - begin) / timedelta(seconds=1):.3f}" for each in r.moments()]
    return lines(folder, table(r, times, header=HEAD))


@trap("1904")
def spreadsheet_days_since_1904(r, folder):
    begin = datetime(1904, 1, 1, tzinfo=UTC)
    times = [f"{(each - begin) / timedelta(days=1):.10f}" for each in r.moments()]
    return lines(folder, table(r, times, header=HEAD))


@habit(loose_s=1e-4)
def spreadsheet_days_with_decimal_comma(r, folder):
    begin = datetime(1899, 12, 30, tzinfo=UTC)
    times = [f"{(each - begin) / timedelta(days=1):.10f}".replace(".", ",") for each in r.moments()]
    return lines(folder, table(r, times, ";", True, ("Zeitstempel", "Sollwert mA", "Spulenstrom A", "Druck bar")))


@habit()
def milliseconds_in_a_column_behind_date_and_time(r, folder):
    times = [f"{each:%d.%m.%Y};{each:%H:%M:%S};{each.microsecond // 1000}" for each in r.moments()]
    head = ("Datum;Uhrzeit;ms;Sollwert (mA);Spulenstrom (A);Druck (bar)",)
    return lines(folder, [*head, *table(r, times, ";", True, None)])


@habit()
def milliseconds_in_a_column_behind_a_stamp(r, folder):
    times = [f"{each:%Y-%m-%d %H:%M:%S},{each.microsecond // 1000:03d}" for each in r.moments()]
    return lines(
        folder, ["Timestamp,Millisecond,Command (mA),Current (A),Pressure (bar)", *table(r, times, header=None)]
    )


@trap("time_format")
def year_month_day_hour_minute_second_apart(r, folder):
    times = [each.strftime("%Y,%m,%d,%H,%M,%S.%f")[:-3] for each in r.moments()]
    head = "Year,Month,Day,Hour,Minute,Second,Command (mA),Current (A),Pressure (bar)"
    return lines(folder, [head, *table(r, times, header=None)])


@habit(elapsed=True)
def elapsed_as_a_clock(r, folder):
    times = [f"{int(t) // 3600:02d}:{int(t) // 60 % 60:02d}:{t % 60:06.3f}" for t in r.time_s]
    return lines(folder, table(r, times, header=("Elapsed", *HEAD[1:])))


@trap("time_format")
def elapsed_with_days(r, folder):
    times = [f"0 days {int(t) // 3600:02d}:{int(t) // 60 % 60:02d}:{t % 60:09.6f}" for t in r.time_s]
    return lines(folder, table(r, times, header=HEAD))


@trap("time_format")
def durations_of_iso_8601(r, folder):
    return lines(folder, table(r, [f"PT{t:.3f}S" for t in r.time_s], header=HEAD))


@habit(["--dates", "month-first"])
def american_date_of_two_digits_and_half_days(r, folder):
    times = [f"{each:%m/%d/%y},{each:%I:%M:%S.%f}"[:-3] + f" {each:%p}" for each in r.moments()]
    return lines(folder, ["Date,Time,Command (mA),Current (A),Pressure (bar)", *table(r, times, header=None)])


@habit()
def japanese_marks_of_year_month_day(r, folder):
    head = ("日時", "指令 (mA)", "コイル電流 (A)", "圧力 (bar)")
    return lines(folder, table(r, stamps(r, "%Y年%m月%d日 %H:%M:%S.%f", -3), header=head), encoding="shift_jis")


@habit()
def zone_letters_behind_the_time(r, folder):
    times = [(each + timedelta(hours=1)).strftime("%d.%m.%Y %H:%M:%S.%f")[:-3] + " CET" for each in r.moments()]
    return lines(folder, table(r, times, ";", header=HEAD))


# ---------------------------------------------------------------------------------------------------------- numbers


@habit()
def points_between_thousands_and_decimal_commas(r, folder):
    kpa = np.round(r.pressure_bar * 100.0, 1)
    texts = [f"{each:,.1f}".translate(str.maketrans(",.", ".,")) for each in kpa]
    both = [(at, u.replace(".", ","), i.replace(".", ",")) for at, (u, i, _) in zip(iso(r), cells(r), strict=True)]
    rows = [";".join([*each, p]) for each, p in zip(both, texts, strict=True)]
    return lines(folder, ["Zeit;Sollwert [mA];Spulenstrom [A];Druck [kPa]", *rows], encoding="cp1252")


@habit()
def narrow_blanks_between_thousands(r, folder):
    kpa = np.round(r.pressure_bar * 100.0, 1)
    texts = [f"{each:,.1f}".replace(",", "\u202f").replace(".", ",") for each in kpa]
    both = [(at, u.replace(".", ","), i.replace(".", ",")) for at, (u, i, _) in zip(iso(r), cells(r), strict=True)]
    rows = [";".join([*each, p]) for each, p in zip(both, texts, strict=True)]
    return lines(folder, ["Horodatage;Consigne [mA];Courant bobine [A];Pression [kPa]", *rows])


@habit()
def exponents_with_decimal_commas_and_signs(r, folder):
    columns = (r.command_ma.tolist(), r.current_a.tolist(), r.pressure_bar.tolist())
    rows = [
        ";".join([at, *(f"{v:+.6E}".replace(".", ",") for v in row)])
        for at, *row in zip(iso(r), *columns, strict=True)
    ]
    return lines(folder, ["Zeit;Sollwert [mA];Spulenstrom [A];Druck [bar]", *rows])


@habit()
def the_unit_behind_every_number(r, folder):
    rows = [f"{at},{u} mA,{i} A,{p} bar" for at, (u, i, p) in zip(iso(r), cells(r), strict=True)]
    return lines(folder, ["Time,Command,Coil current,Pressure", *rows])


@trap("no number")
def a_star_behind_numbers_of_bad_quality(r, folder):
    rows = [
        f"{at},{u}{'*' if 300 <= k < 320 else ''},{i},{p}"
        for k, (at, (u, i, p)) in enumerate(zip(iso(r), cells(r), strict=True))
    ]
    return lines(folder, [",".join(HEAD), *rows])


@trap("separator")
def decimal_commas_between_commas(r, folder):
    rows = [",".join([at, *(v.replace(".", ",") for v in row)]) for at, row in zip(iso(r), cells(r), strict=True)]
    return lines(folder, [",".join(HEAD), *rows])


# ----------------------------------------------------------------------------------------------------------- layout


@habit()
def header_on_every_page(r, folder):
    head = "\t".join(HEAD)
    rows = table(r, iso(r, " "), "\t", header=None)
    out = ["Trend report  Press 4", ""]
    for page, first in enumerate(range(0, len(rows), 56), 1):
        out += [*([""] if page > 1 else []), f"Page {page}", head, *rows[first : first + 56]]
    return lines(folder, out)


@habit()
def summary_at_the_end(r, folder):
    rows = table(r, iso(r, " "), ";", header=HEAD)
    out = [*rows, "", "Minimum;3.990;0.1780;11.50", "Maximum;20.010;0.9220;210.40", "Average;11.000;0.5000;100.00"]
    return lines(folder, out)


@trap("times that cannot be read")
def summary_between_header_and_rows(r, folder):
    head, *rows = table(r, iso(r, " "), ";", header=HEAD)
    return lines(folder, [head, "Min;3.990;0.1780;11.50", "Max;20.010;0.9220;210.40", "Mean;11.0;0.5;100.0", *rows])


@habit()
def types_below_units(r, folder):
    rows = table(r, iso(r), ",", header=None)
    return lines(folder, ["Time,Command,Coil current,Pressure", ",mA,A,bar", "DATE_AND_TIME,REAL,REAL,REAL", *rows])


@habit()
def remarks_of_the_operator_between_rows(r, folder):
    rows = table(r, iso(r), "\t", header=HEAD)
    return lines(
        folder, [*rows[:200], "# 08:00:08 marker set: new part", *rows[200:900], "# marker set", *rows[900:]]
    )


@habit()
def lines_of_a_data_base_table(r, folder):
    rows = [f" {at} | {u} | {i} | {p}" for at, (u, i, p) in zip(iso(r, " "), cells(r), strict=True)]
    head = "           time          | command_ma | current_a | pressure_bar"
    return lines(
        folder,
        [head, "-------------------------+-----------+-----------+-------------", *rows, f"({len(rows)} rows)"],
    )


@habit()
def table_with_bars_at_both_ends(r, folder):
    rows = [f"| {at} | {u} | {i} | {p} |" for at, (u, i, p) in zip(iso(r, " "), cells(r), strict=True)]
    return lines(folder, ["| Time | Command (mA) | Current (A) | Pressure (bar) |", "|---|---:|---:|---:|", *rows])


@habit()
def separator_said_in_the_first_line(r, folder):
    return lines(folder, ["sep=;", *table(r, iso(r), ";", True, HEAD)], encoding="utf-8-sig", end="\r\n")


@habit()
def utf16_big_endian_without_mark(r, folder):
    return lines(folder, table(r, iso(r, " "), ";", True, HEAD), encoding="utf-16-be", end="\r\n")


@habit()
def separator_at_the_end_of_rows_alone(r, folder):
    head, *rows = table(r, iso(r), ";", header=HEAD)
    return lines(folder, [head, *(row + ";" for row in rows)])


@habit()
def row_names_without_a_header(r, folder):
    """One name fewer than columns: a header that is taken from the left is one column off."""
    rows = [
        f'"{k}" {at.replace("T", "_")} {u} {i} {p}'
        for k, (at, (u, i, p)) in enumerate(zip(iso(r), cells(r), strict=True), 1)
    ]
    return lines(folder, ['"time" "command" "current" "pressure"', *rows])


@trap("no column is surely")
def fixed_width_with_cells_left_blank(r, folder):
    """A remark's column that is mostly blank: cut by blanks, what stands behind it moves one to the left."""
    rows = [
        f"{t:10.3f}{'  RUN ' if k % 9 else '      '}{u:>10}{i if k % 7 else '':>10}{p:>10}"
        for k, (t, (u, i, p)) in enumerate(zip(r.time_s.tolist(), cells(r), strict=True))
    ]
    return lines(folder, [f"{'Time_s':>10}{'  Mode':6}{'Cmd_mA':>10}{'Cur_A':>10}{'Press_bar':>10}", *rows])


@habit(elapsed=True)
def oscilloscope_settings_beside_the_rows(r, folder):
    settings = [
        "Record Length,1200",
        "Sample Interval,0.04",
        "Vertical Units,mA",
        "Source,CH1",
        *[","] * r.time_s.size,
    ]
    rows = [
        f"{left},,{t:.3f},{u},{i},{p}"
        for left, t, (u, i, p) in zip(settings, r.time_s.tolist(), cells(r), strict=False)
    ]
    return lines(folder, ["Setting,Value,,Time (s),Command (mA),Current (A),Pressure (bar)", *rows])


# ------------------------------------------------------------------------------------------------------------ names


@trap("current")
def current_that_means_present(r, folder):
    """ "Current" says "present" here; the coil's current stands under a word of its own."""
    rows = table(r, iso(r), header=("Time", "Current command", "Solenoid", "Current pressure"))
    return lines(folder, rows)


@trap("command")
def wanted_coil_current_as_the_command(r, folder):
    wanted = np.round(0.18 + 0.74 * (r.command_ma - 4.0) / 16.0, 4)
    header = ("Time", "Set current [A]", "Actual current [A]", "Pressure [bar]")
    return lines(folder, table(r, iso(r), header=header, columns=(wanted, r.current_a, r.pressure_bar)))


@trap("above vacuum")
def pressure_above_vacuum(r, folder):
    header = (*HEAD[:3], "Pressure (bar abs)")
    return lines(
        folder,
        table(r, iso(r), header=header, columns=(r.command_ma, r.current_a, np.round(r.pressure_bar + 1.013, 3))),
    )


@trap("may be the current")
def two_coils_of_one_valve(r, folder):
    rows = [f"{at},{u},{i},0.0001,{p}" for at, (u, i, p) in zip(iso(r), cells(r), strict=True)]
    moving = [row.replace(",0.0001,", f",{0.0002 * (k % 7):.4f},") for k, row in enumerate(rows)]
    return lines(folder, ["Time,Command (mA),Coil current A (A),Coil current B (A),Pressure (bar)", *moving])


@trap("1 % of the rows")
def values_only_where_they_change(r, folder):
    """A command written when it changes, and empty between."""
    rows, last = [], ""
    for at, t, (_, i, p) in zip(iso(r), r.time_s.tolist(), cells(r), strict=True):
        u = f"{4 + 16 * (0.0, 0.7, 0.25, 1.0, 0.5, 0.0, 0.9, 0.1)[int(t // 4) % 8]:.3f}"
        rows.append(f"{at},{u if u != last else ''},{i},{p}")
        last = u
    return lines(folder, [",".join(HEAD), *rows])


@habit()
def records_of_json(r, folder):
    rows = [
        f'{{"time": "{at}", "command_mA": {u}, "current_A": {i}, "pressure_bar": {p}}}'
        for at, (u, i, p) in zip(iso(r), cells(r), strict=True)
    ]
    return lines(folder, rows, name="log.json")


@habit()
def records_of_json_within_each_other(r, folder):
    rows = [
        f'{{"time": "{at}", "valve": {{"command_mA": {u}, "coil": {{"current_A": {i}}}}}, "pressure_bar": {p}}}'
        for at, (u, i, p) in zip(iso(r), cells(r), strict=True)
    ]
    return lines(folder, ["[", ",\n".join(rows), "]"], name="log.json")


@trap("web page")
def web_page_named_as_a_workbook(r, folder):
    rows = [
        f"<tr><td>{at}</td><td>{u}</td><td>{i}</td><td>{p}</td></tr>"
        for at, (u, i, p) in zip(iso(r), cells(r), strict=True)
    ]
    return lines(folder, ["<html><table>", *rows, "</table></html>"], name="log.xls")


def fixed(r: Recording, blank: Callable[[int], bool]) -> list[str]:
    """Columns of a fixed width, a word before the readings; the word is left blank in some rows."""
    rows = [
        f"{t:10.3f}{'' if blank(k) else 'RUN':>8}{u:>12}{i:>12}{p:>12}"
        for k, (t, (u, i, p)) in enumerate(zip(r.time_s.tolist(), cells(r), strict=True))
    ]
    return [f"{'Time_s':>10}{'Step':>8}{'Command_mA':>12}{'Current_A':>12}{'P_bar':>12}", *rows]


@habit(elapsed=True)
def fixed_width_with_a_word_left_blank_now_and_then(r, folder):
    """Cut by runs of blanks, every reading of such a row moves to the column on its left."""
    return lines(folder, fixed(r, lambda k: k % 23 == 11))


@trap("fewer cells")
def blanks_of_any_width_and_a_word_left_out(r, folder):
    """The same where nothing says in which column a cell stands: such rows cannot be used."""
    head, *rows = [" ".join(each.split()) for each in fixed(r, lambda k: k % 23 == 11)]
    return lines(folder, [head, *rows])


@habit(elapsed=True)
def row_numbers_without_a_header_and_commas(r, folder):
    rows = [
        ",".join([str(k), f"{t:.3f}", u, i, p])
        for k, (t, (u, i, p)) in enumerate(zip(r.time_s.tolist(), cells(r), strict=True))
    ]
    return lines(folder, ["time,command,current,pressure", *rows])


@habit(elapsed=True)
def a_free_running_counter_of_microseconds(r, folder):
    rows = table(r, [1_200_000_000 + round(t * 1e6) for t in r.time_s], header=("Time [us]", *HEAD[1:]))
    return lines(folder, rows)


@trap("Coil current")
def numbers_in_units_that_change_from_row_to_row(r, folder):
    """A meter that changes its range: mA below 200 mA, A above."""
    rows = [
        f"{at},{u} mA,{f'{float(i) * 1000:.1f} mA' if float(i) < 0.2 else f'{i} A'},{p} bar"
        for at, (u, i, p) in zip(iso(r), cells(r), strict=True)
    ]
    return lines(folder, ["Time,Command,Coil current,Pressure", *rows])


@trap("marked as not good")
def readings_of_bad_quality_with_numbers(r, folder):
    """What a server repeats while an instrument is away: the last number, marked as bad."""
    rows = []
    for k, (at, (u, i, p)) in enumerate(zip(iso(r), cells(r), strict=True)):
        bad = 400 <= k < 440
        rows.append(";".join([at, u, "Good", "0.5000" if bad else i, "Bad" if bad else "Good", p, "Good"]))
    return lines(folder, ["Time;Command (mA);Quality;Current (A);Quality;Pressure (bar);Quality", *rows])


@trap("1 % of the rows")
def tall_rows_written_where_they_change(r, folder):
    """Each tag at times of its own."""
    rows = []
    last = {}
    for k, row in enumerate(tall(r)):
        at, tag, value = row.split(",")
        if k % 3 == 0:
            value = f"{4 + 16 * (0.0, 0.7, 0.25, 1.0, 0.5, 0.0, 0.9, 0.1)[int(r.time_s[k // 3] // 4) % 8]:.3f}"
        if last.get(tag) != value:
            rows.append(f"{at},{tag},{value}")
        last[tag] = value
    return lines(folder, ["Timestamp,Tag,Value", *rows])


@habit()
def points_between_thousands_of_whole_numbers(r, folder):
    """In a file of decimal commas 21.006 is twenty-one thousand and six."""
    kpa = np.round(r.pressure_bar * 100.0)
    both = [(at, u.replace(".", ","), i.replace(".", ",")) for at, (u, i, _) in zip(iso(r), cells(r), strict=True)]
    rows = [";".join([*each, f"{p:,.0f}".replace(",", ".")]) for each, p in zip(both, kpa, strict=True)]
    return lines(folder, ["Zeit;Sollwert [mA];Spulenstrom [A];Druck [kPa]", *rows], encoding="cp1252")


@trap("thousandths")
def thousandths_without_leading_zeros(r, folder):
    """:00.40 is forty thousandths, and :00.120 three times as much."""
    times = [f"{each:%Y-%m-%d %H:%M:%S}.{each.microsecond // 1000}" for each in r.moments()]
    return lines(folder, table(r, times, header=HEAD))


@trap("no column grows as a time does")
def pictures_of_a_second_behind_a_colon(r, folder):
    """Hours, minutes, seconds, and which of 25 pictures of the second."""
    times = [f"{each:%Y-%m-%d %H:%M:%S}:{each.microsecond // 40000:02d}" for each in r.moments()]
    return lines(folder, table(r, times, header=HEAD))


@habit()
def decimal_points_in_one_column_and_commas_in_another(r, folder):
    rows = [
        f"{at};{u.replace('.', ',')};{i};{p.replace('.', ',')}"
        for at, (u, i, p) in zip(iso(r), cells(r), strict=True)
    ]
    return lines(folder, [";".join(HEAD), *rows])


@trap("Current (%)")
def current_in_percent_of_the_driver_s(r, folder):
    rows = [f"{at},{u},{float(i) / 0.012:.2f},{p}" for at, (u, i, p) in zip(iso(r), cells(r), strict=True)]
    return lines(folder, ["Time,Command (mA),Current (%),Pressure (bar)", *rows])


@trap("in which unit")
def pressure_in_millibar(r, folder):
    rows = [f"{at},{u},{i},{float(p) * 1000:.0f}" for at, (u, i, p) in zip(iso(r), cells(r), strict=True)]
    return lines(folder, ["Time,Command (mA),Current (A),Pressure (mbar)", *rows])


@trap("no column is surely the command")
def command_in_amperes_of_the_loop(r, folder):
    rows = [f"{at},{float(u) / 1000:.6f},{i},{p}" for at, (u, i, p) in zip(iso(r), cells(r), strict=True)]
    return lines(folder, ["Time,Command (A),Current (A),Pressure (bar)", *rows])


@habit()
def pressure_from_the_tank_side_first(r, folder):
    rows = [f"{at},{u},{i},{2 + float(p) / 100:.3f},{p}" for at, (u, i, p) in zip(iso(r), cells(r), strict=True)]
    return lines(folder, ["Time,Command (mA),Current (A),Return line pressure (bar),Pressure (bar)", *rows])


@trap("no column is surely the command")
def line_breaks_inside_quoted_headers(r, folder):
    rows = table(r, iso(r), header=None)
    return lines(folder, ['"Time","Command\n(mA)","Coil current\n(A)","Pressure\n(bar)"', *rows])


@habit()
def nothing_but_quotes_and_tabs_and_a_mark(r, folder):
    rows = ["\t".join(f'"{cell}"' for cell in (at, *row)) for at, row in zip(iso(r, " "), cells(r), strict=True)]
    head = "\t".join(f'"{name}"' for name in HEAD)
    return lines(folder, [head, *rows], encoding="utf-8-sig", end="\r\n")


@trap("another header")
def other_columns_below_a_header_of_their_own(r, folder):
    """A second recording, its columns in another order, and too short to be seen in any range."""
    upper = table(r, iso(r), header=HEAD)
    later = [(each + timedelta(minutes=5)).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] for each in r.moments()]
    lower = [f"{at},{p},{u},{i}" for at, (u, i, p) in zip(later[:3], cells(r), strict=False)]
    return lines(folder, [*upper, "", "Time,Pressure (bar),Command (mA),Current (A)", *lower])
