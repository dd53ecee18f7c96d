"""CSV logs in the canonical form, and the command."""

from __future__ import annotations

import csv
import subprocess
import sys
import tomllib
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from simulated.__main__ import main
from simulated.farm import Farm
from simulated.logs import write
from simulated.scenario import load


def test_csv_is_canonical(tmp_path, start):
    farm = Farm(load("meadow"), start)
    columns = farm.columns(start + timedelta(hours=1))
    paths = write(tmp_path, columns)
    assert len(paths) == 8
    with (tmp_path / "meadow-bin-3.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == ["time", "l1_amps", "l2_amps", "l3_amps", "v12", "v23", "v31", "ambient_c"]
    assert len(rows) == columns["meadow", "bin-3"]["t"].size == 360
    assert [float(row["l2_amps"]) for row in rows] == columns["meadow", "bin-3"]["l2_amps"].tolist()
    assert [datetime.fromisoformat(row["time"]).timestamp() for row in rows] == columns["meadow", "bin-3"]["t"].tolist()
    assert {row["ambient_c"] for row in rows} == {""}
    with (tmp_path / "meadow-bin-1.csv").open(encoding="utf-8", newline="") as file:
        assert {row["v12"] for row in csv.DictReader(file)} == {""}  # measured elsewhere
    assert (tmp_path / "meadow-bin-6.csv").read_text(encoding="utf-8").startswith("time,l1_amps,v12,ambient_c\n")


def test_missing_values_are_empty_cells(tmp_path, start):
    write(tmp_path, {("a", "b"): Farm(load("troubles"), start).columns(start + timedelta(hours=1))["ridge", "nulls"]})
    with (tmp_path / "a-b.csv").open(encoding="utf-8", newline="") as file:
        cells = [row["l1_amps"] for row in csv.DictReader(file)]
    assert 1 <= cells.count("") <= 25
    assert all(float(cell) > 0 for cell in cells if cell)


def test_the_command_writes_logs_and_plates(tmp_path, capsys):
    assert main(["quiet", "--hours", "0.5", "--csv", str(tmp_path), "--plates", str(tmp_path), "--seed", "4"]) == 0
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "brook-bin-1.csv",
        "brook-bin-1.toml",
        "brook-bin-2.csv",
        "brook-bin-2.toml",
    ]
    assert tomllib.loads((tmp_path / "brook-bin-2.toml").read_text(encoding="utf-8"))["motor"]["rated_power_hp"] == 15.0
    assert str(tmp_path / "brook-bin-1.csv") in capsys.readouterr().out


def test_the_command_shows_what_would_be_sent(capsys):
    assert main(["troubles", "--hours", "8"]) == 0
    out = capsys.readouterr().out
    assert "ridge/overload/readings: " in out
    assert "ridge/locked: short circuit or locked rotor" in out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["moon"], "no scenario named moon: give the path of a .toml file or one of: many, meadow, quiet, troubles"),
        (["quiet", "--hours", "-1"], "--hours: expected a number above 0"),
        (["quiet", "--broker", "nowhere"], "--broker: expected HOST:PORT such as localhost:1883, found nowhere"),
        (["quiet", "--broker", "a:1", "--csv", "x"], "--broker and --csv: give one of them"),
        (["quiet", "--fans", "3"], "many: expected a table [many]"),
        (["quiet", "--pace", "-2"], "--pace: expected 0 or more"),
    ],
)
def test_wrong_use_is_told(words, told, capsys):
    try:
        code = main(words)
    except SystemExit as exc:  # argparse
        code = exc.code
    assert code == 2
    assert told in capsys.readouterr().err


def test_a_directory_that_cannot_be_written(tmp_path, capsys):
    (tmp_path / "file").write_text("", encoding="utf-8")
    assert main(["quiet", "--hours", "0.5", "--csv", str(tmp_path / "file" / "below")]) == 3
    assert "cannot be written" in capsys.readouterr().err


def test_it_runs_as_a_module():
    done = subprocess.run(
        [sys.executable, "-m", "simulated", "--help"],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[2],
    )
    assert done.returncode == 0
    assert "Scenarios that come along: many, meadow, quiet, troubles." in " ".join(done.stdout.split())


def test_no_broker_is_told(capsys, monkeypatch):
    monkeypatch.setattr("simulated.publish.Publisher.wait_connected", lambda self, timeout_s: False)
    assert main(["quiet", "--broker", "127.0.0.1:1", "--hours", "1"]) == 3
    assert "127.0.0.1:1: no broker lets us in (no answer in 10 s)" in capsys.readouterr().err
