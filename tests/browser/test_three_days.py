"""The three days for which the pages are made, walked in a browser on a service as its users have it: the farm
acknowledges a trip from the notice's link; a technician takes on a logger, checks, reads by hand, changes blades; the
service desk works through its morning, prints a job sheet and closes the job; whoever reviews drops a log.

One walk, as each day stands on what was stored the day before. The farm is invented.
"""

from __future__ import annotations

import base64
import io
import json
import os
import re
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pypdf
import pytest

from tests.servers import MOSQUITTO, Mosquitto, Publisher, Receivers, Running, until
from tests.warm import Loaded

pytestmark = pytest.mark.browser

PHONE, DESK = {"width": 390, "height": 844}, {"width": 1280, "height": 900}
VOLTS = (461.0, 459.5, 460.0)
PLATE = """
[motor]
rated_power_hp = 10
rated_voltage = 460
phases = 3
full_load_amps = 12.4
service_factor = 1.15
[protection]
type = "overload relay"
trip_class = 10
setting_amps = 12.4
[fan]
blade_pitch_degrees = 21
available_pitch_degrees = [13, 15, 17, 18, 19, 21]
minimum_pitch_degrees = 13
blades = 6
control = "continuous"
[logger]
period_seconds = 10
"""


@pytest.fixture
def service(tmp_path: Path) -> Iterator[tuple[Running, Mosquitto, Receivers]]:
    if MOSQUITTO is None:
        pytest.skip("NOT TESTED: Debian's mosquitto is missing; install it (apt-get install mosquitto)")
    loaded = Loaded(tmp_path / "loaded")
    with Receivers() as phone:
        broker = Mosquitto(tmp_path / "broker")
        broker.start()
        secret = tmp_path / "secret"
        secret.write_text("whsec_" + base64.b64encode(bytes(range(24))).decode())
        to = f"webhook+http://127.0.0.1:{phone.port}/farm"
        route = f'[[notices.route]]\nname = "farm"\nto = ["{to}"]\nsecret_file = "{secret}"\n'
        running = Running(tmp_path / "service", broker.port, route, loaded=loaded)
        address = f"http://127.0.0.1:{running.web_port}"
        running.settings.write_text(
            running.settings.read_text().replace("[web]\n", f'[web]\npublic_url = "{address}"\n')
        )
        running.register("bin-1", text=PLATE)
        running.start()
        yield running, broker, phone
        if running.process is not None:
            running.kill()
        broker.kill()
    loaded.close()


def readings(
    begin: float, spans: Sequence[tuple[float, float]], fan: str, step: float = 10.0
) -> list[tuple[str, bytes]]:
    """Messages of a logger that kept its readings: each span its minutes and its amps, the legs a little apart."""
    rows, at = [], begin
    for minutes, amps in spans:
        for n in range(int(minutes * 60 / step)):
            ripple = 0.02 * ((n * 7) % 5 - 2) if amps else 0.0
            legs = [round(amps * share + ripple, 2) for share in (1.0, 0.985, 0.975)]
            rows.append({"t": round(at, 3), "amps": legs, "volts": list(VOLTS), "ambient_c": 4.0})
            at += step
    topic = f"amps/v1/home/{fan}/readings"
    return [(topic, json.dumps(rows[n : n + 100]).encode()) for n in range(0, len(rows), 100)]


class Walk:
    """A person at a screen, with pictures on the way."""

    def __init__(self, chromium: Any, base: str, size: dict[str, int], pictures: Path, who: str) -> None:
        self._context = chromium.new_context(viewport=size, base_url=base, service_workers="block")
        self.page = self._context.new_page()
        self.page.set_default_timeout(60_000)
        self._pictures, self._who, self._count = pictures, who, 0

    def look(self, name: str) -> None:
        self._count += 1
        self.page.screenshot(path=str(self._pictures / f"{self._who}-{self._count}-{name}.png"), full_page=True)

    def sign_in(self, name: str, password: str) -> None:
        self.page.goto("/sign-in")
        self.page.fill("#name", name)
        self.page.fill("#password", password)
        self.sends(self.page.locator("main button").first)

    def sends(self, button: Any) -> None:
        """Presses it, and waits until the page that answers is there."""
        with self.page.expect_navigation():
            button.click()

    def reads(self, text: str, path: str | None = None, seconds: float = 60.0) -> None:
        """Waits until the page says so, loading it again as somebody would."""
        end = time.monotonic() + seconds
        while True:
            if path is not None:
                self.page.goto(path)
            said = self.page.inner_text("main")
            if re.search(text, said):
                return
            assert time.monotonic() < end, f"{text!r} is not said:\n{said}"
            time.sleep(0.3)

    def close(self) -> None:
        self._context.close()


@pytest.fixture
def pictures(tmp_path: Path) -> Path:
    """Where pictures go, to be looked at: $PICTURES, else a temporary directory."""
    place = Path(os.environ.get("PICTURES", tmp_path / "pictures")) / "three-days"
    place.mkdir(parents=True, exist_ok=True)
    return place


def account(service: Running, name: str, role: str) -> str:
    """Makes an account; its password as it is printed, once."""
    said = service.command("accounts", "add", name, "--role", role, "--all-sites").stdout
    found = re.search(r"Password, shown this once: (\S+)", said)
    assert found, said
    return found[1]


def test_three_days(
    service: tuple[Running, Mosquitto, Receivers], chromium: Any, pictures: Path, tmp_path: Path
) -> None:
    running, broker, phone = service
    base = f"http://127.0.0.1:{running.web_port}"
    send = Publisher(broker.port)
    walks: list[Walk] = []

    def walk(size: dict[str, int], who: str) -> Walk:
        walks.append(Walk(chromium, base, size, pictures, who))
        return walks[-1]

    try:
        _the_farm_hears_of_a_trip(walk, running, send, phone)
        password = account(running, "tess", "manage")
        _a_technician_takes_on_a_fan(walk, send, password)
        _the_desk_has_its_morning(walk, send, password)
        _a_log_is_reviewed(walk, password, tmp_path)
    finally:
        send.close()
        for one in walks:
            one.close()


def _the_farm_hears_of_a_trip(walk: Callable[..., Walk], running: Running, send: Publisher, phone: Receivers) -> None:
    begin = time.time() - 115 * 60
    # An hour and a half at 12 A, a bin that fills, twenty minutes at a quarter above the setting, and it stands still.
    send.send(readings(begin, [(90, 12.0)], "bin-1"))
    until(lambda: running.get("/api/v1/fans/home/bin-1")["pitch"], 180, "what can be said of its blades")
    send.send(readings(begin + 90 * 60, [(20, 15.5), (4.5, 0.0)], "bin-1"))
    until(lambda: any("TRIPPED" in one["data"]["short"] for one in phone.got), 180, "the notice of a trip")
    short = next(one["data"]["short"] for one in phone.got if "TRIPPED" in one["data"]["short"])
    assert "First shut off any heater" in short and len(short) <= 300
    link = re.search(r"http\S+/a/\S+", short)
    assert link, short
    farmer = walk(PHONE, "farm")
    farmer.page.goto(link[0])
    farmer.look("link")
    assert "bin-1" in farmer.page.inner_text("main")
    farmer.page.fill("#by", "Ann")
    farmer.sends(farmer.page.locator(".confirm button"))
    farmer.reads("[Aa]cknowledged")
    farmer.look("acknowledged")


def _a_technician_takes_on_a_fan(walk: Callable[..., Walk], send: Publisher, password: str) -> None:
    tess = walk(PHONE, "technician")
    begin = time.time() - 150 * 60
    send.send(readings(time.time() - 30, [(0.5, 14.6)], "bin-9"))
    tess.sign_in("tess", password)
    tess.reads(r"Take on\s+bin-9", "/loggers")
    tess.look("loggers")
    tess.page.click("text=Take on bin-9")
    tess.page.fill("#rated_voltage", "460")
    tess.page.fill("#full_load_amps", "12.4")
    tess.page.fill("#service_factor", "1.15")
    tess.page.fill("#rated_power", "10")
    tess.page.fill("#setting_amps", "12.4")
    tess.page.click("text=Blades and inserts")
    tess.page.fill("#blade_pitch_degrees", "21")
    tess.page.fill("#available_pitch_degrees", "13, 15, 17, 18, 19, 21")
    tess.page.fill("#blades", "6")
    tess.look("nameplate")
    tess.sends(tess.page.locator("form.plate button:has-text('Take on')").first)
    if tess.page.locator("#second-look").count():
        tess.look("second-look")
        tess.sends(tess.page.locator("text=Take on as it is").first)
    tess.reads("Version 1 is in the register")
    tess.look("registered")
    # Its logger sends what it kept: it was over for an hour, then stood still for the work, then runs on less pitch.
    send.send(readings(begin, [(80, 14.9), (15, 0.0), (54, 13.2)], "bin-9"))
    tess.reads("provisional", "/fans/home/bin-9", 60)
    tess.look("fan")

    record = "/fans/home/bin-9/service"
    tess.page.goto(record)
    names = [text.split(":")[0].strip() for text in tess.page.locator("article.to-check h3").all_inner_texts()]
    assert "Supply voltage" in names
    for name in names:
        tess.page.goto(record)
        form = tess.page.locator("article.to-check", has=tess.page.locator(f"h3:has-text('{name}')"))
        form.locator("summary").first.click()
        form.locator("input[type=radio][value=good]").check()
        if name == "Supply voltage":
            for field, value in zip(
                form.locator("input[inputmode=decimal]").all()[:3], ("461", "459", "460"), strict=True
            ):
                field.fill(value)
            tess.look("check")
        tess.sends(form.locator("button").first)
        tess.reads("Entered")
    tess.reads("no longer provisional", record)
    tess.look("checked")
    assert "provisional" not in tess.page.inner_text("main").replace("no longer provisional", "")

    since = begin + 149 * 60
    send.send(readings(since, [((time.time() - since) / 60, 13.2)], "bin-9"))
    fan = "/api/v1/fans/home/bin-9"
    until(lambda: tess.page.request.get(fan).json()["time"] > _utc(time.time() - 30), 180, "the newest reading")
    for field, value in zip(("L1", "L2", "L3"), ("13.2", "13.0", "12.9"), strict=True):
        tess.page.locator("form.by-hand").get_by_label(re.compile(field)).first.fill(value)
    tess.sends(tess.page.locator("form.by-hand > button"))
    tess.reads("(?s)Entered.*[Dd]ifference", tess.page.url.partition("#")[0], 60)
    tess.look("hand-reading")

    tess.page.goto(record)
    tess.page.locator("form[action$='re-pitch']").locator("xpath=ancestor::details/summary").click()
    form = tess.page.locator("form[action$='re-pitch']")
    form.get_by_label(re.compile("^To")).fill("19")
    when = form.locator("input[type=datetime-local]")
    when.fill(_local(begin + 85 * 60))
    tess.sends(form.locator("button").last)
    tess.reads("Entered")
    tess.reads("(?is)expected after it.*found.*within the band", record, 60)
    tess.look("re-pitched")


def _utc(seconds: float) -> str:
    """RFC 3339, as the API tells times."""
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(seconds))


def _local(seconds: float) -> str:
    """A time as the clock of the farm shows it, as the browser's field takes it."""
    return f"{datetime.fromtimestamp(seconds, ZoneInfo('America/Chicago')):%Y-%m-%dT%H:%M}"


def _the_desk_has_its_morning(walk: Callable[..., Walk], send: Publisher, password: str) -> None:
    desk = walk(DESK, "desk")
    desk.sign_in("tess", password)
    desk.reads("bin-1", "/morning")
    said = desk.page.inner_text("main")
    assert re.search("overload trip|[Tt]ripped", said), said
    desk.look("morning")
    desk.page.goto("/fans/home/bin-1/job")
    desk.look("sheet-before")
    desk.page.select_option("#pitch", "17")
    desk.page.fill("#note", "Key under the third step")
    desk.page.click("text=Open the job")
    desk.page.wait_for_url(re.compile(r"/jobs/\d+"))
    desk.look("job")
    paper = pypdf.PdfReader(io.BytesIO(desk.page.pdf(format="Letter", print_background=True)))
    assert len(paper.pages) == 1
    printed = paper.pages[0].extract_text()
    assert "Key under the third step" in printed and "17" in printed
    job = desk.page.url
    desk.page.goto("/morning")
    assert re.search(r"6 × 17|17°?.{0,20}6|6.{0,20}17", desk.page.inner_text("main"), re.S), desk.page.inner_text(
        "main"
    )
    desk.look("truck")

    # The work is done, it runs again; what was read after it closes the job.
    send.send(readings(time.time() - 60, [(1, 11.4)], "bin-1"))
    desk.page.goto(job)
    for field, value in zip(
        desk.page.locator("section[aria-labelledby=close] .legs input").all()[:3], ("11.4", "11.2", "11.1"), strict=True
    ):
        field.fill(value)
    desk.sends(desk.page.locator("button:text-is('Close the job')"))
    desk.reads("(?s)[Ee]xpected.*found")
    desk.look("closed")


def _a_log_is_reviewed(walk: Callable[..., Walk], password: str, tmp_path: Path) -> None:
    rows = ["time,l1_amps,l2_amps,l3_amps,v12,v23,v31"]
    for n in range(7 * 360):
        amps = 12.0 if n < 6 * 360 else 12.0 + 4.0 * min((n - 6 * 360) / 180, 1.0)
        amps = 0.0 if n > 6 * 360 + 270 else amps
        stamp = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(1_791_000_000 + 10 * n))
        rows.append(f"{stamp},{amps:.2f},{amps * 0.99:.2f},{amps * 0.98:.2f},461,459.5,460")
    log = tmp_path / "bin-1-october.csv"
    log.write_text("\n".join(rows))
    reviewer = walk(DESK, "reviewer")
    reviewer.sign_in("tess", password)
    reviewer.page.goto("/review")
    reviewer.page.set_input_files("input[type=file]", str(log))
    reviewer.page.locator("form[action='/review/log'] select").first.select_option("home/bin-1")
    reviewer.sends(reviewer.page.locator("form[action='/review/log'] button").last)
    reviewer.reads("overload trip", None, 120)
    reviewer.look("review")
