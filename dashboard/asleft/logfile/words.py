"""What the words of a header mean: a table from words of a dozen languages to tags, and headers to sets of tags.

The words are the trade's own in each language, written down from memory and general dictionaries; a word that means
two things stands under both tags or not at all. What is missing here costs a question, never a wrong column: a tag
is evidence, and `recognise` weighs it against unit and values.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

# Tags of quantities.
TIME, DATE, CURRENT, PRESSURE, VOLTAGE = "time", "date", "current", "pressure", "voltage"
TEMPERATURE, OTHER = "temperature", "other"  # OTHER: a quantity that is no channel (flow, position, speed, force)
# Tags of roles.
SET, ACTUAL, COIL, SUPPLY, OIL, PUMP, RUNNING, ENABLE, MODE = (
    "set",
    "actual",
    "coil",
    "supply",
    "oil",
    "pump",
    "running",
    "enable",
    "mode",
)
ELSEWHERE = "elsewhere"  # a place that is not the valve's outlet (tank, return, accumulator)
INDEX = "index"  # numbers rows
DERIVED = "derived"  # made from readings (minimum, average, error)
PLAIN = "plain"  # says nothing by itself (value, signal, channel)

#: Tag -> its words. A word of one letter is weak evidence; see `Meaning.weak`.
WORDS: Mapping[str, str] = {
    TIME: """time timestamp ticks t elapsed zeit uhrzeit zeitstempel zeitpunkt laufzeit temps heure horodatage tiempo
        hora tempo orario ora tijd tijdstip czas godzina cas tid klockslag horario segundos seconds sekunden
        время 时间 時間 時刻""",
    DATE: "date datum fecha data day tag jour dia giorno dag dzien den дата 日期 日付",
    CURRENT: """current amps amperage i strom courant intensite intensidad corriente corrente stroom prad proud
        icoil isol ampere ток 电流 電流""",
    PRESSURE: "pressure p druck pression presion pressione druk pressao cisnienie tlak tryck давление 压力 圧力",
    VOLTAGE: "voltage volts u spannung tension voltaje tensione spanning tensao napiecie napeti напряжение 电压 電圧",
    TEMPERATURE: "temperature temp temperatur temperatura temperatuur teplota температура 温度",
    OTHER: """volume volumen volym objem objetosc 体积 flow durchfluss volumenstrom debit caudal portata vazao
        przeplyw prutok flode q position weg stellung posicion posizione positie posicao polozenie poloha
        lage stroke hub course speed drehzahl geschwindigkeit vitesse velocidad velocita snelheid force
        kraft fuerza forza torque moment power leistung level fullstand vibration viscosity humidity
        frequency frequenz spool schieber resistance widerstand weight gewicht расход 流量 位置""",
    SET: """command cmd commanded setpoint set setpt sp soll sollwert sollwertvorgabe vorgabe stellgrosse
        stellsignal fuhrungsgrosse reference ref demand demanded target desired required control ctrl
        consigne commande consigna mando comando riferimento setpunt gewenst stuursignaal sturing referencia
        referentie zadana zadany steuer steuersignal ansteuerung sterowanie zadane pozadovana pozadovany
        borvarde styrsignal input eingang ingresso entree entrada задание уставка 指令 设定 設定""",
    ACTUAL: """actual act measured meas mess messwert ist istwert feedback fb real reel mesure mesuree medido
        medida effettiva effettivo misurata misurato gemeten werkelijk zmierzony zmierzona skutecna arvarde
        monitor readback rueck ruckmeldung 实际 実際""",
    COIL: """coil solenoid magnet spule spulen magneten solenoide bobine bobina electroaimant spoel cewka cewki
        civka elektromagnet spolens катушка 线圈 コイル""",
    SUPPLY: """supply battery mains versorgung versorgungs speise netz akku alimentation alimentacion alimentazione
        voeding zasilanie zasilania napajeni matning rail ub ubat vbat vcc bord питание 电源 電源""",
    OIL: "oil ol oel huile aceite olio olie olej oleju olja hydraulic hydraulik масло 油",
    PUMP: "pump pumpe pumpen pompe bomba pompa pomp pompy cerpadlo motor насос 泵",
    RUNNING: "running run runs on lauft laeuft lauf betrieb marche marcha marcia draait praca bezi drift",
    ENABLE: """enable enabled freigabe aktiviert activation valide habilitado habilitacion abilitazione vrijgave
        uvolneni frigivning ena""",
    MODE: "mode modus betriebsart modo modalita tryb rezim",
    ELSEWHERE: """tank return rucklauf retour ritorno retorno accumulator speicher accumulateur system pump supply
        leckol drain pilot case filter reservoir ruecklauf""",
    INDEX: """index no nr number nummer sample samples record row zeile line count counter id n numero scan lfd
        satz messung""",
    DERIVED: """min max minimum maximum mean average avg mittel mittelwert error fehler deviation abweichung delta
        diff difference differenz std rms""",
    PLAIN: """value wert signal channel kanal canal analog ai ao ch sensor valve ventil valvola vanne valvula
        ventiel zawor v press presse the of in at and de la le der die das des du mess output gauge relative
        relativ gefiltert raw zylinder cylinder platen port local utc start data logger prop proportional
        amplifier driver""",
}

_BRACKETS = re.compile(r"[\[\(\{<]([^\[\]\(\)\{\}<>]*(?:\([^()]*\))?)[\]\)\}>]")
_TOKEN = re.compile(r"[^\W\d_]+|\d+")
_CAMEL = re.compile(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ])|(?<=[A-Za-z])(?=\d)|(?<=\d)(?=[A-Za-z])")
_SPECIAL = str.maketrans({"ß": "ss", "ø": "o", "ł": "l", "æ": "ae", "đ": "d", "ı": "i"})


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a header says: tags; `weak` if the quantity rests on a single letter; words that no tag knows."""

    tags: frozenset[str]
    weak: bool
    unknown: tuple[str, ...]


def folded(text: str) -> str:
    """Lower case, without accents."""
    plain = unicodedata.normalize("NFKD", text.casefold().translate(_SPECIAL))
    return "".join(letter for letter in plain if not unicodedata.combining(letter))


def tokens(text: str) -> list[str]:
    """The words and numbers of a header, folded; camelCase is two words."""
    return [folded(token) for token in _TOKEN.findall(_CAMEL.sub(" ", text))]


def without_brackets(header: str) -> str:
    """The header without what stands in brackets."""
    return _BRACKETS.sub(" ", header)


def in_brackets(header: str) -> list[str]:
    """What stands in brackets of any kind."""
    return [found.strip() for found in _BRACKETS.findall(header)]


@cache
def _tags_of_word() -> Mapping[str, frozenset[str]]:
    found: dict[str, set[str]] = {}
    for tag, words in WORDS.items():
        for word in words.split():
            found.setdefault(folded(word), set()).add(tag)
    return {word: frozenset(tags) for word, tags in found.items()}


def meaning(header: str) -> Meaning:
    """The tags of a header's words. A compound ("Spulenstrom") counts by its parts where all of them are known."""
    tags: set[str] = set()
    strong: set[str] = set()
    unknown: list[str] = []
    for token in tokens(header):
        parts = _parts(token)
        if parts is None:
            unknown.append(token)
            continue
        for part in parts:
            found = _tags_of_word()[part]
            tags |= found
            if len(part) > 1 or not part.isascii():
                strong |= found
    quantities = {TIME, DATE, CURRENT, PRESSURE, VOLTAGE, TEMPERATURE, OTHER}
    # A letter beside a word of another quantity is a label ("current I1", "pressure P"): the word counts.
    if strong & quantities:
        tags -= (tags - strong) & quantities
    return Meaning(frozenset(tags), weak=not strong & (quantities | {SET}), unknown=tuple(unknown))


@cache
def _parts(token: str) -> tuple[str, ...] | None:
    """The known words a token is made of, None where some of it is unknown."""
    known = _tags_of_word()
    if token in known:
        return (token,)
    if len(token) < 6:
        return None
    for cut in range(len(token) - 2, 2, -1):
        if token[:cut] in known and (rest := _parts_of_rest(token[cut:])) is not None:
            return (token[:cut], *rest)
    return None


def _parts_of_rest(rest: str) -> tuple[str, ...] | None:
    known = _tags_of_word()
    for link in ("", "s", "n"):
        after = rest.removeprefix(link) if link else rest
        if len(after) >= 3 and after in known:
            return (after,)
        if len(after) >= 6 and (parts := _parts(after)) is not None:
            return parts
    return None


def known_words(text: str) -> int:
    """How many different words of a text with letters beyond ASCII are known: which of two decodings is right.

    Words of one letter say nothing: a wrong decoding makes such of any text.
    """
    found = {token for token in _TOKEN.findall(text.casefold()) if len(token) > 1 and not token.isascii()}
    return sum(_parts(folded(token)) is not None for token in found)


def names_a_place(token: str) -> bool:
    """Whether a word of a header can be a name: a number, a word nobody knows, or one such as "valve" or "press"."""
    parts = _parts(token)
    return parts is None or all(_tags_of_word()[part] == {PLAIN} for part in parts)
