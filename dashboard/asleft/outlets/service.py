"""All outlets together: one look at the plant a round, and each says what is its to say.

Web hooks are sent by a thread of their own, so that a receiver that is slow keeps no status waiting.
"""

from __future__ import annotations

import logging
import threading
from dataclasses import dataclass, field

from asleft.outlets.plant import look
from asleft.outlets.settings import OutletSettings
from asleft.outlets.sparkplug.outlet import Sparkplug
from asleft.outlets.statuses import Statuses
from asleft.outlets.webhooks import Post, Webhooks, post
from asleft.store.outbox import Outbox
from asleft.store.trouble import TROUBLE, plain
from asleft.web.source import Source

log = logging.getLogger(__name__)


@dataclass
class Outlets:
    """What the settings ask for."""

    source: Source
    webhooks: Webhooks
    statuses: Statuses | None
    sparkplug: Sparkplug | None = None
    _gone: threading.Event = field(default_factory=threading.Event, init=False)

    @classmethod
    def of(cls, settings: OutletSettings, source: Source, outbox: Outbox, send: Post = post) -> Outlets:
        """Over the stores; `send` posts to a web hook."""
        statuses = None if settings.mqtt is None else Statuses(settings.mqtt)
        sparkplug = None if settings.sparkplug is None else Sparkplug(settings.sparkplug, outbox)
        return cls(source, Webhooks(settings.webhooks, outbox, send), statuses, sparkplug)

    def start(self, every_s: float) -> None:
        """Connect where there is a broker, and begin to send. Raises `OSError` if a file of the settings fails."""
        for one in (self.statuses, self.sparkplug):
            if one is not None:
                one.link.start()
        if self.webhooks.hooks:
            threading.Thread(target=self._send, args=(every_s,), name="web hooks", daemon=True).start()

    def round(self) -> int:
        """Look and say; how many messages went to brokers.

        Raises what the stores raise; then nothing is known of any valve, and Sparkplug says so.
        """
        try:
            plant = look(self.source)
        except Exception:
            if self.sparkplug is not None:
                self.sparkplug.blind()
            raise
        self.webhooks.make(plant)
        return sum(one.round(plant) for one in (self.statuses, self.sparkplug) if one is not None)

    def stop(self) -> None:
        """Say that nobody is here any more."""
        self._gone.set()
        for one in (self.statuses, self.sparkplug):
            if one is not None:
                one.stop()

    def _send(self, every_s: float) -> None:
        while not self._gone.is_set():
            try:
                self.webhooks.send(self.source.now_ns())
            except TROUBLE as error:
                log.error("the records cannot be read, trying again: %s", plain(error))
            except Exception:
                log.exception("web hooks could not be sent; trying again")
            self._gone.wait(every_s)
