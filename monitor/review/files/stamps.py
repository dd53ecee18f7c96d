"""How a log writes its times: found out from cells, or given as a pattern."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray

from monitor.errors import ConfigError
from monitor.review.files import cells as compiled
from monitor.review.files import scan
from monitor.review.files.cells import DAY, HOUR, MILLISECOND, MINUTE, MONTH, SECOND, YEAR

Floats = NDArray[np.float64]

TIME_OF_DAY = (HOUR, MINUTE, SECOND)
YEAR_FIRST, DAY_FIRST, MONTH_FIRST = (YEAR, MONTH, DAY), (DAY, MONTH, YEAR), (MONTH, DAY, YEAR)
DAY_OR_MONTH = "can be read with the day or the month first"
GOOD_SHARE = 0.8
"""Of the cells of a column so many must be times for it to be a column of times."""

EXCEL_EPOCH = 25_569.0
"""Days from what Excel counts its days from to 1970-01-01 (ECMA-376-1, 18.17.4.1: 1900 system, from March 1900 on)."""


@dataclass(frozen=True)
class StampForm:
    """How the time of a line is written, in one cell or in two."""

    clock: tuple[int, ...] = ()
    """What the groups of digits in the cell of the time mean; () : it is a number."""
    date: tuple[int, ...] = ()
    """The same of the cell of the date, where there is one."""
    before: float = 0.0
    """A number n is (n + before) * times / by milliseconds since 1970."""
    times: float = 1.0
    by: float = 1.0
    unit: str = ""
    """What the number counts, in words."""
    month_word: bool = False
    half_days: bool = False
    """With AM and PM."""

    @property
    def linear(self) -> bool:
        """It is a number."""
        return bool(self.unit)

    @property
    def day_or_month(self) -> bool:
        """Whether day and month could have been taken for one another: two groups before or behind the year."""
        return not self.linear and not self.month_word and self.days in (DAY_FIRST, MONTH_FIRST)

    @property
    def days(self) -> tuple[int, ...]:
        """In which order year, month and day come."""
        return tuple(part for part in (*self.date, *self.clock) if part < HOUR)

    def swapped(self) -> StampForm:
        """Day and month the other way round."""
        turned = {DAY: MONTH, MONTH: DAY}
        return replace(
            self,
            clock=tuple(turned.get(part, part) for part in self.clock),
            date=tuple(turned.get(part, part) for part in self.date),
        )

    @property
    def words(self) -> str:
        """For a reader, e.g. "DD MM YYYY hh mm ss"."""
        if self.linear:
            return self.unit
        shown = {YEAR: "YYYY", MONTH: "MM", DAY: "DD", HOUR: "hh", MINUTE: "mm", SECOND: "ss", MILLISECOND: "fff"}
        text = " ".join(shown[part] for part in (*(part for part in self.date if part < HOUR), *self.clock))
        text = f"{text}, the month as a word" if self.month_word else text
        return f"{text}, AM and PM" if self.half_days else text


SECONDS = StampForm(times=1000.0, unit="seconds since 1970")
MILLISECONDS = StampForm(unit="milliseconds since 1970")
MICROSECONDS = StampForm(by=1000.0, unit="microseconds since 1970")
NANOSECONDS = StampForm(by=1_000_000.0, unit="nanoseconds since 1970")
EXCEL_DAYS = StampForm(before=-EXCEL_EPOCH, times=86_400_000.0, unit="days as Excel counts them")
ISO = StampForm(clock=(*YEAR_FIRST, *TIME_OF_DAY))
_NUMBERS: tuple[tuple[float, float, StampForm], ...] = (
    # least, most, form: 2000 to 2100 (days: 1980 to 2100)
    (29_220.0, 73_051.0, EXCEL_DAYS),
    (9.4e8, 4.2e9, SECONDS),
    (9.4e11, 4.2e12, MILLISECONDS),
    (9.4e14, 4.2e15, MICROSECONDS),
    (9.4e17, 4.2e18, NANOSECONDS),
)
_BY_WORD = {
    "rfc3339": ISO,
    "iso": ISO,
    "seconds": SECONDS,
    "milliseconds": MILLISECONDS,
    "microseconds": MICROSECONDS,
    "nanoseconds": NANOSECONDS,
    "excel": EXCEL_DAYS,
}

_MONTHS = """
jan january januar jänner jän ene enero janv janvier janeiro gen gennaio januari sty styczeń stycznia січ січень січня янв января
feb february februar febrero févr fév février fev fevereiro febbraio februari lut luty lutego лют лютий лютого фев февраля
mar march märz mär mrz marzo mars março maart mrt marzec marca бер березень березня мар марта
apr april abr abril avr avril aprile kwi kwiecień kwietnia кві квітень квітня апр апреля
may mai mayo maio mag maggio mei maj maja тра травень травня май мая
jun june juni junio juin junho giu giugno cze czerwiec czerwca чер червень червня июн июня
jul july juli julio juil juillet julho lug luglio lip lipiec lipca лип липень липня июл июля
aug august ago agosto août aoû augustus sie sierpień sierpnia сер серпень серпня авг августа
sep sept september septiembre set septembre setembro settembre wrz wrzesień września вер вересень вересня сен сентября
oct october okt oktober octubre octobre out outubro ott ottobre paź październik października жов жовтень жовтня окт октября
nov november noviembre novembre novembro lis listopad listopada лис листопад листопада ноя ноября
dec december dez dezember dic diciembre déc décembre dezembro dicembre gru grudzień grudnia гру грудень грудня дек декабря
""".strip().splitlines()  # noqa: E501
"""English, German, Spanish, French, Portuguese, Italian, Dutch, Polish, Ukrainian, Russian; a month a line."""
_DAYS = """
mon tue tues wed thu thur thurs fri sat sun monday tuesday wednesday thursday friday saturday sunday
mo di mi do fr sa so montag dienstag mittwoch donnerstag freitag samstag sonntag
lun mié mie jue vie sáb sab dom lunes martes miércoles jueves viernes sábado domingo
mer jeu ven sam dim lundi mardi mercredi jeudi vendredi samedi dimanche пн вт ср чт пт сб нд вс
"""
ZONE_WORDS = {
    "z": 0, "utc": 0, "gmt": 0, "est": -300, "edt": -240, "cst": -360, "cdt": -300, "mst": -420, "mdt": -360,
    "pst": -480, "pdt": -420, "akst": -540, "akdt": -480, "wet": 0, "west": 60, "bst": 60, "cet": 60, "cest": 120,
    "mez": 60, "mesz": 120, "eet": 120, "eest": 180,
}  # fmt: skip
"""Minutes from UTC of the words for North American and European time (`CST` is China's as well: it is told)."""
_SPACES = ("", "\u00a0", "\u202f")
"""Between the time and AM or PM stands a space, of which two kinds are no ASCII and become a part of the word."""


@dataclass(frozen=True)
class Names:
    """The words within stamps, as the compiled pass takes them."""

    keys: NDArray[np.uint64]
    kinds: NDArray[np.int32]
    meanings: NDArray[np.int32]


def key_of(word: str, encoding: str) -> int:
    """A word as `cells.packed` makes it."""
    data = bytes(one + 32 if 65 <= one <= 90 else one for one in word.encode(encoding, "replace")[:8])
    return int.from_bytes(data, "big")


@cache
def names(encoding: str) -> Names:
    """All words that may stand in a stamp, in the bytes of an encoding."""
    found: dict[int, tuple[int, int]] = {}

    def put(word: str, kind: int, meaning: int) -> None:
        for form in dict.fromkeys((word, word.upper(), word.title())):
            try:
                form.encode(encoding)
            except UnicodeEncodeError:
                continue
            found.setdefault(key_of(form, encoding), (kind, meaning))

    put("t", compiled.NO_MEANING, 0)  # the most frequent first: the table is gone through from its beginning
    put("z", compiled.AN_OFFSET, 0)
    for space in _SPACES:
        for half, words in enumerate(("am a vorm", "pm p nachm")):
            for word in words.split():
                put(space + word, compiled.AM_OR_PM, half)
        put(space + "m", compiled.NO_MEANING, 0)  # "a. m."
    for number, line in enumerate(_MONTHS, start=1):
        for word in line.split():
            put(word, compiled.A_MONTH, number)
    for word, minutes in ZONE_WORDS.items():
        put(word, compiled.AN_OFFSET, minutes)
    for word in (*_DAYS.split(), "h", "min", "s", "uhr", "um", "at", "de", "of", "г"):
        put(word, compiled.NO_MEANING, 0)
    keys = np.fromiter(found, np.uint64, len(found))
    values = np.array(list(found.values()), np.int32).reshape(-1, 2)
    return Names(keys, values[:, 0].copy(), values[:, 1].copy())


def form_row(form: StampForm) -> NDArray[np.int32]:
    """The part of `scan`'s `form` that says how stamps are written; the rest of it is 0."""
    row = np.zeros(scan.FORM_SIZE, np.int32)
    row[scan.LINEAR] = int(form.linear)
    row[scan.STAMP_PARTS], row[scan.DATE_PARTS] = len(form.clock), len(form.date)
    row[scan.FIRST_STAMP_PART : scan.FIRST_STAMP_PART + len(form.clock)] = form.clock
    row[scan.FIRST_DATE_PART : scan.FIRST_DATE_PART + len(form.date)] = form.date
    return row


def moments(cells: Sequence[tuple[str, ...]], form: StampForm, names_: Names, encoding: str) -> Floats:
    """Milliseconds since 1970 of cells (the time, or date and time), by their own clock; NaN for what is none."""
    found = np.full(len(cells), np.nan)
    order = form_row(form)
    clock, date = order[scan.FIRST_STAMP_PART : scan.FIRST_DATE_PART], order[scan.FIRST_DATE_PART :]
    for row, texts in enumerate(cells):
        parts = np.zeros(compiled.PARTS, np.int64)
        parts[compiled.OFFSET], parts[compiled.HALF] = compiled.NO_OFFSET, -1
        serial, right = 0.0, True
        for which, text in enumerate(texts):
            data = text.encode(encoding, "replace")
            end = len(data)
            raw = np.frombuffer(data + b"\n\0\0\0\0", np.uint8).copy()
            if form.linear:
                value, at = compiled.number_at(raw, 0, 44 if "," in text else 46, 0)
                right, serial = right and at == end, serial + value
            else:
                its, count = (date, len(form.date)) if len(texts) == 2 and which == 0 else (clock, len(form.clock))
                right = right and compiled.stamp_at(
                    raw, 0, end, its, count, names_.keys, names_.kinds, names_.meanings, parts
                )
        if right:
            found[row] = (serial + form.before) * form.times / form.by if form.linear else compiled.moment(parts)
    return found


_COLONS = re.compile(r"\d{1,2}:\d{2}(?::\d{2}(?P<fourth>:\d{1,3})?(?:[.,]\d+)?)?")
_OFFSET = re.compile(r"(?:(?:utc|gmt)?[+-]\d{1,2}(?::?\d{2})?|z|utc|gmt)\s*\)?$", re.IGNORECASE)
_HALF = re.compile(r"(?<![^\W\d_])[ap]\.?[\s\u00a0\u202f]?m?\.?(?![^\W\d_])", re.IGNORECASE)
_RUN = re.compile(r"^\d{8}[T _-]?(\d{4}|\d{6})?(?:[.,]\d+)?(?:Z|[+-]\d{2}:?\d{2})?$|^\d{12}$|^\d{14}$")
_MONTH_WORDS = {word: number for number, line in enumerate(_MONTHS, start=1) for word in line.split()}


@lru_cache(maxsize=20_000)
def shape_of(text: str) -> str:
    """What a cell looks like: "both" date and time, "date", "clock", "number", or "" for neither.

    Examples
    --------
    >>> [shape_of(text) for text in ("2026-10-04 01:12:30", "04.10.2026", "1:12 PM", "12,5", "L1", "20261004T011230Z")]
    ['both', 'date', 'clock', 'number', '', 'both']
    """
    text = text.strip()
    if not text or len(text) > 64:
        return ""
    if _RUN.match(text) and 1971 <= int(text[:4]) <= 2100 and 1 <= int(text[4:6]) <= 12 and 1 <= int(text[6:8]) <= 31:
        return "date" if len(text) == 8 else "both"
    if re.fullmatch(r"[+-]?[\d\s\u00a0']*\d?[.,]?\d+(?:[eE][+-]?\d+)?", text):
        return "number"
    clock = _COLONS.search(text)
    rest = _without_clock(text)
    has_date = _date_groups(rest) is not None
    if not has_date:
        letters = re.sub(r"[\W\d_]+", "", rest)
        return "clock" if clock and not re.search(r"\d", rest) and len(letters) <= 6 else ""
    return "both" if clock or re.search(r"\d{8}T\d{4}|\d[T ]\d{6}\b", text) else "date"


def _without_clock(text: str) -> str:
    """What is left of a stamp without the time of day and what belongs to it."""
    clock = _COLONS.search(text)
    if not clock:
        return text
    before, after = text[: clock.start()], text[clock.end() :]
    after = _HALF.sub(" ", after, count=1)
    if re.search(r"\d", before):  # else what stands behind the time of day is the date
        after = _OFFSET.sub(" ", after.strip())
    return f"{before} {after}"


def _date_groups(text: str) -> list[str] | None:
    """The groups of a date, a month in words as such; None where there is none."""
    groups = re.findall(r"\d+|[^\W\d_]+", text)
    kept = [one for one in groups if one.isdigit() or one.casefold() in _MONTH_WORDS]
    if len(kept) != 3 or sum(not one.isdigit() for one in kept) > 1:
        return None
    first = kept[:3]
    if not any(sign in text for sign in "-/. "):
        return None
    for one in first:
        if one.isdigit() and len(one) not in (1, 2, 4):
            return None
    return first


def understand(
    cells: Sequence[tuple[str, ...]], names_: Names, encoding: str, *, day_first: bool | None = None,
    likely_day_first: bool | None = None,
) -> tuple[StampForm, list[str]] | None:  # fmt: skip
    """How times are written in cells (the time, or date and time), and what was guessed, in words.

    day_first : as told; None: to be found out
    likely_day_first : what the language, the zone or AM and PM speak for where the column does not tell

    None where they are no times.
    """
    filled = [texts for texts in cells if all(text.strip() for text in texts)]
    if not filled:
        return None
    candidates = _candidates(filled)
    if day_first is not None:
        wanted = DAY_FIRST if day_first else MONTH_FIRST
        candidates = [form for form in candidates if not form.day_or_month or form.days == wanted]
    rated = [(form, moments(filled, form, names_, encoding)) for form in candidates]
    rated = [(form, at) for form, at in rated if np.isfinite(at).mean() >= GOOD_SHARE]
    if not rated:
        return None
    best = max(float(np.isfinite(at).mean()) for _, at in rated)
    rated = [(form, at) for form, at in rated if np.isfinite(at).mean() >= best - 0.02]
    if len(rated) == 1:
        return rated[0][0], []
    unsteady = [unsteadiness(at) for _, at in rated]
    least = min(unsteady)
    steady = [form for (form, _), one in zip(rated, unsteady, strict=True) if one == least]
    if len(steady) == 1:
        return steady[0], []
    shown = filled[0][0]
    if likely_day_first is None:
        likely_day_first = not any("/" in text for text in filled[0])
    wanted = DAY_FIRST if likely_day_first else MONTH_FIRST
    for form in steady:
        if form.days == wanted:
            said = "the day" if likely_day_first else "the month"
            return form, [f'"{shown}" {DAY_OR_MONTH}: taken with {said} first']
    return steady[0], [f'"{shown}" can be read in several ways: taken as {steady[0].words}']


def unsteadiness(at: Floats) -> tuple[int, float]:
    """How badly times rise: steps back, then the sum of what steps are over the usual one [ms]; less is better."""
    steps = np.diff(at[np.isfinite(at)])
    if not len(steps):
        return 0, 0.0
    back = int((steps < 0).sum())
    if back > len(steps) / 2:  # the newest first
        steps, back = -steps, len(steps) - back
    usual = float(np.median(steps))
    return back, float(np.abs(steps - usual).sum())


def _candidates(cells: Sequence[tuple[str, ...]]) -> list[StampForm]:
    """Every form that the first cells allow."""
    texts = cells[0]
    shapes = [shape_of(text) for text in texts]
    if all(shape == "number" for shape in shapes):
        value = sum(float(text.strip().replace(",", ".")) for text in texts)
        return [form for least, most, form in _NUMBERS if least <= abs(value) <= most]
    half = any(_HALF.search(text) for text in texts)
    if len(texts) == 2:
        if shapes[1] not in ("clock", "both", "number") or shapes[0] not in ("date", "both"):
            return []
        midnight = TIME_OF_DAY if shapes[0] == "both" else ()  # "2026-10-04 00:00:00" beside "01:12:30"
        fourth = _COLONS.search(texts[1])
        clock = (*TIME_OF_DAY, MILLISECOND) if fourth and fourth["fourth"] else TIME_OF_DAY
        return [
            StampForm(clock, (*order, *midnight), month_word=word, half_days=half) for order, word in _orders(cells, 0)
        ]
    text = texts[0].strip()
    if _RUN.match(text):
        return [ISO]
    stands = _COLONS.search(text)
    time_part: tuple[int, ...] = TIME_OF_DAY
    if stands and stands["fourth"]:
        time_part = (*TIME_OF_DAY, MILLISECOND)
    found = []
    for order, word in _orders(cells, 0):
        time_first = stands is not None and not re.search(r"\d", text[: stands.start()])
        both = (*time_part, *order) if time_first else (*order, *time_part)
        found.append(StampForm(both, month_word=word, half_days=half))
    return found


def _orders(cells: Sequence[tuple[str, ...]], which: int) -> list[tuple[tuple[int, ...], bool]]:
    """Every order of year, month and day that the dates allow, and whether the month is a word."""
    text = cells[0][which]
    groups = _date_groups(_without_clock(text))
    if _RUN.match(text.strip()) or groups is None:
        return [(YEAR_FIRST, False)] if _RUN.match(text.strip()) else []
    words = [not one.isdigit() for one in groups]
    if any(words):
        place = words.index(True)
        rest = [YEAR, DAY] if len(groups[0]) == 4 else [DAY, YEAR]
        return [(tuple(rest), True)] if place < 3 else []
    if len(groups[0]) == 4:
        return [(YEAR_FIRST, False)]
    if len(groups[2]) == 4:
        return [(DAY_FIRST, False), (MONTH_FIRST, False)]
    return [(DAY_FIRST, False), (MONTH_FIRST, False), (YEAR_FIRST, False)]


_TOKENS = {"Y": YEAR, "y": YEAR, "m": MONTH, "b": MONTH, "B": MONTH, "d": DAY, "H": HOUR, "I": HOUR, "M": MINUTE,
           "S": SECOND}  # fmt: skip


def given(pattern: str, *, two_cells: bool) -> StampForm:
    """What somebody told: seconds, milliseconds, microseconds, nanoseconds, excel, rfc3339, or a pattern such as
    "%d.%m.%Y %H:%M:%S" (of two cells: with the date first).

    Raises
    ------
    ConfigError : neither

    Examples
    --------
    >>> given("%d.%m.%Y %H:%M", two_cells=False).words
    'DD MM YYYY hh mm'
    """
    form = _BY_WORD.get(pattern.strip().casefold())
    if form is not None:
        return replace(form, clock=TIME_OF_DAY, date=YEAR_FIRST) if two_cells and not form.linear else form
    letters = re.findall(r"%-?([A-Za-z])", pattern)
    parts = [_TOKENS[letter] for letter in letters if letter in _TOKENS]
    word = "b" in letters or "B" in letters
    if {YEAR, MONTH, DAY, HOUR} - set(parts) or set(letters) - set(_TOKENS) - set("fpzZaA"):
        raise ConfigError(
            'time_format: expected seconds, milliseconds, excel, rfc3339 or a pattern such as "%d.%m.%Y %H:%M:%S" '
            f'(with %Y %m %b %d %H %I %M %S %f %p %z), found "{pattern}"'
        )
    digits = [part for part in parts if part != MONTH or not word]
    if re.search(r"%S[:]%f", pattern):
        digits.append(MILLISECOND)
    half = "p" in letters
    if not two_cells:
        return StampForm(tuple(digits), month_word=word, half_days=half)
    date = tuple(part for part in digits if part < HOUR)
    clock = tuple(part for part in digits if part >= HOUR)
    return StampForm(clock, date, month_word=word, half_days=half)
