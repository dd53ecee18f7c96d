"""Sites in the register: added on the way to a newcomer, changed without loss, every fault at its field."""

from __future__ import annotations

from dataclasses import replace

import httpx
import pytest

from monitor.records import register
from monitor.records.register import Site
from monitor.web import site_form
from tests.web.farm import Farm
from tests.web.page import Page, page

NEW = "/register/sites/new"
MEADOW = "/register/sites/meadow"


def site(farm: Farm, name: str = "meadow") -> Site:
    (found,) = register.sites(farm.database, [name])
    return found


def test_a_newcomers_unknown_site_is_added_on_the_way(farm: Farm, client: httpx.Client) -> None:
    farm.newcomer("x", {"amps": [12.0, 12.1, 12.2]}, site="ridge")
    on_loggers = page(client, "/loggers")
    link = f"{NEW}?site=ridge&fan=x"
    assert link in [attrs.get("href") for tag, attrs in on_loggers.tags if tag == "a"]
    form = page(client, link)
    values = {attrs["name"]: attrs.get("value") for tag, attrs in form.tags if tag == "input" and "name" in attrs}
    assert values == {"fan": "x", "site": "ridge", "name": "", "altitude": "", "supper": "17:00"}
    sent = {"site": "ridge", "fan": "x", "name": "Ridge farm", "time_zone": "America/Denver", "units": "us",
            "altitude": "4,300 ft".replace(",", ""), "altitude_unit": "ft", "supper": "17:30"}  # fmt: skip
    answer = client.post(NEW, data=sent)
    assert (answer.status_code, answer.headers["location"]) == (303, "/register/fans/new?site=ridge&fan=x")
    assert site(farm, "ridge") == Site("ridge", "Ridge farm", "America/Denver", 1310.64, "us", "17:30")
    assert "12.0 / 12.1 / 12.2 A" in page(client, answer.headers["location"]).text
    again = client.post(NEW, data=sent)
    assert again.status_code == 422 and "There is a site ridge already, Ridge farm." in again.text


def test_faults_of_a_site_stand_at_their_fields(farm: Farm, client: httpx.Client) -> None:
    sent = {"site": "My Farm", "time_zone": "Chicago", "units": "metric", "altitude": "high", "supper": "5 pm"}
    answer = client.post(NEW, data=sent)
    found = Page(answer.text)
    assert answer.status_code == 422
    marked = [attrs["name"] for _, attrs in found.tags if attrs.get("aria-invalid")]
    assert marked == ["site", "time_zone", "units", "altitude", "supper"]
    assert 'Expected feet above the sea, from -1411 to 16404, found "high".' in found.text
    assert register.sites(farm.database) == []
    for name, zone in (("new", "America/Chicago"), ("ridge", "")):
        assert client.post(NEW, data={"site": name, "time_zone": zone}).status_code == 422


def test_a_change_keeps_what_is_not_on_the_form_and_every_digit(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    before = replace(site(farm), altitude_m=251.3, conditions={"overload": {"on_delay_seconds": 60}})
    register.put_site(farm.database, before, farm.now)
    form = page(client, MEADOW)
    values = {attrs["name"]: attrs.get("value") or "" for tag, attrs in form.tags if tag == "input" and "name" in attrs}
    assert values["altitude"] == "824"
    assert "America/Chicago, where it is 20:46 CDT now" in form.text and "overload" in form.text
    sent = values | {"time_zone": "America/New_York", "units": "us", "altitude_unit": "ft", "supper": "18:15:00"}
    assert client.post(MEADOW, data=sent).headers["location"] == f"{MEADOW}?saved=1"
    assert site(farm) == replace(before, time_zone="America/New_York", supper="18:15")
    assert "where it is 21:46 EDT now" in page(client, f"{MEADOW}?saved=1").text
    client.post(MEADOW, data=sent | {"altitude": "300", "altitude_unit": "m"})
    assert site(farm).altitude_m == 300.0
    page(client, "/register/sites/other", 404)


@pytest.mark.parametrize("zone", ["America/Chicago", "Europe/Berlin", "UTC"])
def test_zones_to_choose_from_begin_with_those_of_the_other_sites(zone: str) -> None:
    likely, every = site_form.zones([Site("a", "", zone, 0.0, "us", "17:00")])
    assert likely[0] == zone and "America/Denver" in likely and len(likely) == len(set(likely))
    assert len(every) > 300 and {"America/Chicago", "Australia/Perth", "UTC"} <= set(every)
    assert not [one for one in every if one.startswith(("Etc/", "posix", "US/"))]
