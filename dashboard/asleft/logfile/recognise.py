"""Which column of a table is which channel, in which unit, on what evidence; and what must be asked.

A channel takes the column with most points, if these reach `SURE`, if no other column comes within `MARGIN`, and if
the column is not claimed as strongly by another channel. Everything else is a question, never a guess: a column is
not taken where a second reading of the file is plausible.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from asleft.logfile import words
from asleft.logfile.conversion import column_of
from asleft.logfile.evidence import Claim, Seen, claims_of, follows, look_at
from asleft.logfile.found import MAIN, NONE, ColumnLook, Recognition, choices_of, column_given, given_as, put
from asleft.logfile.given import Choice, Given, Question
from asleft.logfile.table import Table
from asleft.logfile.time_column import take_time
from asleft.logfile.units import split_header
from asleft.sheet.logmap import CHANNELS, TIME_CHANNELS, LogMap

SURE = 5.0
MARGIN = 2.0
_OPTIONAL = tuple(channel for channel in CHANNELS if channel not in (*MAIN, *TIME_CHANNELS))

#: Columns that move together this closely support each other; that much and in the wrong order, they contradict.
_TOGETHER = 0.8
_RELATION_POINTS = 2.5
#: Ranges whose ends differ by less than this share are the same numbers.
_SAME_NUMBERS = 0.2


def recognise(
    table: Table, given: Given, *, encoding: str = "utf-8", table_name: str | None = None, partial: bool = False
) -> Recognition:
    """Recognise the columns of a table. With `partial`, channels may be missing: other files have them.

    `given` is taken at its word. The table's own layout goes into the map.
    """
    layout = table.layout
    seen = look_at(table, decimal_comma=layout.decimal_comma)
    looks = [
        ColumnLook(s.at + 1, s.header, s.unit.symbol if s.unit else "", s.low, s.high, s.filled, why=()) for s in seen
    ]
    base = LogMap(
        separator=layout.separator or None,
        decimal_comma=layout.decimal_comma,
        header_lines=layout.header_lines,
        unit_lines=layout.unit_lines,
        encoding=encoding,
        zone=given.zone_name or given.local_zone,
        has_header=layout.has_header,
        table=table_name,
    )
    found = Recognition(base, looks)
    if "decimal" in layout.doubts and given.decimal is None:
        found.questions.append(
            Question(
                "decimal",
                "1,234 may be one and a bit or a thousand",
                (
                    Choice("the comma is the decimal sign", ("--decimal", "comma")),
                    Choice("the comma marks thousands", ("--decimal", "point")),
                ),
            )
        )
    asked = {channel: column_given(table, text) for channel, text in given.columns.items() if text.casefold() != NONE}
    for channel, at in asked.items():
        if at is None:
            found.questions.append(
                Question(
                    channel,
                    f"--column {channel}={given.columns[channel]}: there is no such column; the file has "
                    + ", ".join(f"{k + 1} {name or 'without a name'}" for k, name in enumerate(table.header)),
                )
            )
    chosen = {channel: at for channel, at in asked.items() if at is not None}
    absent = frozenset(channel for channel, text in given.columns.items() if text.casefold() == NONE)
    taken = take_time(table, seen, given, chosen, found)
    if found.newest_first:
        seen = [replace(each, values=each.values[::-1]) for each in seen]
    _take_channels(table, [s for s in seen if s.at not in taken], given, chosen, absent, found, partial=partial)
    return found


def _take_channels(
    table: Table,
    seen: Sequence[Seen],
    given: Given,
    chosen: Mapping[str, int],
    absent: frozenset[str],
    found: Recognition,
    *,
    partial: bool,
) -> None:
    every = _claims_on(seen, given, chosen, absent)
    _add_relations(seen, every)
    claims = every if chosen else _claims_of_group(seen, every, given, found)
    if claims is None:
        return
    by_at = {s.at: s for s in seen}
    _note_best(found, claims)
    taken: dict[str, int] = {}
    for channel in (*MAIN, *_OPTIONAL):
        decided = _decide(table, channel, claims, found, required=channel == "command" and not partial, taken=taken)
        if decided is not None:
            taken[channel] = decided
    missing = "current" not in taken and "pressure" not in taken
    if missing and not partial and not _asked(found, "current", "pressure"):
        found.questions.append(_which(table, found, by_at, set(taken.values())))
    _check_order(table, by_at, taken, found, chosen)
    _check_setpoint(table, by_at, taken, found, given)
    for channel, at in taken.items():
        column = column_of(table, channel, claims[at][channel], by_at[at], given, found)
        if column is not None:
            put(table, found, channel, at, column)
            found.columns[at].sure = True


def _claims_on(
    seen: Sequence[Seen], given: Given, chosen: Mapping[str, int], absent: frozenset[str]
) -> dict[int, dict[str, Claim]]:
    """Column -> channel -> claim: what was chosen by hand as given, all others as they look."""
    free = [s for s in seen if s.at not in chosen.values()]
    claims = {
        s.at: {channel: each for channel, each in claims_of(s, given.signal).items() if channel not in absent}
        for s in free
    }
    for channel, at in chosen.items():
        if channel in TIME_CHANNELS:
            continue
        mine = next((s for s in seen if s.at == at), None)
        claim = claims_of(mine, given.signal).get(channel) if mine is not None else None
        claims[at] = {channel: replace(claim or Claim(0.0, None, needs="unit"), points=99.0, why=["as given"])}
    return claims


def _claims_of_group(
    seen: Sequence[Seen], claims: dict[int, dict[str, Claim]], given: Given, found: Recognition
) -> dict[int, dict[str, Claim]] | None:
    """Claims of the columns of one valve; None where the file has several, and it is asked which is meant."""
    groups = groups_of(seen, claims)
    if len(groups) <= 1:
        return claims
    found.groups = tuple(groups)
    if given.group in groups:
        members = groups[given.group]
        return {at: each for at, each in claims.items() if at in members or not set(each) & set(MAIN)}
    if given.group is not None or given.signal is not None:
        found.questions.append(
            Question(
                "group",
                f"the columns are of {len(groups)} valves",
                tuple(Choice(name, ("--group", name)) for name in groups),
            )
        )
        return None
    return {at: each for at, each in claims.items() if at in groups[next(iter(groups))]}


def _asked(found: Recognition, *about: str) -> bool:
    return any(question.about in about for question in found.questions)


def _note_best(found: Recognition, claims: Mapping[int, Mapping[str, Claim]]) -> None:
    for at, each in claims.items():
        if each:
            channel, claim = max(each.items(), key=lambda item: item[1].points)
            look = found.columns[at]
            look.channel, look.points, look.why = channel, claim.points, tuple(claim.why)
            look.unit = look.unit or claim.unit or ""


def _add_relations(seen: Sequence[Seen], claims: Mapping[int, dict[str, Claim]]) -> None:
    """Columns that move together support each other: current follows command, pressure follows current or command."""
    by_at = {s.at: s for s in seen}
    best = {
        channel: sorted(
            (at for at, each in claims.items() if channel in each),
            key=lambda at: -claims[at][channel].points,
        )[:3]
        for channel in MAIN
    }
    for leader, follower in (("command", "current"), ("command", "pressure"), ("current", "pressure")):
        for a in best[leader]:
            for b in best[follower]:
                if a == b:
                    continue
                likeness, shift = follows(by_at[a].values, by_at[b].values)
                if likeness > _TOGETHER and shift >= -2:
                    for at, channel, how in ((a, leader, "leads"), (b, follower, "follows")):
                        claim = claims[at][channel]
                        if not any("moves" in reason for reason in claim.why):
                            claim.points += _RELATION_POINTS
                            claim.moving = _RELATION_POINTS
                            other = by_at[b if at == a else a].header or f"number {(b if at == a else a) + 1}"
                            claim.why.append(f"moves with {other}, {how} it")


def _decide(
    table: Table,
    channel: str,
    claims: Mapping[int, Mapping[str, Claim]],
    found: Recognition,
    *,
    required: bool,
    taken: Mapping[str, int],
) -> int | None:
    ranked = sorted(
        (at for at, each in claims.items() if channel in each and at not in taken.values()),
        key=lambda at: -claims[at][channel].points,
    )
    strong = [at for at in ranked if claims[at][channel].points >= SURE]
    if not strong:
        likely = [at for at in ranked if claims[at][channel].points >= 1.5 and best_for(claims[at], channel, taken)]
        if required or (channel in MAIN and likely and claims[likely[0]][channel].points >= SURE - MARGIN):
            text = f"no column is surely the {channel}{_sparse(found, channel)}"
            found.questions.append(
                Question(
                    channel, text, choices_of(table, found.columns, channel, likely or ranked, optional=not required)
                )
                if likely or ranked
                else Question(channel, text, example=("--column", f"{channel}=NUMBER"))
            )
        return None
    best = strong[0]
    rivals = [at for at in ranked[1:] if _rivals(claims[at][channel], claims[best][channel])]
    if rivals and channel in MAIN:
        found.questions.append(
            Question(
                channel,
                f"{len(rivals) + 1} columns may be the {channel}",
                choices_of(table, found.columns, channel, [best, *rivals], optional=False),
            )
        )
        return None
    if rivals:
        return None  # an optional channel is left out rather than asked for
    return best if best_for(claims[best], channel, taken) else None


def _sparse(found: Recognition, channel: str) -> str:
    """What is said where a column by its header is the channel, and holds a number in few rows."""
    tag = {"command": words.SET, "current": words.CURRENT, "pressure": words.PRESSURE}.get(channel)
    looks = [look for look in found.columns if 0.0 < look.filled < 0.5 and tag in words.meaning(look.header).tags]
    if not looks:
        return ""
    share = f"{100.0 * looks[0].filled:.2g} %"
    return f"; {looks[0].header} holds a number in {share} of the rows, and every row needs one"


def _rivals(claim: Claim, best: Claim) -> bool:
    """Whether a column is as plausible as the best one: by all evidence, or by header and values alone.

    Movement alone decides nothing between two headers that say the same: a valve's own pressure may stand still.
    """
    alone = claim.points - claim.moving >= SURE and claim.points - claim.moving > best.points - best.moving - MARGIN
    return alone or claim.points > best.points - MARGIN


def best_for(claims: Mapping[str, Claim], channel: str, taken: Iterable[str] = ()) -> bool:
    """Whether a column is claimed by no other channel as strongly, of those that have no column yet."""
    return all(
        other == channel or other in taken or claim.points < claims[channel].points for other, claim in claims.items()
    )


def _which(table: Table, found: Recognition, by_at: Mapping[int, Seen], taken: set[int]) -> Question:
    channel, text = "current", "no column is surely the current"
    free = [at for at, seen in by_at.items() if at not in taken and np.isfinite(seen.low)]
    if not free:
        return Question(channel, text, example=("--column", f"{channel}=NUMBER"))
    return Question(channel, text, choices_of(table, found.columns, channel, free, optional=False))


def _check_order(
    table: Table,
    by_at: Mapping[int, Seen],
    taken: Mapping[str, int],
    found: Recognition,
    chosen: Mapping[str, int],
) -> None:
    """A current that moves before its command: the two may be exchanged."""
    if "command" not in taken or "current" not in taken or {"command", "current"} <= set(chosen):
        return
    a, b = taken["command"], taken["current"]
    likeness, shift = follows(by_at[a].values, by_at[b].values)
    if likeness > _TOGETHER and shift < -3:
        text = f"the current ({table.name_of(b)}) moves {-shift} rows before the command ({table.name_of(a)})"
        same = ("--column", f"command={given_as(table, a)}", "--column", f"current={given_as(table, b)}")
        turned = ("--column", f"command={given_as(table, b)}", "--column", f"current={given_as(table, a)}")
        found.questions.append(
            Question("command", text, (Choice("as the headers say", same), Choice("the other way round", turned)))
        )


def _check_setpoint(
    table: Table, by_at: Mapping[int, Seen], taken: Mapping[str, int], found: Recognition, given: Given
) -> None:
    """A setpoint without a unit, in the same numbers as pressure or current, may be what these are to become."""
    if "command" not in taken or "command" in given.columns or by_at[taken["command"]].unit is not None:
        return
    command = by_at[taken["command"]]
    for channel in ("pressure", "current"):
        if channel not in taken:
            continue
        other = by_at[taken[channel]]
        span = other.high - other.low
        if span > 0 and max(abs(command.low - other.low), abs(command.high - other.high)) < _SAME_NUMBERS * span:
            text = (
                f"{table.name_of(command.at)} has no unit and the same numbers as {table.name_of(other.at)}: is it "
                f"the valve's command, or the {channel} that is wanted?"
            )
            found.questions.append(
                Question(
                    "command",
                    text,
                    (
                        Choice("the command", ("--column", f"command={given_as(table, command.at)}")),
                        Choice("the wanted value; the file has no command", ("--column", "command=none")),
                    ),
                )
            )
            return


def groups_of(seen: Sequence[Seen], claims: Mapping[int, Mapping[str, Claim]]) -> dict[str, set[int]]:
    """Columns by valve, where headers differ in nothing but a name or a number; empty where there is one valve."""
    labels: dict[str, dict[str, list[int]]] = {}
    for s in seen:
        for channel in MAIN:
            claim = claims.get(s.at, {}).get(channel)
            if claim is not None and claim.points >= SURE and best_for(claims[s.at], channel):
                labels.setdefault(_label(s.header), {}).setdefault(channel, []).append(s.at)
    whole = {
        label: channels
        for label, channels in labels.items()
        if label and "command" in channels and ("current" in channels or "pressure" in channels)
    }
    if len(whole) < 2 or any(len(each) > 1 for channels in whole.values() for each in channels.values()):
        return {}
    return {label: {at for each in channels.values() for at in each} for label, channels in whole.items()}


def _label(header: str) -> str:
    """What of a header names the valve: its words without those of quantities, roles and units."""
    bare = split_header(header)[0]
    kept = [token for token in words.tokens(bare) if words.names_a_place(token)]
    return " ".join(kept)
