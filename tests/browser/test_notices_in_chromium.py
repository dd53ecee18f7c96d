"""From the text of a notice to the acknowledged alarm on a phone; the page Notices on phone and desk."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from monitor.alarms.alarm import Alarm
from monitor.records import acknowledge_links, outbox
from monitor.records.rows import to_ms
from monitor.web.app import create_app
from monitor.web.routes_shown import RouteShown
from monitor.web.server import WebServer
from tests.browser.conftest import CHROMIUM, QUIET
from tests.browser.test_places import CONTRASTS, PRESSED
from tests.web.farm import Farm
from tests.web.notices import PUBLIC, of_the_service, tell, worker_at_work

pytestmark = pytest.mark.browser

ROUTES = (
    RouteShown("farm", ("meadow",), ("high", "highest"), ("mailto://mail.example", "sinch://...")),
    RouteShown("desk", (), (), ("webhook+https://desk.example",), True, 15, ("21:00", "06:00"), "07:00"),
)
MINUTE = timedelta(minutes=1)


@pytest.fixture
def key(farm: Farm) -> bytes:
    return acknowledge_links.key(farm.database)


@pytest.fixture
def server(farm: Farm, key: bytes) -> Iterator[WebServer]:
    app = create_app(
        farm.database, now=lambda: datetime.now(UTC), public_url=PUBLIC, link_key=key, routes=ROUTES
    )  # fmt: skip
    running = WebServer(app, "127.0.0.1", 0)
    running.start()
    yield running
    running.stop()


@pytest.fixture
def out_there(chromium: Any, server: WebServer) -> Iterator[Any]:
    """A browser for which the public name leads here, as a proxy would have it."""
    port = server.address.rpartition(":")[2]
    rules = f"--host-resolver-rules=MAP farm.example 127.0.0.1:{port}"
    browser = chromium.browser_type.launch(
        executable_path=CHROMIUM, args=[*QUIET, rules]
    )  # fmt: skip
    yield browser
    browser.close()


@contextmanager
def opened(browser: Any, address: str, width: int = 390, **options: Any) -> Iterator[Any]:
    """A page of a phone, or of a desk; what its console complains of fails the test."""
    context = browser.new_context(viewport={"width": width, "height": 844}, has_touch=width < 800, **options)
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda said: complaints.append(said.text) if said.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(address)
    yield page
    context.close()
    # Out there it is plain HTTP here, for want of a certificate, and Chromium says so.
    assert [one for one in complaints if "status of 4" not in one and "URL's origin was untrustworthy" not in one] == []


def standing(farm: Farm, fan: str = "north-3") -> Alarm:
    return next(one for one in farm.alarms.values() if one.fan == fan and one.state.stands)


def link_in(text: str) -> str:
    """As a phone finds it in an SMS; over plain HTTP, as there is no certificate here."""
    (found,) = re.findall(r"https://\S+", text)
    return str(found).replace("https://", "http://")


def test_from_the_text_of_a_notice_by_one_tap(farm: Farm, key: bytes, out_there: Any, pictures: Path) -> None:
    (notice,) = tell(farm, standing(farm), link=key)
    address = link_in(notice.short)
    with (
        worker_at_work(farm.database, farm.now),
        opened(out_there, address, java_script_enabled=False) as page,
        opened(out_there, address) as left_open,
    ):
        assert page.locator("h1").inner_text() == "north-3: over its limit"
        assert page.locator("button").count() == 1
        page.screenshot(path=pictures / "acknowledge-standing-390.png", full_page=True)
        page.get_by_label("Your name").fill("Ann")
        page.get_by_role("button", name="Acknowledge").tap()
        page.wait_for_url(address)
        page.locator("h1", has_text="Acknowledged").wait_for()
        assert "Ann, by link to farm" in page.locator(".answer").inner_text()
        assert page.locator("button").count() == 0
        page.screenshot(path=pictures / "acknowledge-used-390.png", full_page=True)
        left_open.get_by_role("button", name="Acknowledge").tap()  # the second tap, on a page that was left open
        left_open.locator("h1", has_text="Acknowledged").wait_for()
        assert "Ann, by link to farm" in left_open.locator(".answer").inner_text()
        assert "used up" in left_open.locator(".answer").inner_text()


def looked_at(page: Any, picture: Path) -> None:
    """On a phone and at a desk, by day and by night: it fits, can be read, and pressed by a thumb."""
    for width in (390, 1280):
        page.set_viewport_size({"width": width, "height": 844})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert [one for one in page.evaluate(PRESSED) if one[1] < 43.9] == []
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            assert [one for one in page.evaluate(CONTRASTS) if one[0] < 4.5] == []
            if "PICTURES" in os.environ:  # they take as long as all else
                page.screenshot(path=picture.with_stem(f"{picture.stem}-{width}-{scheme}"), full_page=True)


def test_the_page_of_a_link_fits_and_can_be_read(
    farm: Farm, key: bytes, server: WebServer, chromium: Any, pictures: Path
) -> None:
    alarms = [standing(farm, "north-6"), standing(farm), standing(farm, "north-4")]
    (several,) = tell(farm, *alarms, link=key)
    where = {
        "several": acknowledge_links.link_for(server.address, several.id, key),
        "foreign": f"{server.address}/a/x",
    }
    for name, address in where.items():
        with opened(chromium, address) as page:
            looked_at(page, pictures / f"acknowledge-{name}.png")


def history(farm: Farm) -> None:
    """Notices of an evening: delivered at once, late, waiting, given up."""
    alarm = standing(farm)

    def tried(notice_id: str, at: datetime, *outcomes: str, last: str) -> None:
        for number, outcome in enumerate(outcomes):
            at_ms = to_ms(at + number * MINUTE)
            ends = number + 1 == len(outcomes) and last != "waiting"
            detail = "HTTP 503 Service Unavailable" if outcome == "refused" else ""
            outbox.record_try(
                farm.database, notice_id, at_ms, outcome, detail, None if ends else at_ms + 600_000,
                delivered=ends and last == "delivered", failed=ends and last == "failed",
            )  # fmt: skip

    ago = [farm.now - minutes * MINUTE for minutes in (200, 90, 34, 19, 5, 2)]
    for place, one in enumerate(tell(farm, alarm, addresses=2, at=ago[0])):
        tried(one.id, ago[0], "delivered", last="delivered") if place == 0 else tried(
            one.id, ago[0], "no answer", "refused", "no answer", last="failed"
        )
    (late,) = tell(farm, alarm, route="desk", at=ago[1])
    tried(late.id, ago[1], "refused", "refused", "delivered", last="delivered")
    for one in tell(farm, alarm, standing(farm, "north-6"), addresses=2, at=ago[2]):
        tried(one.id, ago[2], "delivered", last="delivered")
    (waits,) = tell(farm, alarm, route="desk", at=ago[3])
    tried(waits.id, ago[3], "no answer", last="waiting")
    of_the_service(farm)


def test_the_page_notices_fits_and_can_be_read(farm: Farm, server: WebServer, chromium: Any, pictures: Path) -> None:
    for name in ("healthy", "failed"):
        if name == "failed":
            history(farm)
        else:
            (one,) = tell(farm, standing(farm, "north-5"))
            outbox.record_try(farm.database, one.id, to_ms(farm.now), "delivered", "", delivered=True)
        with opened(chromium, server.address + "/notices") as page:
            looked_at(page, pictures / f"notices-{name}.png")


def test_a_fan_s_page_says_who_was_told(farm: Farm, server: WebServer, chromium: Any, pictures: Path) -> None:
    history(farm)
    with opened(chromium, server.address + "/fans/meadow/north-3") as page:
        said = page.locator("[data-fold=alarms] .told").first.inner_text()
        assert said.startswith("Told to farm ") and "desk" in said
        page.locator("[data-fold=alarms]").screenshot(path=pictures / "told-390.png")


def test_without_a_route_it_says_how_to_make_one(farm: Farm, chromium: Any, pictures: Path) -> None:
    terminal = RouteShown("terminal", (), (), ("terminal:",), True, in_settings=False)
    app = create_app(farm.database, now=lambda: datetime.now(UTC), routes=[terminal])
    running = WebServer(app, "127.0.0.1", 0)
    running.start()
    try:
        with opened(chromium, running.address + "/notices") as page:
            assert page.get_by_text("No route is set up: nobody is called.").is_visible()
            looked_at(page, pictures / "notices-none.png")
    finally:
        running.stop()
