"""Which column of a file is which leg, voltage, temperature and time: as told, by names, else by what is in it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from monitor.errors import ConfigError, Fault
from monitor.review.files import names as named
from monitor.review.files import scan, words
from monitor.review.files.dialect import CLOCK, DATE, NOTHING, NUMBER, STAMP, Dialect
from monitor.review.files.names import PAIRS, Column, plain, together
from monitor.review.files.stamps import EXCEL_DAYS, StampForm, understand
from monitor.review.files.stamps import Names as StampNames

ROLES = ("time", "date", "l1_amps", "l2_amps", "l3_amps", "v12", "v23", "v31", "ambient_c", "called")
SLOTS = ("l1_amps", "l2_amps", "l3_amps", "v12", "v23", "v31", "ambient_c", "called")
"""In the order of `scan`'s slots."""
AMPS, VOLTS = SLOTS[:3], SLOTS[3:6]
_UNIT_SHOWN = {"current": "A", "voltage": "V", "temperature": "C"}
TO_NEUTRAL = ((100.0, 136.0), (262.0, 295.0), (330.0, 362.0))
LINE_TO_LINE = ((188.0, 216.0), (365.0, 520.0), (545.0, 760.0))
"""Medians [V] of columns whose names do not say it (V1, V2, V3), by the systems in use: to the neutral of 208, 480 and
600 V; from leg to leg of 208, 380 to 480 and 575 to 690 V. Between 216 and 262 V it may be either (common practice)."""


@dataclass
class Chosen:
    """What the columns of a file are."""

    columns: dict[str, int] = field(default_factory=dict)
    """Role -> place of its column, from 0."""
    units: dict[str, str] = field(default_factory=dict)
    """Role -> unit in the file."""
    scales: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    """Role -> (v + before) * times / by."""
    unit_cells: dict[str, int] = field(default_factory=dict)
    """Role -> place of the column that tells its unit line by line."""
    ignored: list[str] = field(default_factory=list)
    guesses: list[str] = field(default_factory=list)
    form: StampForm | None = None
    utc_offset: int | None = None
    """Minutes from UTC that the name of the time tells."""


def choose(
    dialect: Dialect, told: Mapping[str, str], stamp_names: StampNames, encoding: str, *,
    form: StampForm | None, day_first: bool | None, zone: str | None, rated_voltage: float | None, phases: int | None,
    more_stamps: Sequence[Sequence[str]] = (),
) -> Chosen:  # fmt: skip
    """What the columns of a file are.

    told : role -> name of its column, or its number from 1
    form : how times are written, as told
    more_stamps : lines from all over the file, as cells

    Raises
    ------
    ConfigError : a column that was told is not there; no time, no amps
    """
    chosen = Chosen()
    columns = together(dialect.names)
    _as_told(chosen, dialect, told)
    by_canon = {one.role: place for place, one in reversed(list(enumerate(columns))) if one.role}
    for role, place in by_canon.items():
        if role in ROLES and role not in chosen.columns and place not in chosen.columns.values():
            chosen.columns[role] = place
    _times(chosen, dialect, columns, stamp_names, encoding, form, day_first, zone, more_stamps)
    if not set(chosen.columns) & {*AMPS}:
        _by_name(chosen, dialect, columns, named.CURRENT)
    _amps_by_place(chosen, dialect, columns)
    if not set(chosen.columns) & set(VOLTS):
        _volts(chosen, dialect, columns, rated_voltage, phases)
    _others(chosen, columns)
    for role in SLOTS:
        if role in chosen.columns:
            _unit(chosen, dialect, columns, role, rated_voltage)
    taken = {*chosen.columns.values(), *chosen.unit_cells.values()}
    chosen.ignored += [
        one.name for place, one in enumerate(columns)
        if place not in taken and one.name not in chosen.ignored and dialect.kinds[place] != NOTHING
    ]  # fmt: skip
    if not set(chosen.columns) & set(AMPS):
        raise ConfigError(
            "no column of amps was recognised: say which it is, for example --column l1_amps=NAME. "
            f"The columns are: {_list(dialect.names)}"
        )
    return chosen


def _as_told(chosen: Chosen, dialect: Dialect, told: Mapping[str, str]) -> None:
    faults = []
    for role, name in told.items():
        if role not in ROLES:
            faults.append(Fault(f"column {role}", f"one of {', '.join(ROLES)}", f'"{role}"'))
            continue
        place = _place(dialect.names, str(name))
        if place is None:
            faults.append(Fault(f"column {role}", f"one of {_list(dialect.names)}, or a number from 1", f'"{name}"'))
        else:
            chosen.columns[role] = place
    if faults:
        raise ConfigError("the columns that were told are not in the file:", faults)


def _place(names: Sequence[str], name: str) -> int | None:
    exact = [place for place, one in enumerate(names) if one == name]
    alike = [place for place, one in enumerate(names) if plain(one).strip() == plain(name).strip()]
    if exact or alike:
        return (exact or alike)[0]
    if name.strip().isdigit() and 1 <= int(name) <= len(names):
        return int(name) - 1
    return None


def _list(names: Sequence[str]) -> str:
    shown = [f'"{one}"' for one in names[:30]]
    return ", ".join(shown) + (f" and {len(names) - 30} more" if len(names) > 30 else "")


# --- the time ----------------------------------------------------------------------------------------------------


def _times(
    chosen: Chosen, dialect: Dialect, columns: Sequence[Column], stamp_names: StampNames, encoding: str,
    form: StampForm | None, day_first: bool | None, zone: str | None, more: Sequence[Sequence[str]],
) -> None:  # fmt: skip
    free = [place for place in range(len(columns)) if place not in chosen.columns.values()]
    rows = [*dialect.cells, *(row for row in more if len(row) >= len(dialect.kinds))]
    language = named.language_of(dialect.names)
    likely = _likely_day_first(language, zone, dialect)

    def try_(places: tuple[int, ...]) -> tuple[StampForm, list[str]] | None:
        cells = [tuple(row[place].strip() for place in places) for row in rows if len(row) > max(places)]
        return understand(cells, stamp_names, encoding, day_first=day_first, likely_day_first=likely)

    def take(places: tuple[int, ...], found: tuple[StampForm, list[str]] | None) -> None:
        if len(places) == 2:
            chosen.columns["date"] = places[0]
        chosen.columns["time"] = places[-1]
        if form is not None:
            chosen.form = form
        elif found is not None:
            chosen.form, said = found
            chosen.guesses += said
        for place in places:
            if columns[place].utc_offset is not None:
                chosen.utc_offset = columns[place].utc_offset

    told_time, told_date = chosen.columns.get("time"), chosen.columns.get("date")
    if told_time is not None or told_date is not None:
        if told_time is None:
            clocks = [place for place in free if dialect.kinds[place] == CLOCK]
            told_time = clocks[0] if clocks else told_date
        assert told_time is not None
        pair = None
        if told_date is None and dialect.kinds[told_time] == CLOCK:
            dates = [place for place in free if dialect.kinds[place] == DATE]
            told_date = dates[0] if dates else None
        if told_date is not None and told_date != told_time:
            pair = (told_date, told_time)
        chosen.columns.pop("date", None)
        places = pair or (told_time,)
        found = try_(places)
        if found is None and form is None and dialect.kinds[told_time] == CLOCK and told_date is None:
            raise _no_date(columns[told_time].name)
        if found is None and form is None:
            shown = next((row[told_time] for row in rows if len(row) > told_time and row[told_time]), "")
            raise ConfigError(
                f'the times in "{columns[told_time].name}" cannot be read, for example "{shown}": say how they are '
                'written, for example --time-format "%d.%m.%Y %H:%M:%S"'
            )
        take(places, found)
        return
    by_word = [place for place in free if columns[place].quantity in (named.TIME, named.DATE)]
    stamps = [place for place in free if dialect.kinds[place] == STAMP]
    stamps.sort(key=lambda place: (columns[place].utc_offset != 0, place not in by_word, place))
    for place in stamps:
        found = try_((place,))
        if found is not None or form is not None:
            take((place,), found)
            others = [columns[other].name for other in stamps if other != place]
            if others:
                chosen.guesses.append(f'several columns hold times: taken was "{columns[place].name}"')
            return
    dates = [place for place in free if dialect.kinds[place] == DATE]
    clocks = [place for place in free if dialect.kinds[place] == CLOCK]
    for date in dates:
        for clock in clocks:
            found = try_((date, clock))
            if found is not None:
                take((date, clock), found)
                return
    for place in [*by_word, *(one for one in free if one not in by_word)]:
        if dialect.kinds[place] != NUMBER and place not in dates:
            continue
        found = try_((place,))
        if found is None:
            continue
        named_so = place in by_word
        numbers = dialect.kinds[place] == NUMBER
        if numbers and not named_so and not _rises(rows, place):
            continue
        if found[0] is EXCEL_DAYS and not named_so and place != 0:
            continue
        take((place,), found)
        if numbers:
            chosen.guesses.append(f'"{columns[place].name}" is taken as {found[0].unit}')
        return
    if clocks:
        raise _no_date(columns[clocks[0]].name)
    raise ConfigError(
        "no column of times was recognised: say which it is, for example --column time=NAME (and --column date=NAME). "
        f"The columns are: {_list(dialect.names)}"
    )


def _no_date(name: str) -> ConfigError:
    return ConfigError(
        f'"{name}" holds the time of day but no column holds the date: add one, or export the log with dates'
    )


def _rises(rows: Sequence[Sequence[str]], place: int) -> bool:
    try:
        values = np.array(
            [float(row[place].replace(",", ".")) for row in rows[:400] if len(row) > place and row[place]]
        )
    except ValueError:
        return False
    return len(values) > 1 and bool((np.diff(values) >= 0).mean() > 0.9) and values[-1] > values[0]


def _likely_day_first(language: str | None, zone: str | None, dialect: Dialect) -> bool | None:
    """What speaks for the day or the month first where the dates themselves do not tell."""
    if language in words.DAY_FIRST_LANGUAGES or dialect.decimal == ",":
        return True
    cells = " ".join(cell for row in dialect.cells[:5] for cell in row)
    if re.search(r"\d\s?[ap]\.?m", cells, re.IGNORECASE) or (zone or "").startswith(("America/", "US/")):
        return False
    if (zone or "").startswith("Europe/"):
        return True
    return None


# --- amps and volts ------------------------------------------------------------------------------------------------


def _by_name(chosen: Chosen, dialect: Dialect, columns: Sequence[Column], quantity: str) -> None:
    """Amps by their names: the legs, or what there is without a leg in its name."""
    taken = set(chosen.columns.values())
    mine = [
        (place, one) for place, one in enumerate(columns)
        if one.quantity == quantity and not one.neutral and len(one.legs) <= 1 and one.role is None
        and place not in taken
        and dialect.kinds[place] in (NUMBER, NOTHING)
    ]  # fmt: skip
    chosen.ignored += [one.name for one in columns if one.quantity == quantity and one.neutral]
    with_leg = [(place, one) for place, one in mine if one.legs]
    for leg, role in enumerate(AMPS, start=1):
        _best(chosen, [(place, one) for place, one in with_leg if one.legs == (leg,)], role)
    if with_leg:
        return
    best_rank = min((one.rank for _, one in mine), default=0)
    unnamed = [(place, one) for place, one in mine if one.rank == best_rank]
    if len(unnamed) == 3:
        for role, (place, _) in zip(AMPS, unnamed, strict=True):
            chosen.columns[role] = place
        chosen.guesses.append(f"three columns of amps without a leg in their names are taken in their order: "
                              f"{_list([one.name for _, one in unnamed])}")  # fmt: skip
    elif unnamed:
        chosen.columns["l1_amps"] = unnamed[0][0]
        if len(unnamed) > 1:
            chosen.guesses.append(f'several columns hold amps: taken was "{unnamed[0][1].name}"')
        _tell_rank(chosen, unnamed[0][1], "l1_amps")


def _best(chosen: Chosen, mine: Sequence[tuple[int, Column]], role: str) -> None:
    if not mine or role in chosen.columns:
        return
    place, one = min(mine, key=lambda pair: (pair[1].rank, len(pair[1].strange), pair[0]))
    chosen.columns[role] = place
    _tell_rank(chosen, one, role)
    if len(mine) > 1 and one.rank == named.AVERAGE:
        text = f'of several columns a leg the averages are taken, such as "{one.name}"'
        if not any(guess.startswith("of several columns a leg") for guess in chosen.guesses):
            chosen.guesses.append(text)


def _tell_rank(chosen: Chosen, one: Column, role: str) -> None:
    if one.rank in (named.MOST, named.LEAST):
        what = "greatest" if one.rank == named.MOST else "least"
        chosen.guesses.append(f'"{one.name}" holds the {what} value of each interval; there is no average for {role}')


def _amps_by_place(chosen: Chosen, dialect: Dialect, columns: Sequence[Column]) -> None:
    """Without names: the columns of numbers behind the time, in the order of the canonical form."""
    if set(chosen.columns) & set(AMPS) or dialect.head_line is not None:
        return
    numbers = [
        place for place, kind in enumerate(dialect.kinds)
        if kind == NUMBER and place not in chosen.columns.values() and place > chosen.columns["time"]
    ]  # fmt: skip
    order = {1: SLOTS[:1], 2: ("l1_amps", "v12"), 3: AMPS, 6: SLOTS[:6], 7: SLOTS[:7], 8: SLOTS}.get(len(numbers))
    if order is None:
        return
    chosen.columns |= dict(zip(order, numbers, strict=True))
    chosen.guesses.append(f"nothing names the columns: taken in the order {', '.join(order)}")


def _median(dialect: Dialect, place: int) -> float | None:
    """Of the numbers in a column, as they are written."""
    values = []
    for row in dialect.cells:
        text = row[place] if place < len(row) else ""
        if dialect.thousands:
            text = text.replace(dialect.thousands, "")
        match = re.match(r"[+-]?\d*[.,]?\d+", text.replace(dialect.decimal, "."))
        if match:
            values.append(float(match[0].replace(",", ".")))
    running = [abs(value) for value in values if value]
    return float(np.median(running)) if running else None


def _volts(
    chosen: Chosen, dialect: Dialect, columns: Sequence[Column], rated_voltage: float | None, phases: int | None
) -> None:  # fmt: skip
    taken = set(chosen.columns.values())
    mine = [
        (place, one) for place, one in enumerate(columns)
        if one.quantity == named.VOLTAGE and place not in taken and one.role is None
        and dialect.kinds[place] in (NUMBER, NOTHING)
    ]  # fmt: skip
    three_legs = "l2_amps" in chosen.columns or "l3_amps" in chosen.columns
    neutral = [(place, one) for place, one in mine if one.neutral]
    mine = [(place, one) for place, one in mine if not one.neutral]
    for role, pair in zip(VOLTS, ("12", "23", "31"), strict=True):
        _best(chosen, [(place, one) for place, one in mine if PAIRS.get(one.legs) == pair], role)
    pairs_found = bool(set(chosen.columns) & set(VOLTS))
    single = not three_legs and phases != 3
    one_leg = [(place, one) for place, one in mine if len(one.legs) == 1]
    no_leg = [(place, one) for place, one in mine if not one.legs]
    if not pairs_found and single and (no_leg or one_leg or neutral):
        place, _ = min(no_leg or one_leg or neutral, key=lambda pair: (pair[1].rank, pair[0]))
        chosen.columns["v12"] = place
        neutral = [pair for pair in neutral if pair[0] != place]
    elif not pairs_found and one_leg:
        _legs_of_volts(chosen, dialect, one_leg, rated_voltage)
    elif not pairs_found and no_leg:
        best = min(one.rank for _, one in no_leg)
        no_leg = [(place, one) for place, one in no_leg if one.rank == best]
        if len(no_leg) == 3:
            for role, (place, _) in zip(VOLTS, no_leg, strict=True):
                chosen.columns[role] = place
            chosen.guesses.append("three columns of volts without legs in their names are taken in their order")
        else:
            chosen.columns["v12"] = no_leg[0][0]
    if neutral:
        chosen.ignored += [one.name for _, one in neutral]
        if not set(chosen.columns) & set(VOLTS):
            chosen.guesses.append(
                f"{_list([one.name for _, one in neutral])}: volts to the neutral say nothing of NEMA's voltage "
                "unbalance, which is worked from leg to leg: not used"
            )


def _legs_of_volts(
    chosen: Chosen, dialect: Dialect, mine: Sequence[tuple[int, Column]], rated_voltage: float | None
) -> None:  # fmt: skip
    """V1, V2, V3: from leg to leg, or to the neutral? Told by the figures, or not taken."""
    medians = [_median(dialect, place) for place, _ in mine]
    known = [value for value in medians if value is not None]
    middle = float(np.median(known)) if known else 0.0
    if 0.05 < middle < 1.0:  # kV
        middle *= 1000.0
    shown = _list([one.name for _, one in mine])
    if rated_voltage:
        line = abs(middle / rated_voltage - 1.0) < 0.2
        to_neutral = abs(middle * 3.0**0.5 / rated_voltage - 1.0) < 0.2
    else:
        line = any(low <= middle <= high for low, high in LINE_TO_LINE)
        to_neutral = any(low <= middle <= high for low, high in TO_NEUTRAL)
    if line and not to_neutral:
        for leg, role in enumerate(VOLTS, start=1):
            _best(chosen, [(place, one) for place, one in mine if one.legs == (leg,)], role)
        chosen.guesses.append(f"{shown}: about {middle:.0f} V, taken as volts from leg to leg")
    elif to_neutral:
        chosen.ignored += [one.name for _, one in mine]
        chosen.guesses.append(
            f"{shown}: about {middle:.0f} V, taken as volts to the neutral; they say nothing of NEMA's voltage "
            "unbalance, which is worked from leg to leg: not used"
        )
    else:
        chosen.ignored += [one.name for _, one in mine]
        chosen.guesses.append(
            f"{shown}: about {middle:.0f} V, which may be from leg to leg or to the neutral: not used. If they are "
            "from leg to leg, say so: --column v12=NAME and so on"
        )


def _others(chosen: Chosen, columns: Sequence[Column]) -> None:
    taken = set(chosen.columns.values())
    if "ambient_c" not in chosen.columns:
        warm = [
            (place, one)
            for place, one in enumerate(columns)
            if one.quantity == named.TEMPERATURE and place not in taken
        ]
        air = [pair for pair in warm if pair[1].ambient] or [
            pair for pair in warm if not pair[1].strange and len(warm) == 1
        ]  # fmt: skip
        if air:
            place, one = min(air, key=lambda pair: (pair[1].rank, len(pair[1].strange), pair[0]))
            chosen.columns["ambient_c"] = place
            if not one.ambient:
                chosen.guesses.append(f'"{one.name}" is taken as the temperature of the air')
    if "called" not in chosen.columns:
        for place, one in enumerate(columns):
            if one.quantity == named.CALLED and place not in taken and one.role is None:
                chosen.columns["called"] = place
                break


def _unit(
    chosen: Chosen, dialect: Dialect, columns: Sequence[Column], role: str, rated_voltage: float | None
) -> None:  # fmt: skip
    """The unit of a role: from the name, the row of units, a column of units behind it, or the figures."""
    if role == "called":
        return
    place = chosen.columns[role]
    quantity = named.CURRENT if role in AMPS else named.VOLTAGE if role in VOLTS else named.TEMPERATURE
    column = columns[place]
    unit = column.unit if column.unit in words.UNITS and column.role is None else None
    if column.role is None and unit is None and dialect.unit_row and place < len(dialect.unit_row):
        unit = named.unit_of(dialect.unit_row[place])
    if unit is not None and words.UNITS[unit][0] != quantity:
        unit = None
    if unit is None and column.role is None:
        beside = place + 1
        if beside < len(columns) and (columns[beside].quantity == named.UNIT or _only_units(dialect, beside, quantity)):
            chosen.unit_cells[role] = beside
            chosen.units[role] = "as each line tells"
            return
    if unit is None and column.role is None:
        unit = _unit_by_figures(chosen, dialect, place, role, column, rated_voltage)
    if unit is not None:
        chosen.scales[role] = words.UNITS[unit][1:]
    shown = {"ma": "mA", "ka": "kA", "kv": "kV", "mv": "mV"}.get(unit or "")
    if shown is None and unit is not None:
        shown = "F" if words.UNITS[unit][1] == -32.0 else "K" if unit == "k" else None
        shown = "mA" if words.UNITS[unit][3] == 1000.0 and quantity == named.CURRENT else shown
        shown = "kV" if words.UNITS[unit][2] == 1000.0 and quantity == named.VOLTAGE else shown
    chosen.units[role] = shown or _UNIT_SHOWN[quantity]


def _only_units(dialect: Dialect, place: int, quantity: str) -> bool:
    cells = [row[place] for row in dialect.cells if place < len(row) and row[place]]
    units = [named.unit_of(cell) for cell in cells]
    return bool(cells) and all(unit and words.UNITS[unit][0] == quantity for unit in units)


def _unit_by_figures(
    chosen: Chosen, dialect: Dialect, place: int, role: str, column: Column, rated_voltage: float | None
) -> str | None:  # fmt: skip
    middle = _median(dialect, place)
    if middle is None:
        return None
    if role in AMPS and middle > 2_000.0:
        chosen.guesses.append(f'"{column.name}" names no unit; values of about {middle:.0f} are taken as mA')
        return "ma"
    if role in VOLTS:
        in_kv = abs(middle * 1000.0 / rated_voltage - 1.0) < 0.3 if rated_voltage else 0.09 < middle < 0.8
        if in_kv:
            chosen.guesses.append(f'"{column.name}" names no unit; values of about {middle:g} are taken as kV')
            return "kv"
    return None


def slots_of(chosen: Chosen, width: int) -> np.ndarray:
    """What each cell of a line is, for the compiled pass."""
    slots = np.full(width, scan.NOWHERE, np.int32)
    for role, place in chosen.columns.items():
        slots[place] = scan.CLOCK if role == "time" else scan.DATE if role == "date" else SLOTS.index(role)
    for role, place in chosen.unit_cells.items():
        slots[place] = scan.FIRST_UNIT + SLOTS.index(role)
    return slots
