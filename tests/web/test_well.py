"""The sentence above the list of fans: what it says in each case, and that it never calls well what nobody watches."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.records.commit import Batch, commit
from monitor.records.fan_list import Seen
from monitor.records.look import STATES
from monitor.records.look_alarms import Stands
from monitor.records.out_of_service import REMOVED, ServiceChange
from monitor.web.server import WebServer
from monitor.web.well import Well, in_one_sentence, not_watched
from tests.web.farm import Farm, in_danger, whole
from tests.web.page import page

NOW = datetime(2026, 10, 5, 7, 10, tzinfo=UTC)  # ten past two at the farm
AT_02_08 = int((NOW - timedelta(minutes=2)).timestamp() * 1000)
ZONES = {"meadow": ZoneInfo("America/Chicago"), "hill": ZoneInfo("America/Chicago")}


def stands(condition: str, *, held: bool = False, acknowledged: bool = False, shared: bool = False) -> Stands:
    return Stands(condition, AT_02_08, held, acknowledged, shared)


def one(state: str, *alarms: Stands, fan: str = "north-3", out: bool = False, site: str = "meadow") -> Seen:
    return Seen(site, fan, state, alarms, out)


def running(count: int) -> list[Seen]:
    return [one("running", fan=f"south-{at}") for at in range(count)]


def say(fans: list[Seen], *beside: Stands, trouble: str = "", names: dict[str, str] | None = None) -> tuple[str, str]:
    told = in_one_sentence(fans, beside, ZONES, names or {}, NOW, trouble)
    return f"{told.head} {told.rest}".strip(), told.tone


OVER = one("over its limit", stands("overload"))
TRIPPED = one("tripped", stands("tripped"), stands("stopped"), fan="north-6")
NOT_HEARD = one("not heard", stands("logger-overdue"), fan="north-7")
NEAR = one("near its limit", fan="north-4")
STOPPED = one("stopped", stands("stopped"), fan="north-8")
PLANNED = one("stopped", stands("stopped", held=True), fan="north-8")
UNBALANCED = one("running", stands("voltage-unbalance"), fan="north-9")


@pytest.mark.parametrize(
    ("fans", "beside", "text", "tone"),
    [
        (running(12), (), "All 12 fans are watched and none is over or near its limit.", "good"),
        ([*running(11), one("stopped")], (),
         "All 12 fans are watched and none is over or near its limit; 1 stands still.", "good"),
        ([*running(11), PLANNED], (),
         "All 12 fans are watched and none is over or near its limit; 1 stands still.", "good"),
        ([one("stopped"), PLANNED], (), "Both fans are watched and stand still.", "good"),
        (running(1), (), "The fan south-0 is watched and is not near its limit.", "good"),
        ([*running(11), UNBALANCED], (),
         "All 12 fans are watched and none is over or near its limit. 1 other alarm stands.", "near"),
        (running(2), (stands("cold-night", shared=True),),
         "Both fans are watched and none is over or near its limit. 1 other alarm stands.", "near"),
        ([OVER, *running(10), NOT_HEARD], (),
         "1 fan needs you: north-3 is over its limit since 02:08 CDT. 10 others are well, 1 is not heard (north-7).",
         "over"),
        ([one("over its limit", stands("overload", acknowledged=True)), *running(1)], (),
         "1 fan needs you: north-3 is over its limit since 02:08 CDT (acknowledged). 1 other is well.", "over"),
        ([one("over its limit")], (), "1 fan needs you: north-3 is over its limit.", "over"),  # before its on-delay
        ([TRIPPED, OVER, NEAR], (),
         ("2 fans need you: north-6 has tripped since 02:08 CDT, north-3 is over its limit since 02:08 CDT. "
          "1 is near its limit (north-4)."), "over"),
        ([STOPPED], (), "1 fan needs you: north-8 stands still unplanned since 02:08 CDT.", "over"),
        ([one("stopped", stands("supply-lost", shared=True), fan=f"east-{at}") for at in range(5)],
         (stands("supply-lost", shared=True),),
         "5 fans need you: east-0, east-1 and 3 more are without supply.", "over"),
        ([*running(3), NEAR, UNBALANCED], (),
         "Of 5 fans 1 is near its limit (north-4), 4 are not near their limit. 1 other alarm stands.", "near"),
        ([*running(1), NOT_HEARD], (), "Of 2 fans 1 is not heard (north-7), 1 is well.", "off"),
        ([NOT_HEARD] * 3, (stands("site-silent", shared=True),), "All 3 fans are not heard.", "off"),
        ([one("no readings yet")], (), "The fan north-3 is without readings yet.", "off"),
        ([one("no usable amps"), *running(1)], (), "Of 2 fans 1 is without usable amps (north-3), 1 is well.", "off"),
        ([one("tripped", stands("tripped"), out=True), one("not heard", out=True)], (),
         "Both fans are out of service.", "off"),
        ([one("running", out=True), *running(1)], (), "Of 2 fans 1 is out of service (north-3), 1 is well.", "off"),
        # One that has tripped and runs again waits to be acknowledged.
        ([one("running", stands("tripped"))], (),
         "The fan north-3 is watched and is not near its limit. 1 other alarm stands.", "near"),
    ],
)  # fmt: skip
def test_what_it_says(fans: list[Seen], beside: tuple[Stands, ...], text: str, tone: str) -> None:
    assert say(fans, *beside) == (text, tone)


def test_where_nothing_is_watched_it_says_that_first() -> None:
    trouble = "the broker is away for 3 min: connection refused"
    told = f"The fans are not watched now: {trouble}. What stands here is what was last heard."
    assert say(running(12), trouble=trouble) == (told, "off")
    by_that = " By that, 1 fan needs you: north-3 is over its limit since 02:08 CDT."
    assert say([OVER], trouble=trouble) == (told + by_that, "over")


def test_of_several_sites_it_says_where() -> None:
    names = {"meadow": "Meadow farm", "hill": "Hill"}
    assert say([OVER], names=names)[0].startswith("1 fan at Meadow farm needs you: north-3 is over its limit since")
    both = [OVER, one("tripped", stands("tripped"), fan="barn", site="hill")]
    assert (
        "north-3 at Meadow farm is over its limit since 02:08 CDT, barn at Hill has tripped"
        in say(both, names=names)[0]
    )


@pytest.mark.parametrize(
    ("health", "words"),
    [
        ({}, ""),
        ({"late": [], "broker_connected": True}, ""),
        (
            {
                "late": [
                    "disk: 3.0 % free",
                    "notices: nobody is reached by route farm",
                    "delivery: its thread has ended",
                ]
            },
            "",
        ),
        ({"late": ["worker: it has not gone round for 40 s"]}, "the watch has not gone round for 40 s"),
        ({"late": ["worker: its thread has ended"]}, "a part of the service has ended"),
        (
            {"late": ["commit: nothing could be stored for 90 s: disk full"]},
            "nothing could be stored for 90 s: disk full",
        ),
        ({"late": ["clock: it is behind"]}, "the clock of this computer is behind"),
        ({"late": ["readings: nothing is heard of 12 running fans"]}, "nothing is heard of 12 running fans"),
        ({"late": [], "broker_connected": False, "broker": "no answer from b:1883"}, "no answer from b:1883"),
    ],
)
def test_what_of_the_service_means_that_nothing_is_watched(health: dict[str, Any], words: str) -> None:
    assert not_watched(health) == words


ALARMS = ("overload", "tripped", "stopped", "logger-overdue", "supply-lost", "low-margin", "voltage-low", "trip-near")


@given(
    st.lists(
        st.builds(
            Seen, st.just("meadow"), st.just("f"), st.sampled_from(STATES),
            st.lists(st.builds(stands, st.sampled_from(ALARMS), held=st.booleans(), acknowledged=st.booleans(),
                               shared=st.booleans()), max_size=2).map(tuple), st.booleans(),
        ), min_size=1, max_size=6,
    ),
    st.sampled_from(("", "the watch has ended")),
)  # fmt: skip
def test_never_good_unless_each_fan_is_watched_and_free(fans: list[Seen], trouble: str) -> None:
    told: Well = in_one_sentence(fans, (), ZONES, {}, NOW, trouble)
    text = f"{told.head} {told.rest}".strip()
    fine = all(fan.state in ("running", "stopped") and not fan.out for fan in fans)
    assert text.endswith(".")
    if trouble:
        assert told.tone != "good" and "are watched" not in text and "well" not in text
    elif not fine:
        assert told.tone != "good" and "are watched" not in text


def test_the_page_says_it_of_all_fans_whatever_is_looked_for(
    farm: Farm, client: httpx.Client, server: WebServer
) -> None:
    whole(farm)
    in_danger(farm)
    expected = (
        "4 fans at Meadow farm need you: north-5 is about to trip, north-6 has tripped, north-3 is over its limit, "
        "south-2 stands still unplanned. 2 others are well, 1 is near its limit (north-4), 1 is not heard (south-3), "
        "1 is without readings yet (west-1)."
    )
    for path in ("/", "/?words=south", "/?state=stopped"):
        text = page(client, path).text
        assert expected in text, text[:600]
        assert "As of 20:46 CDT." in text
    assert "4 fans need you: north-5 is about" in page(client, "/?site=meadow").text
    commit(
        farm.database, Batch(out_of_service=[ServiceChange("meadow", None, REMOVED, farm.now, None, "Ann", "x", None)])
    )
    assert "are out of service" in page(client, "/?site=meadow").text
    server._app.state.health = lambda: {"late": ["worker: it has not gone round for 40 s"]}
    assert "The fans are not watched now: the watch has not gone round for 40 s." in page(client, "/").text
