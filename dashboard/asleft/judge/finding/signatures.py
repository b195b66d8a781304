"""The fault table: which symptoms each cause shows, which part it means, and which causes observed symptoms leave.

A symptom has one of a few values, or is not known where the channels do not show it. A cause lists what it may show
in each symptom; what it does not list is as left. Several causes of one part are several rows. Rows stand in the
order in which they are likelier, which is the trade's common experience and decides only the order of parts nothing
tells apart. Structured residuals as Gertler has them (Fault Detection and Diagnosis in Engineering Systems, 1998): a
row is ruled out by a symptom it cannot show, and two rows no symptom tells apart come out together.

Symptoms and their values (`symptoms` says how each is seen):

| symptom | values beside "as left" |
|---|---|
| command | failed, beyond (its range) |
| currents | zero, full, gain, offset: how both ends of the current moved, each + or -; other |
| ramps | up, down, both |
| response | slow, quick |
| flow | lost, at times (lost), unasked |
| top | cut: the current stops short of what is demanded |
| limit | what resistance would explain the cut: coil (a hot one), beyond (more than that), low (less than a cold) |
| following | yes, no: whether the pressure went with the moved current |
| pressure | zero, spring, gain, offset, force, loop, top, foot, gone: shape over levels that no current explains |
| loop | wide: the hysteresis grew |
| scatter | more: pressure at one level differs from cycle to cycle |
| vented, idle | +, -: reading of pressure without pressure, of current without current |
| supply | low |
| resistance | +, -: of the coil at 20 degC |
| dither | lost, strength (+ or -), frequency |
| pinned | command, current, pressure, dead supply: the reading that is dead; supply: at the end of its range |
| late | current, command, pressure: its reading, as a whole |
| readings | missing |
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from asleft.catalogue.finding_kinds import FINDING_KINDS
from asleft.catalogue.parts import Part
from asleft.sheet.model import Sheet, Where

Values = frozenset[str]

AS_LEFT: Values = frozenset({"as left"})
#: How much a contradiction weighs: readings whose true value is known, and whether pressure follows, more than
#: shapes.
WEIGHTS: Mapping[str, int] = {"following": 2, "vented": 2, "idle": 2, "pinned": 2, "command": 2, "flow": 2}
SYMPTOMS = (
    "command", "currents", "ramps", "response", "flow", "top", "limit", "following", "pressure", "loop", "scatter",
    "vented", "idle", "supply", "resistance", "dither", "pinned", "late", "readings",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Cause:
    """A row: the part, what happened to it, and what it may show. `any_of` symptoms may be anything.

    `where`: the row counts only if these channels are read there; `known`: only if these symptoms are seen.
    """

    part: Part
    words: str
    shows: Mapping[str, Values]
    any_of: frozenset[str] = frozenset()
    where: Mapping[str, Where] = field(default_factory=dict)
    known: tuple[str, ...] = ()

    def allows(self, symptom: str) -> Values | None:
        """Values of a symptom this cause may show; None: any."""
        return None if symptom in self.any_of else self.shows.get(symptom, AS_LEFT)

    def departs(self, symptom: str) -> bool:
        """Whether this cause always shows itself in a symptom."""
        return symptom not in self.any_of and "as left" not in self.shows.get(symptom, AS_LEFT)


def both(*names: str) -> Values:
    """Values in either direction."""
    return frozenset(f"{name}{sign}" for name in names for sign in "+-")


#: What comes and goes may have any shape over levels that were met at different times.
ANY_SHAPE: Values = both("zero", "full", "gain", "offset", "spring") | {"other"}


def _is(*values: str) -> Values:
    return frozenset(values)


def _cause(
    part: Part,
    words: str,
    *,
    free: tuple[str, ...] = (),
    where: Mapping[str, Where] | None = None,
    known: tuple[str, ...] = (),
    **shows: Values,
) -> Cause:
    return Cause(part, words, shows, frozenset(free), where or {}, known)


#: What a change of the driver's currents does besides: nothing if the pressure follows.
_FOLLOWS = _is("yes")
_STANDS = _is("no")
#: Symptoms that say nothing any more once the current is gone or wild.
_UPSET = ("currents", "ramps", "response", "top", "limit", "following", "pressure", "loop", "scatter", "dither",
          "idle", "resistance", "late")  # fmt: skip
_UPSET_BY_PRESSURE = ("pressure", "loop", "scatter", "following", "late")
_AT_CONTROLLER = {"command": Where.CONTROLLER}
_MONITOR = {"current": Where.MONITOR}

CAUSES: tuple[Cause, ...] = (
    # the driver and its settings
    _cause(Part.DRIVER_SETTING, "ramp up turned", ramps=_is("up")),
    _cause(Part.DRIVER_SETTING, "ramp down turned", ramps=_is("down")),
    _cause(Part.DRIVER_SETTING, "both ramps turned", ramps=_is("both")),
    _cause(Part.DRIVER, "its ramps drift together", ramps=_is("both")),
    _cause(Part.DRIVER_SETTING, "current at zero turned", currents=both("zero"), following=_FOLLOWS, free=("idle",)),
    _cause(Part.DRIVER_SETTING, "current at full turned", currents=both("full"), following=_FOLLOWS, free=("idle",)),
    _cause(Part.DRIVER, "its span changed", currents=both("full"), following=_FOLLOWS),
    _cause(Part.DRIVER, "all its currents changed in proportion", currents=both("gain"), following=_FOLLOWS),
    _cause(Part.DRIVER, "all its currents shifted", currents=both("offset"), following=_FOLLOWS),
    _cause(Part.DRIVER_SETTING, "both currents turned", currents=both("gain", "offset") | _is("other"),
           following=_FOLLOWS),
    # no shape tells a circuit that moved both from a hand that turned both: a law that bends or jumps has none
    _cause(Part.DRIVER, "its currents moved by different amounts", currents=_is("other"), following=_FOLLOWS),
    _cause(Part.COMMAND_WIRING, "the signal is shunted on its way", currents=both("full", "gain", "offset"),
           following=_FOLLOWS, where=_AT_CONTROLLER),
    _cause(Part.COMMAND_WIRING, "the signal leaks on its way", currents=both("offset") | _is("other"),
           following=_FOLLOWS, where=_AT_CONTROLLER),
    _cause(Part.COMMAND_WIRING, "the signal does not arrive", currents=_is("full-", "other"),
           free=("ramps", "response", "following", "pressure", "flow"), where=_AT_CONTROLLER),
    _cause(Part.DRIVER, "it follows more slowly", response=_is("slow", "quick")),
    _cause(Part.DRIVER, "it lets current flow unasked", flow=_is("unasked"), following=_FOLLOWS,
           free=("currents", "ramps", "response", "top", "limit", "pressure", "scatter", "dither")),
    # without a current reading a limited current looks like this: of the two the hydraulics are likelier
    _cause(Part.PRESSURE_SOURCE, "it gives less at the top", pressure=_is("top-")),
    # supply, coil, wiring
    _cause(Part.COIL, "the coil is hot", top=_is("cut"), limit=_is("coil"), following=_FOLLOWS,
           resistance=AS_LEFT | _is("+"), free=("dither", "response")),
    _cause(Part.DRIVER, "its own limit is lower", top=_is("cut"), limit=_is("low", "beyond"), following=_FOLLOWS),
    _cause(Part.COIL_WIRING, "resistance in its wires", top=_is("cut"), limit=_is("beyond"), following=_FOLLOWS,
           free=("dither", "response")),
    _cause(Part.COIL, "its resistance rose", resistance=_is("+"), top=AS_LEFT | _is("cut"),
           limit=_is("coil"), following=_FOLLOWS),
    _cause(Part.SUPPLY, "the supply is low", supply=_is("low"), top=AS_LEFT | _is("cut"),
           free=("limit", "following", "response")),
    # without a reading of the supply nobody thinks of it where the current at full is another
    _cause(Part.SUPPLY, "the supply is so low that full command makes less", supply=_is("low"),
           currents=_is("full-", "gain-", "other"), following=_FOLLOWS, free=("limit", "top", "response"),
           known=("supply",)),
    # What comes back by itself is a contact more often than a hot winding's break or an output that protects itself,
    # and no channel of the current tells them apart.
    _cause(Part.COIL_WIRING, "a wire or plug is open", flow=_is("lost", "at times"), free=_UPSET),
    _cause(Part.COIL, "its winding is open or short-circuited", flow=_is("lost", "at times"), free=_UPSET),
    _cause(Part.DRIVER, "its output is off", flow=_is("lost", "at times"), free=_UPSET),
    # valve and hydraulics: the current is right
    _cause(Part.VALVE, "its spring gave way", pressure=both("spring", "gain")),
    _cause(Part.VALVE, "its seat is worn", pressure=both("offset", "zero")),
    _cause(Part.VALVE, "it no longer lets go", pressure=_is("foot+")),
    _cause(Part.VALVE, "its friction grew", pressure=AS_LEFT | _is("loop+"), loop=_is("wide"), free=("scatter",)),
    _cause(Part.VALVE, "its spool sticks", scatter=_is("more"),
           pressure=AS_LEFT | both("loop", "offset", "zero", "spring", "gain", "force") | _is("other", "foot+"),
           free=("loop",)),
    _cause(Part.VALVE, "its spool is stuck at zero", pressure=_is("gone"), free=("loop", "scatter")),
    # a lost or turned dither lets the spool stick: dirt does so more often
    _cause(Part.DRIVER_SETTING, "dither switched off", dither=_is("lost"), pressure=AS_LEFT | both("loop"),
           free=("loop", "scatter")),
    _cause(Part.DRIVER, "it no longer makes dither", dither=_is("lost"), pressure=AS_LEFT | both("loop"),
           free=("loop", "scatter")),
    _cause(Part.DRIVER_SETTING, "dither turned", dither=both("strength") | _is("frequency"),
           pressure=AS_LEFT | both("loop"), free=("loop", "scatter")),
    # a valve works on what its source gives: all its pressures fall with that
    _cause(Part.PRESSURE_SOURCE, "it gives less altogether", pressure=_is("gain-", "spring-")),
    _cause(Part.PRESSURE_SOURCE, "what the oil returns to holds it up", pressure=_is("foot+")),
    _cause(Part.PRESSURE_SOURCE, "it gives nothing", pressure=_is("gone"), free=("loop", "scatter")),
    # a driver that regulates its current keeps it up in a short circuit, and no force comes of it
    _cause(Part.COIL, "its winding is bridged", pressure=_is("gone"),
           free=("loop", "scatter", "response", "dither", "resistance")),
    _cause(Part.COIL_WIRING, "its wires touch", pressure=_is("gone"),
           free=("loop", "scatter", "response", "dither", "resistance")),
    # without a current reading it scatters alike; spools stick more often
    _cause(Part.COIL_WIRING, "a contact is loose", flow=_is("at times"), free=_UPSET),
    _cause(Part.DRIVER, "it measures its own current wrong", pressure=both("force", "spring", "gain"),
           where=_MONITOR),
    # readings
    _cause(Part.PRESSURE_SENSOR, "its zero moved", pressure=both("offset"), vented=_is("+", "-")),
    _cause(Part.PRESSURE_SENSOR, "its gain moved", pressure=both("gain", "spring")),
    _cause(Part.PRESSURE_SENSOR, "it reads nothing", pressure=_is("gone"), free=("loop", "scatter", "vented")),
    _cause(Part.COIL, "turns are short-circuited", resistance=_is("-"), dither=_is("strength+"),
           pressure=_is("force-", "spring-", "gain-"), free=("response", "scatter")),
    _cause(Part.CURRENT_SENSOR, "its gain moved", currents=both("gain"), following=_STANDS, free=("dither",)),
    _cause(Part.CURRENT_SENSOR, "its zero moved", currents=both("offset"), following=_STANDS, idle=_is("+", "-")),
    _cause(Part.DRIVER, "its monitor output moved", currents=both("gain", "offset"), following=_STANDS,
           free=("dither", "idle"), where=_MONITOR),
    _cause(Part.CURRENT_SENSOR, "it reads nothing", flow=_is("lost"), following=_STANDS,
           free=("currents", "ramps", "response", "top", "limit", "dither", "idle", "resistance", "late")),
    _cause(Part.CURRENT_SENSOR, "it reads what is not there", flow=_is("unasked"), following=_STANDS,
           free=("currents", "ramps", "response", "top", "limit", "dither", "idle")),
    _cause(Part.CURRENT_SENSOR, "its reading is dead", pinned=_is("current"), following=_STANDS | AS_LEFT,
           free=(*(name for name in _UPSET if name not in _UPSET_BY_PRESSURE), "late", "flow")),
    _cause(Part.PRESSURE_SENSOR, "its reading is dead", pinned=_is("pressure"), free=(*_UPSET_BY_PRESSURE, "vented")),
    _cause(Part.SUPPLY, "it is above what its reading shows", pinned=_is("supply"), free=("supply",)),
    _cause(Part.DATA, "the supply's reading is dead", pinned=_is("dead supply"), free=("supply",)),
    _cause(Part.DATA, "readings come late", late=_is("current"), free=("response", "ramps")),
    _cause(Part.DATA, "the pressure is read late", late=_is("pressure"),
           free=tuple(name for name in _UPSET_BY_PRESSURE if name != "late")),
    _cause(Part.DATA, "the command is read late", late=_is("command"),
           free=tuple(name for name in (*_UPSET, "flow") if name != "late")),
    _cause(Part.DATA, "readings are missing", readings=_is("missing")),
    # the command
    _cause(Part.COMMAND_WIRING, "the signal has failed", command=_is("failed"), free=(*_UPSET, "flow", "pinned")),
    _cause(Part.COMMAND_WIRING, "its reading is dead", pinned=_is("command"), free=(*_UPSET, "flow", "command")),
    _cause(Part.DATA, "the command's reading stands still", pinned=_is("command"), free=(*_UPSET, "flow", "command")),
    # of more command no less pressure comes
    _cause(Part.CONTROLLER, "it asks for more than there is", command=_is("beyond"),
           pressure=AS_LEFT | _is("spring+", "gain+", "force+", "offset+", "other"), known=("command",)),
)  # fmt: skip

#: Shape of the pressure's change that a change of the current's ends leads to.
_IN_PRESSURE: Mapping[str, tuple[str, ...]] = {
    "zero": ("zero",),
    "full": ("spring", "gain"),
    "gain": ("force", "gain", "spring"),
    "offset": ("offset", "zero"),  # what leaves the command's range is cut off at that end
}


#: How what the current does unasked, or does not, is seen in the pressure: value of "flow", symptom, its values.
_FLOW_IN_PRESSURE: tuple[tuple[str, str, Values], ...] = (
    ("lost", "pressure", _is("gone")),
    ("at times", "scatter", _is("more")),
    (
        "unasked",
        "pressure",
        _is("zero+", "offset+", "foot+", "other"),
    ),  # a floor under the current lifts the low levels
)


def without_current(cause: Cause, *, flow_is_seen: bool = False) -> Cause:
    """What a cause shows where no current is read: what changes or limits it is seen in the pressure alone.

    `flow_is_seen`: it is read, though not how its ends are; whether it flows at all is then seen in itself.
    """
    if flow_is_seen and "flow" in cause.shows:
        return cause
    for value, symptom, shown in _FLOW_IN_PRESSURE:
        if value in cause.shows.get("flow", AS_LEFT) and symptom in cause.any_of:
            return replace(cause, shows={**cause.shows, symptom: shown}, any_of=cause.any_of - {symptom})
    top = cause.shows.get("top", AS_LEFT)
    if "cut" in top and "pressure" not in cause.any_of:
        return replace(cause, shows={**cause.shows, "pressure": (top & AS_LEFT) | {"top-"}})
    moved = cause.shows.get("currents")
    if moved is None or cause.shows.get("following") != _FOLLOWS:
        return cause
    seen = {
        f"{shape}{value[-1]}" for value in moved if value[-1] in "+-" for shape in _IN_PRESSURE.get(value[:-1], ())
    }
    return replace(cause, shows={**cause.shows, "pressure": frozenset(seen)})


# Which part moved: the causes of the fault table that observed symptoms leave standing.

_OF_THE_CURRENT, _OF_THE_PRESSURE = ("currents", "top"), ("pressure", "hysteresis")
#: How much it weighs against a cause that a symptom it always shows is surely not there.
_ABSENT = 2
#: How much it weighs against a cause that its own signs of the very finding were looked for and are not there.
_NOT_SHOWN = 0.5


@dataclass(frozen=True, slots=True)
class Conclusion:
    """Parts, the likeliest first; the symptoms that ruled the others out; the causes left standing."""

    parts: tuple[Part, ...]
    decisive: tuple[str, ...]
    causes: tuple[Cause, ...]


def isolate(
    observed: Mapping[str, Values],
    places: Mapping[str, Where],
    kind: str,
    causes: Sequence[Cause] = CAUSES,
    likelier: Mapping[str, Values] = MappingProxyType({}),
) -> Conclusion | None:
    """Causes of a kind of finding that contradict what was observed least. None if the table has no cause for it.

    `observed`: symptom -> values it may have; absent: not known. A cause is contradicted by each symptom of which it
    can show none of the possible values; one whose own sign was looked for and is surely not there is out of the
    question. Usually one fault is there and its cause has no contradiction; with several at once the one with the
    fewest is named. Where that is a tie of parts nothing tells apart, all of them are; those that show what is
    `likelier`, though not sure, come first.

    It misses a second cause of the same part, and names the wrong one where two faults imitate a third.
    """
    rows = [row for row in _rows(observed, places, causes) if _explains(row, kind, observed)]
    rows = [row for row in rows if not any(row.departs(s) and values == AS_LEFT for s, values in observed.items())]
    if not rows:
        return None
    left = _least_contradicted(rows, kind, observed)
    if contradictions(left[0], observed) and FINDING_KINDS[kind].own_symptoms:
        # No cause alone shows all of this: there are several, and what others show says nothing of this one.
        own = FINDING_KINDS[kind].own_symptoms
        whole, observed = observed, {name: values for name, values in observed.items() if name in own}
        left = _least_contradicted(rows, kind, observed, whole)
        shown = {name: values for name, values in observed.items() if name in FINDING_KINDS[kind].symptoms}
        if contradictions(left[0], shown):  # what it shows itself rules that out: an odd command is another fault
            observed = _without(observed, "command")
            left = _least_contradicted(rows, kind, observed, whole)
    decisive = tuple(
        symptom
        for symptom in SYMPTOMS
        if symptom in observed
        and _parts(_least_contradicted(rows, kind, _without(observed, symptom))) != _parts(left)
    )
    left.sort(key=lambda row: any(not (row.allows(s) or values) & values for s, values in likelier.items()))
    return Conclusion(_parts(left), decisive, tuple(left))


def places_of(sheet: Sheet) -> dict[str, Where]:
    """Where each channel is read, as far as the sheet says so."""
    return {name: i.where for name, i in sheet.instruments.items() if i.where is not None}


def contradictions(cause: Cause, observed: Mapping[str, Values]) -> int:
    """Weighted number of observed symptoms a cause cannot show.

    One that it always shows and that is surely not there weighs more than one that has another shape.
    """
    count = 0
    for symptom, values in observed.items():
        allowed = cause.allows(symptom)
        if allowed is not None and not allowed & values:
            count += max(WEIGHTS.get(symptom, 1), _ABSENT if values == AS_LEFT else 1)
    return count


def expected_parts(
    cause: Cause, visible: Iterable[str], places: Mapping[str, Where], causes: Sequence[Cause] = CAUSES
) -> frozenset[Part]:
    """Parts that cannot be told apart from `cause` when only the symptoms `visible` are known, its own included.

    Two causes are told apart by a visible symptom for which they have no value in common. Empty if the cause shows
    itself in none of them.
    """
    known = set(visible)
    rows = [row for row in causes if _in_place(row, places) and known.issuperset(row.known)]
    if "currents" not in known:
        rows, cause = [without_current(row) for row in rows], without_current(cause)
    if not any(cause.departs(symptom) for symptom in known):
        return frozenset()
    out = {cause.part}
    for row in rows:
        apart = any(
            a is not None and b is not None and not a & b
            for a, b in ((cause.allows(s), row.allows(s)) for s in known)
        )
        shows = any(bool((row.allows(s) or AS_LEFT) - AS_LEFT) for s in known)
        if not apart and shows:
            out.add(row.part)
    return frozenset(out)


def _rows(observed: Mapping[str, Values], places: Mapping[str, Where], causes: Sequence[Cause]) -> list[Cause]:
    rows = [row for row in causes if _in_place(row, places) and all(symptom in observed for symptom in row.known)]
    if "currents" in observed:
        return rows
    return [without_current(row, flow_is_seen="flow" in observed) for row in rows]


def _in_place(cause: Cause, places: Mapping[str, Where]) -> bool:
    return all(places.get(channel) is where for channel, where in cause.where.items())


def _explains(cause: Cause, kind: str, observed: Mapping[str, Values]) -> bool:
    """Whether a cause may lead to a kind of finding: by a value of its own, or, once it is seen itself, by any."""
    itself = any(
        cause.departs(s) and s != "following" and bool((cause.allows(s) or values) & values)
        for s, values in observed.items()
    )
    for symptom in FINDING_KINDS[kind].symptoms:
        allowed = cause.allows(symptom)
        if symptom in _OF_THE_CURRENT and kind.startswith(_OF_THE_PRESSURE) and not _reaches_the_pressure(cause):
            continue
        if allowed is None:
            if itself:
                return True
        elif any(_of_sign(value, FINDING_KINDS[kind].sign) for value in allowed - AS_LEFT):
            return True
    return False


def _reaches_the_pressure(cause: Cause) -> bool:
    """Whether what a cause shows in the current is really there, so that the pressure follows it."""
    follows = cause.allows("following")
    return follows is None or "yes" in follows


def _is_shown(cause: Cause, kind: str, observed: Mapping[str, Values]) -> bool:
    """Whether a cause may show in what leads to a kind of finding, by what was seen of it."""
    for symptom in FINDING_KINDS[kind].symptoms:
        allowed, values = cause.allows(symptom), observed.get(symptom)
        if allowed is None or (values is None and allowed - AS_LEFT):
            return True
        if values is not None and (allowed - AS_LEFT) & values:
            return True
    return False


def _of_sign(value: str, sign: str | None) -> bool:
    return sign is None or value[-1] == sign or value[-1] not in "+-"


def _least_contradicted(
    rows: Sequence[Cause], kind: str, observed: Mapping[str, Values], whole: Mapping[str, Values] | None = None
) -> list[Cause]:
    """Rows that contradict `observed` least; `whole`: what else was seen, by which a row may be shown at all."""
    seen = observed if whole is None else whole
    counts = [contradictions(row, observed) + (0.0 if _is_shown(row, kind, seen) else _NOT_SHOWN) for row in rows]
    fewest = min(counts)
    return [row for row, count in zip(rows, counts, strict=True) if count == fewest]


def _parts(rows: Sequence[Cause]) -> tuple[Part, ...]:
    return tuple(dict.fromkeys(row.part for row in rows))


def _without(observed: Mapping[str, Values], symptom: str) -> dict[str, Values]:
    return {name: values for name, values in observed.items() if name != symptom}
