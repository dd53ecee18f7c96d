"""What the columns of a log are, by their names: quantity, leg, unit, whether it is an average."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from monitor.review.files import words

CURRENT, VOLTAGE, TEMPERATURE, TIME, DATE, CALLED, UNIT, OTHER, UNKNOWN = (
    "current", "voltage", "temperature", "time", "date", "called", "unit", "other", "unknown",
)  # fmt: skip
TELLING = (CURRENT, VOLTAGE, TIME)
PAIRS: dict[tuple[int, ...], str] = {(1, 2): "12", (2, 1): "12", (2, 3): "23", (3, 2): "23", (3, 1): "31", (1, 3): "31"}
LEGS = {"a": 1, "b": 2, "c": 3, "r": 1, "s": 2, "t": 3, "u": 1, "v": 2, "w": 3, "1": 1, "2": 2, "3": 3}
CANONICAL = ("time", "l1_amps", "l2_amps", "l3_amps", "v12", "v23", "v31", "ambient_c", "called", "date")
PLAIN, AVERAGE, RMS, MOST, LEAST = 1, 0, 1, 3, 4
"""Which of several columns of one leg is taken: averages before all, plain ones and rms, the greatest, the least."""


@dataclass(frozen=True)
class Column:
    """What a name says."""

    name: str
    quantity: str = UNKNOWN
    legs: tuple[int, ...] = ()
    """(1,) a leg; (1, 2) from leg to leg."""
    letter: bool = False
    """The leg is told by the letter A, which is also the unit."""
    neutral: bool = False
    """To or of the neutral, or to earth."""
    rank: int = PLAIN
    unit: str | None = None
    ambient: bool = False
    strange: tuple[str, ...] = field(default=())
    """Words that nothing is known of."""
    utc_offset: int | None = None
    """Of a time: how far its clock is from UTC, in minutes, if the name says it."""
    role: str | None = None
    """Of the canonical form."""


def plain(text: str) -> str:
    """Small letters without accents: "Stromstärke" -> "stromstarke".

    >>> plain("Tensão  L1-L2 [kV]")
    'tensao  l1-l2 [kv]'
    """
    cyrillic = unicodedata.normalize("NFC", text.casefold())
    return "".join(
        one
        if "\u0400" <= one <= "\u04ff"
        else "".join(part for part in unicodedata.normalize("NFKD", one) if not unicodedata.combining(part))
        for one in cyrillic
    )


def unit_of(text: str) -> str | None:
    """The unit that a text is, as `words.UNITS` has it; None where it is none.

    >>> unit_of("mA"), unit_of("°F"), unit_of(" kV "), unit_of("L1"), unit_of("A rms")
    ('ma', '°f', 'kv', None, 'a')
    """
    told = text.strip().strip("[]()").strip().casefold().replace("\u00a0", " ")
    if told in words.UNITS:
        return told
    told = re.sub(r"\s*(rms|trms|ac|eff|~)$", "", told)
    return told if told in words.UNITS else None


def tokens_of(name: str) -> list[str]:
    """Words and numbers of a name: "AvgCurrentL1" -> avg, current, l, 1.

    >>> tokens_of("I_L1 Avg"), tokens_of("AvgCurrentL1"), tokens_of("U12"), tokens_of("L1_amps")
    (['i', 'l', '1', 'avg'], ['avg', 'current', 'l', '1'], ['u', '12'], ['l', '1', 'amps'])
    """
    parted = re.sub(r"(?<=[a-zà-þ])(?=[A-Z])", " ", name)
    return re.findall(r"\d+|[^\W\d_]+", plain(parted))


_BRACKETS = re.compile(r"[\[(]([^\])]*)[\])]")
_ZONE = re.compile(r"\b(utc|gmt)\s*([+-]\s*\d{1,2})?(?::?(\d{2}))?", re.IGNORECASE)
_GLUED = re.compile(
    r"^(i|u|v|e|il|ul|vl|irms|urms|vrms|iavg|uavg|vavg|imax|imin|umax|umin|vmax|vmin|amps?|ph|phase|leg|l)"
    r"(a|b|c|r|s|t|ab|ba|bc|cb|ca|ac|rs|st|tr|uv|vw|wu|an|bn|cn|rn|sn|tn|n|g|ln|ll)?$"
)


def column_of(name: str) -> Column:
    """What one name says by itself; see `together` for what it says among the others."""
    told = name.strip().lstrip("\ufeff").strip().strip('"').strip()
    key = re.sub(r"[\s-]+", "_", told.casefold())
    if key in CANONICAL:
        return Column(told, role=key, quantity=TIME if key == "time" else OTHER)
    unit = None
    outside = told
    for inside in _BRACKETS.findall(told):
        found = unit_of(inside)
        if found is not None or inside.strip().casefold() in words.OTHER_UNITS:
            unit = found or inside.strip().casefold()
            outside = outside.replace(f"[{inside}]", " ").replace(f"({inside})", " ")
    if unit is None:  # "I1 / A", "I1, mA", "I1_mA", "current in A"
        ends = re.search(r"^(.+?)(?:\s*[/,;:]\s*|_|\s+in\s+|\s+)([^\s/,;:_]{1,4})$", outside.strip())
        if ends and (unit_of(ends[2]) or ends[2].casefold() in words.OTHER_UNITS):
            single = len(ends[2]) == 1 and ends[2].casefold() in "abcvf" and not re.search(r"[/,;_]|\sin\s", outside)
            if not single:
                unit, outside = unit_of(ends[2]) or ends[2].casefold(), ends[1]
    column = _read(told, tokens_of(outside), unit)
    if column.quantity in (TIME, DATE):
        zone = _ZONE.search(told)
        if zone:
            hours = int((zone[2] or "0").replace(" ", ""))
            minutes = int(zone[3] or 0)
            column = replace(column, utc_offset=hours * 60 + (minutes if hours >= 0 else -minutes))
    return column


def _read(name: str, tokens: Sequence[str], unit: str | None) -> Column:
    quantity: str | None = None
    ambient = neutral = letter = in_leg = other = False
    legs: list[int] = []
    strange: list[str] = []
    rank = PLAIN
    for place, token in enumerate(tokens):
        last = place == len(tokens) - 1
        if token.isdigit():
            if token in ("1", "2", "3"):
                legs.append(int(token))
            elif len(token) == 2 and tuple(int(one) for one in token) in PAIRS:
                legs += [int(one) for one in token]
            else:
                strange.append(token)
            continue
        if token in words.CURRENT:
            quantity = quantity or CURRENT
        elif token in words.VOLTAGE:
            quantity = quantity or VOLTAGE
        elif token in words.TEMPERATURE:
            quantity = quantity or TEMPERATURE
            ambient = ambient or token in words.AMBIENT
        elif token in words.AMBIENT:
            ambient = True
        elif token in words.AVERAGE:
            rank = AVERAGE
        elif token in words.MOST:
            rank = MOST
        elif token in words.LEAST:
            rank = LEAST
        elif token in words.RMS:
            pass
        elif token in words.OTHER:
            other = True
        elif token in words.TIME:
            quantity = quantity or TIME
        elif token in words.DATE:
            quantity = DATE if quantity is None else quantity
        elif token in words.CALLED:
            quantity = quantity or CALLED
        elif token in words.NEUTRAL or (token in words.EARTH and (quantity in (CURRENT, VOLTAGE) or in_leg)):
            neutral = True
        elif token in ("unit", "units", "einheit", "unidad", "unite", "unidade", "одиниця"):
            return Column(name, UNIT)
        elif token in words.LEG:
            in_leg = True
        elif len(token) == 1 and token in "iuve" and (place == 0 or not last):
            quantity = quantity or (CURRENT if token == "i" else VOLTAGE)
        elif token == "a" and len(tokens) > 1 and (quantity == CURRENT or in_leg or quantity is None):
            if last and place > 0 and legs:
                unit = unit or "a"  # "L1 A"
            elif place == 0:  # "A1", "A avg"
                quantity = CURRENT
            else:
                legs.append(1)
                letter = not in_leg
        elif len(token) == 1 and token in LEGS and (in_leg or quantity in (CURRENT, VOLTAGE)):
            legs.append(LEGS[token])
        elif (len(token) == 2 and set(token) <= set("abcrstuvw") and quantity == VOLTAGE and token[0] != token[1]) or (
            token in ("ab", "bc", "ca", "rs", "st", "tr") and in_leg
        ):
            legs += [LEGS[token[0]], LEGS[token[1]]]
        elif token in ("ll", "lln"):
            pass
        elif token == "ln":
            neutral = True
        elif _GLUED.match(token):
            begins, ends = _GLUED.match(token).groups()  # type: ignore[union-attr]
            first = begins[0]
            if first in "iuve" or begins.startswith("amp"):
                quantity = quantity or (CURRENT if first in "ia" else VOLTAGE)
            else:
                in_leg = True
            rank = MOST if "max" in begins else LEAST if "min" in begins else AVERAGE if "avg" in begins else rank
            for sign in ends or "":
                if sign in "ng" or ends in ("ln", "ll"):
                    neutral = neutral or sign in "ng" or (ends == "ln")
                else:
                    legs.append(LEGS[sign])
        elif unit_of(token) and last:
            unit = unit or token
        else:
            strange.append(token)
    if unit is not None and unit in words.UNITS:
        by_unit = words.UNITS[unit][0]
        if quantity is None and not other:
            quantity = by_unit
        elif quantity in (CURRENT, VOLTAGE, TEMPERATURE) and quantity != by_unit:
            other = True
    elif unit is not None and quantity in (CURRENT, VOLTAGE, TEMPERATURE):
        other = True
    if other and quantity not in (TIME, DATE):
        quantity = OTHER
    if quantity is None:
        quantity = TEMPERATURE if ambient else UNKNOWN
    return Column(
        name, quantity, tuple(legs[:2]), letter=letter, neutral=neutral, rank=rank, unit=unit,
        ambient=ambient, strange=tuple(strange),
    )  # fmt: skip


def together(names: Sequence[str]) -> list[Column]:
    """What the names of a head say, each among the others."""
    columns = [column_of(name) for name in names]
    letters = {one.legs for one in columns if one.quantity == CURRENT}
    for place, one in enumerate(columns):
        if one.letter and not ((2,) in letters and (3,) in letters):  # "Current A" alone: ampere
            columns[place] = replace(one, legs=(), letter=False, unit=one.unit or "a")
    if not any(one.quantity == CURRENT or one.role == "l1_amps" for one in columns):
        for place, one in enumerate(columns):  # "L1", "L2", "L3" and nothing else
            if one.quantity == UNKNOWN and len(one.legs) == 1 and not one.neutral and not one.strange:
                columns[place] = replace(one, quantity=CURRENT)
    for place, one in enumerate(columns):  # "L1-L2" and "L1-N" beside amps
        if one.quantity == UNKNOWN and not one.strange and (len(one.legs) == 2 or (one.legs and one.neutral)):
            columns[place] = replace(one, quantity=VOLTAGE)
    return columns


def knows(text: str) -> bool:
    """Whether a text has words of the trade in it."""
    known = words.CURRENT | words.VOLTAGE | words.TEMPERATURE | words.TIME | words.DATE
    return any(token in known and len(token) > 2 for token in tokens_of(text[:4096]))


def language_of(names: Iterable[str]) -> str | None:
    """The language of a head; None where it has no words."""
    found = {token for name in names for token in tokens_of(name)}
    score = {language: len(found & its) for language, its in words.LANGUAGES.items()}
    best = max(score, key=lambda language: score[language])
    return best if score[best] else None


def is_unit_row(cells: Sequence[str]) -> bool:
    """Whether a line holds only units: the one beneath the names."""
    filled = [cell.strip() for cell in cells if cell.strip()]
    units = [cell for cell in filled if unit_of(cell) or cell.strip("[]()").casefold() in words.OTHER_UNITS]
    return bool(units) and len(units) >= 0.6 * len(filled)
