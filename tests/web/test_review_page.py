"""The page Review: a dropped log and a window of a stored fan, made by a real child process."""

from __future__ import annotations

import json
import re
import time
from datetime import timedelta
from pathlib import Path

import httpx
import pytest
import sqlalchemy as sa

from monitor.records import register, tables
from monitor.review import child
from monitor.web import reviewing
from monitor.web.reviewing import Busy, Reviews
from monitor.web.shown import hours_before
from tests.web.farm import THREE_PHASE, Farm

HEADER = "time,l1_amps,l2_amps,l3_amps,v12,v23,v31,ambient_c"


def a_log(rows: int = 240) -> str:
    """Forty minutes, each 10 s, of a fan a little over its limit."""
    lines = [
        f"2026-10-03T12:{minute:02d}:{second:02d}Z,15.5,15.0,14.6,450,447,443,7.0"
        for minute in range(rows // 6)
        for second in range(0, 60, 10)
    ]
    return "\n".join([HEADER, *lines]) + "\n"


def made(client: httpx.Client, answer: httpx.Response, within: float = 120.0) -> httpx.Response:
    """The page of a review once it has ended."""
    assert answer.status_code == 303, answer.text
    until = time.monotonic() + within
    while time.monotonic() < until:
        page = client.get(answer.headers["location"])
        if 'http-equiv="refresh"' not in page.text:
            return page
        time.sleep(0.1)
    raise AssertionError("the review did not end")


def test_a_dropped_log_is_reviewed_by_the_nameplate_of_its_fan(client: httpx.Client, farm: Farm) -> None:
    farm.site()
    farm.fan("bin-1")
    assert "meadow/bin-1" in client.get("/review").text
    answer = client.post(
        "/review/log", data={"fan": "meadow/bin-1"}, files={"log": ("<b>october.csv", a_log().encode(), "text/csv")}
    )
    page = made(client, answer)
    assert page.status_code == 200
    assert "meadow/bin-1, &lt;b&gt;october.csv: 240 readings" in page.text
    for title in ("What happened", "Likely cause", "Check first", "Degrees", "What if", "How it was read", "Cautions"):
        assert f"<h2>{title}</h2>" in page.text
    address = answer.headers["location"]
    findings = client.get(f"{address}/findings.json")
    assert findings.json()["readings"] == 240
    assert findings.json()["causes"][0]["cause"] in page.text
    assert "attachment" in findings.headers["content-disposition"]
    report = client.get(f"{address}/report.html")
    assert report.headers["content-security-policy"] == (
        "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; sandbox"
    )
    assert "<svg" in report.text
    assert client.get(f"{address}/report.pdf").content.startswith(b"%PDF-")
    assert client.get(f"{address}/order.json").status_code == 404


def test_a_log_is_judged_by_the_blades_of_its_time(client: httpx.Client, farm: Farm) -> None:
    farm.site()
    farm.fan("bin-1")  # 21 degrees, since nine days
    register.put_nameplate(
        farm.database, "meadow", "bin-1", THREE_PHASE.replace("degrees = 21", "degrees = 17", 1),
        valid_from=farm.now - timedelta(hours=1), by="Ann", now=farm.now,
    )  # fmt: skip
    answer = client.post(
        "/review/log", data={"fan": "meadow/bin-1"}, files={"log": ("log.csv", a_log().encode(), "text/csv")}
    )
    made(client, answer)
    found = client.get(f"{answer.headers['location']}/findings.json").json()
    assert found["pitch"]["options"][0]["pitch"] == 21


def test_a_window_of_a_stored_fan_is_reviewed_by_the_clock_of_its_site(client: httpx.Client, farm: Farm) -> None:
    farm.site()
    farm.fan("bin-1")
    farm.reading("bin-1", (15.5, 15.0, 14.6), (450.0, 447.0, 443.0), hours=1.0)
    answer = client.post(
        "/review/window",
        data={"fan": "meadow/bin-1", "from": "2026-10-03T20:00", "to": "2026-10-03T20:46", "as": "measured"},
    )  # 01:00 to 01:46 in UTC
    page = made(client, answer)
    assert page.status_code == 200, page.text
    assert "2026-10-03 20:00" in page.text
    assert "(CDT)" in page.text
    found = client.get(f"{answer.headers['location']}/findings.json").json()
    assert found["from"] >= "2026-10-04T01:00:00Z"
    assert found["how_read"]["as"] == "measured"


def test_a_window_before_all_that_is_kept_is_told_beside_the_form(client: httpx.Client, farm: Farm) -> None:
    farm.site()
    farm.fan("bin-1")
    row = {"before_ms": int(1000 * farm.now.timestamp()), "readings": 5000, "removed_ms": 0}
    with farm.database.begin() as connection:
        connection.execute(sa.insert(tables.readings_removed), [{"point_id": farm.point("bin-1"), **row}])
    answer = client.post(
        "/review/window",
        data={"fan": "meadow/bin-1", "from": "2026-10-01T20:00", "to": "2026-10-02T20:00", "as": "judged"},
    )
    assert answer.status_code == 422
    assert "Raw readings of meadow/bin-1 before 2026-10-03 20:46 are no longer kept: this time cannot" in answer.text


def test_the_hours_before_an_end_stand_in_the_form_and_it_comes_first(client: httpx.Client, farm: Farm) -> None:
    farm.site()
    farm.fan("bin-1")
    told = client.get(hours_before("meadow", "bin-1", farm.now - timedelta(hours=2))).text  # 18:46 CDT
    assert 'name="from" value="2026-10-03T06:46"' in told and 'name="to" value="2026-10-03T19:16"' in told
    assert told.index('id="window"') < told.index('id="log"')
    told = client.get(hours_before("meadow", "bin-1", farm.now)).text
    assert 'name="to" value="2026-10-03T20:46"' in told, "not past now"
    for odd in ("noon", "0001-01-01T00:00:00Z"):
        told = client.get(f"/review?site=meadow&fan=bin-1&ended={odd}").text
        assert 'name="from" value="2026-10-02T20:46"' in told, "the last day"
    told = client.get("/review").text
    assert told.index('id="log"') < told.index('id="window"')


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ({"fan": "meadow/nobody"}, "Choose a fan."),
        ({"fan": "meadow/bin-1", "from": "noon", "to": ""}, "From: expected a date and a time of day, found noon."),
        (
            {"fan": "meadow/bin-1", "from": "2026-10-04T01:00", "to": "2026-10-03T01:00"},
            "The window has to end after it begins.",
        ),
        ({"fan": "meadow/bin-1", "from": "2024-10-04T01:00", "to": "2026-10-03T01:00"}, "longer than 400 days"),
    ],
)
def test_a_window_that_cannot_be_reviewed_is_told_beside_the_form(
    client: httpx.Client, farm: Farm, data: dict[str, str], said: str
) -> None:
    farm.site()
    farm.fan("bin-1")
    answer = client.post("/review/window", data=data)
    assert answer.status_code == 422
    assert said in answer.text
    assert f'value="{data["to"]}"' in answer.text if data.get("to") else True


def test_all_faults_of_a_log_form_are_told_at_once(client: httpx.Client, farm: Farm) -> None:
    farm.site()
    answer = client.post(
        "/review/log", data={"nameplate": "[motor]\nphases = 2\n", "zone": "Mars/Base", "columns": "l9=X"}
    )
    assert answer.status_code == 422
    for said in ("Choose the log file.", "motor.phases", "motor.full_load_amps", "Mars/Base", "l9=X"):
        assert said in answer.text


def test_a_file_that_is_no_log_ends_in_words(client: httpx.Client, farm: Farm) -> None:
    farm.site()
    farm.fan("bin-1")
    answer = client.post(
        "/review/log", data={"fan": "meadow/bin-1"}, files={"log": ("photo.csv", bytes(range(256)) * 40, "text/csv")}
    )
    page = made(client, answer)
    assert page.status_code == 422
    assert "It could not be reviewed." in page.text
    assert "amp-monitor-data" not in page.text and "/log." not in page.text, "where it is kept is nobody's business"
    assert "Traceback" not in page.text


def test_a_log_that_is_too_large_is_refused_before_it_is_read(
    client: httpx.Client, farm: Farm, monkeypatch: pytest.MonkeyPatch
) -> None:
    farm.site()
    answer = client.post("/fans/meadow/bin-1/acknowledge", content=b"x" * 400_000)
    assert answer.status_code in (404, 413)  # elsewhere nothing large is taken
    monkeypatch.setattr("monitor.web.review_page.LARGEST_LOG", 1000)
    answer = client.post("/review/log", data={"fan": ""}, files={"log": ("a.csv", b"x" * 2000, "text/csv")})
    assert answer.status_code == 422
    assert "command line" in answer.text


def test_an_unknown_review_is_told(client: httpx.Client) -> None:
    answer = client.get("/review/nothing-of-the-kind")
    assert answer.status_code == 404
    assert "no longer kept" in answer.text


def test_the_schema_is_published(client: httpx.Client) -> None:
    assert client.get("/api/v1/review.schema.json").json()["type"] == "object"


def test_what_waits_and_what_is_kept_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reviewing, "KEPT", 2)
    monkeypatch.setattr(Reviews, "_run", lambda self, job: "no such log")
    reviews = Reviews(tmp_path / "reviews")
    orders = []
    for _ in range(3):
        directory = reviews.make_room()
        orders.append(
            reviews.submit(directory, {"log": str(directory / "log.csv"), "nameplate": ""}, "x", site=None, owner=None)
        )
        assert orders[-1].ended.wait(60.0)
        assert orders[-1].error == "no such log"
    assert [reviews.get(one.token) is not None for one in orders] == [False, True, True]
    assert not orders[0].directory.exists()
    monkeypatch.setattr(Reviews, "_run", lambda self, job: time.sleep(0.5) or "")
    with pytest.raises(Busy):
        for _ in range(reviewing.WAITING_AT_MOST + 2):
            reviews.submit(reviews.make_room(), {}, "x", site=None, owner=None)
    reviews.stop()
    assert not (tmp_path / "reviews").exists()


def test_one_that_hangs_is_stopped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reviewing, "SECONDS", 0.2)
    reviews = Reviews(tmp_path / "reviews")
    job = reviews.submit(reviews.make_room(), {"log": "/dev/zero", "nameplate": ""}, "x", site=None, owner=None)
    assert job.ended.wait(60.0)
    assert job.error == reviewing.TOO_LONG
    reviews.stop()


def test_one_that_breaks_off_is_not_put_down_to_memory(tmp_path: Path) -> None:
    reviews = Reviews(tmp_path / "reviews")
    job = reviews.submit(reviews.make_room(), {"no": "order"}, "x", site=None, owner=None)
    assert job.ended.wait(60.0)
    assert job.error == reviewing.BROKE_OFF
    reviews.stop()


def test_its_process_is_bounded(tmp_path: Path) -> None:
    """In a process of its own: the limits stay on whoever sets them."""
    import subprocess
    import sys

    script = (
        "import os, resource, json\nfrom monitor.review import child\nchild._bound()\n"
        "print(json.dumps([os.nice(0), resource.getrlimit(resource.RLIMIT_DATA)[0],"
        " resource.getrlimit(resource.RLIMIT_CPU)[0]]))\n"
        "try:\n    bytearray(child.MEMORY_BYTES + 1)\nexcept MemoryError:\n    print('refused')\n"
    )
    said = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout
    nice, data, cpu = json.loads(said.splitlines()[0])
    assert (nice >= child.NICE, data, cpu) == (True, child.MEMORY_BYTES, child.CPU_SECONDS)
    assert said.splitlines()[1] == "refused"


def test_every_page_leads_to_it(client: httpx.Client, farm: Farm) -> None:
    farm.site()
    assert re.search(r'<a href="/review"( aria-current="page")?>Review</a>', client.get("/").text)
