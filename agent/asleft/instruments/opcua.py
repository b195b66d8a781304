"""An OPC UA server as a feed: a subscription whose values come with the times their source gave them.

The connection lives on a thread of its own. Where it is lost, the server keeps values in its queues; they are fetched
when it is back (the same session, else the subscription transferred, then what was sent and not received asked for
again). Where that fails the subscription is made anew and the hole is marked.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Mapping, Sequence

from asleft.instruments.backoff import Backoff
from asleft.instruments.feed import FeedCounts, TimedReading
from asleft.instruments.feed_base import FeedBase, S
from asleft.instruments.opcua_client import SESSION_S, FileFault, granting, make_client, publishing_when_connected
from asleft.instruments.opcua_settings import OpcUaSettings
from asleft.instruments.opcua_values import Variable, number_of, overflowed, time_ns
from asleft.instruments.rows import RowJoiner
from asleft.wire.block import Reason
from asyncua import Client, Node, ua
from asyncua.client.ua_client import UaClientState
from asyncua.client.ua_session import UaSession
from asyncua.common.subscription import DataChangeNotif, Subscription
from asyncua.ua.uaerrors import BadMessageNotAvailable, UaError

logger = logging.getLogger(__name__)

SLOW_S = 0.05
"""Sampled more slowly than this, ramps shorter than half a second and dither can no longer be shown."""
_KEEP_ALIVE_S = 1.0
_ASK_AGAIN_S = 30.0
_CLOSE_S = 5.0
_GIVE_UP_S = 5.0
_SILENT_S = 5.0
"""So long after the queue has run over a connection that says nothing is given up for a new one."""
_MOST_FETCHED = 10_000
"""No server keeps more messages than this to be asked for again; numbers further apart are of another count."""


class OpcUaFeed(FeedBase):
    """See `asleft.instruments.feed.Feed`, which it implements."""

    def __init__(self, settings: OpcUaSettings) -> None:
        self._settings = settings
        # The settling time lets a variable that the server reports in the next message find its row.
        settle_ns = round((2 * settings.publishing_s + 0.1) * S)
        self._every_ns = round(settings.sampling_s * S)
        counts = FeedCounts()
        joiners = [
            RowJoiner(
                len(valve.variables),
                counts,
                join_ns=self._every_ns // 2,
                settle_ns=settle_ns,
                every_ns=self._every_ns,
            )
            for valve in settings.valves
        ]
        super().__init__(settings.name, [valve.form() for valve in settings.valves], counts, joiners)
        self._places: list[tuple[int, int, Variable]] = [
            (index, channel, variable)
            for index, valve in enumerate(settings.valves)
            for channel, variable in enumerate(valve.variables)
        ]
        self._newest_ns = [0] * len(self._places)
        self._fresh = True  # a subscription from which nothing came yet
        self._heard_s: float | None = None  # when the server last published (monotonic)
        self._published_ns = 0  # and when by its own clock
        self._reported_ns = 0  # up to when all that changed is known
        self._refused: dict[int, str] = {}  # valve -> variables that the server refuses

    @property
    def patience_s(self) -> float:
        """How long the first reading may take."""
        return self._settings.timeout_s * 2 + 3 * self._settings.publishing_s + 2 * _KEEP_ALIVE_S

    def open(self, after_ns: Mapping[str, int]) -> None:
        """Start the thread of the connection."""
        with self._lock:
            self._go_on_after(after_ns)
        self._start(lambda backoff: asyncio.run(self._connected(backoff)), self._words)

    def take(self, index: int) -> list[TimedReading]:
        """Rows that have settled; while the server is away for longer than its queue holds, marked ones."""
        now_s = time.monotonic()
        with self._lock:
            joiner = self._joiners[index]
            silent_s = None if self._heard_s is None else now_s - self._heard_s
            if silent_s is not None and silent_s > self._settings.queue_s + 2 * _KEEP_ALIVE_S:
                self._mark(index, Reason.NOT_CONNECTED if self._away else Reason.NO_ANSWER)
                return joiner.take(time.monotonic_ns())
            # A busy server looks late, and reports what was before its last message in the next one.
            margin_ns = max(self._every_ns, round(self._settings.publishing_s * S))
            until_ns = self._reported_ns - margin_ns if self._reported_ns else None
            return joiner.take(time.monotonic_ns(), until_ns)

    def trouble(self, index: int) -> str:
        """Why nothing comes."""
        if self._away:
            return self._away
        if index in self._refused:
            return self._refused[index]
        back_s, apart = self._clock(index)
        if self._published_ns and back_s:
            return f"the clock of {self.name} was put back: for {back_s:.0f} s its values are not taken"
        return f"the clock of {self.name} is {apart} that of this box" if apart else ""

    def close(self) -> None:
        """End the thread."""
        self._end(_CLOSE_S)

    async def _connected(self, backoff: Backoff) -> None:
        """One connection until it is given up, or `close`. The library mends losses; a failed begin raises."""
        settings = self._settings
        client = await make_client(settings.address, settings.timeout_s)
        granting(client.uaclient.session, self._granted)
        publishing_when_connected(client)
        await client.connect(auto_reconnect=True, reconnect_max_delay=5.0)
        try:
            self.begin_anew()
            subscription = _Subscription(client.uaclient.session, self._parameters(), self, settings.queue_s)
            await subscription.init()
            # The list from which the library restores subscriptions after a loss.
            client._subscriptions.append(subscription)
            refused = await self._watch(client, subscription, range(len(self._places)))
            logger.info("%s: connected, %d variables", self.name, len(self._places) - len(refused))
            self._away = ""
            backoff.reset()
            again_s = time.monotonic() + _ASK_AGAIN_S
            gone_s: float | None = None
            begun_s = time.monotonic()
            while not self._stop.is_set():
                await asyncio.sleep(0.1)
                if refused and time.monotonic() > again_s and client.state is UaClientState.CONNECTED:
                    # A controller may load its program, and with it its variables, after its server has started.
                    refused = await self._watch(client, subscription, refused)
                    again_s = time.monotonic() + _ASK_AGAIN_S
                if client.state is UaClientState.CONNECTED:
                    self._away = ""
                    silent_s = time.monotonic() - max(self._heard_s or 0.0, begun_s)
                    if silent_s > settings.queue_s + _SILENT_S:
                        # The library may wait for ever for an answer that was lost with an earlier connection.
                        raise ConnectionError(f"nothing was published for {silent_s:.0f} s")
                elif not self._away:
                    self._lost("no connection: connection lost")
                # So it is for a moment at each loss and each try; given up too early, all that is queued is lost.
                if client.state is not UaClientState.DISCONNECTED:
                    gone_s = None
                elif gone_s is None:
                    gone_s = time.monotonic()
                elif time.monotonic() - gone_s > _GIVE_UP_S:
                    return
        finally:
            await asyncio.wait_for(client.disconnect(), _CLOSE_S)

    def _parameters(self) -> ua.CreateSubscriptionParameters:
        publishing_s = self._settings.publishing_s
        return ua.CreateSubscriptionParameters(
            RequestedPublishingInterval=1000 * publishing_s,
            RequestedLifetimeCount=max(3, round(SESSION_S / publishing_s)),
            RequestedMaxKeepAliveCount=max(1, round(_KEEP_ALIVE_S / publishing_s)),
            MaxNotificationsPerPublish=10_000,
            PublishingEnabled=True,
            Priority=0,
        )

    async def _watch(self, client: Client, subscription: _Subscription, places: Sequence[int]) -> list[int]:
        """Subscribe to variables; those of them that the server refuses."""
        nodes = [client.get_node(self._places[place][2].node) for place in places]
        results = await subscription.watch(nodes, places, self._settings)
        refused: dict[int, list[str]] = {}
        left = [place for place, result in zip(places, results, strict=True) if isinstance(result, ua.StatusCode)]
        for place, result in zip(places, results, strict=True):
            index, _, variable = self._places[place]
            if isinstance(result, ua.StatusCode):
                refused.setdefault(index, []).append(f"{variable.name} ({variable.node}): {result.name}")
        words = {index: f"{self.name} refuses {', '.join(names)}" for index, names in refused.items()}
        for index, said in words.items():
            if self._refused.get(index) != said:
                logger.error("%s", said)
        self._refused = words
        return left

    def _granted(self, results: list[ua.MonitoredItemCreateResult]) -> None:
        """The server may look less often than it was asked to, and then that is what can be shown."""
        granted_s = max(
            (one.RevisedSamplingInterval / 1000 for one in results if one.StatusCode.is_good()), default=0
        )
        if granted_s > 1.5 * self._settings.sampling_s:
            logger.warning(
                "%s samples every %.0f ms, %.0f ms were asked for",
                self.name,
                1000 * granted_s,
                self._settings.sampling_s * 1000,
            )
        if granted_s > SLOW_S:
            logger.warning(
                "%s: at %.3g readings a second ramps shorter than half a second and dither cannot be shown",
                self.name,
                1 / granted_s,
            )
        if granted_s == 0:
            return
        with self._lock:
            self._every_ns = max(round(granted_s * S), round(self._settings.sampling_s * S))
            for joiner in self._joiners:
                joiner.every_ns = self._every_ns

    def begin_anew(self) -> None:
        """What comes next is of a new subscription: what was published before it began is not known."""
        with self._lock:
            self._fresh = True

    def heard(self, result: ua.PublishResult, handles: Mapping[int, int]) -> None:
        """What the server published: values, or a sign of life. `handles`: the client's handle -> place."""
        now_s, now_ns, wall_ns = time.monotonic(), time.monotonic_ns(), time.time_ns()
        message = result.NotificationMessage
        published_ns = time_ns(message.PublishTime, None, wall_ns)
        with self._lock:
            if self._fresh:
                since_ns = published_ns - round(self._settings.publishing_s * S)
                for joiner in self._joiners:
                    joiner.begin(since_ns)
                    joiner.forget()  # a new subscription begins with what each variable is now
                self._fresh = False
            newest_ns = None
            for part in message.NotificationData or []:
                if isinstance(part, ua.DataChangeNotification):
                    for item in part.MonitoredItems:
                        place = handles.get(item.ClientHandle)
                        if place is not None:
                            newest_ns = max(newest_ns or 0, self._add(place, item.Value, wall_ns, now_ns))
            # Messages that are fetched again after a loss are older than what they come behind; one with more to
            # follow does not yet tell all that changed.
            if result.MoreNotifications:
                pass
            elif published_ns >= self._published_ns or published_ns < self._published_ns - 60 * S:
                self._published_ns, self._ahead_ns = published_ns, published_ns - wall_ns
                # What waited while we were away comes in several messages, all of them sent now: only one without
                # values says that nothing else has changed.
                self._reported_ns = published_ns if newest_ns is None else min(published_ns, newest_ns)
            self._heard_s = now_s

    def _add(self, place: int, value: ua.DataValue, wall_ns: int, now_ns: int) -> int:
        index, channel, variable = self._places[place]
        status = 0 if value.StatusCode is None else int(value.StatusCode.value)
        at_ns = time_ns(value.SourceTimestamp, value.ServerTimestamp, wall_ns)
        joiner = self._joiners[index]
        self._learn_pace(place, at_ns)
        if overflowed(status):
            joiner.lost_before(channel, at_ns, now_ns)
        held = None if value.Value is None else value.Value.Value
        joiner.add(channel, at_ns, number_of(held, status, variable), now_ns)
        return at_ns

    def _learn_pace(self, place: int, at_ns: int) -> None:
        """A server that reports a change at once, and not when it next looks, holds a value in between as it was.

        Then the rows between two changes are written out at the pace that was asked for: those of the slower one that
        it granted would look like holes beside its quick changes.
        """
        apart_ns = at_ns - self._newest_ns[place]
        self._newest_ns[place] = max(at_ns, self._newest_ns[place])
        asked_ns = round(self._settings.sampling_s * S)
        if self._every_ns > asked_ns and 0 < apart_ns < self._every_ns // 2:
            logger.info(
                "%s reports changes at once, faster than the %.0f ms it granted", self.name, self._every_ns / 1e6
            )
            self._every_ns = asked_ns
            for joiner in self._joiners:
                joiner.every_ns = asked_ns

    def _words(self, error: Exception) -> str:
        why = str(error) or type(error).__name__
        return f"{self._settings.address.url}: {why}" if isinstance(error, FileFault) else f"no connection: {why}"


class _Subscription(Subscription):
    """Hands what the server publishes to the feed, in order and with the time of publishing."""

    def __init__(
        self, session: UaSession, parameters: ua.CreateSubscriptionParameters, feed: OpcUaFeed, queue_s: float
    ) -> None:
        super().__init__(session, parameters, handler=_Unused())
        self._feed = feed
        self._session = session
        self._places: dict[int, int] = {}
        self._queue_s = queue_s
        self._heard_s = time.monotonic()
        self._in_order = asyncio.Lock()

    async def publish_callback(self, publish_result: ua.PublishResult) -> None:
        """Called by the library for every message, also for signs of life.

        After a loss it may hand on a new message before it has asked for those that were lost: these go first.
        """
        message = publish_result.NotificationMessage
        sequence = int(message.SequenceNumber)
        async with self._in_order:
            if message.NotificationData and self.last_sequence_number is not None:
                if not await self._fetch_up_to(sequence):
                    logger.warning("%s: messages before number %d were lost", self._feed.name, sequence)
                    self._feed.begin_anew()
                if sequence <= self.last_sequence_number < sequence + _MOST_FETCHED:
                    return  # it came with those that were asked for again
            self._hand_on(publish_result)

    def _hand_on(self, result: ua.PublishResult) -> None:
        self.last_publish_at = self._heard_s = time.monotonic()
        if result.NotificationMessage.NotificationData:
            self.last_sequence_number = int(result.NotificationMessage.SequenceNumber)
        self._feed.heard(result, self._places)

    async def _fetch_up_to(self, end: int | None) -> bool:
        """Ask again for the messages after the last one, before `end` or as far as there are; whether all came.

        Raises what the library raises where the server cannot be asked.
        """
        sequence = (self.last_sequence_number or 0) + 1
        while end is None or sequence < end <= sequence + _MOST_FETCHED:
            try:
                message = await self._session.republish(self.subscription_id or 0, sequence)
            except BadMessageNotAvailable:
                return end is None
            if int(message.SequenceNumber) != sequence or not message.NotificationData:
                return end is None  # some servers answer with an empty message where they have none
            self._hand_on(ua.PublishResult(self.subscription_id, NotificationMessage=message))
            sequence += 1
        return True

    async def watch(
        self, nodes: Sequence[Node], places: Sequence[int], settings: OpcUaSettings
    ) -> list[int | ua.StatusCode]:
        """Subscribe to nodes, whose values are then handed on as those of `places`; what the server said of each."""
        # The library gives handles in order, one a node, and keeps them when the subscription is made anew. Known
        # before the server is asked, as it may publish before it has answered.
        first = self._client_handle + 1
        self._places |= {first + at: place for at, place in enumerate(places)}
        return await self.subscribe_data_change(
            list(nodes), queuesize=settings.queue_size, sampling_interval=ua.Double(1000 * settings.sampling_s)
        )

    def is_stale(self, margin: float) -> bool:
        """Called by the library, which makes a subscription anew that is silent, and with that drops its queue.

        While the queue holds what is missing, waiting costs nothing: a slow server or a starved box is silent too.
        """
        if self.last_publish_at is None:
            return False
        return time.monotonic() - self.last_publish_at >= max(margin * _KEEP_ALIVE_S, self._queue_s / 4)

    async def recreate(self) -> None:
        """Called by the library where the subscription is silent, or cannot be taken into a new session.

        A slow server still knows it, and then what is queued there would be thrown away with it. Only when the queue
        holds no more, or the server does not know it, it is made anew.
        """
        silent_s = time.monotonic() - self._heard_s
        if silent_s < self._queue_s and await self._is_known():
            logger.info("%s: silent for %.1f s, and still knows what we asked for", self._feed.name, silent_s)
            self.last_publish_at = time.monotonic()
            self._session.ensure_publish_loop()  # the library ends it where it took a silence for the end
            return
        logger.warning("%s: what we ask for is asked for anew, after %.1f s of silence", self._feed.name, silent_s)
        self._heard_s = time.monotonic()
        self._feed.begin_anew()
        self.last_sequence_number = None
        await super().recreate()

    async def _is_known(self) -> bool:
        """Whether the server still has the subscription: asked for a message that it has not sent, it says so."""
        if self.subscription_id is None:
            return False
        try:
            async with self._in_order:
                return await self._fetch_up_to(None)
        except UaError:
            return False

    async def restore(self) -> None:
        """Called by the library when the connection is back.

        Where the session was kept the subscription is still its own: what was sent and not received is asked for
        again, and nothing is transferred, which some servers refuse and then all that is queued would be lost.
        """
        try:
            async with self._in_order:
                await self._fetch_up_to(None)
            self.last_publish_at = time.monotonic()
        except (UaError, OSError, TimeoutError) as error:
            why = str(error) or type(error).__name__
            logger.warning("%s: what was sent before the loss cannot be had again: %s", self._feed.name, why)
            await super().restore()


class _Unused:
    """A handler that is never called: the messages are taken whole."""

    def datachange_notification(self, node: Node, val: object, data: DataChangeNotif) -> None:
        """What the library calls where messages are not taken whole."""
