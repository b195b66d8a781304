"""`asleft agents`, as whoever runs the machine uses it."""

from __future__ import annotations

import pytest
from asleft.cli.main import main


@pytest.fixture
def agents(tmp_path, capsys):
    """Runs the command; code, output, complaints."""

    def run(*words):
        code = main(["agents", *words, "--data", str(tmp_path)])
        said = capsys.readouterr()
        return code, said.out, said.err

    return run


def test_binding_listing_and_releasing(agents):
    assert agents("list") == (0, "No valve is bound to an agent.\n", "")
    assert agents("bind", "hall-2", "press-9.platen", "press-9.ejector")[:2] == (
        0,
        "hall-2 may send press-9.ejector.\nhall-2 may send press-9.platen.\n",
    )
    code, out, _ = agents("list")
    assert code == 0
    assert [line.split()[:2] for line in out.splitlines()] == [
        ["hall-2", "press-9.ejector"],
        ["hall-2", "press-9.platen"],
    ]
    assert agents("bind", "hall-2", "press-9.platen")[:2] == (1, "press-9.platen: nothing to change.\n")
    assert agents("release", "hall-2", "press-9.platen")[0] == 0
    assert "press-9.platen" not in agents("list")[1]


@pytest.mark.parametrize("words", [("bind", "Hall 2", "press-9.platen"), ("bind", "hall-2", "press 9")])
def test_names_that_are_none_are_refused_before_anything_is_changed(agents, words):
    code, _, err = agents(*words)
    assert code == 2
    assert "cannot name" in err
    assert agents("list")[1] == "No valve is bound to an agent.\n"
