"""Which fans the page shows: by site, free words and state, and what it says where nothing fits."""

from __future__ import annotations

import re

import httpx
import pytest

from tests.web.farm import BARE, THREE_PHASE, Farm, in_danger, whole
from tests.web.page import Page, page


def shown(found: Page) -> list[str]:
    return [str(tags["data-fan"]) for _, tags in found.tags if "data-fan" in tags]


@pytest.mark.parametrize(
    ("query", "fans"),
    [
        ("words=north", ["meadow/north-3", "meadow/north-4"]),
        ("words=NORTH++bin+4", ["meadow/north-4"]),  # each word, wherever it stands
        ("words=hill", ["hill/barn"]),
        ("words=panel-9", ["meadow/west-2"]),
        ("site=meadow&words=farm+west", ["meadow/west-2", "meadow/west-1"]),  # of the site's name and the fan's
        ("words=3meadow", []),  # no word is found across two names
        ("state=stopped", ["meadow/south-2"]),
        ("state=running&words=", ["hill/barn", "meadow/south-1", "meadow/west-2"]),
        ("site=hill&state=stopped", []),
    ],
)
def test_filters_leave_what_fits(farm: Farm, client: httpx.Client, query: str, fans: list[str]) -> None:
    whole(farm)
    farm.fan("west-2", BARE + '[fan]\nsupply = "panel-9"\n')
    farm.reading("west-2", (5.0, 5.0, 5.0))
    assert shown(page(client, f"/?{query}")) == fans


def test_each_state_is_a_link_with_how_many_are_in_it(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    in_danger(farm)
    found = page(client, "/?site=meadow&words=north")
    links = dict(re.findall(r'<a href="([^"]+)">(\d+ [a-z ]+)</a>', client.get("/?site=meadow&words=north").text))
    assert list(links.values()) == ["1 about to trip", "1 tripped", "1 over its limit", "1 near its limit"]
    for path, told in links.items():
        there = page(client, path.replace("&amp;", "&"))
        assert len(shown(there)) == int(told.split()[0])
        assert f"{told}any state" not in there.text and told in there.text
        # The other states stay, and the form keeps what was chosen.
        assert {told for told in links.values() if told in there.text} == set(links.values())
        fields = {str(tags.get("name")): tags.get("value") for tag, tags in there.tags if tag == "input"}
        assert fields == {"words": "north", "state": told.split(" ", 1)[1]}
    assert shown(found)[:2] == ["meadow/north-5", "meadow/north-6"]


@pytest.mark.parametrize(
    ("query", "told", "ways"),
    [
        ("words=nobody", "No fan matches “nobody”.", {"All fans": "/"}),
        (
            "site=hill&words=x&state=stopped",
            "No fan matches “x” at Hill and is in the state “stopped” now.",
            {"In any state": "/?site=hill&words=x", "At all sites": "/?words=x&state=stopped",
             "All fans of this site": "/?site=hill", "All fans": "/"},
        ),
        ("state=tripped", "No fan is in the state “tripped” now.", {"All fans": "/"}),
    ],
)  # fmt: skip
def test_where_none_fits_there_is_a_way_back(
    farm: Farm, client: httpx.Client, query: str, told: str, ways: dict[str, str]
) -> None:
    whole(farm)
    assert told in page(client, f"/?{query}").text
    said = client.get(f"/?{query}").text
    said = said[said.index('<ul class="ways">') :]
    for words, path in ways.items():
        assert f'<a href="{path.replace("&", "&amp;")}">{words}</a>' in said
        page(client, path)
    assert said.count("<a href", 0, said.index("</ul>")) == len(ways)


def test_what_no_filter_can_be_is_told(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    assert "The states are: about to trip, tripped" in page(client, "/?state=broken", 404).text
    assert client.get("/", params={"words": "x" * 101}).status_code == 422
    hostile = '"><script>alert(1)</script>'
    assert "<script>alert" not in client.get("/", params={"words": hostile}).text
    assert f"No fan matches “{hostile}”." in page(client, f"/?words={hostile}").text


def test_a_site_without_fans_says_how_to_begin_and_the_way_to_the_others(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    farm.site("dell", "Dell")
    found = page(client, "/?site=dell")
    assert "No fan of this site is in the register." in found.text and "A first reading" in found.text
    assert ("a", {"class": "jump", "href": "/"}) in found.tags


@pytest.mark.parametrize("accepted", ["gzip, br", "identity", "gzip;q=0"])
def test_the_page_is_compressed_for_browsers_that_take_it(farm: Farm, client: httpx.Client, accepted: str) -> None:
    whole(farm)
    with client.stream("GET", "/", headers={"accept-encoding": accepted}) as answer:
        sent = b"".join(answer.iter_raw())
    assert answer.headers["vary"] == "accept-encoding"
    assert answer.headers["content-length"] == str(len(sent))
    assert answer.headers.get("content-encoding") == ("gzip" if accepted == "gzip, br" else None)
    assert (len(sent) < 5000) == (accepted == "gzip, br")
    assert "north-3" in page(client, "/").text


def test_what_changes_in_the_register_is_shown_at_once(farm: Farm, client: httpx.Client) -> None:
    """The register is kept in memory between two looks; every edit must be seen by the next one."""
    from monitor.records import register

    farm.site()
    farm.fan("north-3")
    assert shown(page(client, "/?words=crib")) == []
    farm.fan("north-3", THREE_PHASE.replace('"bin 3"', '"crib 7"'))
    assert shown(page(client, "/?words=crib")) == ["meadow/north-3"]
    farm.site("meadow", "Crib yard")
    farm.fan("north-4")
    assert shown(page(client, "/?words=crib")) == ["meadow/north-3", "meadow/north-4"]
    register.remove(farm.database, "meadow", "north-3", by="Ann", now=farm.now)
    assert shown(page(client, "/?words=crib")) == ["meadow/north-4"]
