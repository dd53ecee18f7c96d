"""Files that are broken, empty, huge or made to do harm end in a clear error, soon and in little memory."""

from __future__ import annotations

import bz2
import gzip
import json
import lzma
import os
import random
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import zstandard

from monitor.errors import ConfigError
from monitor.review.files import bounds
from monitor.review.files.read import read_log

HEAD = "time,l1_amps\n"
LINE = "2026-10-04 01:12:30,12.5\n"


def log_of(tmp_path: Path, data: str | bytes, name: str = "log.csv", **told: Any) -> Any:
    path = tmp_path / name
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    return read_log(path, **told)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "is empty"),
        (b"\n\n \n", "only blank lines"),
        (HEAD.encode(), "no lines of readings found"),
        (b"# nothing\n# at all\n", "no lines of readings found"),
        (random.Random(1).randbytes(50_000), "is not text"),
        (b"\x7fELF\x02\x01\x01" + bytes(500), "is not text"),
        (b"\x89PNG\r\n\x1a\n" + bytes(500), "is a picture"),
        (b"%PDF-1.7\n", "is a PDF"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(500), "an old Excel file"),
        (b"SQLite format 3\x00", "a database"),
        (b"<html><body>\n<p>hello</p>\n</body></html>\n", "no lines of readings found"),
        (b'{"amps": [1, 2, 3]}\n', "no column of times"),
        ((HEAD + "12:00:00,1\n12:00:10,1\n").encode(), "no column holds the date"),
        ((HEAD + "1,1\n2,1\n3,1\n").encode(), "cannot be read"),
        (b"\x1f\x8b" + bytes(100), "broken or cannot be unpacked"),
        (b"BZh9" + bytes(100), "broken or cannot be unpacked|cannot read"),
        (b"PK\x03\x04" + bytes(100), "broken or cannot be unpacked"),
        (b"\xfd7zXZ\x00" + bytes(100), "broken or cannot be unpacked"),
        (b"\x28\xb5\x2f\xfd" + b"\xff" * 100, "broken or cannot be unpacked"),
        # Without the time of packing: names of tests are made of this, and all processes must collect the same ones.
        (gzip.compress(LINE.encode() * 1000, mtime=0)[:-20], "broken or cannot be unpacked"),
    ],
)
def test_no_log(tmp_path: Path, data: bytes, said: str) -> None:
    with pytest.raises(ConfigError, match=said):
        log_of(tmp_path, data)


def test_no_file(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="is not a file"):
        read_log(tmp_path)
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(ConfigError, match="is not a file"):
        read_log(tmp_path / "pipe")


def test_one_reading_is_a_log(tmp_path: Path) -> None:
    for text in (HEAD + LINE, HEAD + LINE.strip(), LINE + LINE):
        log = log_of(tmp_path, text)
        assert len(log) == 1
        assert log.how_read["period_seconds"] is None


def test_ten_thousand_columns(tmp_path: Path) -> None:
    names = ",".join(f"I{number}" for number in range(10_000))
    with pytest.raises(ConfigError, match="more than 2,000 columns"):
        log_of(tmp_path, f"time,{names}\n" + "2026-10-04 01:12:30" + ",1" * 10_000 + "\n")
    wide = ",".join(["time", "l1_amps", *(f"THD {number}" for number in range(1_500))])
    log = log_of(tmp_path, f"{wide}\n" + "".join(f"2026-10-04 01:12:3{n}" + ",1" * 1_501 + "\n" for n in range(9)))
    assert len(log) == 9
    assert len(log.how_read["ignored"]) == 1_500


def test_a_line_of_a_gigabyte(tmp_path: Path) -> None:
    """The file is sparse: its gigabyte is nowhere."""
    path = tmp_path / "log.csv"
    up_to_a_block = HEAD + LINE * (bounds.BLOCK_BYTES // len(LINE) - 10)
    for begins in ("", HEAD + LINE, HEAD + LINE * 50_000, up_to_a_block):
        with path.open("w") as file:
            file.write(begins)
            file.truncate(1024**3)
        with pytest.raises(ConfigError, match=r"is longer than 1,048,576 bytes|is not text"):
            read_log(path)
    path.write_text(HEAD + LINE * 50_000 + "9" * bounds.BLOCK_BYTES + "\n")
    with pytest.raises(ConfigError, match="line 50002 is longer"):
        read_log(path)
    path.write_text(HEAD + LINE * 10 + "9" * 500_000 + "\n" + LINE)
    assert [(one.line, len(one.reason)) for one in read_log(path).unread] == [(12, 107)]


PACKINGS = ["log.csv.gz", "log.csv.bz2", "log.csv.xz", "log.zip", "log.csv.zst"]


def pack(path: Path, *parts: bytes) -> None:
    """Packs a file as its name says; whole packed parts stand one behind the other."""
    if path.suffix == ".zip":
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive, archive.open("inside/log.csv", "w") as file:
            for part in parts:
                file.write(part)
        return
    by = {".gz": gzip.compress, ".bz2": bz2.compress, ".xz": lzma.compress, ".zst": zstandard.compress}[path.suffix]
    packed = {part: by(part) for part in set(parts)}
    path.write_bytes(b"".join(packed[part] for part in parts))


@pytest.mark.parametrize("name", PACKINGS)
def test_packed_to_fill_memory(tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bounds, "RATIO_COUNTS_FROM", 4_000_000)
    path = tmp_path / name
    pack(path, HEAD.encode() + LINE.encode() * 10, (b" " * 999 + b"\n") * 8_000)
    with pytest.raises(ConfigError, match=r"unpacks to more than [0-9] MiB, which no log does"):
        read_log(path)


def test_a_bomb_of_a_gigabyte_costs_little_memory(tmp_path: Path) -> None:
    path, small = tmp_path / "log.csv.gz", tmp_path / "small.csv.gz"
    pack(path, HEAD.encode() + LINE.encode() * 10, *[(b" " * 9_999 + b"\n") * 1_000] * 100)  # 1 GB
    pack(small, HEAD.encode() + LINE.encode() * 10)
    assert path.stat().st_size < 2_000_000
    read_log(small)  # compiles what is not compiled yet, which takes memory of its own
    _, usual = _read_apart(small)
    said, mebibytes = _read_apart(path)
    assert "unpacks to more than" in said
    assert mebibytes < usual + 200


def _read_apart(path: Path) -> tuple[str, int]:
    """What reading a log in a process of its own said, and the most memory that took [MiB]."""
    program = (
        "import json, resource, sys\n"
        "from monitor.errors import ConfigError\n"
        "from monitor.review.files.read import read_log\n"
        "try:\n    read_log(sys.argv[1]); said = 'read'\n"
        "except ConfigError as exc:\n    said = str(exc)\n"
        "print(json.dumps([said, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024]))\n"
    )
    done = subprocess.run([sys.executable, "-c", program, str(path)], capture_output=True, text=True, check=True)
    said, mebibytes = json.loads(done.stdout)
    return said, mebibytes


@pytest.mark.parametrize("name", PACKINGS)
def test_packed_logs_are_read(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    pack(path, (HEAD + "".join(f"2026-10-04 01:{n // 60:02d}:{n % 60:02d},{n}.5\n" for n in range(3000))).encode())
    log = read_log(path)
    assert len(log) == 2000
    assert log.rejected == 1000  # amps over 2000
    assert log.how_read["packed"] is not None


def test_an_archive_of_several_files(tmp_path: Path) -> None:
    path = tmp_path / "logs.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("a.csv", HEAD + LINE)
        archive.writestr("b.csv", HEAD + LINE)
    with pytest.raises(ConfigError, match="holds 2 files: unpack it"):
        read_log(path)


def test_hundreds_of_thousands_of_bad_lines(tmp_path: Path) -> None:
    bad = 300_000
    log = log_of(tmp_path, HEAD + LINE * 3 + "2026-10-04 01:12:31,broken\n" * bad + "2026-10-04 01:12:32,1\n")
    assert log.rejected == bad
    assert log.reasons == {"l1_amps: expected a number": bad}
    assert len(log.unread) == 1000
    assert (log.unread[0].line, log.unread[-1].line) == (5, 1004)
    assert log.how_read["lines"]["doubled"] == 2


def test_more_lines_than_a_log_can_have(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bounds, "MOST_LINES", 10_000)
    with pytest.raises(ConfigError, match="more than 10,000 lines: split it"):
        log_of(tmp_path, HEAD + LINE * 9 + "\n" * 20_000)


def test_columns_grow_where_the_first_lines_are_long(tmp_path: Path) -> None:
    """The room is made by the length of the first lines; behind them come many short ones."""
    rows = [f"{1_791_076_350 + n},{n % 7}{'.' + '0' * 200 if n < 3000 else ''}\n" for n in range(400_000)]
    log = log_of(tmp_path, HEAD + "".join(rows))
    assert len(log) == 400_000
    np.testing.assert_array_equal(log.amps[:, 0], np.arange(400_000) % 7)


def test_zeros_within_a_log_cost_their_line_only(tmp_path: Path) -> None:
    """What a memory card leaves of a line when the power fails."""
    good = "".join(f"2026-10-04 01:{n // 60:02d}:{n % 60:02d},1\n" for n in range(600)).encode()
    log = log_of(tmp_path, HEAD.encode() + good + b"2026-10-0" + bytes(300) + b"\n2026-10-04 02:00:00,1\n")
    assert len(log) == 601
    assert [one.line for one in log.unread] == [602]


def test_lines_that_reach_from_block_to_block(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = [f"2026-10-04 01:{n // 60:02d}:{n % 60:02d},{n / 8}\n" for n in range(3000)]
    whole = log_of(tmp_path, HEAD + "".join(lines))
    monkeypatch.setattr(bounds, "BLOCK_BYTES", 97)
    monkeypatch.setattr(bounds, "LONGEST_LINE", 500)
    cut = log_of(tmp_path, HEAD + "".join(lines))
    np.testing.assert_array_equal(whole.t_ms, cut.t_ms)
    np.testing.assert_array_equal(whole.amps, cut.amps)
    assert whole.how_read == cut.how_read
    assert whole.unread == cut.unread
