"""Who can say and hear what at the plant's broker, shown by what is delivered: a granted request proves nothing."""

from __future__ import annotations

import shutil
import subprocess
import threading
import time
from pathlib import Path

import pytest
from asleft.edge.uplink import BrokerSession, SessionLost
from asleft.instruments.broker import BrokerSettings
from asleft.recorder.broker_link import BrokerAccess, BrokerLink
from asleft.recorder.hearing import Hearing
from asleft.wire.topics import ALL_BLOCKS, ALL_STATES, ack_topic, block_topic, parse_topic, state_topic
from plant_broker import Peer, PlantBroker, make

TOPICS = (
    *(topic(agent) for topic in (block_topic, state_topic, ack_topic) for agent in ("hall-1", "hall-2")),
    "asleft/1/block/hall-1/deeper",
    "asleft/1/block",
    "asleft/1/block/RECORDER",
    "asleft/1/state/RECORDER",
    "asleft/1/ack/RECORDER",
    "asleft/2/block/hall-1",
    "asleft/1/other/hall-1",
    "elsewhere",
    "$SYS/broker/forged",
)
MAY_WRITE = {
    "hall-1": {block_topic("hall-1"), state_topic("hall-1")},
    "hall-2": {block_topic("hall-2"), state_topic("hall-2")},
    # No agent can be called RECORDER, so the two topics in its own name reach nobody's parser.
    "RECORDER": {ack_topic("hall-1"), ack_topic("hall-2"), "asleft/1/ack/RECORDER", "asleft/1/block/RECORDER",
                 "asleft/1/state/RECORDER"},
}  # fmt: skip
MAY_READ = {
    "hall-1": {ack_topic("hall-1")},
    "hall-2": {ack_topic("hall-2")},
    "RECORDER": {topic for topic in TOPICS if topic.startswith(("asleft/1/block/", "asleft/1/state/"))}
    - {"asleft/1/block/hall-1/deeper"}
    | {"asleft/1/ack/RECORDER"},
}
FILTERS = (*TOPICS, "#", "+/+/+/+", "asleft/1/ack/+", "asleft/1/block/#", "$SYS/#", "$share/g/asleft/1/ack/+")


def peer(plant: PlantBroker, name: str, **more: object) -> Peer:
    one = Peer(plant, name, **more)
    assert one.connect(), one.refusal
    return one


def test_no_topic_in_the_recorders_own_name_is_one_of_ours() -> None:
    assert all(parse_topic(f"asleft/1/{kind}/RECORDER") is None for kind in ("block", "state", "ack"))


@pytest.mark.parametrize("name", MAY_WRITE)
@pytest.mark.parametrize("retain", [False, True])
def test_what_each_can_say(plant: PlantBroker, name: str, retain: bool) -> None:
    observer = peer(plant, "OBSERVER")
    observer.subscribe(["#", "$SYS/broker/forged"])
    observer.heard.clear()  # retained ones of earlier tests
    speaker = peer(plant, name)
    fence = block_topic(name) if name != "RECORDER" else ack_topic("hall-1")
    word = f"{name} {retain}".encode()
    for topic in TOPICS:
        speaker.publish(topic, word, retain=retain)
    speaker.publish(fence, b"end " + word)
    observer_done = (fence, b"end " + word)
    speaker.flush()
    observer.until(lambda: observer_done in observer.heard)
    assert {topic for topic, payload in observer.heard if payload == word} == MAY_WRITE[name]
    for topic in MAY_WRITE[name]:  # leave nothing behind for the next
        observer.publish(topic, b"", retain=True)
    observer.flush()
    speaker.close()
    observer.close()


@pytest.mark.parametrize("name", MAY_READ)
def test_what_each_can_hear(plant: PlantBroker, name: str) -> None:
    observer = peer(plant, "OBSERVER")
    for topic in TOPICS:
        observer.publish(topic, b"kept", retain=True)
    observer.flush()
    listener = peer(plant, name)
    for one in FILTERS:
        listener.subscribe([one])
    for topic in TOPICS:
        observer.publish(topic, b"live")
    fence = min(MAY_READ[name])
    observer.publish(fence, b"end")
    observer.flush()
    listener.until(lambda: (fence, b"end") in listener.heard)
    for word in (b"kept", b"live"):
        assert {topic for topic, payload in listener.heard if payload == word} == MAY_READ[name], word
    for topic in TOPICS:
        observer.publish(topic, b"", retain=True)
    observer.flush()
    listener.close()
    observer.close()


def test_last_words_obey_the_same_rules(plant: PlantBroker) -> None:
    observer = peer(plant, "OBSERVER")
    observer.subscribe(["#"])
    forger = Peer(plant, "hall-1", will=(ack_topic("hall-2"), b"forged"))
    if forger.connect():
        forger.drop()
    honest = peer(plant, "hall-2", will=(state_topic("hall-2"), b"gone"))
    honest.drop()
    observer.until(lambda: (state_topic("hall-2"), b"gone") in observer.heard)
    assert all(payload != b"forged" for _, payload in observer.heard)
    observer.close()


def test_an_agent_cannot_take_anothers_session_away(plant: PlantBroker) -> None:
    first = peer(plant, "hall-1", client_id="asleft-agent-hall-1")
    thief = peer(plant, "hall-2", client_id="asleft-agent-hall-1")
    first.publish(block_topic("hall-1"), b"still here")
    first.flush()
    thief.publish(block_topic("hall-2"), b"and so am I")
    thief.flush()
    assert not first.refusal
    first.close()
    thief.close()


def test_nobody_comes_in_without_a_certificate(plant: PlantBroker) -> None:
    assert not Peer(plant, "").connect()


def test_nobody_comes_in_with_a_certificate_of_another_authority(plant: PlantBroker, tmp_path: Path) -> None:
    for words in (["broker", "localhost"], ["agent", "hall-1"]):
        assert make(tmp_path, *words).returncode == 0
    assert not Peer(plant, "hall-1").connect(tmp_path)


def test_nobody_comes_in_with_a_certificate_that_has_ended(plant: PlantBroker, tmp_path: Path) -> None:
    folder = tmp_path / "certificates"
    shutil.copytree(plant.certificates, folder)
    openssl = ["openssl", "ca", "-batch", "-notext", "-config", ".settings", "-extensions", "asks"]
    dates = ["-startdate", "20240101000000Z", "-enddate", "20250101000000Z"]
    ask = ["openssl", "req", "-new", "-config", ".settings", "-key", "hall-1.key", "-subj", "/CN=hall-1", "-out", "a"]
    subprocess.run(ask, cwd=folder, check=True, capture_output=True)
    done = subprocess.run([*openssl, *dates, "-in", "a", "-out", "hall-1.crt"], cwd=folder, check=False,
                          capture_output=True, text=True)  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert not Peer(plant, "hall-1").connect(folder)


def test_nobody_comes_in_with_a_revoked_certificate(plant: PlantBroker) -> None:
    assert not Peer(plant, "revoked-hall-3").connect()


def test_a_server_is_no_client(plant: PlantBroker) -> None:
    assert not Peer(plant, "broker").connect()


def test_revoking_takes_effect_when_the_broker_reloads(plant: PlantBroker) -> None:
    assert make(plant.certificates, "agent", "hall-7").returncode == 0
    one = peer(plant, "hall-7")
    one.close()
    for file in ("hall-7.crt", "hall-7.key"):
        shutil.copy(plant.certificates / file, plant.certificates / f"old-{file}")
    assert make(plant.certificates, "revoke", "hall-7.crt").returncode == 0
    plant.reload()
    deadline = time.monotonic() + 60
    while Peer(plant, "old-hall-7").connect():
        assert time.monotonic() < deadline, "a revoked agent still comes in after the reload"
        time.sleep(0.1)


def test_revoking_ends_the_open_session_and_the_others_come_back(tmp_path: Path) -> None:
    folder = tmp_path / "certificates"
    for words in (["broker", "localhost", "127.0.0.1"], ["recorder"], ["agent", "hall-1", "hall-2"]):
        assert make(folder, *words).returncode == 0
    shutil.copytree(folder, tmp_path / "carried")  # revoking removes the key here, not at the edge box
    plant = PlantBroker(tmp_path, folder)
    plant.start(watching=True)
    try:
        revoked, other = peer(plant, "hall-1"), peer(plant, "hall-2")
        for one in (revoked, other):
            one.publish(block_topic(one.name), b"a block")
            one.flush()
        whole = (folder / "revoked.crl").read_text()
        (folder / "revoked.crl").write_text(whole[: len(whole) // 2])  # as while it is copied
        deadline = time.monotonic() + 1.5
        while time.monotonic() < deadline:
            assert not revoked.ended()
        (folder / "revoked.crl").write_text(whole)

        assert make(folder, "revoke", "hall-1.crt").returncode == 0
        deadline = time.monotonic() + 60
        while not (revoked.ended() and other.ended()):
            assert time.monotonic() < deadline, "the revoked agent is still connected"
        while not (again := Peer(plant, "hall-2")).connect():
            assert time.monotonic() < deadline, "the other agent does not come back"
            time.sleep(0.1)
        again.publish(block_topic("hall-2"), b"a block")
        again.flush()
        assert not Peer(plant, "hall-1").connect(tmp_path / "carried")
    finally:
        plant.stop()


def agent_settings(plant: PlantBroker, host: str = "127.0.0.1", name: str = "hall-1") -> BrokerSettings:
    keys = plant.certificates
    own = (keys / f"{name}.crt", keys / f"{name}.key") if name else (None, None)
    return BrokerSettings(host, plant.port, "", None, 15, keys / "ca.crt", *own)


def test_agent_and_recorder_speak_through_it(plant: PlantBroker) -> None:
    keys = plant.certificates
    access = BrokerAccess(keys / "ca.crt", keys / "RECORDER.crt", keys / "RECORDER.key")
    link = BrokerLink("localhost", plant.port, "asleft-recorder", [ALL_BLOCKS], access)
    came = threading.Event()
    got: list[tuple[str, bytes]] = []

    class Listener:
        def connected(self) -> None:
            came.set()

        def disconnected(self) -> None:
            pass

        def message(self, topic: str, payload: bytes, packet: int) -> None:
            got.append((topic, payload))
            link.acknowledge(packet)
            link.publish(ack_topic("hall-1"), b"stored")

    link.start(Listener())
    try:
        assert came.wait(10), link.last_error
        acks: list[bytes] = []
        one = BrokerSession(agent_settings(plant), "hall-1", b"will", acks.append, mqtt5=True)
        one.open()
        deadline = time.monotonic() + 60
        while b"stored" not in acks:  # the recorder's subscription may be granted after our first block
            assert time.monotonic() < deadline, "no acknowledgement came back"
            one.send_upload(b"a block")
            one.pump(0.2)
        assert not one.refused
        one.close()
    finally:
        link.stop()
    assert (block_topic("hall-1"), b"a block") in got


@pytest.mark.parametrize(("name", "may"), [("RECORDER", True), ("SPARE", False)])
def test_a_recorder_finds_out_whether_the_access_list_has_its_lines(plant: PlantBroker, name: str, may: bool) -> None:
    if not (plant.certificates / f"{name}.crt").exists():
        assert make(plant.certificates, "recorder", name).returncode == 0
    keys = plant.certificates
    access = BrokerAccess(keys / "ca.crt", keys / f"{name}.crt", keys / f"{name}.key")
    assert access.name() == name  # read from the certificate: the session's name may be another
    link = BrokerLink("localhost", plant.port, "asleft-recorder", [ALL_BLOCKS, ALL_STATES], access)
    hearing = Hearing(link, access.name(), time.monotonic)
    link.on_own = hearing.heard

    class Listener:
        def connected(self) -> None:
            pass

        def disconnected(self) -> None:
            pass

        def message(self, topic: str, payload: bytes, packet: int) -> None:
            link.acknowledge(packet)

    link.start(Listener())
    try:
        deadline = time.monotonic() + 60
        while not (hearing.proved() if may else hearing.trouble()):
            assert time.monotonic() < deadline, link.last_error
            hearing.maintain()
            time.sleep(0.05)
        assert hearing.proved() == may
        if not may:
            assert "user SPARE" in hearing.trouble()
    finally:
        link.stop()


@pytest.mark.parametrize(
    ("host", "name", "said"),
    [("127.1", "hall-1", "IP address mismatch|not valid for"), ("127.0.0.1", "", "broker 127.0.0.1")],
    ids=["another name than the certificate's", "no certificate of our own"],
)
def test_an_agent_says_why_it_cannot_connect(plant: PlantBroker, host: str, name: str, said: str) -> None:
    settings = agent_settings(plant, host, name)
    one = BrokerSession(settings, "hall-1", b"will", lambda _bytes: None, mqtt5=True)
    with pytest.raises(SessionLost, match=said):
        one.open()
