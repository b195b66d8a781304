"""`asleft sim` starts the simulator as a process of its own and hands its arguments on."""

import argparse
import subprocess
import sys

from asleft.cli import sim


def parsed(*arguments):
    parser = argparse.ArgumentParser()
    sim.add_arguments(parser)
    return parser.parse_args(arguments)


def test_arguments_are_handed_on():
    line = sim.command_line(parsed("--ports", "1,2,3,4", "--now", "2026-03-02T08:00:00Z", "--seed", "7"))
    assert line[:3] == [sys.executable, "-m", "asleft.sim"]
    assert line[3:] == ["--ports", "1,2,3,4", "--host", "127.0.0.1", "--now", "2026-03-02T08:00:00Z", "--seed", "7"]
    assert "--now" not in sim.command_line(parsed())


def test_the_simulator_itself_refuses_what_is_wrong():
    done = subprocess.run(
        [*sim.command_line(parsed("--ports", "1,2"))], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 2
    assert "needs 4 ports" in done.stderr


def test_help_names_the_map_and_the_exit_codes():
    assert "sim/REGISTERS.md" in sim.HELP
    assert "exit codes" in sim.HELP
