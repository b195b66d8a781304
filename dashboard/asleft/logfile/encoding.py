"""Which encoding a text file is in, and its text as UTF-8 bytes.

Numbers are the same characters in nearly every encoding, so a wrong guess can only spoil headers and words. What no
evidence settles is read as cp1252, the usual one of European loggers (common practice).
"""

from __future__ import annotations

import codecs

from asleft.logfile.errors import LogError
from asleft.logfile.words import known_words

#: Byte order marks (Unicode 16, chapter 23.8); the longer before the shorter that begins it.
_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_SINGLE = ("cp1252", "cp1250", "cp1251", "shift_jis", "gb18030", "mac_roman")
_SAMPLE = 1 << 14


def find_encoding(raw: bytes) -> str:
    """The encoding of a text: by its mark, by its zeros, as valid UTF-8, else by which headers become known words."""
    for mark, name in _MARKS:
        if raw.startswith(mark):
            return name
    head = raw[:_SAMPLE]
    if len(raw) > _SAMPLE:  # a character of two bytes may be cut in the middle; no second byte is a line's end
        head = head[: head.rfind(b"\n") + 1] or head
    return _by_zeros(head) or ("utf-8" if _is_utf8(raw) else _by_known_words(head))


def _by_zeros(head: bytes) -> str:
    """The UTF-16 whose upper bytes are the zeros of a text; empty where there are no such zeros."""
    even, odd = head[0::2].count(0), head[1::2].count(0)
    if len(head) >= 4 and odd > 0.7 * len(head) / 2 and even * 10 < odd:
        return "utf-16-le"
    if len(head) >= 4 and even > 0.7 * len(head) / 2 and odd * 10 < even:
        return "utf-16-be"
    return ""


def _is_utf8(raw: bytes) -> bool:
    if raw.isascii():  # as most files are; it takes no copy of the file, which decoding does
        return True
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _by_known_words(head: bytes) -> str:
    """The encoding of single bytes by which most words of headers are known."""
    best, most = "cp1252", -1
    for name in _SINGLE:
        try:
            text = head.decode(name)
        except UnicodeDecodeError:
            continue
        if (known := known_words(text)) > most:
            best, most = name, known
    return best


def as_utf8(raw: bytes, encoding: str, place: str) -> bytes:
    """The text in UTF-8, without a byte order mark.

    Raises:
        LogError: the bytes are not of that encoding; the message names the line.
    """
    name = encoding.lower()
    if name in ("utf-8", "utf8", "utf-8-sig"):
        body = raw.removeprefix(codecs.BOM_UTF8)
        _check(raw, "utf-8", encoding, place)
        return body
    return _check(raw, encoding, encoding, place).encode("utf-8", "surrogatepass")


def _check(raw: bytes, codec: str, shown: str, place: str) -> str:
    try:
        return raw.decode(codec).removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise LogError(
            f'{place}: line {line}: not {shown}; name the file\'s encoding in a map, as encoding = "cp1252"'
        ) from error
    except UnicodeError as error:
        raise LogError(f"{place}: not {shown}: {error}") from error
