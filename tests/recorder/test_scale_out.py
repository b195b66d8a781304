"""Two recorders over one InfluxDB and one PostgreSQL, as processes: one is killed, one is paused, nothing is lost."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))
sys.path.insert(0, str(Path(__file__).parent))
from influx_server import InfluxServer
from shared_plant import SharedPlant

pytestmark = pytest.mark.end_to_end
NORTH, SOUTH = "north", "south"


@pytest.fixture
def plant(tmp_path, mosquitto, postgres, tools):
    influx = InfluxServer(tmp_path / "influx").start()
    made = SharedPlant(tmp_path, mosquitto.port, influx, postgres.url(str(tmp_path)), tools, agents=4)
    yield made
    made.close()
    influx.stop()


def test_agents_change_hands_without_loss_when_a_recorder_joins_is_killed_or_is_paused(plant, tools):
    plant.start(NORTH)
    plant.offer(50)
    plant.until_stored(50)
    assert plant.shared_by(NORTH)

    plant.start(SOUTH)
    tools.until(lambda: plant.shared_by(NORTH, SOUTH))
    plant.offer(50)
    plant.until_stored(100)

    plant.offer(150)
    tools.until(lambda: all(agent.mark > 100 for agent in plant.agents))
    plant.recorders[SOUTH].kill()
    killed_s = time.monotonic()
    tools.until(lambda: plant.shared_by(NORTH))
    print(f"taken over {time.monotonic() - killed_s:.1f} s after the kill")
    plant.until_stored(250)
    plant.check_nothing_lost_or_twice(250)

    plant.start(SOUTH)
    tools.until(lambda: plant.shared_by(NORTH, SOUTH))
    plant.offer(50)
    tools.until(lambda: all(agent.mark > 250 for agent in plant.agents))
    plant.recorders[SOUTH].send_signal(signal.SIGSTOP)  # its judging process goes on, and must be harmless as well
    plant.offer(50)
    tools.until(lambda: plant.shared_by(NORTH))
    plant.until_stored(350)
    plant.recorders[SOUTH].send_signal(signal.SIGCONT)  # wakes up believing that nothing happened
    plant.offer(50)
    tools.until(lambda: plant.shared_by(NORTH, SOUTH))
    plant.until_stored(400)
    plant.check_nothing_lost_or_twice(400)
    plant.until_judged(400)

    def told() -> bool:
        """Whether the health rows, written every few seconds, say what the leases say."""
        rows = {row.source: row.details for row in plant.records.health()}
        owners = plant.owners()
        north = sorted(agent for agent, who in owners.items() if who == NORTH)
        return rows["recorder/north"]["owns"] == north and all(
            rows[f"agent/{agent}"]["recorder"] == owners[agent] for agent in plant.names
        )

    tools.until(told)
    rows = {row.source: row.details for row in plant.records.health()}
    assert {"recorder/south", "judging/north", "judging/south"} <= rows.keys()
    assert "recorder" not in rows


def test_a_second_recorder_of_the_same_name_is_refused_and_the_first_goes_on(plant):
    plant.start(NORTH)
    plant.offer(20)
    plant.until_stored(20)
    first = plant.recorders[NORTH]
    command = [one if one != str(plant.folder / NORTH) else str(plant.folder / "twin") for one in first.args]
    twin = subprocess.run(command, capture_output=True, text=True, timeout=300.0, check=False)
    assert twin.returncode == 2
    assert "another recorder is at work under the name 'north'" in twin.stderr
    plant.offer(20)
    plant.until_stored(40)
    first.terminate()
    assert first.wait(300.0) == 0
    assert plant.owners() == {}


def test_a_recorder_that_cannot_store_takes_no_agents_and_says_why(plant, tools):
    dead = f"influx://127.0.0.1:{tools.free_port()}/plant"
    plant.start("lost", dead)
    tools.until(lambda: "cannot be reached" in (plant.folder / "lost.log").read_text())
    plant.start(NORTH)
    plant.offer(50)
    plant.until_stored(50)
    for _ in range(4):  # more than one look at the leases of each
        plant.offer(10)
        time.sleep(1.0)
        assert plant.shared_by(NORTH)

    def told():
        rows = {row.source: row.details for row in plant.records.health()}
        return "recorder/lost" in rows and rows["recorder/lost"]["alarms"]

    alarm = tools.until(told)[0]
    assert alarm.startswith("Recorder lost takes no agents: ")
    assert "cannot be reached" in alarm
    plant.until_stored(90)
    plant.check_nothing_lost_or_twice(90)


def test_while_the_database_is_away_a_recorder_logs_a_handful_of_lines(plant, postgres):
    plant.start(NORTH)
    plant.offer(20)
    plant.until_stored(20)
    plant.until_judged(20)
    path = plant.folder / f"{NORTH}.log"
    before = len(path.read_text().splitlines())
    postgres.kill()
    try:
        plant.offer(20)
        time.sleep(12.0)
    finally:
        postgres.start()
    plant.until_stored(40)
    plant.until_judged(40)
    said = path.read_text().splitlines()[before:]
    assert not [line for line in said if "Traceback" in line], said
    failing = [line for line in said if " ERROR " in line or " WARNING " in line]
    assert len(failing) <= 20, failing
    assert any("over after" in line for line in said)
