"""The pages without a browser: what they say, in which order, with everything or nothing known."""

from __future__ import annotations

import math
import re
from datetime import timedelta
from html.parser import HTMLParser

import httpx
import pytest

from monitor.records import actions, register
from monitor.records.database import Database
from monitor.records.scope import ALL
from monitor.web.app import create_app
from monitor.web.server import WebServer
from tests.web.conftest import NOW
from tests.web.farm import BARE, NAN, SINGLE_PHASE, THREE_PHASE, Farm, in_danger, mild_overload, whole

VOID = {"meta", "link", "input", "br", "rect", "path", "circle", "line", "img"}


class Page(HTMLParser):
    """A page's text and outline; fails on tags that do not close."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.headings: list[str] = []
        self.ids: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.said: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == [], self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag in ("h1", "h2", "h3"):
            self.headings.append("")
        self.ids += [value for name, value in attrs if name == "id" and value]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, (tag, self.open[-4:])
        self.open.pop()

    def handle_data(self, data: str) -> None:
        self.said.append(data)
        if self.open and self.open[-1] in ("h1", "h2", "h3"):
            self.headings[-1] += data

    @property
    def text(self) -> str:
        return " ".join("".join(self.said).split())


def page(client: httpx.Client, path: str, status: int = 200) -> Page:
    answer = client.get(path)
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    found = Page(answer.text)
    assert len(found.ids) == len(set(found.ids)), "an id stands twice"
    assert [tag for tag, _ in found.tags].count("main") == 1
    assert [tag for tag, _ in found.tags].count("h1") == 1
    return found


def test_with_no_fans_the_page_says_how_to_begin(client: httpx.Client) -> None:
    said = page(client, "/").text
    assert "No fan is in the register yet." in said
    assert "mosquitto_pub -t amps/v1/home/north-3/readings" in said
    assert "amp-monitor fans import home/north-3 FAN.toml" in said
    assert "Nothing has been rejected." in page(client, "/loggers").text


def test_the_payload_shown_is_one_that_is_taken(client: httpx.Client) -> None:
    from monitor.links.payload import decode

    payload = re.search(r"-m '(\{.*\})'", page(client, "/").text)
    assert payload
    decoded = decode(payload[1].encode(), 1_791_076_350_000)
    assert decoded.rejects == []
    assert decoded.amps.tolist() == [[12.2, 12.9, 12.6]]


def test_a_newcomer_is_offered_where_people_look_first(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.newcomer("east-9", {"amps": [12.2, 12.9, 12.6]})
    assert "1 fan sends readings and waits to be taken on." in page(client, "/").text


def test_fans_with_state_load_legs_and_next_step(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    said = page(client, "/").text
    assert (
        said.index("north-3")
        < said.index("north-4")
        < said.index("barn")
        < said.index("south-2")
        < said.index("west-1")
    )
    for words in (
        "over its limit since 20:12 CDT, 34 min", "102 % of limit: 15.5 A of 15.2 A", "15.5 / 15.0 / 14.6 A",
        "450 / 447 / 443 V",
        "Check supply, connections and bearings first; then perhaps 3° less pitch, chance 9", "near its limit",
        "volts not measured", "not running, limit 15.2 A", "72 % of limit when last heard", "no readings yet",
        "Find out why it stopped before it is started again.", "reading 3 h ago", "times in CDT, CEST",
        "reading of Oct 3, 22:46 CEST, heard 03:46 CEST",
    ):  # fmt: skip
        assert words in said, words


def test_every_page_with_a_limit_tells_full_load_amps_and_what_the_service_factor_is_not(
    farm: Farm, client: httpx.Client
) -> None:
    whole(farm)
    for path in ("/", "/fans/meadow/north-3"):
        said = page(client, path).text
        assert "117 % of full-load amps" in said
        assert "it is no reserve for unbalance, and a season above full-load amps shortens the motor's life" in said


def test_beyond_five_percent_unbalance_no_page_tells_a_limit_without_a_word(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("north-3")
    for volts, none_given, tone in (((490.0, 460.0, 430.0), True, "near"), ((480.0, 460.0, 440.0), False, "good")):
        farm.reading("north-3", (10.5, 10.2, 10.1), volts)
        for path in ("/", "/fans/meadow/north-3"):
            found = page(client, path)
            told = "92 % of the limit for 5 % unbalance: 10.5 A of 11.4 A; beyond it no limit is given"
            assert (told in found.text) == none_given
            assert {tags.get("data-tone") for _, tags in found.tags if "data-fan" in tags} == {tone}


def test_many_fans_come_in_parts(farm: Farm, client: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    from monitor.web import pages

    monkeypatch.setattr(pages, "FANS_AT_ONCE", 3)
    whole(farm)
    first, last = page(client, "/").text, page(client, "/?part=3").text
    assert "north-3" in first and "south-1" not in first and "Part 1 of 3, 7 fans in all." in first
    assert "1 no readings yet" in first  # counts are of all
    assert "west-1" in last and "barn" not in last
    page(client, "/?part=4", 404)


def test_fans_of_one_site(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    said = page(client, "/?site=hill").text
    assert "barn" in said and "north-3" not in said
    page(client, "/?site=nowhere", 404)


def test_one_fan_answers_in_the_order_in_which_it_is_asked(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    found = page(client, "/fans/meadow/north-3")
    assert [heading.strip() for heading in found.headings if heading.strip() in ORDER] == ORDER
    said = found.text
    positions = [said.index(words) for words in (
        "over its limit since 20:12 CDT, 34 min", "102 % of limit: 15.5 A of 15.2 A", "Most likely",
        "On the supply as it is",
        "Take out 3° (from 21° to 18°, 6 inserts)", "Running, at the motor's own terminals",
        "Before a guard, panel, lead or blade",
        "The device image stood", "Holds now", "full-load amps13.2 A", "at rated voltage and frequency",
    )]  # fmt: skip
    assert positions == sorted(positions)


ORDER = [
    "The supply or the blades?", "How many degrees, and what that costs in air", "Check first", "Cautions",
    "Amps against the limit, and volts", "Runs", "Alarms", "Where the limit comes from",
]  # fmt: skip


def test_the_limit_is_told_with_its_factors_and_what_the_service_factor_is_not(
    farm: Farm, client: httpx.Client
) -> None:
    whole(farm)
    said = page(client, "/fans/meadow/north-3").text
    assert "Limit, together15.18 A115 % of full-load amps" in said
    assert "now at 117 % of full-load amps" in said
    assert "It is no reserve" in said or "it is no reserve for unbalance" in said


def test_the_insert_table_marks_the_least_that_is_enough(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    said = page(client, "/fans/meadow/north-3").text
    assert "18° 3° lessleast that is enough as it is" in said
    assert "19° 2° lessleast that is enough with the supply put right" in said
    assert "about 9 % less" in said
    assert "air of 23 °F, the coldest expected" in said


@pytest.mark.parametrize(
    ("plate", "amps", "volts", "words"),
    [
        (SINGLE_PHASE, (31.0,), (), "volts not measured"),
        (SINGLE_PHASE, (31.0,), (231.0,), "231 V"),
        (BARE, (9.0, 9.1, 9.2), (), "Not adjusted: voltage is not measured."),
        (BARE, (9.0, 9.1, 9.2), (459.0, NAN, NAN), "only one line voltage is measured"),
        (BARE, (9.0, NAN, 9.2), (459.0, 460.0, 461.0), "9.0 / – / 9.2 A"),
        (BARE, (NAN, NAN, NAN), (459.0, 460.0, 461.0), "no usable amps"),
        (THREE_PHASE, (0.0, 0.0, 0.0), (0.0, 0.0, 0.0), "0 / 0 / 0 V"),
        (THREE_PHASE, (2000.0, 1e-9, 0.05), (1000.0, 1.0, 500.0), "2000 / 0.0 / 0.1 A"),
    ],
)
@pytest.mark.parametrize("estimated", [False, True])
def test_pages_with_something_missing_or_out_of_measure(
    farm: Farm,
    client: httpx.Client,
    plate: str,
    amps: tuple[float, ...],
    volts: tuple[float, ...],
    words: str,
    estimated: bool,
) -> None:
    farm.site()
    farm.fan("f", plate)
    farm.reading("f", amps, volts, hours=0.2, ambient_c=NAN)
    if estimated:
        farm.estimate("f", None, plate=plate)
    assert words in page(client, "/fans/meadow/f").text
    page(client, "/")
    assert client.get("/api/v1/fans/meadow/f").status_code == 200
    assert client.get("/api/v1/fans/meadow/f/readings").status_code == 200


def test_a_fan_without_readings(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("west-1", BARE)
    said = page(client, "/fans/meadow/west-1").text
    assert "no readings yet" in said and "No run has been seen yet." in said and "No readings yet." in said
    assert "Not worked out yet" in said
    assert "How this fan is controlled is not registered" in said


def test_a_fan_over_its_limit_whose_alarm_still_waits(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("north-3")
    farm.reading("north-3", (15.5, 15.0, 14.6))
    said = page(client, "/fans/meadow/north-3").text
    assert "over its limit only just; the alarm waits to see whether it lasts" in said


def test_units_and_local_time_are_the_sites(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    said = page(client, "/fans/hill/barn").text
    assert "7 °C" in said and "CEST" in said and "Europe/Berlin" in said


def test_a_stop_that_nobody_planned_comes_with_its_cautions(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    said = page(client, "/fans/meadow/south-2").text
    assert "restart a fan without warning" in said and "call the fire service" in said


@pytest.mark.parametrize(
    "path", ["/fans/meadow/nobody", "/fans/nowhere/north-3", "/nothing", "/fans/meadow/%00", "/fans/%ff/x"]
)
def test_what_is_not_there_is_told_on_a_page(farm: Farm, client: httpx.Client, path: str) -> None:
    whole(farm)
    assert "Not Found" in page(client, path, 404).text


HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>{{7*7}}"


def test_hostile_names_and_payloads_stay_text(farm: Farm, client: httpx.Client) -> None:
    farm.site("meadow", HOSTILE)
    farm.fan("north-3", THREE_PHASE.replace('"bin 3"', '"<i>bin</i>"'))
    farm.reading("north-3")
    farm.raised("north-3", text=HOSTILE)
    farm.newcomer(HOSTILE[:60], {"amps": [HOSTILE], "volts": {"x": 1}}, site="<b>nowhere</b>")
    farm.newcomer("east-9", {"amps": "12", "t": HOSTILE})
    farm.rejected(f"amps/v1/{HOSTILE}", HOSTILE[:40], HOSTILE, HOSTILE.encode(), "meadow", HOSTILE[:40])
    for path in ("/", "/fans/meadow/north-3", "/loggers", "/loggers/take-on?site=meadow&fan=east-9"):
        raw = client.get(path).text
        assert "<script>alert" not in raw and "<img" not in raw and "<i>bin" not in raw and "<b>nowhere" not in raw
        assert "49" not in Page(raw).text.replace("1449", "")
    assert HOSTILE in page(client, "/loggers").text.replace("\n", "")
    form = client.get("/loggers/take-on", params={"site": "meadow", "fan": HOSTILE[:60]})
    assert form.status_code == 200 and "<script>alert" not in form.text


def test_acknowledging_on_the_page_goes_back_to_the_fan(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    with farm.at_work():
        answer = client.post("/alarms/1/acknowledge", data={"by": "Ann"})
    assert answer.status_code == 303
    assert answer.headers["location"] == "/fans/meadow/north-3#alarms"
    assert "acknowledged 20:46 CDT, Ann" in page(client, "/fans/meadow/north-3").text
    assert client.post("/alarms/77/acknowledge").status_code == 404


def test_an_acknowledgement_nobody_has_carried_out_yet_is_told(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    answer = client.post("/alarms/1/acknowledge")
    assert answer.headers["location"] == "/fans/meadow/north-3#alarms"
    found = page(client, "/fans/meadow/north-3")
    assert "the service has not come to it yet" in found.text
    assert "form" not in [tag for tag, _ in found.tags]
    assert [action.kind for action in actions.undone(farm.database)] == ["acknowledge"]


GOOD = {"site": "meadow", "fan": "east-9", "rated_voltage": "460", "phases": "3", "full_load_amps": "12,4"}


def test_a_newcomer_is_taken_on_with_a_few_fields(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    form = page(client, "/loggers/take-on?site=meadow&fan=east-9")
    assert ("option", {"value": "3", "selected": None}) in form.tags
    filled = GOOD | {"service_factor": "1.15", "rated_power_hp": "10", "setting_amps": "12.4", "by": "Ann"}
    answer = client.post("/loggers/take-on", data=filled)
    assert (answer.status_code, answer.headers["location"]) == (303, "/fans/meadow/east-9")
    plate = register.nameplate(farm.database, "meadow", "east-9")
    assert (plate.motor.full_load_amps, plate.motor.phases, plate.motor.service_factor) == (12.4, 3, 1.15)
    assert plate.protection.setting_amps == 12.4
    version = {key.name: found for key, found in register.fans(farm.database, ALL)}["east-9"]
    assert version.committed_by == "Ann"
    assert "east-9" not in page(client, "/loggers").text.split("Health")[0]
    assert client.post("/loggers/take-on", data=filled).status_code == 409


def test_a_newcomer_is_taken_on_with_a_pasted_file(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    answer = client.post(
        "/loggers/take-on", data={"site": "meadow", "fan": "east-9", "file": THREE_PHASE.replace("\n", "\r\n")}
    )
    assert answer.status_code == 303
    assert register.nameplate(farm.database, "meadow", "east-9").fan.plenum == "bin 3"


def test_faults_of_the_form_stand_at_their_fields(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    answer = client.post(
        "/loggers/take-on",
        data=GOOD | {"rated_voltage": "12A", "phases": "2", "full_load_amps": "", "service_factor": "9"},
    )
    assert answer.status_code == 422
    found = Page(answer.text)
    marked = [attrs["name"] for _, attrs in found.tags if attrs.get("aria-invalid")]
    assert marked == ["rated_voltage", "phases", "full_load_amps", "service_factor"]
    for name in marked:
        assert f"{name}-fault" in found.ids
    assert 'found "12A"' in found.text
    values = {attrs["name"]: attrs.get("value") for tag, attrs in found.tags if tag == "input"}
    assert values["rated_voltage"] == "12A"


def test_one_phase_is_refused_for_a_logger_that_sends_three_legs(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    answer = client.post("/loggers/take-on", data=GOOD | {"phases": "1"})
    found = Page(answer.text)
    assert answer.status_code == 422 and "its newest reading has three legs" in found.text
    assert [attrs["name"] for _, attrs in found.tags if attrs.get("aria-invalid")] == ["phases"]
    pasted = {"site": "meadow", "fan": "east-9", "file": "[motor]\nrated_voltage = 230\nphases = 1\nfull_load_amps = 9"}
    assert client.post("/loggers/take-on", data=pasted).status_code == 422
    assert "east-9" not in {key.name for key, _ in register.fans(farm.database, ALL)}


def test_faults_of_a_pasted_file_are_all_told(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    answer = client.post(
        "/loggers/take-on", data={"site": "meadow", "fan": "east-9", "file": "[motor]\nphases = 7\nvolts = 3"}
    )
    assert answer.status_code == 422
    said = Page(answer.text).text
    assert "motor.phases" in said and "motor.rated_voltage" in said and "motor.volts" in said
    assert "phases = 7" in said
    broken = client.post("/loggers/take-on", data={"site": "meadow", "fan": "east-9", "file": "[motor"})
    assert broken.status_code == 422 and "not valid TOML" in broken.text


@pytest.mark.parametrize(("site", "fan"), [("nowhere", "x"), ("meadow", "Ost Süd"), ("meadow", ""), ("../x", "y")])
def test_names_that_cannot_be_taken_on_are_told(farm: Farm, client: httpx.Client, site: str, fan: str) -> None:
    whole(farm)
    assert client.get("/loggers/take-on", params={"site": site, "fan": fan}).status_code == 200
    assert client.post("/loggers/take-on", data=GOOD | {"site": site, "fan": fan}).status_code == 422


def test_loggers_tell_health_rejected_and_newcomers(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    said = page(client, "/loggers").text
    for words in (
        "Its site is not in the register. Enter it in the settings under [sites.nowhere]",
        "It cannot be taken on under this name",
        "overdue", "every 10 s", "not JSON: 17 from meadow/north-3, last 20:46 CDT", "amps=12.2;",
        "topics that name no fan",
        "came in just now",
    ):  # fmt: skip
        assert words in said, words


def test_loggers_tell_that_no_reading_can_come_in(database: Database) -> None:
    said = {"broker": "no broker answers at 127.0.0.1:1883: Connection refused", "broker_connected": False}
    running = WebServer(create_app(database, now=lambda: NOW, health=lambda: said), "127.0.0.1", 0)
    running.start()
    try:
        with httpx.Client(base_url=running.address, trust_env=False) as client:
            told = "No reading can come in. No broker answers at 127.0.0.1:1883: Connection refused."
            assert told in page(client, "/loggers").text
            said["broker_connected"] = True
            assert "No reading can come in" not in page(client, "/loggers").text
    finally:
        running.stop()


@pytest.mark.parametrize(
    ("path", "leads_to"), [("/fans", "/"), ("/fans/meadow", "/?site=meadow"), ("/fans/a&b", "/?site=a%26b")]
)
def test_the_address_of_a_fan_cut_short_leads_to_the_list(client: httpx.Client, path: str, leads_to: str) -> None:
    answer = client.get(path)
    assert (answer.status_code, answer.headers["location"]) == (307, leads_to)


def test_no_share_of_full_load_amps_where_there_is_no_reading(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("west-1", BARE)
    assert "of full-load amps" not in page(client, "/").text
    farm.reading("west-1", (6.2, 6.1, 6.0))
    assert "50 % of full-load amps" in page(client, "/").text


def test_a_busy_database_is_told_and_the_page_comes_again(
    farm: Farm, client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    from monitor.errors import LinkError
    from monitor.records import look

    whole(farm)

    def busy(*_: object, **__: object) -> None:
        raise LinkError("the database monitor.db is busy.")

    monkeypatch.setattr(look, "fans", busy)
    answer = client.get("/api/v1/fans")
    assert (answer.status_code, answer.headers["content-type"]) == (503, "application/problem+json")
    assert answer.headers["retry-after"] == "5"
    assert "is busy" in page(client, "/", 503).text


def test_alarms_told_late_and_often(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("north-3")
    farm.reading("north-3")
    farm.raised("north-3", ago=timedelta(hours=2))
    farm.returned("north-3")
    farm.raised("north-3", ago=timedelta(hours=1))
    farm.returned("north-3")
    said = page(client, "/fans/meadow/north-3").text
    assert "Ended, but nobody acknowledged it." in said
    assert "raised 2 times" in said and "heard 20:46 CDT" in said and NOW.minute == 46


def test_the_farm_of_these_tests_is_what_it_says(farm: Farm) -> None:
    whole(farm)
    assert mild_overload().highest == 15.5
    assert {alarm.condition for alarm in farm.alarms.values()} == {
        "overload",
        "low-margin",
        "stopped",
        "logger-overdue",
    }


def test_a_fan_about_to_trip_and_one_that_has_tripped_stand_first_and_say_so(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    in_danger(farm)
    said = page(client, "/").text
    assert said.index("north-5") < said.index("north-6") < said.index("north-3")
    assert "about to trip since 20:43 CDT, 3 min time to trip: at most 8 min" in said
    assert "Lighten its load now, or stop it in order: any heater off first" in said
    assert "tripped since 20:37 CDT, 9 min" in said
    assert "Leave it off and find the cause before anybody resets it; it may start by itself." in said
    assert said.count("time to trip") == 1, "one that is only over its limit does not"


def test_heat_and_time_to_trip_on_the_page_of_a_fan(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    in_danger(farm)
    said = page(client, "/fans/meadow/north-3").text
    assert "Heat of the motor 93 % of what its limit allows Overload device 88 % of its trip level" in said
    assert "how warm it was at 20:34 CDT is assumed Time to trip at most 12 min as it draws now" in said
    assert "62 % of its trip level, cooling Time to trip it stands still" in page(client, "/fans/meadow/north-6").text


@pytest.mark.parametrize(
    ("protection", "heat", "said"),
    [
        ('type = "overload relay"\nsetting_amps = 13.2', (0.5, 0.6, math.inf), "Time to trip not at this current"),
        ('type = "overload relay"\nsetting_amps = 13.2', (0.5, 1.0, 0.0), "Time to trip at its trip level now"),
        ('type = "built-in protector"', (0.5, NAN, NAN), "its trip point is not known (built-in protector)"),
        ('type = "none"', (0.5, NAN, NAN), "Overload device it has none"),
        ("", (0.5, NAN, NAN), "not watched: its setting is not registered"),
        ('type = "overload relay"\nsetting_amps = 13.2', (NAN, NAN, NAN), "Heat of the motor not known yet"),
    ],
)
def test_what_is_not_known_of_heat_is_said(
    farm: Farm, client: httpx.Client, protection: str, heat: tuple[float, float, float], said: str
) -> None:
    farm.site()
    farm.fan("north-3", f"{BARE}[protection]\n{protection}\n")
    farm.reading("north-3", heat=heat)
    assert said in page(client, "/fans/meadow/north-3").text


def test_how_a_run_ended_with_how_sure_that_is_and_the_evidence_on_a_tap(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    in_danger(farm)
    text = client.get("/fans/meadow/north-6").text
    assert "<details><summary>overload trip (likely)</summary><ul><li>The device image was the highest" in text
    said = page(client, "/fans/meadow/north-6").text
    assert "Likely an overload trip; not proven. The evidence" in said
    assert "A trip is a finding, not a nuisance" in said
    assert "call the fire service" in said


@pytest.mark.parametrize(
    ("stops", "cause", "control", "hinted"),
    [
        (4, "stopped", "continuous", True),
        (4, None, "continuous", True),
        (3, "stopped", "continuous", False),
        (4, "overload trip", "continuous", False),
        (4, "supply lost", "continuous", False),
        (4, "stopped", "cycled", False),
    ],
)
def test_a_continuous_fan_that_stops_four_times_a_day_is_asked_about(
    farm: Farm, client: httpx.Client, stops: int, cause: str | None, control: str, hinted: bool
) -> None:
    farm.site()
    farm.fan("north-3", THREE_PHASE.replace('"continuous"', f'"{control}"'))
    farm.reading("north-3")
    for hour in range(stops):
        end = farm.now - timedelta(hours=5 * hour + 1)
        farm.run("north-3", end - timedelta(hours=2), end, end_cause=cause, confidence="likely" if cause else None)
    said = page(client, "/fans/meadow/north-3").text
    assert (f"It has stopped {stops} times within 24 h" in said) is hinted


@pytest.mark.parametrize(
    ("condition", "said"),
    [
        ("phase-lost", "Stop it now, any heater off first, and leave it off: one phase is lost."),
        ("slow-start", "If it hums or turns slowly, stop it"),
        ("device-margin", "its overload device may open at this current"),
        ("voltage-low", "Switch off what can wait on this supply"),
        ("many-starts", "it starts too often"),
        ("logger-suspect", "its figures are in doubt"),
    ],
)
def test_each_condition_has_its_next_step(farm: Farm, client: httpx.Client, condition: str, said: str) -> None:
    farm.site()
    farm.fan("north-3")
    farm.reading("north-3")
    farm.raised("north-3", condition, "medium")
    assert said in page(client, "/").text


def test_an_alarm_of_the_supply_tells_on_the_pages_of_its_fans(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("north-3", THREE_PHASE + 'supply = "panel"\n')
    farm.fan("north-4")
    for fan in ("north-3", "north-4"):
        farm.reading(fan, (0.0, 0.0, 0.0), running=False)
    farm.raised_at_supply("panel", "supply-lost")
    said = page(client, "/").text
    assert said.count("Its supply is lost: any heater off, then see to utility, generator and fuses.") == 1
    assert "Panel: supply lost" in page(client, "/fans/meadow/north-3").text
