"""The command `review`: what it prints and writes, and its exit codes."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from monitor import cli
from monitor.records import register
from monitor.records.database import open_database
from monitor.review.command import columns
from monitor.review.log import Log
from tests.review.logs import told
from tests.review.published import validator
from tests.review.test_frames import FILE
from tests.service.conftest import Bench

Call = Callable[..., tuple[int, str, str]]
LOG = told("00:00:00  37>48 | 460\n01:20:00  0 | 461\n01:40:00  end", noise=0.001)


def csv(log: Log, separator: str = ",", mark: str = ".") -> str:
    lines = [separator.join(("time", "l1_amps", "l2_amps", "l3_amps", "v12", "v23", "v31", "ambient_c"))]
    for row in range(len(log)):
        time = datetime.fromtimestamp(log.t_ms[row] / 1000.0, UTC).isoformat()
        values = [*log.amps[row], *log.volts[row], log.ambient_c[row]]
        lines.append(separator.join([time, *(f"{value:.2f}".replace(".", mark) for value in values)]))
    return "\n".join(lines) + "\n"


@pytest.fixture
def call(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Call:
    """Calls the command in a directory with a log and a nameplate: exit code, what it printed, its complaint."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    (tmp_path / "log.csv").write_text(csv(LOG))
    (tmp_path / "fan.toml").write_text(FILE)

    def run(*words: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["amp-monitor", "review", *words])
        code = 0
        try:
            cli.main()
        except SystemExit as exc:
            code = 0 if exc.code is None else int(exc.code)
        out, err = capfd.readouterr()
        assert "Traceback" not in out + err
        return code, out, err

    return run


def test_a_person_reads_what_happened_why_and_what_to_check(call: Call) -> None:
    code, out, err = call("log.csv", "--nameplate", "fan.toml")
    assert (code, err) == (0, "")
    flat = " ".join(out.split())
    assert "480 readings" not in flat and "600 readings" in flat
    assert "Very likely an overload trip" in flat and "Over its limit once" in flat
    assert "1. fan load" in flat and "How to tell at the fan" in flat
    order = [
        flat.index(word)
        for word in ("What happened", "Likely cause", "Check first", "Degrees", "What if", "How it was read")
    ]
    assert order == sorted(order)
    assert (
        flat.index("supply voltage: Running") < flat.index("connections: Locked out") < flat.index("bearings: Locked")
    )
    assert "as it was: tripped" in flat and "no motor protection" in flat
    assert max(len(line) for line in out.splitlines()) <= 112


def test_a_healthy_log_is_told_in_few_words(call: Call, tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text(csv(told("00:00:00  34 | 460\n02:00:00  0 | 460\n02:10:00  end", noise=0.002)))
    code, out, _ = call("log.csv", "--nameplate", "fan.toml")
    assert code == 0 and "None: it stayed within its limit" in out and "Check first" not in out
    assert "as it was: did not trip" in out


def test_json_to_a_file_and_to_the_terminal(call: Call, tmp_path: Path) -> None:
    code, out, _ = call("log.csv", "--nameplate", "fan.toml", "--json", "found.json")
    assert (code, out) == (0, "found.json is written\n")
    said = json.loads((tmp_path / "found.json").read_text())
    assert list(validator().iter_errors(said)) == []
    assert said["runs"][0]["end_cause"] == "overload trip" and said["fan"] == "log.csv"
    code, out, err = call("log.csv", "--nameplate", "fan.toml", "--json", "-")
    assert (code, err) == (0, "") and json.loads(out) == said
    code, out, err = call("log.csv", "--nameplate", "fan.toml", "--json", "-", "--html", "-")
    assert code == 2 and "one of" in err


def test_a_page_and_a_pdf(call: Call, tmp_path: Path) -> None:
    code, out, err = call("log.csv", "--nameplate", "fan.toml", "--html", "page.html", "--pdf", "report.pdf")
    assert (code, out, err) == (0, "page.html is written\nreport.pdf is written\n", "")
    page = (tmp_path / "page.html").read_text()
    assert page.lower().startswith("<!doctype html>") and "overload trip" in page.lower()
    assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF-")


def test_lines_that_could_not_be_read_give_another_exit_code(call: Call, tmp_path: Path) -> None:
    lines = csv(LOG).splitlines()
    lines[10] = "2026-09-21T14:15:00+00:00,not a number at all,x,,y,,z,"
    lines[11] = "yesterday,1,2,3,4,5,6,7"
    (tmp_path / "log.csv").write_text("\n".join(lines) + "\n")
    code, out, _ = call("log.csv", "--nameplate", "fan.toml")
    assert code == 1 and "2 could not be used" in out and "line 1" in out
    assert "Very likely an overload trip" in " ".join(out.split())


def test_columns_with_other_names(call: Call, tmp_path: Path) -> None:
    text = csv(LOG, ";", ",").replace("l1_amps;l2_amps;l3_amps", "alpha;beta;gamma")
    (tmp_path / "log.csv").write_text(text)
    told_names = [
        word for leg, name in enumerate(("alpha", "beta", "gamma"), 1) for word in ("--column", f"l{leg}_amps={name}")
    ]
    code, out, _ = call("log.csv", "--nameplate", "fan.toml", *told_names)
    assert code == 0 and "l1_amps = alpha" in " ".join(out.split())
    code, _, err = call("log.csv", "--nameplate", "fan.toml", "--column", "leg1=alpha", "--column", "beta")
    assert code == 2 and '"leg1=alpha"' in err and '"beta"' in err
    assert columns(["v12=U 1=2"]) == {"v12": "U 1=2"}


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (("log.csv",), "--nameplate"),
        (("none.csv", "--nameplate", "fan.toml"), "none.csv"),
        (("log.csv", "--nameplate", "none.toml"), "cannot read none.toml"),
        (("log.csv", "--nameplate", "log.csv"), "not valid TOML"),
        (("log.csv", "--nameplate", "fan.toml", "--from", "2026-01-01"), "reviewed whole"),
        (("home/bin-1",), "--from and --to"),
        (("bin-1", "--from", "2026-01-01", "--to", "2026-01-02"), "expected SITE/FAN"),
        (("log.csv", "--nameplate", "fan.toml", "--zone", "Nowhere/Land"), "Nowhere/Land"),
    ],
)  # fmt: skip
def test_wrong_use(call: Call, words: tuple[str, ...], complaint: str) -> None:
    code, out, err = call(*words)
    assert (code, out) == (2, "") and complaint in err


def test_a_file_that_cannot_be_written(call: Call) -> None:
    code, _, err = call("log.csv", "--nameplate", "fan.toml", "--json", "no/such/place.json")
    assert code == 3 and "no/such/place.json" in err


def test_a_fan_of_the_register(call: Call, tmp_path: Path) -> None:
    (tmp_path / "monitor.toml").write_text('data = "data"\n[sites.home]\ntime_zone = "America/Chicago"\n')
    (tmp_path / "data").mkdir()
    start = datetime(2026, 10, 4, 6, 0, tzinfo=UTC)  # 01:00 in Chicago
    with closing(open_database(f"sqlite:///{tmp_path / 'data' / 'monitor.db'}")) as database:
        bench = Bench("", database, wall=start)
        bench.register("bin-1", FILE, since=start - timedelta(days=1))
        bench.begin().round()
        rows = range(0, len(LOG), 30)
        for first in rows:
            bench.wall, bench.steady = start + timedelta(seconds=10 * (first + 30)), bench.steady + 300.0
            bench.put("bin-1", [
                bench.reading(0.0, LOG.amps[row].round(2).tolist(), volts=LOG.volts[row].tolist())
                | {"t": start.timestamp() + 10.0 * row}
                for row in range(first, min(first + 30, len(LOG)))
            ])  # fmt: skip
            bench.worker.round()
        bench.pass_time(200.0, 20.0)
        bench.worker.stop()
        assert len(register.versions(database, bench.point_id("bin-1"))) == 1
    window = ("--from", "2026-10-04T01:00", "--to", "2026-10-04T03:00", "--settings", "monitor.toml")
    code, out, _ = call("home/bin-1", *window, "--json", "-")
    said = json.loads(out)
    assert code == 0 and list(validator().iter_errors(said)) == []
    # from < t: the reading at 01:00:00 itself is not in it
    assert (said["fan"], said["readings"], said["from"]) == ("home/bin-1", len(LOG) - 1, "2026-10-04T06:00:10Z")
    assert [run["end_cause"] for run in said["runs"]] == ["overload trip"]
    code, out, _ = call("home/bin-1", *window, "--as", "measured")
    assert code == 0 and "as measured" in out
    assert call("home/bin-1", *window, "--as", "seen")[0] == 2
    assert call("home/bin-2", *window)[0] == 2
    code, _, err = call("home/bin-1", "--from", "then", "--to", "2026-10-04T03:00", "--settings", "monitor.toml")
    assert code == 2 and "--from: expected a time" in err
    code, _, err = call("home/bin-1", "--from", "2026-10-04T03:00", "--to", "soon", "--settings", "monitor.toml")
    assert code == 2 and "--to: expected a time" in err
    assert np.isfinite(said["limit"]["amps"])
