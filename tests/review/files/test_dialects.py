"""The same few readings, written as many loggers write them."""

from __future__ import annotations

import codecs
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.errors import ConfigError
from monitor.review.files.read import read_log
from monitor.review.log import Log

NAN = float("nan")
FIRST = datetime(2026, 10, 14, 1, 12, 30, tzinfo=UTC)
AMPS = [[12.2, 12.9, 12.6], [12.3, 13.0, 12.7], [12.4, 13.1, 12.8]]
VOLTS = [[461.0, 458.5, 460.25], [461.5, 458.0, 460.0], [462.0, 457.5, 459.75]]
AIR = [3.5, 3.25, -3.0]
T_MS = [round(FIRST.timestamp()) * 1000 + 10_000 * step for step in range(3)]


def log_of(tmp_path: Path, text: str | bytes, **told: Any) -> Log:
    path = tmp_path / "log.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    log = read_log(path, **told)
    lines = dict(log.how_read["lines"])
    assert lines.pop("total") == sum(lines.values())
    return log


def same(log: Log, *, volts: bool = True, air: bool = True) -> None:
    assert log.t_ms.tolist() == T_MS
    np.testing.assert_allclose(log.amps, AMPS, rtol=1e-12)
    np.testing.assert_allclose(log.volts, VOLTS if volts else np.full((3, 3), NAN), rtol=1e-12)
    np.testing.assert_allclose(log.ambient_c, AIR if air else [NAN] * 3, rtol=1e-12)
    assert log.rejected == 0


def rows(
    time: str = "%Y-%m-%d %H:%M:%S", separator: str = ",", mark: str = ".", amps: float = 1.0, volts: float = 1.0,
    air: Any = lambda value: value, quote: str = "", end: str = "\n",
) -> str:  # fmt: skip
    """The readings, one a line."""
    text = ""
    for t_ms, legs, lines, warm in zip(T_MS, AMPS, VOLTS, AIR, strict=True):
        at = datetime.fromtimestamp(t_ms / 1000, UTC)
        values = [f"{value * amps:.10g}" for value in legs] + [f"{value * volts:.10g}" for value in lines]
        cells = [at.strftime(time), *(one.replace(".", mark) for one in (*values, f"{air(warm):.10g}"))]
        text += separator.join(f"{quote}{cell}{quote}" for cell in cells) + end
    return text


def head(*names: str, separator: str = ",") -> str:
    return separator.join(names) + "\n"


ENGLISH = ("Time", "Current L1 (A)", "Current L2 (A)", "Current L3 (A)", "Voltage L1-L2 (V)", "Voltage L2-L3 (V)",
           "Voltage L3-L1 (V)", "Ambient temp (°C)")  # fmt: skip
GERMAN = ("Zeitstempel", "Strom L1 [A]", "Strom L2 [A]", "Strom L3 [A]", "Spannung L1-L2 [V]", "Spannung L2-L3 [V]",
          "Spannung L3-L1 [V]", "Außentemperatur [°C]")  # fmt: skip
SPANISH = ("Fecha y hora", "Corriente L1", "Corriente L2", "Corriente L3", "Tensión L1-L2", "Tensión L2-L3",
           "Tensión L3-L1", "Temperatura ambiente")  # fmt: skip
FRENCH = ("Horodatage", "Courant L1 (A)", "Courant L2 (A)", "Courant L3 (A)", "Tension U12 (V)", "Tension U23 (V)",
          "Tension U31 (V)", "Température extérieure (°C)")  # fmt: skip
PORTUGUESE = ("Data e hora", "Corrente fase 1", "Corrente fase 2", "Corrente fase 3", "Tensão 12", "Tensão 23",
              "Tensão 31", "Temperatura ambiente")  # fmt: skip
UKRAINIAN = ("Час", "Струм L1, А", "Струм L2, А", "Струм L3, А", "Напруга L1-L2, В", "Напруга L2-L3, В",
             "Напруга L3-L1, В", "Температура повітря")  # fmt: skip
ITALIAN = ("Data ora", "Corrente L1", "Corrente L2", "Corrente L3", "Tensione L12", "Tensione L23", "Tensione L31",
           "Temperatura esterna")  # fmt: skip
DUTCH = ("Tijdstip", "Stroom L1", "Stroom L2", "Stroom L3", "Spanning L1-L2", "Spanning L2-L3", "Spanning L3-L1",
         "Buitentemperatuur")  # fmt: skip
POLISH = ("Czas", "Prąd L1", "Prąd L2", "Prąd L3", "Napięcie L1-L2", "Napięcie L2-L3", "Napięcie L3-L1",
          "Temperatura otoczenia")  # fmt: skip
LETTERS = ("timestamp", "Ia", "Ib", "Ic", "Vab", "Vbc", "Vca", "T_ambient")
SHORT = ("t", "I1", "I2", "I3", "U12", "U23", "U31", "Temp")
GLUED = ("DateTime", "IL1", "IL2", "IL3", "UL1L2", "UL2L3", "UL3L1", "AirTemp")
PHASES = ("Date/Time", "Phase A Current", "Phase B Current", "Phase C Current", "Phase A-B Voltage",
          "Phase B-C Voltage", "Phase C-A Voltage", "Outdoor Temperature")  # fmt: skip
CAMEL = ("RecordTime", "CurrentL1", "CurrentL2", "CurrentL3", "VoltageL12", "VoltageL23", "VoltageL31", "AmbientTempC")


@pytest.mark.parametrize(
    ("names", "language"),
    [
        (ENGLISH, "English"), (GERMAN, "German"), (SPANISH, "Spanish"), (FRENCH, "French"), (PORTUGUESE, "Portuguese"),
        (UKRAINIAN, "Ukrainian"), (ITALIAN, "Italian"), (DUTCH, "Dutch"), (POLISH, "Polish"), (LETTERS, "English"),
        (SHORT, None), (GLUED, None), (PHASES, "English"), (CAMEL, "English"),
    ],
    ids=lambda value: value[1] if isinstance(value, tuple) else None,
)  # fmt: skip
def test_names_in_many_languages(tmp_path: Path, names: tuple[str, ...], language: str | None) -> None:
    log = log_of(tmp_path, head(*names, separator=";") + rows(separator=";"))
    same(log)
    assert list(log.how_read["columns"].values()) == list(names)
    assert log.how_read["ignored"] == []
    if language:
        assert log.how_read["language"] == language


READABLE = [
    (separator, mark, quote) for separator in (",", ";", "\t", "|") for mark in (".", ",") for quote in ("", '"')
    if separator != mark or quote
]  # fmt: skip


@pytest.mark.parametrize(("separator", "mark", "quote"), READABLE)
def test_separators_and_decimal_marks(tmp_path: Path, separator: str, mark: str, quote: str) -> None:
    log = log_of(tmp_path, head(*GERMAN, separator=separator) + rows(separator=separator, mark=mark, quote=quote))
    same(log)
    assert (log.how_read["separator"], log.how_read["decimal"]) == (separator, mark)


def test_spaces(tmp_path: Path) -> None:
    text = "time      l1_amps l2_amps  l3_amps v12   v23 v31 ambient_c\n" + rows(separator="  ")
    log = log_of(tmp_path, text)
    same(log)
    assert log.how_read["separator"] == " "
    assert "date" in log.how_read["columns"]


@pytest.mark.parametrize("names", [ENGLISH, ENGLISH[:2], ENGLISH[:4]])
def test_commas_for_both_are_not_guessed_at(tmp_path: Path, names: tuple[str, ...]) -> None:
    lines = [
        ",".join(f"{cell}" for cell in ("2026-10-14 01:12:3" + end, *["12,5"] * (len(names) - 1))) for end in "123"
    ]
    with pytest.raises(ConfigError, match="both the separator and the decimal mark"):
        log_of(tmp_path, head(*names) + "\n".join(lines))


@pytest.mark.parametrize(
    ("encoding", "told"),
    [("utf-8", "utf-8"), ("utf-8-sig", "utf-8-sig"), ("cp1252", "cp1252"), ("utf-16", "utf-16"),
     ("utf-16-le", "utf-16-le"), ("utf-16-be", "utf-16-be"), ("utf-32", "utf-32")],
)  # fmt: skip
def test_encodings(tmp_path: Path, encoding: str, told: str) -> None:
    log = log_of(tmp_path, (head(*GERMAN) + rows()).encode(encoding))
    same(log)
    assert log.how_read["encoding"] == told
    assert log.how_read["columns"]["ambient_c"] == GERMAN[-1]


def test_cyrillic_of_windows(tmp_path: Path) -> None:
    log = log_of(tmp_path, (head(*UKRAINIAN, separator=";") + rows(separator=";")).encode("cp1251"))
    same(log)
    assert log.how_read["encoding"] == "cp1251"


def test_the_encoding_can_be_told(tmp_path: Path) -> None:
    log = log_of(tmp_path, (head(*GERMAN) + rows()).encode("cp850"), encoding="cp850")
    same(log)
    with pytest.raises(ConfigError, match="encoding"):
        log_of(tmp_path, head(*GERMAN) + rows(), encoding="klingon")


@pytest.mark.parametrize(
    "time",
    [
        "%Y-%m-%dT%H:%M:%SZ", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S.000", "%Y/%m/%d %H:%M:%S", "%d.%m.%Y %H:%M:%S",
        "%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S", "%d-%m-%Y %H:%M:%S", "%m/%d/%Y %I:%M:%S %p", "%d/%m/%Y %I:%M:%S %p",
        "%m/%d/%y %H:%M:%S", "%d.%m.%y %H:%M:%S", "%d-%b-%Y %H:%M:%S", "%b %d %Y %H:%M:%S", "%d %B %Y %H:%M:%S",
        "%Y%m%dT%H%M%SZ", "%Y%m%d%H%M%S", "%Y%m%d %H%M%S", "%H:%M:%S %d.%m.%Y", "%Y-%m-%d %H:%M:%S+00:00",
        "%a %d %b %Y %H:%M:%S", "%Y-%m-%d_%H:%M:%S", "%d.%m.%Y %H:%M:%S:000", "%Y-%m-%d %H:%M:%S UTC", "%s", "%s000",
        "%s.0", "%s000000", "%Y-%m-%dT%H:%M:%S.000+0000", "%d.%m.%Y, %H:%M:%S Uhr", "%Y-%m-%d-%H:%M:%S",
    ],
)  # fmt: skip
def test_forms_of_times(tmp_path: Path, time: str) -> None:
    same(log_of(tmp_path, head(*ENGLISH, separator=";") + rows(time, separator=";")))


@pytest.mark.parametrize("half", ["a.m.", "AM", "am", "a", "a. m.", "A.M."])
def test_twelve_hour_clocks(tmp_path: Path, half: str) -> None:
    log = log_of(tmp_path, head(*ENGLISH) + rows(f"%m/%d/%Y %I:%M:%S {half}"))
    same(log)
    later = half.replace("a", "p").replace("A", "P")
    log = log_of(tmp_path, head(*ENGLISH) + rows(f"%m/%d/%Y %I:%M:%S {later}"))
    assert log.t_ms.tolist() == [t_ms + 12 * 3_600_000 for t_ms in T_MS]
    noon = head("time", "l1_amps") + f"10/14/2026 12:00:00 {later},1\n10/14/2026 12:00:00 {half},2\n"
    log = log_of(tmp_path, noon)
    assert [datetime.fromtimestamp(t / 1000, UTC).hour for t in log.t_ms.tolist()] == [0, 12]
    assert log.amps[:, 0].tolist() == [2.0, 1.0]


@pytest.mark.parametrize("space", ["\u202f", "\u00a0", ""])
def test_odd_spaces_before_am(tmp_path: Path, space: str) -> None:
    same(log_of(tmp_path, head(*ENGLISH) + rows(f"%m/%d/%Y %I:%M:%S{space}%p")))


def test_date_and_time_in_two_columns(tmp_path: Path) -> None:
    for separator, time, names in (
        (";", "%d.%m.%Y;%H:%M:%S", ("Datum", "Uhrzeit", *GERMAN[1:])),
        (",", "%Y-%m-%d,%H:%M:%S", ("Date", "Time", *ENGLISH[1:])),
        (",", "%m/%d/%Y,%I:%M:%S %p", ("Date", "Time", *ENGLISH[1:])),
        ("\t", "%Y%m%d\t%H%M%S", ("Date", "Time", *ENGLISH[1:])),
    ):
        log = log_of(tmp_path, head(*names, separator=separator) + rows(time, separator=separator))
        same(log)
        assert (log.how_read["columns"]["date"], log.how_read["columns"]["time"]) == names[:2]


def test_days_as_excel_counts_them(tmp_path: Path) -> None:
    lines = [f"{t_ms / 86_400_000 + 25_569:.10f},{legs[0]}" for t_ms, legs in zip(T_MS, AMPS, strict=True)]
    log = log_of(tmp_path, head("Date", "Amps") + "\n".join(lines))
    assert log.t_ms.tolist() == T_MS
    assert log.how_read["time_format"] == "days as Excel counts them"


def test_a_form_of_times_can_be_told(tmp_path: Path) -> None:
    text = head("when", "l1_amps") + "05/04/2026 01:12:30,1\n05/04/2026 01:12:40,1\n"
    april = datetime(2026, 4, 5, 1, 12, 30, tzinfo=UTC).timestamp() * 1000
    may = datetime(2026, 5, 4, 1, 12, 30, tzinfo=UTC).timestamp() * 1000
    assert log_of(tmp_path, text, day_first=True).t_ms[0] == april
    assert log_of(tmp_path, text, day_first=False).t_ms[0] == may
    assert log_of(tmp_path, text, time_format="%d/%m/%Y %H:%M:%S").t_ms[0] == april
    assert log_of(tmp_path, text, time_format="%m/%d/%Y %H:%M:%S").t_ms[0] == may
    guesses = log_of(tmp_path, text).how_read["guesses"]
    assert any("can be read with the day or the month first" in guess for guess in guesses)
    assert log_of(tmp_path, text, zone="America/Chicago").t_ms[0] == may + 5 * 3_600_000
    with pytest.raises(ConfigError, match="time_format"):
        log_of(tmp_path, text, time_format="dd/mm/yyyy")


def test_day_and_month_are_settled_by_the_whole_column(tmp_path: Path) -> None:
    """The first 12 days allow both; a day over 12 far behind decides."""
    lines = [f"{day:02d}/10/2026 {hour:02d}:00:00,{day}" for day in range(1, 29) for hour in range(24)]
    log = log_of(tmp_path, head("time", "l1_amps") + "\n".join(lines) + "\n")
    assert log.rejected == 0
    assert len(log) == 28 * 24
    assert datetime.fromtimestamp(log.t_ms[-1] / 1000, UTC) == datetime(2026, 10, 28, 23, tzinfo=UTC)


def test_a_day_over_twelve_behind_the_sample_turns_it_round(tmp_path: Path) -> None:
    """All of the beginning speaks for the month first: one hour of the first of October, once a second."""
    lines = [f"10/01/2026 {n // 3600:02d}:{n // 60 % 60:02d}:{n % 60:02d};{n % 9}" for n in range(15_000)]
    lines += [f"13/01/2026 00:00:{n:02d};1" for n in range(9)]
    log = log_of(tmp_path, head("time", "l1_amps", separator=";") + "\n".join(lines) + "\n")
    assert log.rejected == 0
    assert datetime.fromtimestamp(log.t_ms[-1] / 1000, UTC) == datetime(2026, 1, 13, 0, 0, 8, tzinfo=UTC)
    assert not any("day or the month" in guess for guess in log.how_read["guesses"])


def test_no_day_over_twelve_the_steadier_reading_counts(tmp_path: Path) -> None:
    """From the 8th to the 12th of October, every ten minutes: with the month first the steps would be months."""
    lines = [
        f"{day:02d}/10/2026 {minute // 6:02d}:{minute % 6}0:00,{day}" for day in range(8, 13) for minute in range(144)
    ]
    log = log_of(tmp_path, head("time", "l1_amps") + "\n".join(lines) + "\n")
    assert datetime.fromtimestamp(log.t_ms[-1] / 1000, UTC) == datetime(2026, 10, 12, 23, 50, tzinfo=UTC)


UNITS = (
    ("I1 [mA]", "I2 [mA]", "I3 [mA]", "U12 [kV]", "U23 [kV]", "U31 [kV]", "Air (°F)"),
    ("I1_mA", "I2_mA", "I3_mA", "U12_kV", "U23_kV", "U31_kV", "Air temp °F"),
    ("I1 / mA", "I2 / mA", "I3 / mA", "U12 / kV", "U23 / kV", "U31 / kV", "Air temp / degF"),
    ("I1, mA", "I2, mA", "I3, mA", "U12, kV", "U23, kV", "U31, kV", "Air, F"),
    ("Current L1 in mA", "Current L2 in mA", "Current L3 in mA", "V12 (kV)", "V23 (kV)", "V31 (kV)", "Ambient [F]"),
)  # fmt: skip


@pytest.mark.parametrize("names", UNITS, ids=lambda names: names[0])
def test_units_in_names(tmp_path: Path, names: tuple[str, ...]) -> None:
    written = rows(separator=";", amps=1000.0, volts=0.001, air=lambda value: value * 1.8 + 32.0)
    log = log_of(tmp_path, head("time", *names, separator=";") + written)
    same(log)
    assert log.how_read["units"] == {
        "l1_amps": "mA", "l2_amps": "mA", "l3_amps": "mA", "v12": "kV", "v23": "kV", "v31": "kV", "ambient_c": "F",
    }  # fmt: skip


def test_units_in_a_row_of_their_own(tmp_path: Path) -> None:
    text = "time;I1;I2;I3;U12;U23;U31;Air\n;mA;mA;mA;V;V;V;°C\n" + rows(separator=";", amps=1000.0)
    log = log_of(tmp_path, text)
    same(log)
    assert log.how_read["lines"]["head"] == 2


def test_units_in_the_cells(tmp_path: Path) -> None:
    """As meters write that change their range by themselves."""
    log = log_of(tmp_path, "time,current\n2026-10-14 01:12:30,12.2 A\n2026-10-14 01:12:40,912 mA\n"
                           "2026-10-14 01:12:50,1.5A\n2026-10-14 01:13:00,3 furlongs\n")  # fmt: skip
    assert log.amps[:, 0].tolist() == [12.2, 0.912, 1.5]
    assert [one.line for one in log.unread] == [5]


def test_units_in_a_cell_beside(tmp_path: Path) -> None:
    log = log_of(tmp_path, "No,Date,Time,Value,Unit\n1,2026/10/14,01:12:30,12.2,A\n2,2026/10/14,01:12:40,912,mA\n"
                           "3,2026/10/14,01:12:50,OL,A\n4,2026/10/14,01:13:00,3,V\n",
                 column={"l1_amps": "Value"})  # fmt: skip
    np.testing.assert_array_equal(log.amps[:, 0], [12.2, 0.912, NAN])
    assert log.reasons == {"l1_amps: expected a known unit": 1}
    assert any("over the meter's range in 1 lines" in guess for guess in log.how_read["guesses"])


def test_milliamps_without_a_unit_are_told(tmp_path: Path) -> None:
    log = log_of(tmp_path, head("time", "I1", "I2", "I3", "U12", "U23", "U31", "air") + rows(amps=1000.0))
    same(log)
    assert any("taken as mA" in guess for guess in log.how_read["guesses"])


def test_kilovolts_without_a_unit_are_told(tmp_path: Path) -> None:
    log = log_of(tmp_path, head("time", "I1", "I2", "I3", "U12", "U23", "U31", "air") + rows(volts=0.001))
    same(log)
    assert any("taken as kV" in guess for guess in log.how_read["guesses"])


def test_thousands(tmp_path: Path) -> None:
    for separator, mark, first, second in (
        (";", ",", "12.345,5", "912,25"), (";", ",", "12 345,5", "912,25"), (";", ",", "12\u00a0345,5", "912,25"),
        (";", ",", "12\u202f345,5", "912,25"), (";", ".", "12,345.5", "912.25"), (",", ".", '"12,345.5"', "912.25"),
        (";", ".", "12'345.5", "912.25"),
    ):  # fmt: skip
        text = (
            f"time{separator}I1 [mA]\n2026-10-14 01:12:30{separator}{first}\n2026-10-14 01:12:40{separator}{second}\n"
        )
        log = log_of(tmp_path, text)
        assert log.amps[:, 0].tolist() == [12.3455, 0.91225], text
        assert log.how_read["decimal"] == mark


def test_a_comma_is_no_thousands_mark_where_fewer_digits_follow(tmp_path: Path) -> None:
    log = log_of(tmp_path, "time;I1 [mA]\n2026-10-14 01:12:30;12,345.5\n2026-10-14 01:12:40;12,34\n")
    assert log.reasons == {"l1_amps: expected a number": 1}


MISSING = ("", "---", "n/a", "NaN", "-", "null", "#N/A", "?", "-9999", "-999", "  ", "error", "ERROR")
OVER = ("OL", "-OL", "O.L", "0L", "0.L", "Overload", "OVER RANGE", "> 600", "OVL", "inf")


@pytest.mark.parametrize("word", MISSING + OVER)
def test_words_for_no_value(tmp_path: Path, word: str) -> None:
    log = log_of(
        tmp_path, head("time", "l1_amps", "l2_amps") + f"2026-10-14 01:12:30,{word},1\n2026-10-14 01:12:40,2,1\n"
    )
    np.testing.assert_array_equal(log.amps[:, :2], [[NAN, 1.0], [2.0, 1.0]])
    assert any("over the meter's range" in guess for guess in log.how_read["guesses"]) == (word in OVER)


def test_on_and_off(tmp_path: Path) -> None:
    words = ("1", "0", "on", "OFF", "True", "false", "ein", "aus", "Sí", "нет", "", "n/a")
    lines = [f"2026-10-14 01:12:{second:02d},1,{word}\n" for second, word in enumerate(words)]
    log = log_of(tmp_path, head("time", "l1_amps", "called") + "".join(lines))
    np.testing.assert_array_equal(log.called, [1, 0, 1, 0, 1, 0, 1, 0, 1, 0, NAN, NAN])
    log = log_of(tmp_path, head("time", "l1_amps", "called") + "2026-10-14 01:12:30,1,maybe\n2026-10-14 01:12:40,1,2\n"
                                                               "2026-10-14 01:12:50,1,1\n")  # fmt: skip
    assert log.reasons == {"called: expected on or off": 1, "called: expected 1 or 0": 1}


def test_preamble_comments_and_a_head_behind_a_sign(tmp_path: Path) -> None:
    text = (
        "Logger 12\nSerial;4711\nStart;2026-10-14 01:12:30\nInterval [s];10\n\n"
        "# " + head(*GERMAN, separator=";") + rows(separator=";") + "# end of log\n\n"
    )
    log = log_of(tmp_path, text)
    same(log)
    assert log.how_read["head_line"] == 6
    assert log.how_read["lines"] == {
        "total": 11, "readings": 3, "rejected": 0, "doubled": 0, "head": 5, "comment": 1, "blank": 2,
    }  # fmt: skip


def test_how_spreadsheets_are_told_the_separator(tmp_path: Path) -> None:
    same(log_of(tmp_path, "sep=;\n" + head(*GERMAN, separator=";") + rows(separator=";", mark=",")))


def test_names_over_names(tmp_path: Path) -> None:
    text = ";Strom;;;Spannung;;;Luft\nZeit;L1;L2;L3;L1-L2;L2-L3;L3-L1;\n" + rows(separator=";", mark=",")
    same(log_of(tmp_path, text))


def test_repeated_heads_and_preambles(tmp_path: Path) -> None:
    start = "Logger 12\n" + head(*GERMAN, separator=";")
    text = start + rows(separator=";") + start + rows("%Y-%m-%d 02:%M:%S", separator=";")
    log = log_of(tmp_path, text)
    assert len(log) == 6
    assert log.rejected == 0
    assert log.how_read["lines"]["head"] == 4


def test_two_logs_in_one_file_are_no_log(tmp_path: Path) -> None:
    other = (GERMAN[0], GERMAN[2], GERMAN[1], *GERMAN[3:])
    text = head(*GERMAN, separator=";") + rows(separator=";") + head(*other, separator=";") + rows(separator=";")
    with pytest.raises(ConfigError, match="line 5 names other columns than line 1"):
        log_of(tmp_path, text)


def test_no_head(tmp_path: Path) -> None:
    log = log_of(tmp_path, rows())
    same(log)
    assert log.how_read["head_line"] is None
    assert any("nothing names the columns" in guess for guess in log.how_read["guesses"])
    swapped = log_of(tmp_path, rows(), column={"l1_amps": "3", "l2_amps": "2", "l3_amps": "4"})
    assert swapped.amps[0].tolist() == [12.9, 12.2, 12.6]


def test_columns_can_be_told(tmp_path: Path) -> None:
    text = head("when", "north", "middle", "south") + "".join(f"{line}\n" for line in (
        "2026-10-14 01:12:30,1,2,3", "2026-10-14 01:12:40,1,2,3"))  # fmt: skip
    log = log_of(tmp_path, text, column={"l1_amps": "south", "l2_amps": "Middle", "l3_amps": "north"})
    assert log.amps[0].tolist() == [3, 2, 1]
    with pytest.raises(ConfigError) as raised:
        log_of(tmp_path, text, column={"l1_amps": "west", "amps": "north"})
    assert [fault.place for fault in raised.value.faults] == ["column l1_amps", "column amps"]
    assert '"north"' in str(raised.value)
    with pytest.raises(ConfigError, match="no column of amps"):
        log_of(tmp_path, text)


def test_separator_and_decimal_mark_can_be_told(tmp_path: Path) -> None:
    text = "time;l1_amps;v12\n2026-10-14 01:12:30;1,234;1,5\n"
    assert log_of(tmp_path, text, decimal=",").amps[0, 0] == 1.234
    assert log_of(tmp_path, text, separator="semicolon").amps[0, 0] == 1.234
    for wrong in ({"separator": "hyphen"}, {"decimal": ";"}):
        with pytest.raises(ConfigError, match=next(iter(wrong))):
            log_of(tmp_path, text, **wrong)


def test_averages_are_taken_and_the_rest_is_named(tmp_path: Path) -> None:
    names = ["Time"]
    for leg in (1, 2, 3):
        names += [f"I{leg} avg [A]", f"I{leg} min [A]", f"I{leg} max [A]"]
    names += [
        "U12 avg [V]",
        "U12 max [V]",
        "U1N avg [V]",
        "IN avg [A]",
        "P total [kW]",
        "PF",
        "f [Hz]",
        "Oil temp [°C]",
    ]
    line = "2026-10-14 01:12:30;" + ";".join(f"{n}" for n in range(10, 10 + len(names) - 1))
    log = log_of(tmp_path, head(*names, separator=";") + line + "\n")
    assert log.amps[0].tolist() == [10.0, 13.0, 16.0]
    assert log.volts[0, 0] == 19.0
    assert np.isnan(log.ambient_c[0])
    assert set(log.how_read["ignored"]) == {name for name in names if "avg" not in name and name != "Time"} | {
        "U1N avg [V]", "IN avg [A]",
    }  # fmt: skip


def test_only_the_greatest_values_are_told(tmp_path: Path) -> None:
    log = log_of(tmp_path, head("Time", "I1 max", "I2 max", "I3 max") + "2026-10-14 01:12:30,1,2,3\n")
    assert log.amps[0].tolist() == [1, 2, 3]
    assert any("greatest value of each interval" in guess for guess in log.how_read["guesses"])


def volts_named(tmp_path: Path, names: tuple[str, ...], value: float, **told: Any) -> tuple[Log, str]:
    line = f"2026-10-14 01:12:30,1,1,1,{value},{value + 1},{value + 2}\n"
    log = log_of(tmp_path, head("Time", "I1", "I2", "I3", *names) + line + line.replace(":30", ":40"), **told)
    return log, " ".join(log.how_read["guesses"])


def test_volts_to_the_neutral_are_not_taken(tmp_path: Path) -> None:
    for names in (
        ("V1N", "V2N", "V3N"),
        ("L1-N", "L2-N", "L3-N"),
        ("Van", "Vbn", "Vcn"),
        ("U L1-N", "U L2-N", "U L3-N"),
    ):
        log, guesses = volts_named(tmp_path, names, 277.0)
        assert np.isnan(log.volts).all(), names
        assert "to the neutral" in guesses
        assert log.how_read["ignored"] == list(names)


def test_volts_that_do_not_say_it(tmp_path: Path) -> None:
    names = ("V1", "V2", "V3")
    for value in (119.0, 277.0, 347.0):
        log, guesses = volts_named(tmp_path, names, value)
        assert np.isnan(log.volts).all()
        assert "taken as volts to the neutral" in guesses
    for value in (207.0, 399.0, 478.0, 598.0):
        log, guesses = volts_named(tmp_path, names, value)
        assert log.volts[0].tolist() == [value, value + 1, value + 2]
        assert "taken as volts from leg to leg" in guesses
    log, guesses = volts_named(tmp_path, names, 239.0)
    assert np.isnan(log.volts).all()
    assert "may be from leg to leg or to the neutral" in guesses
    log, _ = volts_named(tmp_path, names, 239.0, rated_voltage=230.0)
    assert log.volts[0, 0] == 239.0
    log, _ = volts_named(tmp_path, names, 239.0, rated_voltage=400.0)
    assert np.isnan(log.volts).all()
    log, _ = volts_named(tmp_path, names, 239.0, column={"v12": "V1", "v23": "V2", "v31": "V3"})
    assert log.volts[0].tolist() == [239.0, 240.0, 241.0]


def test_volts_of_a_single_phase(tmp_path: Path) -> None:
    for name in ("Voltage", "U1", "V", "Volts (V)", "L1-N"):
        log = log_of(tmp_path, head("Time", "Current", name) + "2026-10-14 01:12:30,27.5,231\n")
        assert log.volts[0, 0] == 231.0, name
        assert log.amps[0, 0] == 27.5


def test_lines_that_end_early_by_habit(tmp_path: Path) -> None:
    lines = [f"2026-10-14 01:{minute:02d}:30,1,2{',3' if minute % 2 else ''}\n" for minute in range(8)]
    log = log_of(tmp_path, head("time", "l1_amps", "v12", "ambient_c") + "".join(lines))
    assert len(log) == 8
    assert np.isnan(log.ambient_c).tolist() == [True, False] * 4
    assert any("lines end where" in guess for guess in log.how_read["guesses"])


def test_cells_behind_the_last_name(tmp_path: Path) -> None:
    same(log_of(tmp_path, head(*ENGLISH) + rows(end=",\n")))
    same(log_of(tmp_path, head(*ENGLISH, "") + rows(end=",\n")))


def test_newest_first(tmp_path: Path) -> None:
    lines = rows().splitlines(keepends=True)[::-1]
    log = log_of(tmp_path, head(*ENGLISH) + "".join(lines))
    same(log)
    assert any("newest line stands first" in guess for guess in log.how_read["guesses"])


def test_a_mark_at_the_beginning_is_no_part_of_the_first_name(tmp_path: Path) -> None:
    same(log_of(tmp_path, codecs.BOM_UTF8 + (head(*ENGLISH) + rows()).encode()))


def test_out_of_order_is_not_called_newest_first(tmp_path: Path) -> None:
    lines = rows().splitlines(keepends=True)
    log = log_of(tmp_path, head(*ENGLISH) + "".join((lines[2], lines[0], lines[1])))
    same(log)
    assert any("not in order of time (1 step back)" in guess for guess in log.how_read["guesses"])
    assert not any("newest line" in guess for guess in log.how_read["guesses"])


def test_an_hour_that_came_twice_by_a_clock_without_a_zone_is_pointed_out(tmp_path: Path) -> None:
    lines = rows().splitlines(keepends=True)
    twice = head(*ENGLISH) + "".join((*lines, *lines))
    (told,) = [guess for guess in log_of(tmp_path, twice).how_read["guesses"] if "there already" in guess]
    assert told.startswith("3 lines have a time") and "give its --zone" in told
    (told,) = [one for one in log_of(tmp_path, twice, zone="UTC").how_read["guesses"] if "there already" in one]
    assert "--zone" not in told


@pytest.mark.parametrize("names", ["L1 A,L2 A,L3 A", "L1 a,L2 a,L3 a", "Line 1 A,Line 2 A,Line 3 A"])
def test_a_leg_and_its_unit_are_a_leg_s_amps(tmp_path: Path, names: str) -> None:
    log = log_of(tmp_path, f"Time,{names}\n2026-10-14 01:12:30,12.2,12.9,12.6\n2026-10-14 01:12:40,12.3,13,12.7\n")
    assert log.amps.tolist() == AMPS[:2]
