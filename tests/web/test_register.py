"""The page Register: taking on a fan from its plate, changing it, its file, its history; nothing is lost."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import httpx
import pytest

from monitor.records import register
from monitor.records.scope import ALL
from tests.web.farm import BARE, THREE_PHASE, Farm
from tests.web.page import Page, page

NEW = "/loggers/take-on?site=meadow&fan=east-9"
PLATE = {
    "site": "meadow", "fan": "east-9", "rated_power": "10", "rated_power_unit": "hp", "rated_voltage": "460",
    "phases": "3", "full_load_amps": "12.4", "service_factor": "1.15",
}  # fmt: skip
COMMENTED = (
    "# the east one\n[motor]\nrated_voltage = 460   # high\nphases = 3\nfull_load_amps = 12.40\nservice_factor = 1.15\n"
)
ODD = "[conditions.overload]\non_delay_seconds = 60 # gusts\n"
EAST = "/register/fans/meadow/east-9"


@pytest.fixture
def meadow(farm: Farm) -> Farm:
    """Two sites, three fans, and names that wait to be taken on."""
    farm.site()
    farm.site("hill", "Hill", "si", "Europe/Berlin")
    for fan, bin_name in (("north-3", "bin 3"), ("north-4", "bin 4")):
        farm.fan(fan, THREE_PHASE.replace("bin 3", bin_name))
        farm.reading(fan)
    farm.fan("barn", BARE, site="hill")
    farm.newcomer("east-9", {"amps": [12.2, 12.9, 12.6], "volts": [461.0, 458.4, 460.2]})
    farm.newcomer("x", {"amps": [3.0]}, site="nowhere")
    return farm


def put(farm: Farm, text: str, fan: str = "east-9", **keys: Any) -> None:
    options = {"valid_from": farm.now - timedelta(days=5), "by": "Ann", "now": farm.now - timedelta(days=4)} | keys
    register.put_nameplate(farm.database, "meadow", fan, text, **options)


def text_of(farm: Farm, fan: str = "east-9") -> str:
    return register.export_text(farm.database, "meadow", fan)


def typed(found: Page, form: str) -> dict[str, str]:
    """What a browser would send of a form that nobody touched."""
    sent: dict[str, str] = {}
    inside, select = False, ""
    for tag, attrs in found.tags:
        if tag == "form":
            inside = attrs.get("action") == form and attrs.get("method") == "post"
        if not inside:
            continue
        if (tag == "input" and attrs.get("type") not in ("file", "radio")) or (
            attrs.get("type") == "radio" and "checked" in attrs
        ):
            sent[attrs["name"] or ""] = attrs.get("value") or ""
        elif tag == "select":
            select = attrs["name"] or ""
            sent[select] = ""
        elif tag == "option" and "selected" in attrs:
            sent[select] = attrs.get("value") or sent[select]
    return sent


def test_a_newcomer_is_taken_on_from_its_plate(meadow: Farm, client: httpx.Client) -> None:
    form = page(client, NEW)
    assert ("option", {"value": "3", "selected": None}) in form.tags  # its readings have three legs
    assert "12.2 / 12.9 / 12.6 A, 461 / 458 / 460 V" in form.text
    answer = client.post(
        "/loggers/take-on", data=PLATE | {"full_load_amps": "12,4 A", "setting_amps": "12.4", "by": "Bo"}
    )
    assert (answer.status_code, answer.headers["location"]) == (303, f"{EAST}?entered=1#entered")
    assert text_of(meadow) == (
        "[motor]\nrated_power_hp = 10\nrated_voltage = 460\nphases = 3\nfull_load_amps = 12.4\n"
        "service_factor = 1.15\n\n[protection]\nsetting_amps = 12.4\n"
    )
    told = page(client, answer.headers["location"].partition("#")[0]).text
    assert "Version 1 is in the register: used since 20:46 CDT." in told
    assert "What starts and stops it: without it no alarm when it stops" in told
    (version,) = [found for key, found in register.fans(meadow.database, ALL) if key.name == "east-9"]
    assert version.committed_by == "Bo"
    assert "east-9" not in page(client, "/loggers").text.split("Health")[0]
    again = client.post("/loggers/take-on", data=PLATE)
    assert again.status_code == 409 and EAST in again.text


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"rated_voltage": "230", "full_load_amps": "25"}, "Its logger reads 460 V, and 230 V was entered"),
        ({"full_load_amps": "25"}, "It would go with 10 hp at 230 V"),
        ({"rated_power": "7.5", "full_load_amps": "14"}, "It would go with 7.5 kW"),
        ({"service_factor": ""}, "No service factor was entered: 1.0 is taken"),
        ({"setting_amps": "17"}, "above the 15.5 A (125 % of full-load amps) that the code allows"),
        ({"full_load_amps": "2.4", "rated_power": ""}, "far more than a fan draws"),
        ({"coldest_expected_c": "86"}, "30 °C (86 °F) is warm"),
    ],
)
def test_a_slip_is_said_once_and_refuses_nothing(
    meadow: Farm, client: httpx.Client, changed: dict[str, str], said: str
) -> None:
    """The slips of a technician with the plate in hand; each would be entered in silence otherwise."""
    answer = client.post("/loggers/take-on", data=PLATE | changed)
    found = Page(answer.text)
    assert answer.status_code == 200 and "Not entered yet: worth a second look." in found.text and said in found.text
    assert "east-9" not in {key.name for key, _ in register.fans(meadow.database, ALL)}
    again = client.post("/loggers/take-on", data=typed(found, "/loggers/take-on"))
    assert again.status_code == 303, again.text
    assert said not in str(text_of(meadow))


def test_another_slip_after_the_first_is_said_too(meadow: Farm, client: httpx.Client) -> None:
    found = Page(client.post("/loggers/take-on", data=PLATE | {"service_factor": ""}).text)
    more = typed(found, "/loggers/take-on") | {"setting_amps": "40"}
    answer = client.post("/loggers/take-on", data=more)
    assert answer.status_code == 200 and "that the code allows" in answer.text


def test_faults_stand_at_their_fields_all_at_once(meadow: Farm, client: httpx.Client) -> None:
    answer = client.post(
        "/loggers/take-on",
        data=PLATE | {
            "rated_voltage": "208-230/460", "phases": "2", "full_load_amps": "", "service_factor": "9",
            "coldest_expected_c": "300", "available_pitch_degrees": "13 abc", "supply": "North Panel", "blades": "5.5",
        },
    )  # fmt: skip
    found = Page(answer.text)
    assert answer.status_code == 422
    marked = [attrs["name"] for _, attrs in found.tags if attrs.get("aria-invalid")]
    assert marked == [
        "rated_voltage", "phases", "full_load_amps", "service_factor", "available_pitch_degrees", "blades",
        "coldest_expected_c", "supply",
    ]  # fmt: skip
    assert all(f"{name}-fault" in found.ids for name in marked)
    assert "Its logger reads 460 V, so 460." in found.text  # which of the plate's voltages
    assert 'Expected degrees Fahrenheit from -76 to 104, found "300".' in found.text
    values = {attrs["name"]: attrs.get("value") for tag, attrs in found.tags if tag == "input" and "name" in attrs}
    assert (values["rated_voltage"], values["available_pitch_degrees"]) == ("208-230/460", "13 abc")
    assert [attrs for tag, attrs in found.tags if tag == "details" and "open" in attrs]  # a fault is not folded away


def test_what_plates_print_is_understood(meadow: Farm, client: httpx.Client) -> None:
    more = {
        "rated_power": "7 1/2 HP", "full_load_amps": "10.2", "efficiency": "89.5 %", "power_factor": "84",
        "code_letter": "h", "rated_speed_rpm": "1760 rpm", "coldest_expected_c": "14 °F",
        "available_pitch_degrees": "13, 15 17.5° 19", "averaging": "true", "blades": "6", "diameter_in": "28",
    }  # fmt: skip
    assert client.post("/loggers/take-on", data=PLATE | more).status_code == 303
    plate = register.nameplate(meadow.database, "meadow", "east-9")
    motor, fan = plate.motor, plate.fan
    assert (motor.rated_power_hp, motor.efficiency, motor.power_factor, motor.code_letter) == (7.5, 0.895, 0.84, "H")
    assert (motor.rated_speed_rpm, fan.coldest_expected_c, fan.available_pitch_degrees) == (
        1760,
        -10,
        (13, 15, 17.5, 19),
    )
    assert (plate.logger.averaging, fan.blades, fan.diameter_in) == (True, 6, 28)


def test_one_phase_is_refused_for_a_logger_that_sends_three_legs(meadow: Farm, client: httpx.Client) -> None:
    answer = client.post("/loggers/take-on", data=PLATE | {"phases": "1"})
    assert answer.status_code == 422 and "its newest reading has three legs" in answer.text
    pasted = {"site": "meadow", "fan": "east-9", "file": "[motor]\nrated_voltage = 230\nphases = 1\nfull_load_amps = 9"}
    assert client.post("/loggers/take-on", data=pasted).status_code == 422
    assert "east-9" not in {key.name for key, _ in register.fans(meadow.database, ALL)}


def test_faults_of_a_pasted_file_are_all_told(meadow: Farm, client: httpx.Client) -> None:
    sent = {"site": "meadow", "fan": "east-9", "file": "[motor]\nphases = 7\nvolts = 3"}
    said = Page(client.post("/loggers/take-on", data=sent).text).text
    assert "motor.phases" in said and "motor.rated_voltage" in said and "motor.volts" in said and "phases = 7" in said
    broken = client.post("/loggers/take-on", data=sent | {"file": "[motor"})
    assert broken.status_code == 422 and "not valid TOML" in broken.text
    raw = client.post("/loggers/take-on", data=sent, files={"upload": ("x.toml", b"\xff\xfe\x00")})
    assert raw.status_code == 422 and "not text in UTF-8" in raw.text


@pytest.mark.parametrize(("site", "fan"), [("nowhere", "x"), ("meadow", "Ost Süd"), ("meadow", ""), ("../x", "y")])
def test_names_that_cannot_be_taken_on_are_told(meadow: Farm, client: httpx.Client, site: str, fan: str) -> None:
    assert client.get("/loggers/take-on", params={"site": site, "fan": fan}).status_code == 200
    answer = client.post("/loggers/take-on", data=PLATE | {"site": site, "fan": fan})
    assert answer.status_code == 422
    assert "e.g. ost-s-d" in answer.text or fan != "Ost Süd"


def test_a_sister_lends_its_plate_but_not_what_was_found_at_it(meadow: Farm, client: httpx.Client) -> None:
    put(meadow, COMMENTED + ODD + "[fan]\namps_per_degree = 0.9\nblades = 6\n", "west-2")
    form = page(client, NEW + "&like=west-2")
    assert "Hold every figure against this motor's own plate." in form.text
    sent = typed(form, "/loggers/take-on")
    assert (sent["rated_voltage"], sent["blades"], sent["amps_per_degree"]) == ("460", "6", "")
    assert client.post("/loggers/take-on", data=sent).status_code == 303
    assert text_of(meadow) == text_of(meadow, "west-2").replace("amps_per_degree = 0.9\n", "")


# --- a fan that is there ---------------------------------------------------------------------------------------


def test_a_form_that_nobody_touched_changes_nothing(meadow: Farm, client: httpx.Client) -> None:
    """Also where the form shows a figure in another unit and rounded."""
    text = COMMENTED + ODD + "[fan]\ncoldest_expected_c = -12.2\n"
    put(meadow, text)
    sent = typed(page(client, EAST), EAST)
    assert sent["coldest_expected_c"] == "10"
    answer = client.post(EAST, data=sent)
    assert (answer.status_code, answer.headers["location"]) == (303, f"{EAST}?entered=0#entered")
    assert "Nothing was changed" in page(client, f"{EAST}?entered=0").text
    client.post(EAST, data=sent | {"blades": "6"})
    assert text_of(meadow) == text + "blades = 6\n"


def test_a_correction_changes_its_key_and_leaves_all_else_as_typed(meadow: Farm, client: httpx.Client) -> None:
    put(meadow, COMMENTED + ODD)
    sent = typed(page(client, EAST), EAST) | {"full_load_amps": "13.2", "blades": "6", "by": "Bo"}
    answer = client.post(EAST, data=sent)
    assert answer.headers["location"] == f"{EAST}?entered=2#entered"
    assert text_of(meadow).startswith(COMMENTED.replace("12.40", "13.2") + ODD)
    assert register.nameplate(meadow.database, "meadow", "east-9").fan.blades == 6
    first, second = register.versions(meadow.database, meadow.point("east-9"))
    assert second.valid_from == first.valid_from and not second.motor_changed
    told = page(client, EAST).text
    assert "Version 2, 20:46 CDT, Bo (used since Sep 28, 20:46 CDT)" in told
    assert "Full-load amps: 12.4 A → 13.2 A" in told and "Number of blades: 6" in told


def test_another_motor_since_a_time_is_judged_by_from_the_newest_reading_on(meadow: Farm, client: httpx.Client) -> None:
    where = "/register/fans/meadow/north-4"
    sent = typed(page(client, where), where) | {"what": "motor", "since": "2026-10-03T18:00", "full_load_amps": "12.9"}
    answer = client.post(where, data=sent)
    assert answer.status_code == 303, answer.text
    newest = register.versions(meadow.database, meadow.point("north-4"))[-1]
    assert newest.motor_changed and newest.valid_from.isoformat() == "2026-10-03T23:00:00+00:00"
    assert newest.applies_from == meadow.now
    told = page(client, answer.headers["location"].partition("#")[0]).text
    assert "true since 18:00 CDT; used for readings after 20:46 CDT" in told and "Another motor" in told


def test_another_motor_that_is_not_called_so_is_asked_about(meadow: Farm, client: httpx.Client) -> None:
    put(meadow, COMMENTED)
    sent = typed(page(client, EAST), EAST) | {"what": "since", "full_load_amps": "14"}
    assert "If another motor was put in, say so below" in client.post(EAST, data=sent).text
    assert client.post(EAST, data=sent | {"what": "correct"}).status_code == 303


@pytest.mark.parametrize("since", ["2026-10-04T20:46", "soon", "0001-01-01T00:00", "9999-12-31T23:59"])
def test_a_time_that_cannot_be_is_told_at_its_field(meadow: Farm, client: httpx.Client, since: str) -> None:
    put(meadow, COMMENTED)
    answer = client.post(EAST, data={"what": "since", "since": since, "blades": "6"})
    assert answer.status_code == 422 and "since-fault" in Page(answer.text).ids
    assert text_of(meadow) == COMMENTED


def test_what_somebody_else_entered_meanwhile_is_told_and_not_undone(meadow: Farm, client: httpx.Client) -> None:
    put(meadow, COMMENTED)
    sent = typed(page(client, EAST), EAST) | {"blades": "6"}
    put(meadow, COMMENTED.replace("12.40", "13.2"), by="Cy", now=meadow.now)
    answer = client.post(EAST, data=sent)
    found = Page(answer.text)
    assert answer.status_code == 409 and "Full-load amps: 12.4 A → 13.2 A" in found.text
    again = typed(found, EAST)
    assert (again["full_load_amps"], again["blades"], again["base"]) == ("13.2", "6", "2")
    assert client.post(EAST, data=again).status_code == 303
    motor = register.nameplate(meadow.database, "meadow", "east-9")
    assert (motor.motor.full_load_amps, motor.fan.blades) == (13.2, 6)


def test_a_file_goes_in_and_comes_out_letter_by_letter(meadow: Farm, client: httpx.Client) -> None:
    put(meadow, COMMENTED)
    file = "# über\r\n" + (COMMENTED + ODD).replace("\n", "\r\n").replace("1.15", "1.0")
    answer = client.post(
        f"{EAST}/file", data={"what": "correct"}, files={"upload": ("fan.toml", file.encode(), "text/plain")}
    )
    assert answer.status_code == 303, answer.text
    saved = client.get(f"{EAST}/file")
    assert saved.content == file.encode()
    assert saved.headers["content-disposition"] == 'attachment; filename="meadow-east-9.toml"'
    assert client.get(f"{EAST}/file?version=1").text == COMMENTED
    assert client.get(f"{EAST}/file?version=9").status_code == 404
    pasted = client.post(f"{EAST}/file", data={"what": "correct", "file": "\n" + COMMENTED.replace("\n", "\r\n")})
    assert pasted.status_code == 303 and text_of(meadow) == "\n" + COMMENTED
    assert f'<textarea id="file" name="file" spellcheck="false" maxlength="65536">\n\n{COMMENTED}</textarea>' in (
        client.get(EAST).text
    )


def test_hints_of_a_file_are_said_once_too(meadow: Farm, client: httpx.Client) -> None:
    put(meadow, COMMENTED)
    sent = {"what": "correct", "file": COMMENTED + "[protection]\nsetting_amps = 40\n"}
    found = Page(client.post(f"{EAST}/file", data=sent).text)
    assert "that the code allows" in found.text and text_of(meadow) == COMMENTED
    seen = next(attrs["value"] for _, attrs in found.tags if attrs.get("name") == "seen") or ""
    assert client.post(f"{EAST}/file", data=sent | {"seen": seen}).status_code == 303
    assert client.post(EAST, data={"what": "correct", "blades": "6"}).status_code == 303  # and not again ever after


def test_a_fan_taken_out_is_seen_with_its_history_and_entered_again(meadow: Farm, client: httpx.Client) -> None:
    put(meadow, COMMENTED)
    answer = client.post(f"{EAST}/remove", data={"by": "Bo"})
    assert answer.headers["location"] == "/register?site=meadow"
    assert "east-9" not in page(client, "/register?site=meadow").text.partition("Meadow farm meadow")[2]
    assert client.post(f"{EAST}/remove").status_code == 303
    told = page(client, EAST)
    assert "Out of the register since 20:46 CDT" in told.text and "Taken out of the register" in told.text
    assert client.post(EAST, data=typed(told, EAST)).status_code == 303
    assert "Entered again" in page(client, EAST).text
    assert len(register.versions(meadow.database, meadow.point("east-9"))) == 3


def test_the_list_is_searched_and_tells_what_is_not_known(meadow: Farm, client: httpx.Client) -> None:
    every = page(client, "/register").text
    for said in (
        "Europe/Berlin, where it is 03:46 CEST now; 250 m", "America/Chicago, where it is 20:46 CDT now; 820 ft",
        "10 hp, 460 V, 3-phase, 13.2 A, SF 1.15", "Add its site, nowhere",
    ):  # fmt: skip
        assert said in every, said
    found = page(client, "/register?words=bin+4").text
    assert "north-4" in found and "north-3" not in found and "barn" not in found
    assert "No fan fits" in page(client, "/register?words=nothing").text
    assert "barn" in page(client, "/register?site=hill").text
    page(client, "/register?site=other", 404)
    page(client, "/register?part=2", 404)
