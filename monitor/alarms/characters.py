"""Characters of an SMS, and names that fit.

A short message carries 160 characters of the default alphabet of 3GPP TS 23.038 (formerly GSM 03.38; from memory), or
306 in two parts; one single character outside it makes each part 70 characters. So the short form keeps to it where
names allow.
"""

from __future__ import annotations

import re
import unicodedata

_DEFAULT = (
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
DEFAULT = frozenset(_DEFAULT)
"""3GPP TS 23.038 clause 6.2.1, default alphabet without the escape: 127 characters (from memory)."""
EXTENSION = frozenset("^{}\\[~]|€\f")
"""Clause 6.2.1.1, the extension table: each counts for two (from memory)."""

_PLAINER = {
    "‘": "'", "’": "'", "‚": "'", "“": '"', "”": '"', "„": '"', "«": '"', "»": '"', "–": "-", "—": "-", "−": "-",
    "‐": "-", "‑": "-", "…": "...", "°": "deg", "×": "x", "·": ".", "•": "-", "№": "No.", "`": "'", "´": "'",
    "ł": "l", "Ł": "L", "đ": "d", "Đ": "D", "ı": "i", "œ": "oe", "Œ": "OE", "þ": "th", "ð": "d",
    "[": "(", "]": ")", "{": "(", "}": ")", "|": "/", "\\": "/", "~": "-", "^": "'",
}  # fmt: skip


def clean(text: str) -> str:
    """One line of text without control characters (they would break a mail's header or turn the writing round)."""
    spaced = "".join(" " if character.isspace() else character for character in text)
    return " ".join("".join(character for character in spaced if unicodedata.category(character)[0] != "C").split())


def fold(text: str) -> str:
    """The text in the default alphabet where there is a plainer way to write it; other characters stay.

    >>> fold("Bin “3” – Żółć [old]")
    'Bin "3" - Zolc (old)'
    """
    return "".join(_fold_one(character) for character in unicodedata.normalize("NFC", text))


def septets(text: str) -> int:
    """Length of a text in characters of an SMS: those of the extension table count for two.

    >>> septets("14 A"), septets("[x]")
    (4, 5)
    """
    return len(text) + sum(character in EXTENSION for character in text)


def outside(text: str) -> set[str]:
    """The characters that neither table holds."""
    return set(text) - DEFAULT - EXTENSION


def shorten(name: str, most: int) -> str:
    """A name of at most so many characters: its middle left out, never a number cut (bin 12 must not become bin 1).

    >>> shorten("North bin of the old yard, fan 12", 20), shorten("12345678901234567890", 8)
    ('North bin.. fan 12', '..')
    """
    if len(name) <= most:
        return name
    numbers = [found.span() for found in _NUMBER.finditer(name)]

    def parts_a_number(cut: int) -> bool:
        return any(start < cut < end for start, end in numbers)

    keep = most - 2
    begin = len(name) - keep // 2
    while parts_a_number(begin):
        begin += 1
    space = name.find(" ", begin, len(name) - 1)
    begin = begin if space < 0 else space
    end = keep - (len(name) - begin)
    while parts_a_number(end):
        end -= 1
    space = name.rfind(" ", 0, end + 1)
    end = end if space <= 0 else space
    return f"{name[:end].rstrip()}..{name[begin:]}"


_NUMBER = re.compile(r"\d(?:[\d.,]*\d)?")


def _fold_one(character: str) -> str:
    if character in _PLAINER:
        return _PLAINER[character]
    if character in DEFAULT or character in EXTENSION:
        return character
    plain = "".join(part for part in unicodedata.normalize("NFKD", character) if not unicodedata.combining(part))
    # Only where every part is in the alphabet: half a name in other letters would be worse than the name itself.
    return plain if plain and not outside(plain) and not set(plain) & EXTENSION else character
