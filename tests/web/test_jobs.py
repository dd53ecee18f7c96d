"""Job sheets on their pages and in the API: opened once, closed with what was read, told in words a farmer reads."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from datetime import timedelta
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest

from monitor.errors import Fault
from monitor.records import jobs, register
from monitor.records.database import Database
from monitor.records.scope import ALL
from monitor.web import asked, job_form
from monitor.web.job_words import how_it_ended
from monitor.web.words import amps_figure
from tests.web.farm import SINGLE_PHASE, Farm, mild_overload
from tests.web.page import Page, page
from tests.web.record_at_work import keeping_the_record

FAN = "/fans/meadow/north-3"
API = "/api/v1/fans/meadow/north-3/jobs"
CHICAGO = ZoneInfo("America/Chicago")
READ = {"amps_0": "13,2", "amps_1": "12.9", "amps_2": "13.0", "volts_0": "450", "volts_1": "449", "volts_2": "451",
        "air": "59", "pitch": "18"}  # fmt: skip


@pytest.fixture
def here(farm: Farm) -> None:
    farm.site()
    farm.fan("north-3")
    never = (0.9, 0.7, math.inf)  # the device does not open at this current
    farm.reading("north-3", (15.5, 15.0, 14.6), (450.0, 447.0, 443.0), heat=never)
    farm.estimate("north-3", mild_overload())
    farm.raised("north-3")


@pytest.fixture
def at_work(here: None, database: Database, farm: Farm) -> Iterator[None]:
    with keeping_the_record(database, farm):
        yield


def opened(client: httpx.Client, path: str = f"{FAN}/job", **values: str) -> Page:
    """The sheet that the form opens."""
    answer = client.post(path, data=values)
    assert answer.status_code == 303, answer.text
    return page(client, answer.headers["location"])


def refused(client: httpx.Client, path: str, **values: str) -> tuple[Page, dict[str, str]]:
    """The form again, and what is told at its fields."""
    answer = client.post(path, data=values)
    assert answer.status_code == 422, answer.text
    told = re.findall(r'<p class="fault" id="(.*?)-fault">(.*?)</p>', answer.text)
    found = Page(answer.text)
    marked = {tag["aria-describedby"] for _, tag in found.tags if tag.get("aria-invalid") == "true"}
    assert marked == {f"{name}-fault" for name, _ in told}
    return found, {name: words.strip() for name, words in told}


# --- opening -----------------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("at_work")
def test_a_sheet_tells_what_was_seen_what_to_check_and_what_to_expect(client: httpx.Client) -> None:
    told = page(client, f"{FAN}/job").text
    assert "18°: 13.4 A, chance 93 %, recommended" in told and "no insert: checks only" in told
    assert "6 inserts of 18° in place of 21°: 3° less" in told
    told = opened(client, pitch="18", note="key at the office").text
    assert "Job 1: north-3 Meadow farm, bin 3" in told and "Opened Oct 3 2026, 20:46 CDT at this computer." in told
    for said in (
        "Over its limit since Oct 3 2026, 20:12 CDT",
        "15.5 A (L1): 102 % of its limit of 15.2 A, 117 % of full-load amps",
        "450 / 447 / 443 V, unbalance 0.8 %",
        "10 hp, 460 V, 3 phases, 13.2 A full load, service factor 1.15, overload relay set to 13.2 A",
        "Note: key at the office",
        "Before any pitch is taken out: supply voltage, connections, bearings.",
        "Air: about 9 % less (7 to 12). Drying: about 9 % longer (8 to 14). An estimate.",
        "As seen: 447 V, 45 °FAmps13.0 ABand12.1 to 14.0",
        "Coldest expected: 23 °F, same voltsAmps13.4 ABand12.5 to 14.5",
        "93 %; over 99 % with the supply put right",
        "Target: at most 14.4 A, 5 % under the limit.",
        "Never enter a bin for a fan.",
    ):
        assert said in told, said


@pytest.mark.usefixtures("at_work")
def test_a_second_job_of_a_fan_leads_to_the_first(client: httpx.Client) -> None:
    assert "A job is open" not in page(client, FAN).text
    opened(client, pitch="18")
    for again in (client.get(f"{FAN}/job"), client.post(f"{FAN}/job", data={"pitch": "17"})):
        assert (again.status_code, again.headers["location"]) == (303, "/jobs/1?note=already")
    assert "This fan has an open job already: this one." in page(client, "/jobs/1?note=already").text
    answer = client.post(API, json={"pitch_to": 17})
    assert answer.status_code == 409 and "Job 1 is open for north-3 already." in answer.json()["detail"]
    assert "A job is open: job 1, 6 inserts of 18°." in page(client, FAN).text
    told = page(client, "/jobs").text
    assert "1: north-3 Meadow farmInserts6 of 18°Over its limit: 15.5 A of 15.2 A (102 %)" in told


@pytest.mark.usefixtures("at_work")
def test_an_insert_that_is_not_there_is_refused_at_its_field(client: httpx.Client) -> None:
    for pitch in ("16", "21", "x"):
        again, told = refused(client, f"{FAN}/job", pitch=pitch, note="ladder")
        assert told == {"pitch": "Expected one of the inserts on hand, or none."}
        assert ("input", "ladder") in [(tag, attrs.get("value")) for tag, attrs in again.tags]
    answer = client.post(API, json={"pitch_to": 16})
    (fault,) = answer.json()["errors"]
    assert fault["place"] == "pitch_to" and fault["expected"].endswith("19, 18, 17, 15, 13") and fault["found"] == "16"


@pytest.mark.usefixtures("at_work")
def test_a_fan_of_which_little_is_known_has_a_sheet_for_checks(farm: Farm, client: httpx.Client) -> None:
    farm.fan("south-1", SINGLE_PHASE)
    told = page(client, "/fans/meadow/south-1/job").text
    assert "No insert on hand below the present pitch is registered" in told
    told = opened(client, "/fans/meadow/south-1/job", pitch="").text
    assert "No insert is chosen: checks only" in told and "start switch and capacitors" in told
    assert "Expected highest leg" not in told
    farm.fan("north-9", farm_without_blades())
    farm.reading("north-9", (15.5, 15.0, 14.6))
    told = opened(client, "/fans/meadow/north-9/job", pitch="18").text
    assert "Inserts of 18°, one for each blade: count the blades in place of 21°" in told and "Blades counted" in told


def farm_without_blades() -> str:
    from tests.web.farm import THREE_PHASE

    return THREE_PHASE.replace("blades = 6\n", "")


@pytest.mark.usefixtures("here")
def test_while_the_service_has_not_come_to_it_that_is_told(
    farm: Farm, client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(asked, "WAIT_SECONDS", 0.06)
    assert "A job is asked for: north-3." in opened(client, pitch="18").text
    farm.job("north-3")
    answer = client.post("/jobs/1/drop", data={"why": "rain"})
    told = page(client, answer.headers["location"]).text
    assert "Its end is entered; the service has not come to it yet." in told and "Close the job" not in told


# --- closing -----------------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("at_work")
def test_closing_tells_predicted_against_found_at_the_volts_and_air_of_then(farm: Farm, client: httpx.Client) -> None:
    opened(client, pitch="18")
    farm.now += timedelta(hours=18)
    told = opened(
        client, "/jobs/1/close", done="2026-10-04T14:40", note="L2 was loose", check_1="put right", check_0="good",
        at_motor_volts_0="450", at_motor_volts_1="449", at_motor_volts_2="451", by="Ben", **READ,
    ).text  # fmt: skip
    found = jobs.of_fan(farm.database, ALL, "meadow", "north-3")[0].found
    assert found is not None
    then = found["expected"]
    figures = f"{amps_figure(then['amps'])} A ({amps_figure(then['low'])} to {amps_figure(then['high'])})"
    assert f"As expected Expected {figures} at 450 V and 59 °F, found 13.2 A by hand meter: as expected." in told
    assert "In air of 23 °F, the coldest expected, that makes 14.0 A: under the target of 14.4 A." in told
    assert "Blades now at 18° instead of 21°, changed Oct 4 2026, 14:40 CDT." in told
    assert "Checked: supply voltage: good; connections: put right." in told and "L2 was loose" in told
    assert "closed Oct 4 2026, 14:46 CDT by Ben" in told and "Close the job" not in told
    assert register.nameplate(farm.database, "meadow", "north-3").fan.blade_pitch_degrees == 18
    told = page(client, FAN).text
    assert "A job is open" not in told and "Re-pitched from 21 to 18 degrees, 6 inserts" in told
    told = page(client, "/jobs").text
    assert "Done: expected 12.4 A (11.6 to 13.4), found 13.2 A by hand meter: as expected14:46 CDT, Ben" in told


@pytest.mark.usefixtures("at_work")
@pytest.mark.parametrize(
    ("amps", "verdict", "advice"),
    [
        ("14.9", "More than expected", "See that every blade has the same insert; then look at the supply"),
        ("10.1", "Less than expected", "See that air comes, that it turns the right way round"),
    ],
)
def test_what_is_not_as_expected_says_what_to_look_at(
    farm: Farm, client: httpx.Client, amps: str, verdict: str, advice: str
) -> None:
    opened(client, pitch="18")
    told = opened(client, "/jobs/1/close", **(READ | {f"amps_{leg}": amps for leg in range(3)})).text
    assert f" {verdict} Expected 12." in told and f"found {amps} A by hand meter: {verdict.lower()}." in told
    assert advice in told


@pytest.mark.usefixtures("at_work")
def test_faults_are_told_at_their_fields_all_at_once_and_what_was_typed_is_kept(
    farm: Farm, client: httpx.Client
) -> None:
    opened(client, pitch="18")
    typed = {
        "done": "2026-10-09T20:45", "changed": "2026-10-10T20:45", "amps_0": "12,6", "amps_1": "x", "volts_0": "450",
        "air": "999", "pitch": "12", "at_motor_volts_0": "450", "at_motor_volts_1": "0", "note": "two <b> loose",
    }  # fmt: skip
    again, told = refused(client, "/jobs/1/close", **typed)
    assert told == {
        "done": "Expected a time that is past.",
        "changed": "Expected a time that is past.",
        "amps_1": "Expected a number from 0 to 2000.",
        "amps_2": "Expected all 3, or none.",
        "volts_1": "Expected all 3, or none.",
        "volts_2": "Expected all 3, or none.",
        "air": "Expected a temperature from −76 °F to 140 °F.",
        "check_0": "Expected what the check found, beside its volts.",
        "at_motor_volts_2": "Expected all 3, or none.",
    }
    values = {attrs["id"]: attrs.get("value") for tag, attrs in again.tags if tag == "input" and attrs.get("id")}
    assert {name: values[name] for name in typed if name not in ("pitch", "note")} == {
        name: text for name, text in typed.items() if name not in ("pitch", "note")
    }
    assert "two <b> loose" in again.text
    _, told = refused(client, "/jobs/1/close", pitch="12")
    assert told == {"pitch": "Expected at least minimum_pitch_degrees, 13, found 12."}
    _, told = refused(client, "/jobs/1/close")
    assert told == {"amps_0": "Expected the readings after the work, or what else was done, found nothing."}
    assert jobs.open_jobs(farm.database, ALL)[0].number == 1


@pytest.mark.usefixtures("at_work")
def test_a_job_is_dropped_with_a_reason(client: httpx.Client) -> None:
    opened(client, pitch="")
    _, told = refused(client, "/jobs/1/drop", why=" ")
    assert told == {"why": "Expected a reason in a few words."}
    told_page = opened(client, "/jobs/1/drop", why="the supply was it", by="Ann").text
    assert "Dropped: the supply was it" in told_page and "dropped Oct 3 2026, 20:46 CDT by Ann" in told_page
    assert client.post("/jobs/1/drop", data={"why": "again"}).status_code == 409
    assert client.post("/jobs/1/close", data=READ).status_code == 409
    assert "Dropped: the supply was it" in page(client, "/jobs").text
    assert opened(client, pitch="18").headings[0].startswith("Job 2: north-3")


# --- programs ----------------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("at_work")
def test_programs_open_close_and_list_jobs(client: httpx.Client) -> None:
    made = client.post(API, json={"pitch_to": 18, "note": "x", "by": "Ann"}).json()
    assert made["outcome"] == "done"
    job: dict[str, Any] = made["job"]
    assert (job["number"], job["state"], job["inserts"], job["sheet"]["chosen"]["pitch"]) == (1, "open", 6, 18)
    ended = client.post("/api/v1/jobs/1/close", json={"pitch": 18, "amps": [12.6, 12.4, 12.3]}).json()
    assert ended["outcome"] == "done" and ended["job"]["found"]["hand"]["verdict"] == "as expected"
    assert client.post("/api/v1/jobs/1/close", json={"amps": [12.6, 12.4, 12.3]}).status_code == 409
    client.post(API, json={})
    wrong = client.post("/api/v1/jobs/2/close", json={"amps": [12.6], "changed": "x", "checks": [
        {"check": "belt", "finding": "good"}]})  # fmt: skip
    assert {one["place"] for one in wrong.json()["errors"]} == {"amps", "changed", "checks.0.check"}
    listed = [
        [one["number"] for one in client.get(f"/api/v1/jobs{asked_for}").json()["items"]]
        for asked_for in ("", "?open=true", "?open=false", "?site=meadow", "?site=hill")
    ]
    assert listed == [[2, 1], [2], [1], [2, 1], []]
    first = client.get("/api/v1/jobs?limit=1").json()
    assert "sheet" not in first["items"][0] and client.get("/api/v1/jobs/2").json()["sheet"]["note"] == ""
    assert [one["number"] for one in client.get(f"/api/v1/jobs?limit=1&next={first['next']}").json()["items"]] == [1]
    assert client.post("/api/v1/jobs/2/drop", json={"why": " "}).status_code == 422
    assert client.post("/api/v1/jobs/2/drop", json={"why": "rain"}).json()["job"]["found"] == {"why": "rain"}


# --- the form by itself ------------------------------------------------------------------------------------------


def test_the_form_reads_the_clock_and_the_units_of_its_site(farm: Farm) -> None:
    """In the autumn night of 1 November 2026 an hour comes twice in Chicago: the first of the two is taken."""
    given = {"done": "2026-11-01T01:30", "air": "−2,5 °C", "amps_0": "31", "pitch": "17.5", "check_3": "good"}
    later = farm.now + timedelta(days=60)
    table, typed = job_form.read(given, phases=1, zone=CHICAGO, units="si", now=later)
    assert not typed.faulty and table == {
        "done": "2026-11-01T06:30:00+00:00", "ambient_c": -2.5, "amps": [31.0], "pitch": 17.5,
        "checks": [{"check": "start switch and capacitors", "finding": "good"}],
    }  # fmt: skip
    table, _ = job_form.read({"air": "14"}, phases=3, zone=CHICAGO, units="us", now=later)
    assert table == {"ambient_c": -10.0, "checks": []}


def test_the_minute_that_goes_on_counts_as_now(farm: Farm) -> None:
    now = farm.now + timedelta(seconds=30)
    local = f"{(now + timedelta(seconds=20)).astimezone(CHICAGO):%Y-%m-%dT%H:%M:%S}"
    table, _ = job_form.read({"done": local}, phases=3, zone=CHICAGO, units="us", now=now)
    assert table["done"] == now.isoformat()


def test_a_fault_without_a_field_is_told_above_the_form() -> None:
    typed = job_form.with_faults(job_form.Typed({}, {}), [Fault("elsewhere", "something", "nothing")], {}, 3)
    assert typed.others == ("elsewhere: expected something, found nothing",) and typed.faulty


def test_a_sheet_tells_once_how_the_run_ended() -> None:
    judged = "Very likely an overload trip: the device image was the highest of the last 24 h, and volts stayed."
    told = [
        how_it_ended({"end_cause": "overload trip", "confidence": "high", "evidence": one}) for one in ([judged], [])
    ]
    assert told == [judged, "Very likely an overload trip."]
