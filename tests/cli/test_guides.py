"""What the guides promise can be typed: every link leads somewhere, every command shown is one the program takes."""

from __future__ import annotations

import importlib
import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest
from asleft.cli.main import COMMANDS, main
from asleft.edge.main import main as agent

ROOT = Path(__file__).parents[2]
GUIDES = sorted(
    [path.relative_to(ROOT).as_posix() for path in ROOT.glob("*.md")]
    + [
        path.relative_to(ROOT).as_posix()
        for top in ("agent", "compose", "dashboard", "sim", "tests")
        for path in (ROOT / top).rglob("*.md")
    ]
)
_LINK = re.compile(r"\]\(([^)\s]+)\)")
_FENCED = re.compile(r"^ *```\w*\n(.*?)^ *```", re.MULTILINE | re.DOTALL)
_INLINE = re.compile(r"`([^`]+)`")


def _anchors(text: str) -> set[str]:
    """Headings as a forge makes anchors of them: small letters, no punctuation, spaces as hyphens."""
    heads = re.findall(r"^#+ (.*)$", _FENCED.sub("", text), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


def _commands(text: str, *, spoken: bool) -> Iterator[list[str]]:
    """Command lines of ours in a guide, in its blocks, or those `spoken` of within its sentences.

    Without comment, redirection, or the folder the program lies in.
    """
    blocks = [line for block in _FENCED.findall(text) for line in block.splitlines()]
    for span in [" ".join(code.split()) for code in _INLINE.findall(_FENCED.sub("", text))] if spoken else blocks:
        found = re.match(
            r"(?:\$ )?(?:runuser -u asleft -- (?:env \S+ )?)?(?:\S*/)?(asleft(?:-agent)?) (.+)", span.strip()
        )
        if found is None or "..." in span or "COMMAND" in span:
            continue
        yield [found[1], *shlex.split(re.split(r" [>|#]|;", found[2])[0], comments=True)]


def test_there_are_guides_and_they_show_commands():
    shown = [line for name in GUIDES for line in _commands((ROOT / name).read_text(encoding="utf-8"), spoken=False)]
    assert "README.md" in GUIDES
    ours = {line[1] for line in shown if line[0] == "asleft"}
    assert ours >= {"sheet", "judge", "record", "web", "users", "agents", "backup"}


@pytest.mark.parametrize("name", GUIDES)
def test_every_link_of_a_guide_leads_somewhere(name):
    text = (ROOT / name).read_text(encoding="utf-8")
    lost = []
    for target in _LINK.findall(text):
        if re.match(r"[a-z]+:", target):
            continue
        path, _, anchor = target.partition("#")
        at = (ROOT / name).parent / path if path else ROOT / name
        if not at.exists() or (anchor and anchor not in _anchors(at.read_text(encoding="utf-8"))):
            lost.append(target)
    assert not lost


@pytest.mark.parametrize("name", GUIDES)
def test_every_command_of_a_guide_is_one_the_program_takes(name, monkeypatch, capsys):
    for command in COMMANDS.values():
        monkeypatch.setattr(importlib.import_module(command.module), "run", lambda _args: 0)
    text = (ROOT / name).read_text(encoding="utf-8")
    for line in _commands(text, spoken=False):
        if line[0] == "asleft":
            assert main(line[1:]) == 0, (line, capsys.readouterr().err)
    for line in _commands(text, spoken=True):
        if line[0] == "asleft":  # what else it needs is left out in a sentence; what it has must be right
            named = all(word.isalpha() for word in line)
            code, said = main([*line[1:], "--help"] if named else line[1:]), capsys.readouterr().err
            assert code == 0 or "are required" in said, (line, said)


@pytest.mark.parametrize("name", GUIDES)
def test_every_option_of_the_agent_in_a_guide_is_one_it_takes(name):
    text = (ROOT / name).read_text(encoding="utf-8")
    for line in (*_commands(text, spoken=False), *_commands(text, spoken=True)):
        if line[0] == "asleft-agent":
            with pytest.raises(SystemExit, match="0"):
                agent([*(part for part in line[1:] if part.startswith("-")), "--help"])
