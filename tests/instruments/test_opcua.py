"""The OPC UA feed against the library's own server and against node-opcua, which is not ours."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import socket
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from asleft.edge import main as command
from asleft.instruments import opcua
from asleft.instruments.opcua import OpcUaFeed
from asleft.instruments.opcua_client import ALLOWED, FileFault, WriteRefused, check_files, make_client
from asleft.instruments.opcua_settings import OpcUaAddress, read_opcua_settings
from asleft.wire.block import Reason
from asleft.wire.settings import Section
from asleft.wire.settings_faults import Fault
from asyncua import Client, ua
from asyncua.client.ua_session import UaSession
from asyncua.common.subscription import Subscription
from feed_waiting import take_until, until
from npm_package import node_modules
from opcua_servers import NODE_OPCUA, NodeServer, OwnServer, free_port

SERVERS = {"modules": f"{NODE_OPCUA} (npm)"}
VALVE = {
    "id": "press-4.platen",
    "channel": [
        {"name": "current", "unit": "A", "node": "ns=2;s=Press4.Current", "scale": 0.001},
        {"name": "mode", "node": "ns=2;s=Press4.Mode"},
    ],
}
COUNTER = {
    "id": "press-4.platen",
    "channel": [
        {"name": "current", "node": "ns=1;s=Press4.Counter"},
        {"name": "mode", "node": "ns=1;s=Press4.Mode"},
        {"name": "enable", "node": "ns=1;s=Press4.Enable"},
    ],
}


def faults_of(raw: dict[str, object]) -> list[str]:
    faults: list[Fault] = []
    read_opcua_settings(Section(faults, "", "instrument[1]", raw), Path)
    return [str(fault) for fault in faults]


def feed(raw: dict[str, object]) -> OpcUaFeed:
    faults: list[Fault] = []
    settings = read_opcua_settings(Section(faults, "", "instrument[1]", raw), Path)
    assert faults == []
    return OpcUaFeed(settings)


@pytest.fixture(scope="module")
def own_server() -> Iterator[OwnServer]:
    server = OwnServer({"Current": 500.0, "Mode": 3, "Name": "platen"})
    yield server
    server.stop()


@pytest.fixture
def own(own_server: OwnServer) -> OwnServer:
    """It takes a second of processor time to start: every test finds it with what the first one found."""
    own_server.write("Current", ua.DataValue(ua.Variant(500.0, ua.VariantType.Double)))
    return own_server


@pytest.fixture(scope="module")
def modules() -> Path:
    found = node_modules(NODE_OPCUA)
    if isinstance(found, str):
        pytest.skip(f"not here: node-opcua: {found}")
    return found


@pytest.fixture(scope="module")
def node(modules: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[NodeServer]:
    """It takes four seconds of processor time to start; no test changes anything in it."""
    server = NodeServer(modules, tmp_path_factory.mktemp("node") / "server")
    yield server
    server.stop()


class Cable:
    """A TCP connection that can be pulled out and put back."""

    def __init__(self, target_port: int) -> None:
        self._target = target_port
        self.port = free_port()
        self._ends: list[socket.socket] = []
        self._listener: socket.socket | None = None
        self.plug()

    def plug(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", self.port))
        threading.Thread(target=self._accept, args=(self._listener,), daemon=True).start()

    def pull(self) -> None:
        assert self._listener is not None
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for end in self._ends:
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()
        self._ends = []

    def _accept(self, listener: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = listener.accept()
                server = socket.create_connection(("127.0.0.1", self._target))
                self._ends += [client, server]
                for source, target in ((client, server), (server, client)):
                    threading.Thread(target=self._copy, args=(source, target), daemon=True).start()

    @staticmethod
    def _copy(source: socket.socket, target: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(65536):
                target.sendall(data)
        with contextlib.suppress(OSError):
            target.shutdown(socket.SHUT_RDWR)


def test_values_come_with_the_sources_times_and_what_stands_still_holds(own: OwnServer) -> None:
    made = feed({"url": own.url, "valve": [VALVE]})
    made.open({})
    take_until(made, lambda rows: bool(rows) and not rows[-1].reading.failed)

    async def write(step: int) -> datetime:
        """On the server's own thread, so that nothing it publishes is newer than a value still to come."""
        at = datetime.now(UTC)
        value = ua.DataValue(ua.Variant(1000.0 + step, ua.VariantType.Double), SourceTimestamp=at)
        await own.nodes["Current"].write_value(value)
        return at

    written: dict[int, int] = {}
    for step in range(50):
        at: datetime = own.do(lambda step=step: write(step))  # type: ignore[misc]
        written[1000 + step] = round(at.timestamp() * 1e6) * 1000
        time.sleep(0.02)
    rows = take_until(made, lambda rows: any(row.reading.numbers[0] > 1.048 for row in rows))
    rows += take_until(made, lambda more: len(more) > 30)
    made.close()
    times: dict[int, int] = {}
    for row in rows:
        times.setdefault(round(row.reading.numbers[0] * 1000), row.wall_ns)
    assert {number: times.get(number) for number in written} == written
    assert {row.reading.numbers[1] for row in rows if not row.reading.failed} == {3.0}
    # The server grants 200 ms and reports changes at once: what held in between is written out at 20 ms.
    after = [row.wall_ns for row in rows if row.wall_ns >= written[1049]]
    assert max(np.diff(after), default=0) <= 31_000_000
    assert made.counts.late == 0  # what is lost is told by the times above; a starved machine is silent for a while


def test_a_bad_status_is_a_failed_reading_and_good_again_is_good(own: OwnServer) -> None:
    made = feed({"url": own.url, "valve": [VALVE]})
    made.open({})
    take_until(made, lambda rows: bool(rows) and not rows[-1].reading.failed)
    bad = ua.DataValue(
        ua.Variant(7.0, ua.VariantType.Double), ua.StatusCode(ua.UInt32(ua.StatusCodes.BadNoCommunication))
    )
    own.write("Current", bad)
    take_until(made, lambda rows: bool(rows) and rows[-1].reading.failed == {0: Reason.NOT_CONNECTED})
    own.write("Current", ua.DataValue(ua.Variant(8.0, ua.VariantType.Double), SourceTimestamp=datetime.now(UTC)))
    rows = take_until(made, lambda rows: bool(rows) and not rows[-1].reading.failed)
    assert rows[-1].reading.numbers[0] == pytest.approx(0.008)
    made.close()


def test_a_variable_that_is_not_there_is_named_and_the_others_are_read(own: OwnServer) -> None:
    channels = [*VALVE["channel"], {"name": "pressure", "node": "ns=2;s=Press4.Presure"}]  # type: ignore[misc]
    made = feed({"url": own.url, "name": "controller", "valve": [{**VALVE, "channel": channels}]})
    made.open({})
    rows = take_until(made, lambda rows: bool(rows) and set(rows[-1].reading.failed) == {2})
    assert rows[-1].reading.numbers[:2] == [0.5, 3.0]
    until(lambda: made.trouble(0) != "no connection yet")
    assert made.trouble(0) == "controller refuses pressure (ns=2;s=Press4.Presure): BadNodeIdUnknown"
    made.close()


def test_a_variable_that_comes_later_is_read_then(own: OwnServer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("asleft.instruments.opcua._ASK_AGAIN_S", 0.5)
    channels = [*VALVE["channel"], {"name": "pressure", "node": "ns=2;s=Press4.Later"}]  # type: ignore[misc]
    made = feed({"url": own.url, "valve": [{**VALVE, "channel": channels}]})
    made.open({})
    take_until(made, lambda rows: bool(rows) and set(rows[-1].reading.failed) == {2})
    own.add("Later", 100.5)
    rows = take_until(made, lambda rows: bool(rows) and not rows[-1].reading.failed)
    assert rows[-1].reading.numbers == pytest.approx([0.5, 3.0, 100.5])
    assert made.trouble(0) == ""
    made.close()


def test_what_the_servers_queue_lost_is_marked_and_counted() -> None:
    made = feed({"url": "opc.tcp://127.0.0.1", "valve": [VALVE]})
    now = datetime.now(UTC)

    def publish(*values: tuple[int, float, int], sequence: int) -> None:
        items = [
            ua.MonitoredItemNotification(
                ClientHandle=ua.UInt32(7),
                Value=ua.DataValue(
                    ua.Variant(value, ua.VariantType.Double),
                    ua.StatusCode(ua.UInt32(status)),
                    SourceTimestamp=now + timedelta(milliseconds=at_ms),
                ),
            )
            for at_ms, value, status in values
        ]
        message = ua.NotificationMessage(
            SequenceNumber=ua.UInt32(sequence),
            PublishTime=now + timedelta(milliseconds=values[-1][0] + 5),
            NotificationData=[ua.DataChangeNotification(MonitoredItems=items)],
        )
        made.heard(ua.PublishResult(NotificationMessage=message), {7: 0})

    publish((0, 500.0, 0), (20, 510.0, 0), sequence=1)
    # Good, with the bits of a value whose queue has overflowed (OPC 10000-4, DataValue InfoBits).
    publish((400, 700.0, 0x0480), (420, 710.0, 0), sequence=2)
    first_ns = round(now.timestamp() * 1e6) * 1000
    rows = take_until(made, lambda rows: bool(rows) and rows[-1].wall_ns >= first_ns + 420_000_000)
    at_ms = {round((row.wall_ns - first_ns) / 1e6): row.reading for row in rows}
    assert at_ms[20].numbers[0] == pytest.approx(0.51)
    between = [reading for at, reading in at_ms.items() if 20 < at < 400]
    assert len(between) > 10
    assert all(reading.failed[0] is Reason.NO_ANSWER for reading in between)
    assert at_ms[400].numbers[0] == pytest.approx(0.7)
    assert at_ms[420].numbers[0] == pytest.approx(0.71)
    assert made.counts.lost == 1


def test_what_waited_at_the_server_in_two_messages_is_not_taken_for_a_value_that_held() -> None:
    """After a loss a server sends one by one what it held; seconds late, each with the time of its sending."""
    made = feed({"url": "opc.tcp://127.0.0.1", "valve": [VALVE]})
    now = datetime.now(UTC)
    first_ns = round(now.timestamp() * 1e6) * 1000

    def publish(times_ms: range, published_ms: int) -> None:
        items = [
            ua.MonitoredItemNotification(
                ClientHandle=ua.UInt32(7),
                Value=ua.DataValue(
                    ua.Variant(float(at_ms), ua.VariantType.Double),
                    SourceTimestamp=now + timedelta(milliseconds=at_ms),
                ),
            )
            for at_ms in times_ms
        ]
        message = ua.NotificationMessage(
            SequenceNumber=ua.UInt32(1),
            PublishTime=now + timedelta(milliseconds=published_ms),
            NotificationData=[ua.DataChangeNotification(MonitoredItems=items)] if items else [],
        )
        made.heard(ua.PublishResult(NotificationMessage=message, MoreNotifications=False), {7: 0})

    publish(range(0), 0)
    publish(range(0, 120, 20), 3000)
    rows = take_until(made, lambda rows: bool(rows) and rows[-1].wall_ns >= first_ns + 100_000_000)
    publish(range(120, 3000, 20), 3001)
    rows += take_until(made, lambda more: bool(more) and more[-1].wall_ns >= first_ns + 2_980_000_000)
    publish(range(0), 4200)  # nothing more has changed, but for what a busy server reports in its next message
    rows += take_until(made, lambda more: bool(more) and more[-1].wall_ns >= first_ns + 3_980_000_000)
    told = {round((row.wall_ns - first_ns) / 1e6): row.reading.numbers[0] for row in rows}
    assert made.counts.late == 0
    assert [told[at] for at in range(0, 3000, 20)] == pytest.approx([at / 1000 for at in range(0, 3000, 20)])
    assert [told[at] for at in range(3000, 4000, 20)] == pytest.approx([2.98] * 50)


def test_values_heard_before_the_server_granted_their_pace_are_no_hole() -> None:
    """A server may publish before it has answered, and a variable refused so far is asked for every half minute."""
    made = feed({"url": "opc.tcp://127.0.0.1", "valve": [VALVE]})
    now = datetime.now(UTC)

    def publish(at_ms: int) -> None:
        value = ua.DataValue(
            ua.Variant(500.0 + at_ms, ua.VariantType.Double), SourceTimestamp=now + timedelta(milliseconds=at_ms)
        )
        item = ua.MonitoredItemNotification(ClientHandle=ua.UInt32(7), Value=value)
        message = ua.NotificationMessage(
            SequenceNumber=ua.UInt32(1),
            PublishTime=now + timedelta(milliseconds=at_ms + 5),
            NotificationData=[ua.DataChangeNotification(MonitoredItems=[item])],
        )
        made.heard(ua.PublishResult(NotificationMessage=message), {7: 0})

    granted = ua.MonitoredItemCreateResult(RevisedSamplingInterval=20.0)
    refused = ua.MonitoredItemCreateResult(StatusCode=ua.StatusCode(ua.UInt32(ua.StatusCodes.BadNodeIdUnknown)))
    publish(0)
    made._granted([granted])
    publish(1000)
    made._granted([refused])
    publish(2000)
    first_ns = round(now.timestamp() * 1e6) * 1000
    rows = take_until(made, lambda rows: bool(rows) and rows[-1].wall_ns >= first_ns + 2_000_000_000)
    rows = [row for row in rows if row.wall_ns >= first_ns]
    assert made.counts.lost == 0
    assert len(rows) == 101
    assert not any(0 in row.reading.failed for row in rows)
    made.begin_anew()
    publish(4000)
    rows = take_until(made, lambda rows: bool(rows) and rows[-1].wall_ns >= first_ns + 4_000_000_000)
    assert made.counts.lost == 1
    behind = [row for row in rows if first_ns + 2_000_000_000 < row.wall_ns < first_ns + 4_000_000_000]
    assert behind
    assert all(set(row.reading.failed) == {0, 1} for row in behind), "what held before the hole is not known to hold"


def test_a_connection_on_which_nothing_is_published_any_more_is_given_up_for_a_new_one(
    own: OwnServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An answer lost with an earlier connection may be waited for ever; the server has long sent all it holds."""
    publish, stuck = UaSession.publish, list[UaSession]()

    async def lost(session: UaSession, acknowledged: list[ua.SubscriptionAcknowledgement]) -> ua.PublishResponse:
        answer = await publish(session, acknowledged)
        if session in stuck:
            await asyncio.Event().wait()
        sessions.append(session)
        return answer

    sessions: list[UaSession] = []
    monkeypatch.setattr(UaSession, "publish", lost)
    made = feed({"url": own.url, "queue_s": 1.0, "valve": [VALVE]})
    made.open({})
    take_until(made, lambda rows: bool(rows) and not rows[-1].reading.failed)
    stuck.append(sessions[-1])
    take_until(made, lambda rows: bool(rows) and bool(rows[-1].reading.failed))
    take_until(made, lambda rows: bool(rows) and not rows[-1].reading.failed)
    assert made.trouble(0) == ""
    assert sessions[-1] is not stuck[0]
    made.close()


def test_a_server_that_is_not_there_is_trouble_and_no_error() -> None:
    made = feed({"url": f"opc.tcp://127.0.0.1:{free_port()}", "valve": [VALVE]})
    made.open({})
    until(lambda: made.trouble(0).startswith("no connection: "))
    assert made.take(0) == []
    made.close()
    made.close()


def test_nothing_that_writes_can_be_asked_for(own: OwnServer) -> None:
    writing = ("Write", "Call", "HistoryUpdate", "AddNodes", "AddReferences", "DeleteNodes", "DeleteReferences")
    assert not ALLOWED & {f"{name}Request" for name in writing}
    assert all(hasattr(ua, name) for name in ALLOWED)

    async def attempt() -> None:
        client = await make_client(OpcUaAddress(own.url), 4.0)
        async with client:
            current = client.get_node("ns=2;s=Press4.Current")
            with pytest.raises(WriteRefused, match="WriteRequest was about to be sent"):
                await current.write_value(1.0)
            with pytest.raises(WriteRefused, match="CallRequest"):
                await client.nodes.server.call_method(ua.NodeId(11492), ua.Variant(1, ua.VariantType.UInt32))
            with pytest.raises(WriteRefused, match="AddNodesRequest"):
                await client.nodes.objects.add_variable(2, "New", 1)
            assert await current.read_value() == 500.0

    asyncio.run(attempt())


def test_no_module_names_a_service_that_writes() -> None:
    folder = Path(command.__file__).parent.parent
    for file in [*(folder / "instruments").glob("opcua*.py"), *(folder / "edge").glob("opcua*.py")]:
        for word in ("write_value", "write_attribute", "set_value", "call_method", "add_variable", "delete_nodes"):
            assert word not in file.read_text(), file


def test_node_opcua_sampled_fast_has_no_silent_hole_across_a_loss_of_three_seconds(node: NodeServer) -> None:
    cable = Cable(node.port)
    made = feed({"url": f"opc.tcp://127.0.0.1:{cable.port}", "sampling_ms": 10, "valve": [COUNTER]})
    made.open({})
    rows = take_until(made, lambda rows: bool(rows) and not rows[-1].reading.failed)
    begun = rows[-1].reading.numbers[0]
    rows += take_until(made, lambda more: bool(more) and more[-1].reading.numbers[0] > begun + 50)
    cable.pull()
    time.sleep(3.0)
    until(lambda: made.trouble(0).startswith("no connection: "))
    rows += made.take(0)
    behind = rows[-1].reading.numbers[0]
    cable.plug()
    rows += take_until(made, lambda more: bool(more) and more[-1].reading.numbers[0] > behind + 250)
    until(lambda: made.trouble(0) == "")
    made.close()
    cable.pull()
    good = [row for row in rows if row.wall_ns > 0 and row.reading.numbers[0] >= begun]
    assert not any(row.reading.failed for row in good)
    failed_ns = [row.wall_ns for row in rows if row.reading.failed]
    for one, next_one in itertools.pairwise(good):
        # A timer of a busy server may count several times between two of its own looks.
        if next_one.reading.numbers[0] - one.reading.numbers[0] > 10:
            # The connection came back too late for what the server still held: then the hole is marked, not silent.
            assert any(one.wall_ns < at_ns < next_one.wall_ns for at_ns in failed_ns), (one, next_one)
    assert all(b.wall_ns > a.wall_ns for a, b in itertools.pairwise(rows))
    assert {(row.reading.numbers[1], row.reading.numbers[2]) for row in good} == {(3.0, 1.0)}


def test_a_server_that_stood_still_for_seconds_is_read_on(own: OwnServer) -> None:
    """Asked again for a message that it does not have, this server answers with an empty one."""
    made = feed({"url": own.url, "valve": [VALVE]})
    made.open({})
    take_until(made, lambda rows: bool(rows) and not rows[-1].reading.failed)

    async def stand_still() -> None:
        time.sleep(4.0)

    own.do(stand_still)
    time.sleep(1.0)
    own.write("Current", ua.DataValue(ua.Variant(612.0, ua.VariantType.Double)))
    take_until(made, lambda rows: any(row.reading.numbers[0] == 0.612 for row in rows))
    made.close()


def test_nothing_is_asked_for_while_a_new_connection_is_opened(
    own: OwnServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Servers answer that by ending the connection, or never, and what they hold is lost."""
    opened: list[tuple[float, float]] = []
    asked: list[float] = []
    open_channel, send = Client.open_secure_channel, UaSession.publish

    async def opens_slowly(self: Client, renew: bool = False) -> None:
        begun_s = time.monotonic()
        await asyncio.sleep(2.5)  # longer than the library waits before it asks again
        await open_channel(self, renew)
        opened.append((begun_s, time.monotonic()))

    async def asks(self: UaSession, acks: list[ua.SubscriptionAcknowledgement]) -> ua.PublishResponse:
        asked.append(time.monotonic())
        return await send(self, acks)

    monkeypatch.setattr(UaSession, "publish", asks)
    cable = Cable(own.port)
    made = feed({"url": f"opc.tcp://127.0.0.1:{cable.port}", "valve": [VALVE]})
    made.open({})
    take_until(made, lambda rows: bool(rows) and not rows[-1].reading.failed)
    monkeypatch.setattr(Client, "open_secure_channel", opens_slowly)
    cable.pull()
    until(lambda: made.trouble(0).startswith("no connection: "))
    cable.plug()
    until(lambda: made.trouble(0) == "")
    take_until(made, lambda rows: bool(rows) and not rows[-1].reading.failed)
    made.close()
    cable.pull()
    assert opened
    assert not [at_s for at_s in asked for begun_s, ended_s in opened if begun_s < at_s < ended_s]


NOT_HELD = ua.uaerrors.BadMessageNotAvailable()
EMPTY = ua.NotificationMessage()  # what some servers answer instead, against OPC 10000-4, 5.14.6


@pytest.mark.parametrize(
    ("silent_s", "answer", "anew"),
    [
        (5.0, NOT_HELD, False),  # the server is slow: its queue holds what is missing
        (5.0, EMPTY, False),
        (5.0, ua.uaerrors.BadSubscriptionIdInvalid(), True),
        (11.0, NOT_HELD, True),  # nothing is left to be saved
    ],
)
def test_a_subscription_that_is_silent_is_made_anew_only_when_nothing_can_be_lost_by_it(
    monkeypatch: pytest.MonkeyPatch, silent_s: float, answer: Exception | ua.NotificationMessage, anew: bool
) -> None:
    done: list[str] = []

    class Session:
        async def republish(self, _subscription: int, _sequence: int) -> ua.NotificationMessage:
            await asyncio.sleep(0)
            if isinstance(answer, Exception):
                raise answer
            return answer

        def ensure_publish_loop(self) -> None:
            done.append("goes on")

    async def made_anew(_self: Subscription) -> None:
        done.append("made anew")

    monkeypatch.setattr(Subscription, "recreate", made_anew)
    parameters = ua.CreateSubscriptionParameters(RequestedPublishingInterval=200.0)
    of = feed({"url": "opc.tcp://127.0.0.1", "queue_s": 10, "valve": [VALVE]})
    subscription = opcua._Subscription(Session(), parameters, of, 10.0)  # type: ignore[arg-type]
    subscription.subscription_id = 1
    subscription._heard_s -= silent_s
    asyncio.run(asyncio.wait_for(subscription.recreate(), 10))
    assert done == (["made anew"] if anew else ["goes on"])


def message_of(sequence: int) -> ua.PublishResult:
    value = ua.DataValue(ua.Variant(float(sequence), ua.VariantType.Double))
    changes = ua.DataChangeNotification(MonitoredItems=[ua.MonitoredItemNotification(Value=value)])
    message = ua.NotificationMessage(SequenceNumber=ua.UInt32(sequence), NotificationData=[changes])
    return ua.PublishResult(1, NotificationMessage=message)


@pytest.mark.parametrize("without", [NOT_HELD, EMPTY])
@pytest.mark.parametrize(("kept", "heard", "anew"), [({3, 4}, [1, 2, 3, 4, 5, 6], 0), (set(), [1, 2, 5, 6], 1)])
def test_a_message_that_comes_before_those_that_were_lost_waits_for_them(
    monkeypatch: pytest.MonkeyPatch,
    kept: set[int],
    heard: list[int],
    anew: int,
    without: Exception | ua.NotificationMessage,
) -> None:
    """After a loss the library may hand on a new message first. What the server has no more of is a marked hole."""

    class Session:
        async def republish(self, _subscription: int, sequence: int) -> ua.NotificationMessage:
            await asyncio.sleep(0)
            if sequence not in kept and isinstance(without, Exception):
                raise without
            if sequence not in kept:
                return without
            return message_of(sequence).NotificationMessage

    of = feed({"url": "opc.tcp://127.0.0.1", "valve": [VALVE]})
    said: list[int] = []
    begun: list[bool] = []
    monkeypatch.setattr(of, "heard", lambda one, _: said.append(int(one.NotificationMessage.SequenceNumber)))
    monkeypatch.setattr(of, "begin_anew", lambda: begun.append(True))

    async def run() -> None:
        parameters = ua.CreateSubscriptionParameters()
        subscription = opcua._Subscription(Session(), parameters, of, 10.0)  # type: ignore[arg-type]
        subscription.subscription_id = 1
        for sequence in (1, 2):
            await subscription.publish_callback(message_of(sequence))
        await asyncio.gather(subscription.publish_callback(message_of(5)), subscription.restore())
        await subscription.publish_callback(message_of(6))

    asyncio.run(run())
    assert said == heard
    assert len(begun) == anew


def test_a_loss_longer_than_the_queue_is_marked(node: NodeServer) -> None:
    cable = Cable(node.port)
    made = feed({"url": f"opc.tcp://127.0.0.1:{cable.port}", "queue_s": 1.0, "valve": [COUNTER]})
    made.open({})
    rows = take_until(made, lambda rows: bool(rows) and not rows[-1].reading.failed)
    cable.pull()
    rows += take_until(
        made, lambda more: bool(more) and set(more[-1].reading.failed.values()) == {Reason.NOT_CONNECTED}
    )
    cable.plug()
    rows += take_until(made, lambda more: bool(more) and not more[-1].reading.failed)
    made.close()
    cable.pull()
    assert all(b.wall_ns > a.wall_ns for a, b in itertools.pairwise(rows))


def test_a_server_that_is_started_anew_is_read_again_and_the_hole_is_marked(modules: Path, tmp_path: Path) -> None:
    server = NodeServer(modules, tmp_path / "server")
    made = feed({"url": server.url, "valve": [COUNTER]})
    made.open({})
    rows = take_until(made, lambda rows: bool(rows) and not rows[-1].reading.failed)
    rows += take_until(made, lambda more: len(more) > 50)
    server.stop()
    time.sleep(1.0)
    again = NodeServer(modules, tmp_path / "server", server.port)
    began_ns = time.time_ns()
    rows += take_until(made, lambda more: any(row.wall_ns > began_ns and not row.reading.failed for row in more))
    made.close()
    again.stop()
    assert all(b.wall_ns > a.wall_ns for a, b in itertools.pairwise(rows))
    first_new = next(at for at, row in enumerate(rows) if row.wall_ns > began_ns and not row.reading.failed)
    assert rows[first_new - 1].reading.failed
    # Away for longer than its queue holds it is marked meanwhile, else as a hole when it is back.
    marked = {reason for row in rows for reason in row.reading.failed.values()}
    assert made.counts.lost >= 1 or Reason.NOT_CONNECTED in marked


def certificate(folder: Path) -> tuple[str, str]:
    assert command.main(["certificate", str(folder / "agent")]) == 0
    assert (folder / "agent.pem").stat().st_mode & 0o077 == 0
    return str(folder / "agent.der"), str(folder / "agent.pem")


@pytest.mark.parametrize(
    ("security", "policy"), [("sign-and-encrypt", "Basic256Sha256"), ("sign", "Aes256-Sha256-RsaPss")]
)
def test_node_opcua_with_certificates_a_user_and_a_password(
    node: NodeServer, tmp_path: Path, security: str, policy: str
) -> None:
    own_certificate, key = certificate(tmp_path)
    (tmp_path / "password").write_text("correct horse\n")
    made = feed(
        {
            "url": node.url,
            "security": security,
            "policy": policy,
            "certificate_file": own_certificate,
            "key_file": key,
            "server_certificate_file": str(node.certificate),
            "username": "reader",
            "password_file": str(tmp_path / "password"),
            "valve": [COUNTER],
        }
    )
    made.open({})
    take_until(made, lambda rows: bool(rows) and not rows[-1].reading.failed)
    made.close()


def test_a_server_with_another_certificate_or_a_wrong_password_is_not_read(node: NodeServer, tmp_path: Path) -> None:
    own_certificate, key = certificate(tmp_path)
    (tmp_path / "password").write_text("wrong\n")
    secured = {"url": node.url, "security": "sign-and-encrypt", "certificate_file": own_certificate, "key_file": key}
    user = {"username": "reader", "password_file": str(tmp_path / "password")}
    for more in (
        {"server_certificate_file": own_certificate},
        {"server_certificate_file": str(node.certificate), **user},
    ):
        made = feed({**secured, **more, "timeout_s": 1.0, "valve": [COUNTER]})
        made.open({})
        until(lambda made=made: made.trouble(0).startswith("no connection: "))  # type: ignore[misc]
        assert made.take(0) == []
        made.close()


def test_browse_lists_path_node_type_and_value(
    node: NodeServer, own: OwnServer, capsys: pytest.CaptureFixture[str]
) -> None:
    assert command.main(["browse", node.url]) == 0
    lines = capsys.readouterr().out.splitlines()
    cells = {line.split()[0]: line.split()[1:] for line in lines if line.startswith("Press4")}
    assert cells["Press4/Mode"] == ["ns=1;s=Press4.Mode", "Int16", "3"]
    assert cells["Press4/Enable"] == ["ns=1;s=Press4.Enable", "Boolean", "True"]
    assert "Press4/Name" not in cells
    assert "more are no numbers now; --all shows them." in lines[-1]
    assert command.main(["browse", own.url, "--all", "--below", "ns=2;s=Press4.Name"]) == 0
    assert capsys.readouterr().out == "No variables.\n"
    assert command.main(["browse", f"opc.tcp://127.0.0.1:{free_port()}"]) == 1
    assert command.main(["browse", "http://127.0.0.1"]) == 2
    assert command.main(["browse", "opc.tcp://192.0.2.7:4840"]) == 2
    assert "--security sign-and-encrypt needs --certificate" in capsys.readouterr().err


def test_once_shows_value_time_and_age(own: OwnServer, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings = tmp_path / "box.toml"
    settings.write_text(
        'agent = "hall-2"\n[[instrument]]\nfamily = "opc-ua"\n'
        f'url = "{own.url}"\n[[instrument.valve]]\nid = "press-4.platen"\n'
        'channel = [{ name = "current", unit = "A", node = "ns=2;s=Press4.Current", scale = 0.001 }]\n'
    )
    assert command.main([str(settings), "--check"]) == 0
    assert command.main([str(settings), "--once"]) == 0
    said = capsys.readouterr().out
    assert "current        0.5000 A" in said
    assert "UTC by the source" in said


def test_a_slow_server_says_what_it_cannot_show(own: OwnServer, caplog: pytest.LogCaptureFixture) -> None:
    made = feed({"url": own.url, "publishing_ms": 500, "valve": [VALVE]})
    made.open({})
    take_until(made, bool)
    made.close()
    assert "samples every 500 ms, 20 ms were asked for" in caplog.text
    assert "at 2 readings a second ramps shorter than half a second and dither cannot be shown" in caplog.text


@pytest.mark.parametrize(
    ("raw", "part"),
    [
        ({}, "url: missing: the server's address"),
        ({"url": "http://h"}, 'url = "http://h": must be "opc.tcp://HOST:PORT"'),
        ({"url": "opc.tcp://me:secret@h"}, "without a user"),
        (
            {"url": "opc.tcp://192.0.2.7"},
            "server_certificate_file: missing: the certificate that the server must show",
        ),
        ({"url": "opc.tcp://192.0.2.7", "security": "none", "username": "x"}, "others on the network could read"),
        ({"url": "opc.tcp://localhost", "sampling_ms": 1}, "sampling_ms = 1: must be from 5 to 10000 ms"),
        ({"url": "opc.tcp://localhost", "password_file": "p"}, "password_file"),
    ],
)
def test_faulty_settings(raw: dict[str, object], part: str) -> None:
    assert any(part in fault for fault in faults_of({"valve": [VALVE], **raw})), faults_of({"valve": [VALVE], **raw})


def test_a_node_id_that_is_none_is_a_fault() -> None:
    wrong = {"id": "v", "channel": [{"name": "current", "node": "Press4.Current"}]}
    (fault,) = faults_of({"url": "opc.tcp://localhost", "valve": [wrong]})
    assert 'node = "Press4.Current": must be a node id, as "ns=2;s=Press4.Current"' in fault


def test_files_that_cannot_be_used_are_named(tmp_path: Path) -> None:
    absent = OpcUaAddress("opc.tcp://h", "sign", certificate_file=tmp_path / "no.der")
    with pytest.raises(FileFault, match=r"no\.der"):
        asyncio.run(check_files(absent))
    (tmp_path / "text.der").write_text("no certificate")
    with pytest.raises(FileFault, match="no certificate that can be read"):
        asyncio.run(check_files(OpcUaAddress("opc.tcp://h", "sign", certificate_file=tmp_path / "text.der")))
