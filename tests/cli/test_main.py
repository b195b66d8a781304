from __future__ import annotations

import os
import subprocess
import sys
from types import SimpleNamespace

import pytest
from asleft.cli import main as entry
from asleft.cli.errors import UserError
from asleft.cli.main import COMMANDS, Command, about, main


@pytest.fixture
def command(monkeypatch):
    """Registers a command whose run is given."""

    def register(run, extras: str = "plant") -> None:
        module = SimpleNamespace(HELP="", add_arguments=lambda parser: parser.add_argument("--n", type=int), run=run)
        monkeypatch.setattr(entry, "COMMANDS", {"try": Command("asleft.cli.try", "Try.", extras)})
        monkeypatch.setattr(entry.importlib, "import_module", lambda _name: module)

    return register


def test_help_names_every_command(capsys):
    assert main(["--help"]) == 0
    text = capsys.readouterr().out
    assert text == about()
    for name, entry_ in COMMANDS.items():
        assert f"  {name}" in text
        assert entry_.summary in text
    assert "no safety device" in text
    assert "exit codes" in text
    assert max(map(len, text.splitlines())) <= 80


def test_nothing_given_shows_the_help_and_is_no_success(capsys):
    assert main([]) == 2
    assert "first steps" in capsys.readouterr().out


def test_an_unknown_command_is_refused_with_the_nearest(capsys):
    assert main(["juge"]) == 2
    assert "did you mean judge?" in capsys.readouterr().err


def test_the_version(capsys):
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.startswith("asleft 0.")


def test_the_exit_code_is_the_command_s(command):
    command(lambda args: args.n)
    assert main(["try", "--n", "1"]) == 1
    assert main(["try", "--n", "0"]) == 0


def test_wrong_arguments_are_one_message(command, capsys):
    command(lambda _args: 0)
    assert main(["try", "--m"]) == 2
    assert capsys.readouterr().err == "asleft try: unrecognized arguments: --m\nSee asleft try --help.\n"
    assert main(["try", "--help"]) == 0


def test_a_user_s_mistake_is_one_message(command, capsys):
    def run(_args: object) -> int:
        raise UserError("log.csv: line 3: no")

    command(run)
    assert main(["try"]) == 2
    assert capsys.readouterr().err == "log.csv: line 3: no\n"


def test_a_missing_extra_says_which_to_install(command, capsys):
    def run(_args: object) -> int:
        raise ModuleNotFoundError("No module named 'scipy.special'", name="scipy.special")

    command(run, extras="plant,demo")
    assert main(["try"]) == 2
    assert "pip install 'asleft[plant,demo]'" in capsys.readouterr().err


def test_a_module_of_ours_that_is_missing_is_no_user_s_mistake(command):
    def run(_args: object) -> int:
        raise ModuleNotFoundError("No module named 'asleft.nowhere'", name="asleft.nowhere")

    command(run)
    with pytest.raises(ModuleNotFoundError):
        main(["try"])


def test_an_interrupt_is_quiet(command, capsys):
    def run(_args: object) -> int:
        raise KeyboardInterrupt

    command(run)
    assert main(["try"]) == 130
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize("unbuffered", ["", "1"])
def test_a_closed_pipe_is_quiet(unbuffered):
    reader, writer = os.pipe()
    os.close(reader)
    command = [sys.executable, "-m", "asleft.cli.main", "--help"]
    environment = {**os.environ, "PYTHONUNBUFFERED": unbuffered}
    done = subprocess.run(command, stdout=writer, stderr=subprocess.PIPE, env=environment, check=False)
    os.close(writer)
    assert done.stderr == b""


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("asleft ju", {"judge"}),
        ("asleft judge --unit", {"--unit-of"}),
        ("asleft judge a.csv --dates m", {"month-first"}),
    ],
)
def test_a_shell_is_told_how_a_line_goes_on(line, expected, tmp_path):
    answer = tmp_path / "answer"
    environment = {
        **os.environ,
        "_ARGCOMPLETE": "1",
        "_ARGCOMPLETE_IFS": "\n",
        "_ARGCOMPLETE_STDOUT_FILENAME": str(answer),
        "COMP_LINE": line,
        "COMP_POINT": str(len(line)),
        "COMP_TYPE": "9",
    }
    subprocess.run([sys.executable, "-m", "asleft.cli.main"], env=environment, check=True, capture_output=True)
    assert {each.strip() for each in answer.read_text().split("\n")} == expected


@pytest.mark.parametrize("name", ["judge", "log", "sheet"])
def test_help_pages_come_without_loading_what_only_running_needs(name):
    code = (
        "import sys; from asleft.cli.main import main; code = main([sys.argv[1], '--help']);"
        "heavy = {'numpy', 'scipy', 'pandas', 'sqlalchemy', 'dash'} & set(sys.modules);"
        "sys.exit(f'{code} {heavy}' if code or heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code, name], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    for word in ("what it does", "examples", "exit codes", "cautions", "isolate, lock out, support and bleed"):
        assert word in " ".join(done.stdout.split())
    assert max(map(len, done.stdout.splitlines())) <= 80
