"""`asleft sheet new|check|diff|put|propose`: the settings sheet from the first line to the record."""

from __future__ import annotations

import argparse
from pathlib import Path

from asleft.cli.log_options import add_log_options
from asleft.cli.records_option import add_records_argument, records_of
from asleft.cli.sheet_propose import add_propose_arguments, propose_from_file

HELP = """\
what it does
  A sheet is the commissioned settings of one valve, in one revision: how it
  was left, in what tolerance, since when, by whom and why. It is a TOML text
  file; [valve] id, [signal] kind and one setting under [as_left] are enough.

commands
  new    print the text of a new sheet, to be filled in
  from   make a sheet from a recording of a valve that has none
  check  report every fault of a sheet at once, or what it says
  diff   what differs between two sheets
  put    file a sheet in the records of a recorder; never changed afterwards
  propose  settings for wanted pressures, from a recorded sweep

examples
  asleft sheet new --valve-id press-4.platen --press "Press 4" > press-4.toml
  asleft sheet new --valve-id press-4.platen --set ramp_up=1.2 --set ramp_down=2
  asleft sheet from logger.csv --valve-id press-4.platen --out press-4.toml
  asleft sheet check press-4.toml
  asleft sheet diff press-4-rev3.toml press-4-rev4.toml
  asleft sheet put press-4.toml --data asleft-data --by kl --why "new pump"
  asleft sheet propose sweep.csv --sheet press-4.toml --zero 12 --full 190

exit codes
  0  done (diff: no difference)
  1  diff: the sheets differ; propose: something asked for cannot be proposed
  2  a sheet has faults, or cannot be filed; the message names key, value, limit

cautions
  A sheet describes settings; it changes none. A valve set as the sheet says is
  not thereby safe: isolate, lock out, support and bleed before you touch it.
"""

NEW_HELP = """\
Prints a commented sheet. What you give is filled in; the rest stands as
comments, each with its unit and meaning: take the # away where you set a value.

settings for --set (in A, s, Hz, bar, %, ohm at 20 degC, V):
  current_at_zero current_at_full ramp_up ramp_down dither_frequency
  dither_amplitude pressure_at_zero pressure_at_full hysteresis
  coil_resistance supply_voltage

example
  asleft sheet new --valve-id press-4.platen --press "Press 4" \\
    --signal 4-20mA --set current_at_zero=0.18 --set current_at_full=0.92 \\
    --at now --by kl --out press-4.toml
"""

PUT_HELP = """\
Files the sheet in DIR/records.db, where the recorder finds it at its next
step. Revisions are only added: a sheet already filed is never changed; a
changed one needs a higher [revision] number. The sheet must say since when it
holds ([revision] at), and that may not lie before the revision on record.
Filing the very same sheet again changes nothing.
"""

VALVE_ID = "a-z, 0-9, - and dots; never used again"

PROPOSE_HELP = """\
what it does
  Reads off a recorded sweep at which coil currents the wanted pressures came,
  and how long a ramp must be for the pressure to change no faster than wanted,
  each with its uncertainty and what it rests on. It prints; it sets nothing.
  --out FILE writes the sheet's next revision with what is proposed, a tolerance
  for each; it is in force only once you enter in it since when, and file it.

what to record
  1  Oil at the temperature of the sheet. Valve in control of the pressure:
     cylinder against its stop, or the line blocked.
  2  Two full strokes 0-100-0 %, resting at both ends until the ramp is through
     and two seconds more.
  3  A sweep 0-100-0 % in ten steps each way, three seconds or more on each,
     without turning back.
  Command, current and pressure are needed; the file is read as by asleft judge,
  with the same --map and --zone.

how to read it
  The current at zero is from the falling branch, that at full from the rising
  one: so a gauge shows them. What the sweep did not reach is not proposed; the
  line under it says how far it went. Ramps hold at the steepest place between
  the two currents. Headroom is at the proposed current, with the coil hot and
  the supply low as the sheet says.

examples
  asleft sheet propose sweep.csv --sheet press-4.toml --zero 12 --full 190
  asleft sheet propose sweep.csv --sheet press-4.toml --zero 12 --full 190 \\
    --rate 100 --map logger.toml --out press-4-next.toml --by kl
  asleft sheet propose sweep.csv --sheet press-4.toml --full 2750 --unit psi

exit codes
  0  all that was asked for is proposed
  1  something that was asked for cannot be; the line under it says why
  2  sheet, map, file or number cannot be used; the message names it

cautions
  At 100 % command full pressure or full flow may result. Do not proceed if
  that is unsafe: people in reach, a tool or part that cannot take it, a raised
  platen that is not supported. Zero current does not mean safe: isolate, lock
  out, support and bleed before you touch anything. Only whoever is licensed and
  instructed for the machine may command it; local code rules.
"""


FROM_HELP = """\
what it does
  Measures what a recording shows of a valve that has no sheet yet, and writes
  a sheet with it: as found becomes as left, each with its uncertainty, and the
  reason beside what the recording could not show. What you know goes on the
  command line (--set for what was dialled) or is asked; the rest stands as
  comments to fill in. It says how the valve is set, not that it is set right.

what to record
  Ordinary production serves: command, current and pressure, with rests of
  several ramps' length at different commands, ten minutes or more.

examples
  asleft sheet from logger.csv --valve-id press-4.platen --press "Press 4" \\
    --by kl --out press-4.toml
  asleft sheet from logger.xlsx --valve-id press-4.platen --signal mA \\
    --ends 4:12 --set dither_frequency=120
  asleft judge tomorrow.csv --sheet press-4.toml

exit codes
  0  a sheet was made
  1  the recording shows no setting at all: nothing was written
  2  file, option or number cannot be used; the message names it

cautions
  A sheet changes no setting. A valve set as the sheet says is not thereby
  safe: isolate, lock out, support and bleed before you touch it.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the sub-commands of `asleft sheet`."""
    commands = parser.add_subparsers(dest="action", required=True, metavar="new|from|check|diff|put|propose")

    def add(name: str, summary: str, epilog: str | None = None) -> argparse.ArgumentParser:
        return commands.add_parser(
            name,
            help=summary,
            description=summary,
            epilog=epilog,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )

    new = add("new", "Print the text of a new sheet, to be filled in.", NEW_HELP)
    new.add_argument("--valve-id", required=True, metavar="ID", help=VALVE_ID)
    _add_sheet_arguments(new)
    new.add_argument("--why", default="first commissioning", help="why it was set")
    new.add_argument("--number", type=int, default=1, help="of the revision (default 1)")

    made = add("from", "Make a sheet from a recording: as found becomes as left.", FROM_HELP)
    made.add_argument("log", type=Path, metavar="LOG", help="the logger's file")
    made.add_argument("--valve-id", metavar="ID", help=f"{VALVE_ID}; asked on a terminal")
    made.add_argument("--ends", metavar="LOW:HIGH", help="signal at 0 and at 100 %% command, with --signal mA or V")
    _add_sheet_arguments(made)
    add_log_options(made)

    check = add("check", "Report every fault of a sheet at once, or what it says.")
    check.add_argument("sheets", nargs="+", type=Path, metavar="SHEET.toml")

    diff = add("diff", "Say what differs between two sheets (exit code 1 if anything does).")
    diff.add_argument("old", type=Path, metavar="OLD.toml")
    diff.add_argument("new", type=Path, metavar="NEW.toml")

    put = add("put", "File a sheet in the records of a recorder.", PUT_HELP)
    put.add_argument("sheet", type=Path, metavar="SHEET.toml")
    put.add_argument("--data", type=Path, required=True, metavar="DIR", help="the recorder's data folder")
    add_records_argument(put)
    put.add_argument("--by", help="who files it; the sheet's own entry if not given")
    put.add_argument("--why", help="why; the sheet's own entry if not given")

    add_propose_arguments(add("propose", "Settings for wanted pressures, from a recorded sweep.", PROPOSE_HELP))


def run(args: argparse.Namespace) -> int:
    """Do the chosen one; its exit code."""
    from asleft.cli import sheet_actions, sheet_filing

    if args.action == "new":
        return sheet_actions.new(args)
    if args.action == "check":
        return sheet_actions.check(args.sheets)
    if args.action == "diff":
        return sheet_actions.diff(args.old, args.new)
    if args.action == "propose":
        return propose_from_file(args)
    if args.action == "from":
        from asleft.cli.sheet_from import sheet_from

        return sheet_from(args)
    return sheet_filing.put(args.sheet, records_of(args), args.by, args.why)


def _add_sheet_arguments(parser: argparse.ArgumentParser) -> None:
    """What a technician knows of a valve."""
    parser.add_argument("--press", default="", help='where the valve is, as "Press 4"')
    parser.add_argument("--name", default="", help='which valve on that press, as "platen pressure"')
    parser.add_argument(
        "--controls", default="pressure", choices=("pressure", "flow"), help="what the valve controls"
    )
    parser.add_argument(
        "--signal",
        default="4-20mA",
        choices=("4-20mA", "0-10V", "0-5V", "mA", "V"),
        help="the command signal; mA or V alone for a range whose ends you fill in",
    )
    parser.add_argument(
        "--made-by",
        default="fixed steps",
        choices=("fixed steps", "controller ramps", "closed loop outside"),
        help="who shapes the command",
    )
    parser.add_argument(
        "--set", action="append", default=[], metavar="SETTING=VALUE", help="a setting; may be repeated"
    )
    parser.add_argument("--at", metavar="TIME", help='since when it holds, as 2026-03-02T08:10:00Z, or "now"')
    parser.add_argument("--by", default="", help="who set the valve")
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="write here (a file that is there is kept) instead of printing"
    )
