"""The recorder as a process over a damaged data folder: it goes on, or says in a sentence why it cannot."""

from __future__ import annotations

import subprocess
import sys
from typing import Self

import pytest
from asleft.store.damage import damaged_files
from asleft.store.samples import open_samples_reader


def command(data, port) -> list[str]:
    return [sys.executable, "-m", "asleft.cli.main", "record", "--data", str(data), "--broker", f"127.0.0.1:{port}"]


class Process:
    """One that ends with the block."""

    def __init__(self, data, port, log) -> None:
        self.log = log
        self._command = command(data, port)

    def __enter__(self) -> Self:
        self._file = self.log.open("w")
        self._process = subprocess.Popen(self._command, stdout=subprocess.PIPE, stderr=self._file, text=True)
        assert self._process.stdout.readline().startswith("recording into"), self.log.read_text()
        return self

    def __exit__(self, *_: object) -> None:
        self._process.terminate()
        assert self._process.wait(60) == 0
        self._process.stdout.close()
        self._file.close()


@pytest.mark.end_to_end
def test_a_damaged_file_costs_nothing_that_the_agent_still_has(tmp_path, mosquitto, agent, tools):
    data = tmp_path / "data"
    agent.offer(60)
    with Process(data, mosquitto.port, tmp_path / "first.log"):
        tools.until(lambda: agent.mark == 60)
    (data / "samples.db").write_bytes(b"\xa5" * (data / "samples.db").stat().st_size)
    agent.offer(10)
    with Process(data, mosquitto.port, tmp_path / "second.log") as second:
        tools.until(lambda: agent.mark == 70 and len(damaged_files(data)) == 1)

        def stored():
            reader = open_samples_reader(data)
            try:
                return [(mark.mark, mark.declared_gap) for mark in reader.marks()]
            finally:
                reader.close()

        tools.until(lambda: stored() == [(70, 0)])
    said = second.log.read_text()
    assert "Traceback" not in said
    assert said.count("is damaged") == 1
    assert "asleft restore --readings" in said


def test_a_folder_that_cannot_be_used_is_a_sentence(tmp_path):
    (tmp_path / "samples.db").mkdir()
    ended = subprocess.run(command(tmp_path, 1), capture_output=True, text=True, timeout=120, check=False)
    assert ended.returncode == 2
    assert "the readings in the data folder cannot be opened: unable to open database file" in ended.stderr
    assert "Traceback" not in ended.stderr


def test_damaged_records_lead_to_the_backup(tmp_path):
    (tmp_path / "records.db").write_bytes(b"\xa5" * 8192)
    ended = subprocess.run(command(tmp_path, 1), capture_output=True, text=True, timeout=120, check=False)
    assert ended.returncode == 2
    assert "records.db: cannot be opened: file is not a database; put back a backup of it" in ended.stderr
    assert "Traceback" not in ended.stderr
