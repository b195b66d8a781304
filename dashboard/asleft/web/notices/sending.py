"""One round: make the messages that are due, send those that wait. What could not be sent is tried again."""

from __future__ import annotations

import logging
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from html import escape
from pathlib import Path
from tempfile import TemporaryDirectory

from asleft.alarms.states import AlarmView, fold
from asleft.store.operator_actions import OperatorActions
from asleft.store.outbox import Notice, Outbox
from asleft.store.trouble import SAMPLES_TROUBLE, plain
from asleft.web.evidence.image import png_of
from asleft.web.evidence.picture import NoPicture, Picture
from asleft.web.evidence.scene import line_of, scene_of
from asleft.web.evidence.subject import of_alarm
from asleft.web.evidence.view import evidence
from asleft.web.night.view import NightView, NoRecords, VerificationRecords, drawing_of, night_view
from asleft.web.notices.due import NEWS_S, alarm_in, due, message, overview_ends, overview_message, overviews_due
from asleft.web.notices.settings import NoticeSettings, Recipient
from asleft.web.source import Source
from asleft.web.views.alarms import calls_of, lately
from asleft.web.views.valves import findings_of
from asleft.web.when import Stretch

log = logging.getLogger(__name__)

#: Pictures of one message at the most.
MOST_IMAGES = 4


@dataclass(frozen=True, slots=True)
class Image:
    """A picture that goes with a message: the name of its file, and a PNG."""

    name: str
    png: bytes


Send = Callable[[Recipient, str, str, Sequence[Image]], bool]


@dataclass
class Notifier:
    """Everything a round needs. `send` hands a message over and says whether it was taken.

    Pictures are made when a message is sent and are not kept with it: after a stop between making and sending only
    the first alarm of a message, which its key names, has one.
    """

    source: Source
    operator_actions: OperatorActions
    outbox: Outbox
    settings: NoticeSettings
    send: Send
    records: VerificationRecords = field(default_factory=NoRecords)
    _about: dict[str, tuple[AlarmView, ...]] = field(default_factory=dict)

    def round(self) -> int:
        """Make and send; how many messages went out."""
        now_ns = self.source.now_ns()
        views = lately(self.source, now_ns)
        told = self.outbox.told(now_ns - round(2 * NEWS_S * 1e9))
        for one in due(views, self.settings, now_ns, told, self._follows, self.source.places()):
            subject, body = message(
                one,
                self.settings,
                lambda some: calls_of(self.source, some),
                self.operator_actions.contact,
                self._line,
            )
            first, *others = one.keys
            self._about[first] = one.alarms
            self.outbox.make(Notice(first, now_ns, one.to.name, subject, body), others)
        for overview in overviews_due(self.settings, now_ns, told):
            try:
                view = self._night(overview.from_ns, overview.to_ns)
            except SAMPLES_TROUBLE:
                continue  # alarms must be told meanwhile; it is made when the readings are back
            subject, body = overview_message(view, self.source, self.settings)
            self.outbox.make(Notice(overview.key, now_ns, overview.to.name, subject, body), [])
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
            taken = self.send(to, waiting.subject, waiting.body, self._images(waiting))
            error = "" if taken else "it was not taken"
        except Exception as failure:  # noqa: BLE001 - whatever a service throws, the others must be told
            taken, error = False, type(failure).__name__  # its words may hold the address, which is a secret
        if taken:
            self._about.pop(waiting.key, None)
            self.outbox.sent(waiting.key, now_ns)
            return True
        self.outbox.failed(waiting, now_ns, error)
        log.warning("%s could not be told (try %d): %s", to.name, waiting.tries + 1, error)
        return False

    def _images(self, waiting: Notice) -> list[Image]:
        """Of the first alarms of a message; of an overview its time axis. None while readings cannot be read."""
        try:
            return self._drawn(waiting)
        except SAMPLES_TROUBLE:
            return []

    def _drawn(self, waiting: Notice) -> list[Image]:
        ends = overview_ends(waiting.key)
        if ends is not None:
            night = self._night(*ends)
            return [Image("night.png", png_of(drawing_of(self.source, night)))] if night.lines else []
        images: list[Image] = []
        for place, view in enumerate(self._about.get(waiting.key) or self._named(waiting.key)):
            found = self._picture(view)
            if isinstance(found, Picture) and len(images) < MOST_IMAGES:
                images.append(Image(f"{view.valve}-{view.kind}-{place + 1}.png", png_of(scene_of(found))))
        return images

    def _night(self, from_ns: int, to_ns: int) -> NightView:
        return night_view(self.source, self.records, Stretch(from_ns, to_ns))

    def _named(self, key: str) -> tuple[AlarmView, ...]:
        """The alarm of a message's own key."""
        alarm = alarm_in(key)
        events = [one for one in self.source.records.alarm_events(alarm.split("/", 1)[0]) if one.alarm == alarm]
        return (fold(events, self.source.now_ns()),) if events else ()

    def _line(self, view: AlarmView) -> str:
        found = self._picture(view)
        return line_of(found) if isinstance(found, Picture) else ""

    def _picture(self, view: AlarmView) -> Picture | NoPicture:
        """Never keeps a message from being sent: what cannot be drawn is logged, and the words go."""
        try:
            return evidence(self.source, of_alarm(view), self.source.records.judgement(view.valve))
        except SAMPLES_TROUBLE as error:
            return NoPicture(f"the readings cannot be read: {plain(error)}")
        except Exception:
            log.exception("no picture of %s could be made", view.alarm)
            return NoPicture("it could not be drawn")

    def _follows(self, view: AlarmView) -> bool:
        found = findings_of(self.source.records.judgement(view.valve))
        return any(f["kind"] == view.kind and f.get("consequence_of") for f in found)


def send_by_apprise(to: Recipient, subject: str, body: str, images: Sequence[Image] = ()) -> bool:
    """Hand a message to the service that the recipient's address names; pictures go into the text of mails alone."""
    import apprise

    logging.getLogger("apprise").setLevel(logging.CRITICAL)  # it would write addresses
    service = apprise.Apprise()
    if not service.add(to.url):
        return False
    mails = [one for one in service if hasattr(one, "smtp_host")]
    if not (mails and images):
        return bool(service.notify(title=subject, body=body, body_format=apprise.NotifyFormat.TEXT))
    for one in mails:
        setattr(one, "inline", True)  # noqa: B010 - releases before 2 do not know it and attach
    with TemporaryDirectory() as folder:
        files = []
        for image in images:
            file = Path(folder) / image.name
            file.write_bytes(image.png)
            files.append(str(file))
        form = apprise.NotifyFormat.HTML  # a text of plain words shows no picture
        return bool(service.notify(title=subject, body=_as_html(body), body_format=form, attach=files))


def _as_html(body: str) -> str:
    """The same words, lines and indents."""
    lines = [escape(line, quote=False) for line in body.split("\n")]
    return "<br/>".join(re.sub(r"^ +", lambda spaces: "&nbsp;" * len(spaces.group()), line) for line in lines)
