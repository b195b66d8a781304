"""Which messages are due: one for each cause and place, whatever number of valves it shows on. Pure.

A message waits a little, so that one fault on twenty valves is one message; what is acknowledged, set aside or gone
meanwhile, or follows from another finding, is not told. Each alarm is told to each place once, by its key.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from asleft.alarms.classes import AlarmClass, class_of
from asleft.alarms.figures import called
from asleft.alarms.states import AlarmState, AlarmView
from asleft.web.notices.settings import NoticeSettings, Recipient

_S = 10**9
#: How long the first of a group waits for others like it (s).
GATHER_S = {AlarmClass.NOW: 20.0, AlarmClass.SHIFT: 120.0}
#: What was raised longer ago than this is no news any more: a first start tells nobody of last month.
NEWS_S = 2 * 86_400.0


@dataclass(frozen=True, slots=True)
class Due:
    """One message to be made: the alarms it is about, and the keys under which they count as told."""

    to: Recipient
    klass: AlarmClass
    alarms: tuple[AlarmView, ...]

    @property
    def keys(self) -> tuple[str, ...]:
        """The first is the message's own."""
        return tuple(key_of(self.to.name, view.alarm) for view in self.alarms)


def key_of(to: str, alarm: str) -> str:
    """Under which an alarm told to a place is known, for ever."""
    return f"{to}|{alarm}"


def due(
    views: Sequence[AlarmView],
    settings: NoticeSettings,
    now_ns: int,
    told: Collection[str],
    follows: Callable[[AlarmView], bool],
) -> list[Due]:
    """Messages due at `now_ns` (unix ns). `told`: keys already made; `follows`: whether one hangs under another."""
    local = datetime.fromtimestamp(now_ns / 1e9, settings.zone)
    fresh = [
        view
        for view in views
        if view.state is AlarmState.UNACKNOWLEDGED
        and called(view, now_ns)
        and now_ns - view.raised_ns <= NEWS_S * _S
        and not follows(view)
    ]
    out = []
    for to in settings.to:
        mine = [view for view in fresh if key_of(to.name, view.alarm) not in told]
        for klass in AlarmClass:
            if klass not in to.classes or (klass is not AlarmClass.NOW and _quiet(to, local.time())):
                continue
            of_class = [view for view in mine if class_of(view.kind, view.severity) is klass]
            if klass is AlarmClass.DIGEST:
                cut_ns = round(_last(to.digest_at, local).timestamp()) * _S
                ready = [view for view in of_class if view.raised_ns <= cut_ns]
                if ready:
                    out.append(Due(to, klass, tuple(sorted(ready, key=lambda view: (-view.severity, view.alarm)))))
                continue
            for kind in sorted({view.kind for view in of_class}):
                group = sorted((view for view in of_class if view.kind == kind), key=lambda view: view.raised_ns)
                if now_ns - group[0].raised_ns >= GATHER_S[klass] * _S:
                    out.append(Due(to, klass, tuple(group)))
    return out


def _quiet(to: Recipient, at: time) -> bool:
    if to.quiet is None:
        return False
    begins, ends = to.quiet
    return begins <= at < ends if begins < ends else at >= begins or at < ends


def _last(at: time, now: datetime) -> datetime:
    """The latest instant with that time of the day, not after `now`."""
    today = now.replace(hour=at.hour, minute=at.minute, second=at.second, microsecond=0)
    return today if today <= now else today - timedelta(days=1)
