"""/api/v1: keys and types against a list written by hand from what the API promises, not from the code."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import timedelta
from typing import Any

import httpx
import pytest
import sqlalchemy as sa

from monitor.motor.nameplate import Motor
from monitor.records import actions, tables
from monitor.records.commit import Batch, commit
from monitor.records.rows import to_ms
from monitor.web.shapes import limit_of
from monitor.web.times import rfc3339
from tests.web.conftest import NOW
from tests.web.farm import BARE, NAN, SINGLE_PHASE, THREE_PHASE, Farm, in_danger, mild_overload, whole

RFC3339 = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{3})?Z")
Number = (int, float)
FAN = {
    "site": str, "fan": str, "state": str, "load_ratio": Number, "margin": Number, "limit_amps": Number,
    "highest_leg_amps": Number, "seconds_to_trip": (int, float, type(None)), "alarms": list,
}  # fmt: skip
FAN_IN_FULL = FAN | {
    "limit": dict, "parts": list, "causes": list, "checks_first": list, "pitch": dict, "images": dict,
    "runs": list, "cautions": list, "tonight": (dict, type(None)), "tonight_why": (str, type(None)),
    "reaches_limit_at": (str, type(None)), "rising_amps_an_hour": (int, float, type(None)),
}  # fmt: skip
LIMIT = {"amps": Number, "percent_of_full_load": Number, "factors": list}
FACTOR = {"name": str, "value": Number, "source": str}
PART = {"name": str, "amps": Number}
CAUSE = {"cause": str, "share_amps": Number, "evidence": list, "confirm_by": str}
CHECK = {"name": str, "done": bool, "how": str}
PITCH = {
    "provisional": bool, "amps_per_degree": dict, "as_is": dict, "as_is_why": type(None), "supply_right": dict,
    "supply_right_why": type(None), "options": list,
}  # fmt: skip
WORTH = {"mean": Number, "low": Number, "high": Number, "source": str}
RECOMMENDED = {"degrees": Number, "pitch": Number, "chance": Number}
OPTION = {
    "pitch": Number, "amps": Number, "low": Number, "high": Number, "chance": Number, "chance_supply_right": Number,
    "airflow_percent": Number,
}  # fmt: skip
RUN = {
    "start": str, "end": str, "end_cause": str, "confidence": str, "evidence": list, "peak_amps": Number,
    "peak_percent_of_limit": Number, "starts_ok": type(None),
}  # fmt: skip
ALARM = {
    "number": int, "id": str, "site": str, "fan": str, "supply": type(None), "state": str, "priority": str,
    "raised": str, "cleared": type(None), "heard": str, "acknowledged": type(None), "text": str,
}  # fmt: skip
LOGGER = {
    "site": str, "name": str, "kind": str, "health": str, "last_reading": str, "heard": str, "period_seconds": Number,
    "rejected": list,
}  # fmt: skip


def check(found: dict[str, Any], promised: dict[str, Any]) -> None:
    """Every promised key is there with its type."""
    assert promised.keys() <= found.keys(), promised.keys() - found.keys()
    for key, kind in promised.items():
        assert isinstance(found[key], kind), (key, found[key])
        assert kind is bool or kind is type(None) or not isinstance(found[key], bool), key


def get(client: httpx.Client, path: str, **query: Any) -> Any:
    answer = client.get(f"/api/v1{path}", params=query)
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_fans_least_margin_first_with_their_keys(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    listed = get(client, "/fans")
    assert listed.keys() == {"items", "next"} and listed["next"] is None
    assert [item["fan"] for item in listed["items"]] == [
        "north-3", "north-4", "barn", "south-1", "south-2", "south-3", "west-1",
    ]  # fmt: skip
    first = listed["items"][0]
    check(first, FAN)
    assert first["state"] == "over its limit"
    assert first["highest_leg_amps"] == 15.5
    assert first["limit_amps"] == pytest.approx(15.18)
    assert first["load_ratio"] == pytest.approx(15.5 / 15.18, abs=5e-5)
    assert first["margin"] == pytest.approx(1 - 15.5 / 15.18, abs=5e-5)
    check(first["alarms"][0], ALARM)


def test_what_is_not_known_is_null_and_never_left_out(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("west-1", BARE)
    (item,) = get(client, "/fans")["items"]
    assert FAN.keys() <= item.keys()
    assert [item[key] for key in ("load_ratio", "margin", "limit_amps", "highest_leg_amps")] == [None] * 4
    assert item["alarms"] == []
    full = get(client, "/fans/meadow/west-1")
    assert FAN_IN_FULL.keys() <= full.keys()
    assert full["pitch"] is None and full["parts"] == [] and full["runs"] == []
    assert full["limit"]["amps"] == pytest.approx(12.4)
    assert "not adjusted: voltage is not measured" in full["limit"]["notes"]


def test_time_to_trip_and_images(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    in_danger(farm)
    found = {item["fan"]: item for item in get(client, "/fans")["items"]}
    assert list(found)[:2] == ["north-5", "north-6"]
    assert {name: found[name]["seconds_to_trip"] for name in ("north-5", "north-3", "north-6", "south-1")} == {
        "north-5": 452.0, "north-3": 700.0, "north-6": None, "south-1": None,
    }  # fmt: skip
    full = get(client, "/fans/meadow/north-3")
    assert full["images"] == {"motor": 0.93, "device": 0.88, "assumed": "2026-10-04T01:34:00Z"}
    assert get(client, "/fans/meadow/south-1")["images"] == {"motor": 0.41, "device": None, "assumed": None}
    run = get(client, "/fans/meadow/north-6")["runs"][0]
    assert (run["end_cause"], run["confidence"], len(run["evidence"])) == ("overload trip", "likely", 2)


def test_a_device_that_does_not_open_at_this_current_is_no_number(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("north-3")
    farm.reading("north-3", heat=(0.5, 0.6, math.inf))
    full = get(client, "/fans/meadow/north-3")
    assert (full["seconds_to_trip"], full["images"]["device"]) == (None, 0.6)


def test_one_fan_with_limit_parts_pitch_and_runs(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    fan = get(client, "/fans/meadow/north-3")
    check(fan, FAN_IN_FULL)
    check(fan["limit"], LIMIT)
    for factor in fan["limit"]["factors"]:
        check(factor, FACTOR)
    assert [factor["name"] for factor in fan["limit"]["factors"]] == [
        "full-load amps",
        "service factor",
        "voltage unbalance",
    ]
    assert [part["name"] for part in fan["parts"]] == [
        "leg spread",
        "supply voltage",
        "derating",
        "air density",
        "fan load",
    ]
    for part in fan["parts"]:
        check(part, PART)
    for cause in fan["causes"]:
        check(cause, CAUSE)
    for one in fan["checks_first"]:
        check(one, CHECK)
    check(fan["pitch"], PITCH)
    check(fan["pitch"]["amps_per_degree"], WORTH)
    check(fan["pitch"]["as_is"], RECOMMENDED)
    check(fan["pitch"]["supply_right"], RECOMMENDED)
    assert [option["pitch"] for option in fan["pitch"]["options"]] == [21, 19, 18, 17, 15, 13]
    for option in fan["pitch"]["options"]:
        check(option, OPTION)
    newest, oldest = fan["runs"]
    check(oldest, RUN)
    assert oldest["peak_percent_of_limit"] == pytest.approx(99.0)
    assert newest["end"] is None and newest["end_cause"] is None
    for key in ("start", "end"):
        assert RFC3339.fullmatch(oldest[key])


@pytest.mark.parametrize("path", ["/fans/meadow/nobody", "/fans/nowhere/north-3", "/fans/meadow/nobody/readings"])
def test_unknown_fans_are_a_problem_of_404(farm: Farm, client: httpx.Client, path: str) -> None:
    whole(farm)
    answer = client.get(f"/api/v1{path}")
    assert answer.status_code == 404
    assert answer.headers["content-type"] == "application/problem+json"
    told = answer.json()
    assert told.keys() >= {"type", "title", "status", "detail"}
    assert told["status"] == 404 and told["title"] == "Not Found"


def test_readings_raw_and_whole(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("north-3")
    farm.reading("north-3", (15.5, 15.0, NAN), (450.0, 447.0, 443.0), hours=1)
    columns = get(client, "/fans/meadow/north-3/readings")["columns"]
    assert set(columns) >= {"time", "l1_amps", "l2_amps", "l3_amps", "v12", "v23", "v31", "ambient_c"}
    assert {len(values) for values in columns.values()} == {361}
    assert columns["time"][-1] == "2026-10-04T01:46:00Z"
    assert columns["l1_amps"][-1] == 15.5
    assert set(columns["l3_amps"]) == {None}
    assert columns["ambient_c"][0] == 7.0


def test_readings_that_are_no_longer_kept_are_told(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("north-3")
    farm.reading("north-3", hours=1)
    assert get(client, "/fans/meadow/north-3/readings")["kept_from"] is None
    row = {"before_ms": to_ms(NOW - timedelta(hours=1)), "readings": 5000, "removed_ms": to_ms(NOW)}
    with farm.database.begin() as connection:
        connection.execute(sa.insert(tables.readings_removed), [{"point_id": farm.point("north-3"), **row}])
    assert get(client, "/fans/meadow/north-3/readings")["kept_from"] == "2026-10-04T00:46:00Z"
    span = {"from": "2026-10-04T00:46:00Z", "to": "2026-10-04T01:46:00Z"}
    assert get(client, "/fans/meadow/north-3/readings", **span)["kept_from"] is None


def test_a_span_is_open_on_the_left_and_closed_on_the_right(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("north-3")
    farm.reading("north-3", hours=1)
    span = {"from": "2026-10-04T01:45:00Z", "to": "2026-10-04T01:46:00Z"}
    times = get(client, "/fans/meadow/north-3/readings", **span)["columns"]["time"]
    assert times[0] == "2026-10-04T01:45:10Z" and times[-1] == "2026-10-04T01:46:00Z" and len(times) == 6
    unix = {"from": (NOW - timedelta(minutes=1)).timestamp(), "to": NOW.timestamp()}
    assert get(client, "/fans/meadow/north-3/readings", **unix)["columns"]["time"] == times


def test_an_unescaped_plus_in_a_time_is_understood(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("north-3")
    farm.reading("north-3", hours=1)
    answer = client.get("/api/v1/fans/meadow/north-3/readings?from=2026-10-04T03:45:00+02:00&to=2026-10-04T01:46:00Z")
    assert len(answer.json()["columns"]["time"]) == 6


def test_readings_thinned_to_least_mean_and_greatest(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("north-3")
    farm.reading("north-3", (15.5, 15.0, 14.6), hours=1)
    columns = get(client, "/fans/meadow/north-3/readings", every=600)["columns"]
    assert "l1_amps" not in columns
    assert columns["time"][-2] == "2026-10-04T01:40:00Z"
    for least, mean, most in zip(*(columns[f"l1_amps_{end}"] for end in ("min", "mean", "max")), strict=True):
        assert least < mean < most
    assert columns["readings"][1:-1] == [60] * (len(columns["time"]) - 2)


def test_a_single_phase_fan_has_one_leg_and_one_line(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("south-1", SINGLE_PHASE)
    farm.reading("south-1", (31.0,), (231.0,))
    columns = get(client, "/fans/meadow/south-1/readings")["columns"]
    assert "l1_amps" in columns and "v12" in columns
    assert not {"l2_amps", "l3_amps", "v23", "v31"} & set(columns)


@pytest.mark.parametrize(
    ("query", "place"),
    [
        ({"from": "yesterday"}, "from"),
        ({"from": "2026-10-04T01:00:00"}, "from"),
        ({"to": "nan"}, "to"),
        ({"every": "0"}, "query.every"),
        ({"every": "x"}, "query.every"),
        ({"from": "2026-10-05T00:00:00Z", "to": "2026-10-04T00:00:00Z"}, "from"),
    ],
)
def test_a_span_that_cannot_be_is_told_with_its_place(
    farm: Farm, client: httpx.Client, query: dict[str, str], place: str
) -> None:
    farm.site()
    farm.fan("north-3")
    answer = client.get("/api/v1/fans/meadow/north-3/readings", params=query)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert [fault["place"] for fault in answer.json()["errors"]] == [place]


@pytest.mark.parametrize("query", [{"from": "2020-01-01T00:00:00Z"}, {"from": "2000-01-01T00:00:00Z", "every": "1"}])
def test_more_than_an_answer_holds_is_refused_with_what_to_do(
    farm: Farm, client: httpx.Client, query: dict[str, str]
) -> None:
    farm.site()
    farm.fan("north-3")
    answer = client.get("/api/v1/fans/meadow/north-3/readings", params=query)
    assert answer.status_code == 422
    assert "every" in answer.json()["detail"]


def test_alarms_newest_first_in_parts_and_by_filter(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    listed = get(client, "/alarms")
    assert [alarm["id"] for alarm in listed["items"]] == ["logger-overdue", "stopped", "low-margin", "overload"]
    overload = listed["items"][-1]
    check(overload, ALARM)
    assert overload["state"] == "UNACKNOWLEDGED" and overload["priority"] == "high"
    assert overload["raised"] == "2026-10-04T01:14:00Z"
    assert overload["heard"] == "2026-10-04T01:46:00Z"

    first = get(client, "/alarms", limit=3)
    assert len(first["items"]) == 3
    rest = get(client, "/alarms", limit=3, next=first["next"])
    assert [alarm["id"] for alarm in rest["items"]] == ["overload"] and rest["next"] is None

    farm.returned("south-2", "stopped")
    assert len(get(client, "/alarms", standing="true")["items"]) == 4  # over, but nobody acknowledged it
    assert get(client, "/alarms", site="hill")["items"] == []
    assert get(client, "/alarms", **{"from": "2026-10-04T01:14:00Z"})["items"] == []
    assert len(get(client, "/alarms", to="2026-10-04T01:14:00Z")["items"]) == 4


@pytest.mark.parametrize("token", ["x", "W10", "WzFd" * 3, "WyJhIl0", "WzEwMDAwMDAwMDAwMDAwMDAwMDAwMDAwXQ"])
@pytest.mark.parametrize("path", ["/alarms", "/fans"])
def test_a_wrong_token_is_refused(farm: Farm, client: httpx.Client, path: str, token: str) -> None:
    whole(farm)
    answer = client.get(f"/api/v1{path}", params={"next": token})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["place"] == "next"


def test_fans_in_parts(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    names: list[str] = []
    token = None
    while True:
        part = get(client, "/fans", limit=2, **({"next": token} if token else {}))
        names += [item["fan"] for item in part["items"]]
        token = part["next"]
        if token is None:
            break
    assert names == ["north-3", "north-4", "barn", "south-1", "south-2", "south-3", "west-1"]
    assert [item["fan"] for item in get(client, "/fans", site="hill")["items"]] == ["barn"]


def test_loggers_with_health_and_every_rejected_count_once(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    listed = get(client, "/loggers")
    assert listed.keys() == {"items", "next"}
    by_name = {(item["site"], item["name"]): item for item in listed["items"]}
    north = by_name["meadow", "north-3"]
    check(north, LOGGER)
    assert north["health"] == "heard" and north["period_seconds"] == 10
    assert north["rejected"] == [{"reason": "not JSON", "count": 17}]
    assert north["newest_rejected"][0]["excerpt"] == "amps=12.2;"
    assert by_name["meadow", "south-3"]["health"] == "overdue"
    assert by_name["meadow", "west-1"]["health"] == "not heard yet"
    newcomer = by_name["meadow", "east-9"]
    assert (newcomer["kind"], newcomer["rejected"]) == ("newcomer", [{"reason": "unknown fan", "count": 12}])
    nobody = by_name[None, None]
    assert (nobody["kind"], nobody["rejected"]) == ("unknown", [{"reason": "unreadable topic", "count": 2}])
    total = sum(one["count"] for item in listed["items"] for one in item["rejected"])
    assert total == 17 + 12 + 2


def test_a_silent_logger_is_overdue_however_many_alarms_are_newer(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("north-3")
    farm.reading("north-3")
    silent = farm.raised("north-3", "logger-overdue", "medium")
    newer = [replace(silent, number=silent.number + n, fan=f"fan-{n}", condition="overload") for n in range(1, 502)]
    commit(farm.database, Batch(alarms=newer))
    (logger,) = [one for one in get(client, "/loggers")["items"] if one["name"] == "north-3"]
    assert logger["health"] == "overdue"


def test_an_alarm_is_acknowledged_by_a_row_the_worker_carries_out(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    with farm.at_work():
        answer = client.post("/api/v1/alarms/1/acknowledge", json={"by": "  Ann\nof the desk "})
    assert answer.status_code == 202
    told = answer.json()
    assert told["outcome"] == "done"
    assert told["alarm"]["state"] == "ACKNOWLEDGED"
    assert told["alarm"]["acknowledged_by"] == "Ann of the desk"
    assert client.post("/api/v1/alarms/1/acknowledge").json()["outcome"] == "nothing to acknowledge"


def test_without_a_name_it_was_done_at_this_computer(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    with farm.at_work():
        told = client.post("/api/v1/alarms/1/acknowledge").json()
    assert told["alarm"]["acknowledged_by"] == "at this computer"


def test_an_action_the_worker_has_not_come_to_waits(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    told = client.post("/api/v1/alarms/1/acknowledge").json()
    assert told["outcome"] is None
    assert told["alarm"]["state"] == "UNACKNOWLEDGED"
    farm.carry_out()
    assert get(client, "/alarms")["items"][-1]["state"] == "ACKNOWLEDGED"


def test_a_query_parameter_that_is_not_there_is_no_silent_answer_of_everything(
    farm: Farm, client: httpx.Client
) -> None:  # fmt: skip
    whole(farm)
    described = client.get("/api/v1/openapi.json").json()
    asked = 0
    for path, methods in described["paths"].items():
        if "get" not in methods or not path.startswith("/api/v1/"):
            continue
        known = sorted(one["name"] for one in methods["get"].get("parameters", ()) if one["in"] == "query")
        address = path.replace("{site}", "meadow").replace("{fan}", "north-3").replace("{number}", "1")
        answer = client.get(address, params={"sitee": "hill", "b": ""} | dict.fromkeys(known[:1], "1"))
        assert (answer.status_code, answer.headers["content-type"]) == (422, "application/problem+json"), path
        told = answer.json()
        assert [one["place"] for one in told["errors"]] == ["query.sitee", "query.b"]
        expected = f"one of: {', '.join(known)}" if known else "no query parameter"
        assert {one["expected"] for one in told["errors"]} == {expected}
        assert told["detail"].startswith('There are no query parameters "sitee", "b" here.')
        assert "422" in methods["get"]["responses"]
        asked += 1
    assert asked >= 15


@pytest.mark.parametrize("number", ["99", "0", "x", "99999999999999999999999"])
def test_alarms_that_are_not_there(farm: Farm, client: httpx.Client, number: str) -> None:
    whole(farm)
    assert client.post(f"/api/v1/alarms/{number}/acknowledge").status_code in (404, 422)


def test_a_planned_stop_becomes_a_row(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    path = "/api/v1/fans/meadow/north-3/planned-stop"
    assert client.post(path, json={"hours": 6, "why": "new bearings", "by": "Ann"}).status_code == 202
    (action,) = actions.undone(farm.database)
    assert (action.kind, action.site, action.by) == ("planned-stop", "meadow", "Ann")
    assert action.body == {"fan": "north-3", "until": (NOW + timedelta(hours=6)).isoformat(), "why": "new bearings"}
    farm.carry_out()
    assert client.post(path, json={}).status_code == 202
    assert actions.undone(farm.database)[0].kind == "withdraw-planned-stop"


def test_a_planned_stop_may_begin_later(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    path = "/api/v1/fans/meadow/north-3"
    assert get(client, "/fans/meadow/north-3")["planned_stop"] is None
    begins, ends = "2026-10-05T14:00:00Z", "2026-10-05T17:00:00Z"
    for body in ({"from": begins, "until": ends}, {"from": "2026-10-05T09:00:00-05:00", "hours": 3}):
        answer = client.post(f"{path}/planned-stop", json={**body, "why": "new bearings", "by": "Ann"})
        assert answer.status_code == 202
        farm.carry_out()
        assert get(client, "/fans/meadow/north-3")["planned_stop"] == {
            "from": begins, "until": ends, "by": "Ann", "why": "new bearings", "announced": rfc3339(NOW),
        }  # fmt: skip
    assert get(client, "/fans/meadow/north-4")["planned_stop"] is None
    client.post(f"{path}/planned-stop", json={"from": "2026-10-03T14:00:00Z", "hours": 3})  # has passed: from now
    (action,) = actions.undone(farm.database)
    assert "from" not in action.body and action.body["until"] == (NOW + timedelta(hours=3)).isoformat()


@pytest.mark.parametrize(
    "body", [{"hours": -1}, {"hours": 1e9}, {"until": "2026-10-04T01:00:00Z"}, {"until": "soon"},
             {"hours": 1, "until": "x"}, {"more": 1}, [], "x", {"from": "2026-10-05T14:00:00Z"},
             {"from": "2026-10-05T14:00:00Z", "until": "2026-10-05T14:00:00Z"}, {"from": "soon", "hours": 1},
             {"from": "2027-10-05T14:00:00Z", "hours": 1}, {"begin": "2026-10-05T14:00:00Z", "hours": 1}],
)  # fmt: skip
def test_planned_stops_that_cannot_be(farm: Farm, client: httpx.Client, body: Any) -> None:
    whole(farm)
    answer = client.post("/api/v1/fans/meadow/north-3/planned-stop", json=body)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"


def test_a_body_out_of_all_measure_is_refused(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    huge = b'{"by": "' + b"x" * 300_000 + b'"}'
    answer = client.post("/api/v1/alarms/1/acknowledge", content=huge, headers={"content-type": "application/json"})
    assert answer.status_code == 413


def test_the_api_describes_itself(client: httpx.Client) -> None:
    described = get(client, "/openapi.json")
    assert {
        "/api/v1/fans", "/api/v1/fans/{site}/{fan}", "/api/v1/fans/{site}/{fan}/readings", "/api/v1/alarms",
        "/api/v1/alarms/{number}/acknowledge", "/api/v1/fans/{site}/{fan}/planned-stop", "/api/v1/loggers",
        "/api/v1/fans/{site}/{fan}/service", "/api/v1/sites/{site}/tonight", "/api/v1/live", "/healthz", "/metrics",
        "/api/v1/alarms/figures", "/api/v1/alarms/{number}",
        "/api/v1/alarms/{number}/shelve", "/api/v1/alarms/{number}/unshelve",
        "/api/v1/out-of-service", "/api/v1/fans/{site}/{fan}/out-of-service",
        "/api/v1/fans/{site}/{fan}/return-to-service", "/api/v1/sites/{site}/out-of-service",
        "/api/v1/sites/{site}/return-to-service", "/api/v1/routes", "/api/v1/routes/{name}/test", "/api/v1/notices",
        "/api/v1/alarms/{number}/notices", "/api/v1/morning",
        "/api/v1/sites", "/api/v1/sites/{site}", "/api/v1/fans/{site}/{fan}/nameplate",
        "/api/v1/jobs", "/api/v1/jobs/{number}", "/api/v1/jobs/{number}/close", "/api/v1/jobs/{number}/drop",
        "/api/v1/fans/{site}/{fan}/jobs",
    } == set(described["paths"])  # fmt: skip


def test_estimates_without_degrees(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("north-3", THREE_PHASE)
    farm.reading("north-3")
    farm.estimate("north-3", None)
    fan = get(client, "/fans/meadow/north-3")
    assert fan["pitch"]["as_is"] is None and fan["pitch"]["as_is_why"] == "cannot say"
    farm.estimate("north-3", mild_overload(), plate=BARE)
    fan = get(client, "/fans/meadow/north-3")
    assert fan["pitch"]["options"] == []
    assert any("blade angle is not registered" in text for text in fan["words"])


def test_nothing_but_numbers_stands_where_json_has_numbers() -> None:
    from monitor.web.shapes import plain

    assert plain({"a": math.nan, "b": [math.inf, 1.5, None], "c": NOW}) == {
        "a": None,
        "b": [None, 1.5, None],
        "c": "2026-10-04T01:46:00Z",
    }


def test_a_limit_says_whether_its_voltages_are_of_now() -> None:
    motor = Motor(460, 3, 12.4, 1.15)
    item = {"volts": [470.0, 460.0, 450.0], "volts_from_supply": False, "supply": "panel", "unbalance_percent": 2.17}
    assert limit_of(item, motor).factors[-1].source.endswith("at 2.2 % unbalance, measured")
    assert limit_of(item | {"volts_from_supply": True}, motor).factors[-1].source.endswith("measured at panel")
    gone = limit_of(item | {"volts": [None] * 3}, motor).factors[-1].source
    assert gone.endswith("at 2.2 % unbalance, by the last voltages measured")
