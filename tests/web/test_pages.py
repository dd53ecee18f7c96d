"""The pages without a browser: what they say, in which order, with everything or nothing known."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import httpx
import pytest

from monitor.records import actions
from monitor.web import fans_page
from tests.web.conftest import NOW
from tests.web.farm import BARE, NAN, SINGLE_PHASE, THREE_PHASE, Farm, mild_overload, whole
from tests.web.page import Page, page


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
    assert "times in CDT, CEST" in said
    said = said[said.index("Next step") :]  # above the list some are named too
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
        "Find out why it stopped before it is started again.", "reading 3 h ago",
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
    monkeypatch.setattr(fans_page, "FANS_AT_ONCE", 3)
    whole(farm)
    first, last = page(client, "/").text, page(client, "/?part=3").text
    assert "north-3" in first and "south-1" not in first and "Part 1 of 3, 7 fans in all." in first
    assert "1 no readings yet" in first  # counts are of all
    assert "west-1" in last and "barn" not in last
    assert "Fans 1 to 3 of 7." in first and "Fans 7 to 7 of 7." in last
    answer = client.get("/?part=4&words=w")  # the list has grown shorter meanwhile: to its end
    assert (answer.status_code, answer.headers["location"]) == (307, "/?words=w&part=2")


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
    assert "21° as now" in said and "as nowDrying timeas now" in said
    # exp(-0.075 x 3/2.5) = 0.914, of that loss the shares 2.5/3 and 4.3/3: 2.5 to 4.3 % a degree
    assert "Airabout 9 % less (7 to 12)Drying timeabout 9 % longer (8 to 14)" in said
    assert "air of 23 °F, the coldest expected" in said


def test_what_a_sister_has_learned_is_offered_and_alters_no_figure(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    before = page(client, "/fans/meadow/north-3").text
    assert "It is not used here" not in before
    farm.re_pitched("north-4")
    after = page(client, "/fans/meadow/north-3").text
    at = after.index("A figure on offer: north-4, a fan of the same nameplate, has learned")
    offer = after[at : after.index("for you to look.") + len("for you to look.")]
    assert "It is not used here; to use it enter amps_per_degree = " in offer
    assert after.replace(offer, "") == before
    assert after.index("A degree is taken to be worth") < at < after.index("Check first", at)


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
    actions_offered = [str(attrs.get("action")) for tag, attrs in found.tags if tag == "form"]
    assert not [action for action in actions_offered if "acknowledge" in action]
    assert [action.kind for action in actions.undone(farm.database)] == ["acknowledge"]


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
    monkeypatch.setattr(look, "part_of", busy)
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


def test_amps_of_inserts_are_not_for_the_coldest_air_where_the_air_is_not_known(
    farm: Farm, client: httpx.Client
) -> None:
    whole(farm)
    farm.estimate("north-3", replace(mild_overload(), ambient_c=None))
    said = page(client, "/fans/meadow/north-3").text
    assert "Expected highest leg in the present air;" in said
    assert "the coldest expected" not in said
