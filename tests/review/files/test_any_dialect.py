"""Properties: whatever way a log is written, it is read back equal, and every line of it is accounted for."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitor.errors import ConfigError
from monitor.review.files.read import read_log
from monitor.review.log import Log

NAN = math.nan
START = datetime(2026, 2, 27, 22, 59, 50, tzinfo=UTC)
FORMS = (
    ("%Y-%m-%dT%H:%M:%S.%fZ", 1), ("%Y-%m-%d %H:%M:%S.%f", 1), ("%d.%m.%Y %H:%M:%S,%f", 1),
    ("%m/%d/%Y %I:%M:%S.%f %p", 1),
    ("%d %b %Y %H:%M:%S.%f", 1), ("%Y%m%dT%H%M%S.%fZ", 1), ("%d/%m/%y|%H:%M:%S.%f", 2), ("%Y-%m-%d|%I:%M:%S.%f %p", 2),
)  # fmt: skip
NAMES = (
    ("time", "l1_amps", "l2_amps", "l3_amps", "v12", "v23", "v31", "ambient_c", "called"),
    ("Zeit", "Strom L1 [A]", "Strom L2 [A]", "Strom L3 [A]", "U12 [V]", "U23 [V]", "U31 [V]", "Luft [°C]", "called"),
    ("Hora", "I1 (mA)", "I2 (mA)", "I3 (mA)", "U12 (kV)", "U23 (kV)", "U31 (kV)", "Aire (°C)", "called"),
)
amps = st.one_of(st.just(NAN), st.floats(1e-4, 2000), st.integers(0, 2000).map(float))
volts = st.one_of(st.just(NAN), st.floats(1e-4, 1000), st.integers(0, 9999).map(lambda value: value / 10.0))
air = st.one_of(st.just(NAN), st.floats(1e-4, 80), st.floats(-60, -1e-4))
called = st.sampled_from([NAN, 0.0, 1.0])
reading = st.tuples(*[amps] * 3, *[volts] * 3, air, called)
noise = st.sampled_from(["", "# a word", "HEAD", "   ", "garbage", "2026-13-45", "DOUBLE", "NEGATIVE", "OPEN"])


@st.composite
def logs(draw: Any) -> dict[str, Any]:
    steps = draw(st.lists(st.integers(1, 90_000_000), min_size=3, max_size=12))
    return {
        "steps": steps,
        "rows": [draw(reading) for _ in steps],
        "noise": draw(st.lists(st.tuples(st.integers(2, 11), noise), max_size=4)),
        "form": draw(st.sampled_from(FORMS)),
        "names": draw(st.sampled_from(NAMES)),
        "separator": draw(st.sampled_from(",;\t|")),
        "mark": draw(st.sampled_from(".,")),
        "quote": draw(st.booleans()),
        "encoding": draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"])),
        "end": draw(st.sampled_from(["\n", "\r\n"])),
        "last_end": draw(st.booleans()),
        "missing": draw(st.sampled_from(["", "NaN", "---", "OL"])),
    }


def written(told: dict[str, Any]) -> tuple[list[str], list[int], list[tuple[float, ...]], dict[str, int], list[int]]:
    """Lines, times, rows that are to come back, how many lines of each kind there are, and which cannot be used."""
    form, cells_of_time = told["form"]
    separator = told["separator"]
    quote = told["quote"] or separator == told["mark"] or separator in form
    milli = "mA" in told["names"][1]

    def cell(text: str) -> str:
        return f'"{text}"' if quote else text

    def number(value: float, scale: float = 1.0) -> str:
        return told["missing"] if math.isnan(value) else repr(value * scale).replace(".", told["mark"])

    def line(at: datetime, row: tuple[float, ...], *, sign: str = "") -> str:
        # Whole milliseconds: what a log holds.
        stamp = at.strftime(form.replace("%f", f"{at.microsecond // 1000:03d}"))
        texts = [*stamp.split("|")] if cells_of_time == 2 else [stamp]
        texts += [sign + number(value, 1000.0 if milli else 1.0) for value in row[:3]]
        texts += [number(value, 0.001 if milli else 1.0) for value in row[3:6]]
        texts += [number(row[6]), told["missing"] if math.isnan(row[7]) else f"{row[7]:.0f}"]
        return separator.join(cell(text) for text in texts)

    names = ["Date", *told["names"]] if cells_of_time == 2 else list(told["names"])
    head = separator.join(cell(name) for name in names)
    lines, times, at = [head], list[int](), START
    rejected: list[int] = []
    counts = {"readings": 0, "rejected": 0, "doubled": 0, "head": 1, "comment": 0, "blank": 0}
    for number_, (step, row) in enumerate(zip(told["steps"], told["rows"], strict=True)):
        at += timedelta(milliseconds=step)
        times.append(round(at.timestamp() * 1000))
        lines.append(line(at, row))
        counts["readings"] += 1
        for place, what in told["noise"]:
            if place != number_:
                continue
            if what == "HEAD":
                lines.append(head)
                counts["head"] += 1
            elif what == "DOUBLE":
                lines.append(line(at, row))
                counts["doubled"] += 1
            elif what in ("NEGATIVE", "OPEN"):
                lines.append(line(at, (1.0,) * 8, sign="-") if what == "NEGATIVE" else '"' + head.replace('"', ""))
                counts["rejected"] += 1
                rejected.append(len(lines))
            else:
                lines.append(what)
                kind = "blank" if not what.strip() else "comment" if what.startswith("#") else "rejected"
                counts[kind] += 1
                rejected += [len(lines)] if kind == "rejected" else []
    return lines, times, told["rows"], counts, rejected


def read_back(told: dict[str, Any], lines: list[str]) -> Log:
    ends = told["last_end"] or not lines[-1]  # a blank line without its end is none
    text = told["end"].join(lines) + (told["end"] if ends else "")
    with TemporaryDirectory() as directory:
        path = Path(directory) / "log.csv"
        path.write_bytes(text.encode(told["encoding"], "replace"))
        day_first = told["form"][0].startswith("%d") if "%b" not in told["form"][0] else None
        return read_log(path, day_first=day_first)


@settings(max_examples=60, deadline=None)
@given(logs())
def test_what_is_written_in_any_dialect_is_read_back(told: dict[str, Any]) -> None:
    lines, times, rows, counts, rejected = written(told)
    if all(math.isnan(row[0]) for row in rows) and all(math.isnan(row[1]) for row in rows):
        return  # nothing in the file shows which column is which unit; asked elsewhere
    log = read_back(told, lines)
    assert log.t_ms.tolist() == times
    values = np.array(rows)
    exact = "mA" not in told["names"][1]
    for found, wanted in ((log.amps, values[:, :3]), (log.volts, values[:, 3:6])):
        if exact:
            np.testing.assert_array_equal(found, wanted)
        else:
            np.testing.assert_allclose(found, wanted, rtol=1e-15, atol=1e-320)
    np.testing.assert_array_equal(log.ambient_c, values[:, 6])
    np.testing.assert_array_equal(log.called, values[:, 7])
    found_lines = dict(log.how_read["lines"])
    assert found_lines.pop("total") == len(lines)
    assert found_lines == counts
    assert log.rejected == counts["rejected"] == sum(log.reasons.values())
    assert [one.line for one in log.unread] == rejected


@settings(max_examples=100, deadline=None)
@given(st.lists(st.one_of(st.text(max_size=60), st.sampled_from([
    "time,l1_amps", "2026-10-04 01:12:30,12.5", "2026-10-04 01:12:31,", '"', ",", ";;;", "\x00\x00", "a\tb",
    "2026-10-04 01:12:32,1e999", "99999999999999999999,1", "2026-02-30 00:00:00,1", "-,-", "12:00,12:00",
])), max_size=12).map("\n".join))  # fmt: skip
@example("time,l1_amps\n2026-10-04 01:12:30,1" + "0" * 400)
@example("1,2\n3,4\n")
@example("\n\n\n")
def test_any_text_is_a_log_or_a_clear_error(text: str) -> None:
    with TemporaryDirectory() as directory:
        path = Path(directory) / "log.csv"
        path.write_bytes(text.encode("utf-8", "surrogatepass"))
        try:
            log = read_log(path)
        except ConfigError as exc:
            assert str(exc)
            return
    lines = dict(log.how_read["lines"])
    assert lines.pop("total") == sum(lines.values())
    assert ((log.amps >= 0) & (log.amps <= 2000) | np.isnan(log.amps)).all()


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes_are_a_log_or_a_clear_error(data: bytes) -> None:
    with TemporaryDirectory() as directory:
        path = Path(directory) / "log.csv"
        path.write_bytes(data)
        try:
            read_log(path)
        except ConfigError as exc:
            assert str(exc)
