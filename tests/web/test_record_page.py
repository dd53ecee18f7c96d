"""The page of a fan's service record: what its forms enter, and what becomes of it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta

import httpx
import pytest

from monitor.records import register, service_record
from monitor.records.commit import Batch, commit
from monitor.records.database import Database
from monitor.records.rows import to_ms
from monitor.records.service_record import NewEntry
from monitor.web import asked
from monitor.web.record_forms import entry_of
from monitor.web.shown import zone_of
from tests.web.farm import SINGLE_PHASE, Farm, mild_overload
from tests.web.page import Page, page
from tests.web.record_at_work import keeping_the_record

FAN = "/fans/meadow/north-3"
RECORD = f"{FAN}/service"


@pytest.fixture
def at_work(database: Database, farm: Farm) -> Iterator[None]:
    farm.site()
    farm.fan("north-3")
    farm.reading("north-3", (15.5, 15.0, 14.6), (450.0, 447.0, 443.0), hours=1)
    farm.estimate("north-3", mild_overload())
    with keeping_the_record(database, farm, looks_again=True):
        yield


def sent(client: httpx.Client, form: str, path: str = RECORD, **values: str) -> Page:
    """What stands on the page that a form leads to."""
    answer = client.post(f"{path}/{form}", data=values)
    assert answer.status_code == 303, answer.text
    return page(client, answer.headers["location"].partition("#")[0])


def refused(client: httpx.Client, form: str, **values: str) -> tuple[Page, dict[str, str]]:
    """The form again, and what is told at its fields: id of the field -> words."""
    answer = client.post(f"{RECORD}/{form}", data=values)
    assert answer.status_code == 422, answer.text
    told = re.findall(r'<p class="fault" id="(.*?)-fault">(.*?)</p>', answer.text)
    found = Page(answer.text)
    marked = {dict(tag)["aria-describedby"] for _, tag in found.tags if dict(tag).get("aria-invalid") == "true"}
    assert marked == {f"{name}-fault" for name, _ in told}
    return found, dict(told)


@pytest.mark.usefixtures("at_work")
def test_checks_make_the_estimate_firm(farm: Farm, client: httpx.Client) -> None:
    told = page(client, RECORD).text
    assert "Still to check: supply voltage, connections, bearings." in told and "provisional" in told
    told = sent(
        client, "check", check="supply voltage", finding="put right", v12="450", v23="447", v31="443", s12="470,5",
        s23="471", s31="470", by="Ann", note="fuse clip", done="2026-10-03T15:00",
    ).text  # fmt: skip
    assert "Entered. Supply voltage checked: put right 15:00 CDT, Ann, entry 1" in told
    assert "At the motor: 450 / 447 / 443 V" in told and "5.1 % are lost on the way" in told and "Fuse clip" not in told
    assert "Still to check: connections, bearings." in told
    assert "Put right, 15:00 CDT, Ann; counts until Nov 2" in told
    sent(client, "check", check="connections", finding="good")
    assert "Check these first; the degrees are provisional." in page(client, FAN).text
    told = sent(client, "check", check="bearings", finding="good").text
    assert "All checks are on the record" in told and "no longer provisional" in told
    fan = page(client, FAN).text
    assert "provisional" not in fan and "All checks of the last 30 days are on it." in fan
    told = sent(client, "check", check="bearings", finding="fault found").text
    assert "Still to check: bearings." in told and "Fault found, 20:46 CDT, at this computer" in told
    assert "provisional" in page(client, FAN).text


@pytest.mark.usefixtures("at_work")
def test_after_a_hand_reading_the_loggers_minute_stands_beside_it(client: httpx.Client) -> None:
    form = page(client, RECORD)
    fields = [tag for name, tag in form.tags if name == "input" and tag.get("name") in ("l1", "l2", "l3")]
    assert [one["inputmode"] for one in fields] == ["decimal"] * 3
    told = sent(client, "hand-reading", l1="15.4", l2="17,2", l3="14.7", v12="451", v23="447", v31="440").text
    shown = told[told.index("Entered. ") : told.index("Check first")]
    assert "L1 15.4 A 15.5 A −0.1 A L2 17.2 A 15.0 A +2.2 A L3 14.7 A 14.6 A +0.1 A" in shown
    assert "Volts 1-2 451 V 450 V +1 V Volts 2-3 447 V 447 V 0 V Volts 3-1 440 V 443 V −3 V" in shown
    assert "The clamp of L2 reads 13 % low" in shown and "take another to be sure" in shown
    assert "may still move a little" in shown  # no reading has come since


@pytest.mark.usefixtures("at_work")
def test_what_was_entered_leads_on_and_can_be_taken_back_where_it_stands(client: httpx.Client) -> None:
    told = sent(client, "check", check="supply voltage", finding="good")
    ways = [tag.get("href") for name, tag in told.tags if name == "a"]
    assert "Next: connections" in told.text and "#check-connections" in ways
    assert "#entry-1" in ways  # an entry with an old date stands far down the record
    told = sent(client, "hand-reading", l1="15.4", l2="15.1", l3="14.7")
    assert "speaks for no correction" in told.text and "Next: " not in told.text
    told = sent(client, "hand-reading", l1="1", l2="2", l3="3", done="2026-10-03T10:00")
    again = [tag["href"] for name, tag in told.tags if name == "a" and "?entry=" in (tag.get("href") or "")]
    assert again == [f"{RECORD}?entry=3"]  # with a #part that the address has already, a browser would not load it


@pytest.mark.usefixtures("at_work")
def test_a_hand_reading_of_a_minute_without_readings_says_so(client: httpx.Client) -> None:
    told = sent(client, "hand-reading", l1="1", l2="2", l3="3", done="2026-10-03T10:00").text
    assert "1.0 / 2.0 / 3.0 A" in told and "nothing within a minute of it" in told
    assert "looked at again every 5 minutes" in told


@pytest.mark.usefixtures("at_work")
def test_a_re_pitch_changes_the_register_and_tells_expected_against_found(farm: Farm, client: httpx.Client) -> None:
    told = sent(client, "re-pitch", **{"from": "21", "to": "19"}, inserts="6", done="2026-10-03T18:00").text
    assert "Entered. Re-pitched from 21 to 19 degrees, 6 inserts 18:00 CDT" in told
    assert register.nameplate(farm.database, "meadow", "north-3").fan.blade_pitch_degrees == 19
    found = {
        "predicted_amps": 12.9, "predicted_low_amps": 12.1, "predicted_high_amps": 13.6, "found_amps": 12.63,
        "share_a_degree": 0.081, "why_not": None, "words": ["the one sentence", "voltage is not measured"],
    }  # fmt: skip
    at_ms = to_ms(farm.now - timedelta(days=5))
    body = {"from": 23.0, "to": 21.0}
    commit(
        farm.database,
        Batch(
            service=[
                NewEntry(farm.point("north-3"), "re-pitch", at_ms, at_ms, "Ann", body, found),
                NewEntry(farm.point("north-3"), "re-pitch", at_ms, at_ms, "Bo", body,
                         found | {"found_amps": 14.0, "why_not": "the blades were in stall"}),
            ]
        ),
    )  # fmt: skip
    told = page(client, RECORD).text
    good = "Expected after it 12.9 A, nine of ten outcomes 12.1 to 13.6 Found 12.6 A, within the band"
    assert f"{good} A degree was worth 8.1 % of shaft power Voltage is not measured" in told
    assert "Found 14.0 A, more than the band" in told and "Not learned from: the blades were in stall" in told
    assert "the one sentence" not in told.lower()


@pytest.mark.usefixtures("at_work")
def test_a_lead_rotation_a_note_and_a_withdrawal(farm: Farm, client: httpx.Client) -> None:
    told = sent(
        client, "lead-rotation", way="forward", b1="30", b2="33", b3="36", a1="30.2", a2="33.1", a3="35.7"
    ).text  # fmt: skip
    assert "It stays with the line, so it is the supply" in told and "Before: 30.0 / 33.0 / 36.0 A" in told
    assert "guard oiled" in sent(client, "note", note="guard oiled", by="Bo").text
    told = sent(client, "withdraw", number="1", why="other fan", by="Bo").text
    assert "Withdrawn 20:46 CDT by Bo: other fan" in told
    found, _ = refused(client, "withdraw", number="1")
    assert "which entry 3 has withdrawn already" in found.text and "Not entered yet" in found.text


@pytest.mark.usefixtures("at_work")
def test_a_steady_difference_is_offered_as_a_correction_and_who_entered_it_stands_on_the_fans_page(
    farm: Farm, client: httpx.Client
) -> None:
    def fields(told: Page) -> list[str | None]:
        return [tag["value"] for name, tag in told.tags if name == "input" and tag.get("name") in ("f1", "f2", "f3")]

    legs = {"l1": "15.5", "l2": "17.2", "l3": "14.6"}
    told = sent(client, "hand-reading", **legs)
    assert "take another to be sure" in told.text and fields(told) == ["1", "1", "1"]
    told = sent(client, "hand-reading", **legs)
    assert "2 hand readings agree" in told.text and fields(told) == ["1", "1.147", "1"]
    assert "never a way to make an overload go away" in told.text
    told = sent(client, "correct-clamps", f1="1", f2="1,147", f3="", by="Ann")
    assert "Entered. Clamps corrected: L2 x 1.147 20:46 CDT, Ann, entry 3 Before: as sent" in told.text
    assert "Taken L2 x 1.147." in told.text and "agree" not in told.text.partition("Clamps of the logger")[2][:60]
    assert register.nameplate(farm.database, "meadow", "north-3").logger.clamp_corrections == (1.0, 1.147, 1.0)
    fan = page(client, FAN).text
    assert "The amps are corrected: L2 x 1.147, since 20:46 CDT, entered by Ann." in fan
    full = client.get(f"/api/v1{FAN}").json()
    assert full["clamp_corrections"] == {"factors": [1.0, 1.147, 1.0], "since": "2026-10-04T01:46:00Z", "by": "Ann"}
    _, told_at = refused(client, "correct-clamps", f1="1.3", f2="", f3="x")
    assert told_at == {
        "correct-clamps-f1": "Expected 0.8 to 1.25, found 1.3.",
        "correct-clamps-f3": "Expected 0.8 to 1.25, found &#34;x&#34;.",
    }
    told = sent(client, "withdraw", number="3", by="Bo")
    assert "Taken as sent." in told.text and "The amps are corrected" not in page(client, FAN).text
    assert client.get(f"/api/v1{FAN}").json()["clamp_corrections"] is None


@pytest.mark.usefixtures("at_work")
def test_faults_stand_at_their_fields_all_at_once_and_what_was_typed_is_kept(client: httpx.Client) -> None:
    found, told = refused(client, "hand-reading", l1="15.4", l2="12A", v12="450", done="2026-10-05T09:00", note="wet")
    assert told == {
        "hand-reading-l2": "Expected 0 to 2000, found &#34;12A&#34;.",
        "hand-reading-l3": "Expected 0 to 2000, found nothing.",
        "hand-reading-v23": "Expected above 0, to 1000, found nothing.",
        "hand-reading-v31": "Expected above 0, to 1000, found nothing.",
        "hand-reading-done": "This time lies in the future, or before the year 2000.",
    }
    values = {tag.get("id"): tag.get("value") for name, tag in found.tags if name == "input"}
    assert (values["hand-reading-l1"], values["hand-reading-l2"]) == ("15.4", "12A")
    assert (values["hand-reading-note"], values["hand-reading-done"]) == ("wet", "2026-10-05T09:00")
    _, told = refused(client, "hand-reading")
    assert set(told) == {"hand-reading-l1", "hand-reading-l2", "hand-reading-l3"}
    _, told = refused(client, "re-pitch", **{"from": "19", "to": "11"})
    assert told["re-pitch-from"] == "Expected 21, the pitch registered then; or tick below that it was wrong, found 19."
    assert told["re-pitch-to"] == "Expected at least the least pitch registered, 13, found 11."
    _, told = refused(client, "check", check="bearings")
    assert told == {"bearings-finding": "Expected one of the three, found nothing."}
    _, told = refused(client, "lead-rotation", b1="1", b2="2", b3="3")
    assert set(told) == {"lead-way", "lead-rotation-a1", "lead-rotation-a2", "lead-rotation-a3"}
    assert refused(client, "note", note=" ")[1] == {"note-note": "Expected 1 to 1000 letters, found nothing."}
    assert client.post(f"{RECORD}/paint").status_code == 404


def test_a_single_phase_fan_has_one_field(database: Database, farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("south-1", SINGLE_PHASE)
    farm.reading("south-1", (31.0,), (), hours=0.1)
    path = "/fans/meadow/south-1/service"
    form = page(client, path)
    assert "start switch and capacitors" in form.text and "Leads rotated" not in form.text
    assert {tag.get("name") for name, tag in form.tags if name == "input"} & {"l2", "v23", "a1"} == set()
    with keeping_the_record(database, farm, looks_again=True):
        told = sent(client, "hand-reading", path, l1="30", l2="7", v12="229").text
    assert "Amps 30.0 A 31.1 A −1.1 A Volts 229 V none –" in told


def test_what_the_service_has_not_come_to_is_told(
    farm: Farm, client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(asked, "WAIT_SECONDS", 0.06)
    farm.site()
    farm.fan("north-3")
    told = sent(client, "note", note="oiled").text
    assert "the service has not come to it yet: Note" in told and "Nothing has been entered yet." in told


@pytest.mark.usefixtures("at_work")
def test_the_record_comes_in_parts(farm: Farm, client: httpx.Client) -> None:
    at_ms = to_ms(farm.now)
    notes = [
        NewEntry(farm.point("north-3"), "note", at_ms - at, at_ms, "Ann", {"note": f"number {at}"}) for at in range(33)
    ]
    commit(farm.database, Batch(service=notes))
    first = page(client, RECORD)
    assert "Number 29" not in first.text and "number 29" in first.text and "number 30" not in first.text
    (older,) = {tag["href"] for name, tag in first.tags if name == "a" and "next=" in (tag.get("href") or "")}
    rest = page(client, str(older).partition("#")[0]).text
    assert "number 30" in rest and "number 32" in rest and "number 29" not in rest
    assert client.get(RECORD, params={"next": "x"}).status_code == 422


def test_times_are_by_the_sites_clock() -> None:
    """Berlin, an hour before and after summer time ends."""
    zone = zone_of(register.Site("hill", "Hill", "Europe/Berlin", 0.0, "si", "17:00"))
    for text, utc in (("2026-10-24T15:00", "+02:00"), ("2026-10-26T15:00", "+01:00")):
        assert entry_of("note", {"done": text, "note": "x"}, 3, zone)["done"] == f"{text}:00{utc}"
    assert entry_of("note", {"done": "tea time"}, 3, zone) == {"kind": "note", "done": "tea time"}


def test_only_the_newest_check_counts(farm: Farm) -> None:
    farm.site()
    point, at_ms = farm.fan("north-3"), to_ms(farm.now)
    days = 86_400_000
    for ago, finding in ((31, "good"), (3, "fault found"), (2, "put right")):
        body = {"check": "bearings", "finding": finding}
        commit(farm.database, Batch(service=[NewEntry(point, "check", at_ms - ago * days, at_ms, "Ann", body)]))
    newest = service_record.newest_checks_at(farm.database, point, at_ms)
    assert {name: entry.body["finding"] for name, entry in newest.items()} == {"bearings": "put right"}
    assert service_record.newest_checks_at(farm.database, point, at_ms - 4 * days)["bearings"].body["finding"] == "good"
