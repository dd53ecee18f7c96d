"""What operators do with alarms through the API: shelve, out of service, and the life of one alarm."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import httpx
import pytest

from monitor.records import actions
from monitor.records.commit import Batch, commit
from monitor.records.out_of_service import REMOVED, RETURNED, ServiceChange
from tests.web.farm import Farm, whole

ALARMS = "/api/v1/alarms"


def asked_for(farm: Farm) -> list[tuple[str, str, dict[str, Any], str]]:
    return [(one.kind, one.site, dict(one.body), one.by) for one in actions.undone(farm.database)]


def test_shelving_is_an_action_with_end_person_and_reason(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    body = {"hours": 4, "why": " grain\nis damp ", "by": "Ann"}
    with farm.at_work():
        answer = client.post(f"{ALARMS}/1/shelve", json=body)
        assert (answer.status_code, answer.json()["outcome"]) == (202, "done")
        shelved = answer.json()["alarm"]
        assert (shelved["suppression"], shelved["suppressed_until"]) == ("SHELVED", "2026-10-04T05:46:00Z")
        assert (shelved["suppressed_by"], shelved["suppressed_why"]) == ("Ann", "grain is damp")
        answer = client.post(f"{ALARMS}/1/unshelve", json={"by": "Ben"})
        assert answer.json()["outcome"] == "done" and answer.json()["alarm"]["suppression"] is None
    life = client.get(f"{ALARMS}/1").json()["changes"]
    assert [(one["cause"], one["by"], one["why"]) for one in life] == [
        ("raised", None, None), ("shelved", "Ann", "grain is damp"), ("unshelved", "Ben", None),
    ]  # fmt: skip
    assert life[1]["until"] == "2026-10-04T05:46:00Z"


@pytest.mark.parametrize(
    ("body", "place"),
    [
        ({"hours": 4}, "why"),
        ({"hours": 4, "why": " "}, "why"),
        ({"why": "known"}, "hours"),
        ({"hours": 4, "until": "2026-10-04T05:00:00Z", "why": "known"}, "hours"),
        ({"until": "2026-10-04T01:00:00Z", "why": "known"}, "until"),
        ({"until": "2026-10-12T01:00:00Z", "why": "known"}, "until"),
        ({"until": "morning", "why": "known"}, "until"),
        ({"hours": 169, "why": "known"}, "hours"),
    ],
)
def test_a_shelf_without_an_end_or_a_reason_is_refused_with_the_place(
    farm: Farm, client: httpx.Client, body: dict[str, Any], place: str
) -> None:
    whole(farm)
    answer = client.post(f"{ALARMS}/1/shelve", json=body)
    assert answer.status_code == 422 and place in answer.json()["errors"][0]["place"]
    assert asked_for(farm) == []


def test_what_the_reader_does_not_have_is_not_found(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    why = {"hours": 1, "why": "x"}
    assert client.post(f"{ALARMS}/99/shelve", json=why).status_code == 404
    assert client.post(f"{ALARMS}/99/unshelve").status_code == 404
    assert client.get(f"{ALARMS}/99").status_code == 404
    for path in ("fans/meadow/nobody", "fans/nowhere/north-3", "sites/nowhere"):
        assert client.post(f"/api/v1/{path}/out-of-service", json={"why": "x"}).status_code == 404
        assert client.post(f"/api/v1/{path}/return-to-service").status_code == 404
    assert asked_for(farm) == []


def test_out_of_service_is_an_action_of_a_fan_or_a_site(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    sent: list[tuple[str, dict[str, Any]]] = [
        ("fans/meadow/north-3/out-of-service", {"days": 2, "why": "bearings", "by": "Ann"}),
        ("sites/meadow/out-of-service", {"until": "2027-06-01T00:00:00Z", "why": "season over"}),
        ("sites/hill/out-of-service", {"why": "season over"}),
        ("fans/meadow/north-3/return-to-service", {"by": "Ben"}),
        ("sites/meadow/return-to-service", {}),
    ]
    for path, body in sent:
        answer = client.post(f"/api/v1/{path}", json=body)
        assert (answer.status_code, answer.json()["outcome"]) == (202, None)
    here = "at this computer"
    assert asked_for(farm) == [
        (
            "out-of-service",
            "meadow",
            {"fan": "north-3", "until": "2026-10-06T01:46:00+00:00", "why": "bearings"},
            "Ann",
        ),
        ("out-of-service", "meadow", {"fan": None, "until": "2027-06-01T00:00:00+00:00", "why": "season over"}, here),
        ("out-of-service", "hill", {"fan": None, "until": None, "why": "season over"}, here),
        ("return-to-service", "meadow", {"fan": "north-3"}, "Ben"),
        ("return-to-service", "meadow", {"fan": None}, here),
    ]
    for body in ({}, {"why": "x", "until": "2026-10-01T00:00:00Z"}, {"why": "x", "days": 2, "until": "2026-11-01"}):
        assert client.post("/api/v1/sites/meadow/out-of-service", json=body).status_code == 422


def test_fans_tell_that_they_are_out_of_service_by_themselves_or_with_their_site(
    farm: Farm, client: httpx.Client
) -> None:
    whole(farm)
    until = farm.now + timedelta(days=2)
    removed = ServiceChange("meadow", "north-3", REMOVED, farm.now, until, "Ann", "bearings", None)
    over = ServiceChange("hill", None, REMOVED, farm.now, None, "Ann", "season over", None)
    back = ServiceChange("meadow", None, RETURNED, farm.now, None, "Ann", "", None)
    commit(farm.database, Batch(out_of_service=[replaced(back, REMOVED), removed, over, back]))
    found = {item["fan"]: item["out_of_service"] for item in client.get("/api/v1/fans").json()["items"]}
    assert found["north-4"] is None
    assert found["north-3"] == {
        "since": "2026-10-04T01:46:00Z", "until": "2026-10-06T01:46:00Z", "by": "Ann", "why": "bearings",
        "whole_site": False,
    }  # fmt: skip
    assert found["barn"]["whole_site"] is True and found["barn"]["until"] is None
    assert client.get("/api/v1/fans/hill/barn").json()["out_of_service"] == found["barn"]
    listed = client.get("/api/v1/out-of-service").json()["items"]
    assert [(one["site"], one["fan"]) for one in listed] == [("hill", None), ("meadow", "north-3")]
    assert client.get("/api/v1/out-of-service?site=meadow").json()["items"] == listed[1:]


def replaced(change: ServiceChange, what: str) -> ServiceChange:
    return ServiceChange(change.site, change.fan, what, change.at, None, change.by, "season over", None)
