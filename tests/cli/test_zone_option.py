from __future__ import annotations

import re
from datetime import UTC
from pathlib import Path

import pytest
from asleft.cli.errors import UserError
from asleft.cli.main import main
from asleft.cli.times import machine_zone, zone_named


def test_unknown_zones_are_refused():
    with pytest.raises(UserError, match="--zone Vienna: must be the name"):
        zone_named("Vienna")


@pytest.mark.parametrize("name", ["UTC", "utc", "Z"])
def test_utc_by_any_name_is_the_same_object(name):
    assert zone_named(name) is UTC


@pytest.mark.parametrize(
    ("tz", "link", "zone"),
    [
        ("Europe/Vienna", None, "Europe/Vienna"),
        (":America/Chicago", "Europe/Vienna", "America/Chicago"),
        ("", "America/St_Johns", "America/St_Johns"),
        (None, "posix/Asia/Kathmandu", "Asia/Kathmandu"),
        (None, "Etc/UTC", "UTC"),
        ("CET-1CEST,M3.5.0,M10.5.0/3", "Europe/Vienna", "UTC"),
        ("Nowhere/Else", None, "UTC"),
        ("/etc/passwd", None, "UTC"),
        (None, None, "UTC"),
    ],
)
def test_the_machine_s_own_zone(tz, link, zone, tmp_path, monkeypatch):
    monkeypatch.delenv("TZ", raising=False)
    if tz is not None:
        monkeypatch.setenv("TZ", tz)
    localtime = tmp_path / "localtime"
    if link is not None:
        target = tmp_path / "usr/share/zoneinfo" / link
        target.parent.mkdir(parents=True)
        target.write_bytes(b"TZif")
        localtime.symlink_to(target)
    assert machine_zone(localtime) == zone


def log_of(folder: Path, first: str, zone: str = "") -> Path:
    path = folder / f"{len(list(folder.iterdir()))}.csv"
    rows = [
        f"{first}:{k // 10:02d}.{k % 10}{zone},{4 + k // 40 % 5},{0.2 + 0.1 * (k // 40 % 5):.3f}" for k in range(400)
    ]
    path.write_text("\n".join(["time,command (mA),current (A)", *rows]) + "\n", encoding="utf-8")
    return path


def test_a_log_that_names_no_zone_is_of_the_machine_s_and_that_is_said(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("TZ", "America/Chicago")
    plain, offset = log_of(tmp_path, "2026-03-02T08:00"), log_of(tmp_path, "2026-03-02T08:00", "+01:00")
    assert main(["log", str(plain)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "From 2 Mar 2026 08:00:00 CST" in said
    assert "taken for America/Chicago, this machine's own; --zone says another" in said
    assert main(["log", str(plain), "--zone", "Europe/Vienna"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "From 2 Mar 2026 08:00:00 CET" in said
    assert "this machine" not in said
    assert main(["log", str(offset)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "From 2 Mar 2026 01:00:00 CST" in said  # 08:00 at +01:00
    assert "this machine" not in said


def test_a_map_without_a_zone_stays_utc_on_any_machine(tmp_path, monkeypatch, capsys):
    plain = log_of(tmp_path, "2026-03-02T08:00")
    log_map = tmp_path / "map.toml"
    log_map.write_text('[column]\ncommand = "command (mA)"\ncurrent = "current (A)"\n', encoding="utf-8")
    sheet = tmp_path / "sheet.toml"
    sheet.write_text(
        '[valve]\nid = "v"\n[signal]\nkind = "4-20mA"\n[as_left]\ncurrent_at_zero = 0.2\ncurrent_at_full = 1.8\n',
        encoding="utf-8",
    )
    monkeypatch.setenv("TZ", "America/Chicago")
    main(["judge", str(plain), "--sheet", str(sheet), "--map", str(log_map)])
    assert "2 Mar 2026 08:00:00 UTC" in capsys.readouterr().out
    main(["judge", str(plain), "--sheet", str(sheet)])
    assert "2 Mar 2026 08:00:00 CST" in capsys.readouterr().out


def test_no_command_has_a_place_for_its_zone_by_default():
    """A fixed city would be wrong nearly everywhere; help pages say whose zone it is."""
    for path in (Path(__file__).parents[2] / "dashboard/asleft/cli").rglob("*.py"):
        for line in path.read_text(encoding="utf-8").splitlines():
            assert not re.search(r"default\s*[=( ]\s*\"?[A-Z][a-z]+/[A-Z]", line), (path, line)
