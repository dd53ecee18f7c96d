"""What a phone shows when the service cannot be reached: the last known pages, marked as old, of nobody else."""

from __future__ import annotations

import contextlib
import json
import re
import struct
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from playwright import sync_api

from monitor.records import sessions
from monitor.web import installed
from monitor.web.door import COOKIE
from tests.browser.places import ATTEND, Place, at
from tests.browser.test_in_chromium import until_page
from tests.browser.test_places import world as world  # the same furnished farm

pytestmark = pytest.mark.browser

STATIC = Path(installed.__file__).parent / "static"
KEPT = """async () => {
  const found = [];
  for (const name of await caches.keys()) {
    if (!name.startsWith("pages-")) continue;
    for (const one of await (await caches.open(name)).keys()) found.push(new URL(one.url).pathname);
  }
  return found.sort();
}"""
READY = "async () => { await navigator.serviceWorker.ready; return navigator.serviceWorker.controller !== null; }"


def keeps(page: Any, *paths: str) -> None:
    """Waits until exactly these pages are kept."""
    until_page(page, lambda: page.evaluate(KEPT) == sorted(paths))


def says(page: Any, end: str) -> None:
    """Waits until it is said that the page is old, with these words at the end; "": that nothing is."""
    text = re.compile(f"^Shown as of .*{re.escape(end)}$") if end else ""
    sync_api.expect(page.locator("#stale")).to_have_text(text, timeout=60_000)


def test_the_last_known_pages_are_shown_without_a_connection(chromium: Any, world: Any, pictures: Path) -> None:
    with at(chromium, world, quiet=False, place=Place("", "/", ATTEND)) as page:
        address = world.address(Place("", "", ATTEND))
        until_page(page, lambda: page.evaluate(READY))
        keeps(page, "/")  # though it was opened before there was a worker
        for path in ("/fans/meadow/north-3", "/alarms", "/loggers", "/notices", "/account", "/review"):
            page.goto(address + path)
        keeps(page, "/", "/fans/meadow/north-3", "/alarms")
        page.context.set_offline(True)
        for path, words in (("/", "north-5"), ("/fans/meadow/north-3", "over its limit"), ("/alarms", "Held back")):
            page.goto(address + path)
            says(page, ", no connection")
            assert page.locator("#stale").inner_text().startswith("Shown as of ")
            assert words in page.locator("main").inner_text()
            assert page.locator("form:visible").count() == 0, "nothing can be sent"
            page.screenshot(path=pictures / f"kept{path.replace('/', '-')}-390.png")
        page.clock.set_fixed_time(datetime.now(UTC) + timedelta(hours=6))  # kept six hours ago: so old are its readings
        page.goto(address + "/fans/meadow/north-3")
        page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
        sync_api.expect(page.locator(".answer [data-live=heard]")).to_have_text(
            re.compile("^Reading 6 h"), timeout=60_000
        )
        page.clock.set_fixed_time(datetime.now(UTC))
        page.goto(address + "/loggers")
        assert page.locator("h1").inner_text() == "No connection to the service"
        page.screenshot(path=pictures / "no-connection-390.png")
        page.get_by_role("link", name="meadow/north-3").click()
        sync_api.expect(page.locator("h1")).to_have_text(re.compile("^north-3"), timeout=60_000)
        page.context.set_offline(False)
        says(page, "")
        page.context.clear_cookies()
        page.goto(address + "/alarms")  # the session is over: nothing stays that it had shown
        assert page.url.startswith(address + "/sign-in")
        keeps(page)


@pytest.mark.parametrize("how", ["signs out", "signs in anew"])
def test_nothing_is_kept_for_somebody_else(chromium: Any, world: Any, how: str) -> None:
    with at(chromium, world, quiet=False, place=Place("", "/", ATTEND)) as page:
        address = world.address(Place("", "", ATTEND))
        until_page(page, lambda: page.evaluate(READY))
        keeps(page, "/")
        page.goto(address + "/fans/meadow/north-3")
        keeps(page, "/", "/fans/meadow/north-3")
        if how == "signs out":
            page.goto(address + "/account")
            page.get_by_role("button", name="Sign out", exact=True).click()
            page.wait_for_url("**/sign-in")
            keeps(page)
        else:  # another session in the same browser, of which no worker was told
            made = sessions.begin(world.databases["accounts"], world.people["hill-look"], world.now)
            page.context.add_cookies([{"name": COOKIE, "value": made, "url": address}])
            page.goto(address + "/alarms")
            keeps(page, "/alarms")
        page.context.set_offline(True)
        # Signed out, not even the worker stays (Clear-Site-Data): the browser itself says that there is no connection.
        before = page.url
        with contextlib.suppress(sync_api.Error):
            page.goto(address + "/fans/meadow/north-3")
        shown = ""

        def arrived() -> bool:  # the browser's own page comes a moment after the failure it tells of
            nonlocal shown
            with contextlib.suppress(sync_api.Error):
                shown = page.content()
                return bool(page.url != before)
            return False

        until_page(page, arrived)
        assert "north-3" not in shown
        assert how == "signs out" or page.locator("h1").inner_text() == "No connection to the service"


def test_a_page_left_open_says_that_it_has_grown_old(chromium: Any, world: Any, pictures: Path) -> None:
    with at(chromium, world, quiet=False, place=Place("", "/", ATTEND)) as page:
        page.wait_for_timeout(300)
        assert page.locator("#stale").inner_text() == ""
        page.context.set_offline(True)
        says(page, ", no connection")
        then = "getComputedStyle(document.querySelector('[data-stream] .state'), '::before').content"
        assert page.evaluate(then) == '"then: "'
        page.screenshot(path=pictures / "grown-old-390.png")
        page.context.set_offline(False)
        says(page, "")


def test_what_a_phone_missed_in_its_sleep_is_told_when_it_wakes(chromium: Any, world: Any) -> None:
    """Clocks of a page go on while it sleeps and its timers do not."""
    context = chromium.new_context(viewport={"width": 390, "height": 844})
    context.add_cookies(world.cookies(Place("", "/", ATTEND)))
    page = context.new_page()
    page.clock.install()
    page.route("**/live?*", lambda route: route.abort())
    page.goto(world.address(Place("", "/", ATTEND)))
    page.clock.fast_forward("08:00:00")
    says(page, ". Load again")  # there is a connection; only the news are missing
    context.close()


@pytest.fixture
def upgraded(monkeypatch: pytest.MonkeyPatch, world: Any) -> Iterator[Callable[[], None]]:
    """The service as it would be after an upgrade: other files, so another worker."""

    def upgrade() -> None:
        newer = installed.worker().replace(b"const VERSION = ", b'const VERSION = "newer-" + ')
        monkeypatch.setattr(installed, "worker", lambda: newer)

    yield upgrade


def test_an_upgrade_drops_what_the_older_service_kept(chromium: Any, world: Any, upgraded: Callable[[], None]) -> None:
    with at(chromium, world, quiet=False, place=Place("", "/fans/meadow/north-3", ATTEND)) as page:
        address = world.address(Place("", "", ATTEND))
        until_page(page, lambda: page.evaluate(READY))
        keeps(page, "/fans/meadow/north-3")
        upgraded()
        page.goto(address + "/alarms")
        newer = "async () => (await caches.keys()).every((name) => name.includes('newer'))"
        until_page(page, lambda: page.evaluate(newer))
        keeps(page, "/alarms")  # what was open then, by the files of now


def test_icons_are_what_the_manifest_says() -> None:
    manifest = json.loads((STATIC / "app.webmanifest").read_text("utf-8"))
    for icon in manifest["icons"]:
        content = (STATIC / icon["src"].removeprefix("/static/")).read_bytes()
        if icon["type"] == "image/png":  # width and height stand in the first chunk (ISO/IEC 15948)
            assert "x".join(map(str, struct.unpack(">II", content[16:24]))) == icon["sizes"]
    assert any(icon.get("purpose") == "maskable" for icon in manifest["icons"])


def test_the_worker_is_served_for_all_pages_and_holds_files_that_are_there(world: Any) -> None:
    address = world.servers["accounts"].address
    with httpx.Client(base_url=address, trust_env=False) as client:
        answer = client.get("/service-worker.js")
        assert answer.headers["content-type"].startswith("text/javascript")
        assert answer.headers["cache-control"] == "no-cache"
        listed = json.loads(answer.text.split("\n")[1].removeprefix("const STATIC = ").removesuffix(";"))
        assert {"/static/style.css", "/static/shell.js", "/static/no-connection.html"} <= set(listed)
        assert [path for path in listed if client.get(path).status_code != 200] == []
        kind = client.get("/static/app.webmanifest").headers["content-type"]
    assert kind == "application/manifest+json"
