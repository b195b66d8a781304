"""One round: make the messages that are due, send those that wait. What could not be sent is tried again."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass

from asleft.alarms.states import AlarmView
from asleft.store.desk import Desk
from asleft.store.outbox import Notice, Outbox
from asleft.web.notices.due import NEWS_S, due
from asleft.web.notices.settings import NoticeSettings, Recipient
from asleft.web.notices.words import message
from asleft.web.source import Source
from asleft.web.views.alarms import lately
from asleft.web.views.valves import ValveName, findings_of, valve_name

log = logging.getLogger(__name__)

Send = Callable[[Recipient, str, str], bool]


@dataclass
class Notifier:
    """Everything a round needs. `send` hands a message over and says whether it was taken."""

    source: Source
    desk: Desk
    outbox: Outbox
    settings: NoticeSettings
    send: Send

    def round(self) -> int:
        """Make and send; how many messages went out."""
        now_ns = self.source.now_ns()
        views = lately(self.source, now_ns)
        told = self.outbox.told(now_ns - round(2 * NEWS_S * 1e9))
        for one in due(views, self.settings, now_ns, told, self._follows):
            subject, body = message(one, self.settings, self._name, self.desk.contact)
            first, *others = one.keys
            self.outbox.make(Notice(first, now_ns, one.to.name, subject, body), others)
        recipients = {one.name: one for one in self.settings.to}
        return sum(
            self._hand_over(waiting, recipients.get(waiting.to_name)) for waiting in self.outbox.waiting(now_ns)
        )

    def _hand_over(self, waiting: Notice, to: Recipient | None) -> bool:
        now_ns = self.source.now_ns()
        if to is None:
            self.outbox.failed(waiting, now_ns, f"{waiting.to_name} is not in the settings any more")
            return False
        try:
            taken = self.send(to, waiting.subject, waiting.body)
            error = "" if taken else "it was not taken"
        except Exception as failure:  # noqa: BLE001 - whatever a service throws, the others must be told
            taken, error = False, type(failure).__name__  # its words may hold the address, which is a secret
        if taken:
            self.outbox.sent(waiting.key, now_ns)
            return True
        self.outbox.failed(waiting, now_ns, error)
        log.warning("%s could not be told (try %d): %s", to.name, waiting.tries + 1, error)
        return False

    def _follows(self, view: AlarmView) -> bool:
        found = findings_of(self.source.records.judgement(view.valve))
        return any(f["kind"] == view.kind and f.get("consequence_of") for f in found)

    def _name(self, valve: str) -> ValveName:
        return valve_name(valve, self.source.sheet(valve, self.source.now_ns()))


def send_by_apprise(to: Recipient, subject: str, body: str) -> bool:
    """Hand a message to the service that the recipient's address names."""
    import apprise

    logging.getLogger("apprise").setLevel(logging.CRITICAL)  # it would write addresses
    service = apprise.Apprise()
    if not service.add(to.url):
        return False
    return bool(service.notify(title=subject, body=body, body_format=apprise.NotifyFormat.TEXT))
