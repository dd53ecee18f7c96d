"""A logger of another make is taken in by settings alone: README's own settings and commands, to API and page."""

from __future__ import annotations

import shutil
import subprocess
import time
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from tests.servers import Mosquitto, Publisher, Running, until

pytestmark = pytest.mark.broker

README = Path(__file__).parents[2] / "README.md"


def blocks(heading: str) -> list[str]:
    """The indented blocks under a heading of README, without their indentation."""
    section = README.read_text("utf-8").split(f"\n### {heading}\n", 1)[1].split("\n### ", 1)[0]
    found: list[list[str]] = [[]]
    for line in section.splitlines():
        if line.startswith("    ") or (not line and found[-1]):
            found[-1].append(line[4:])
        elif found[-1]:
            found.append([])
    return ["\n".join(block).strip() for block in found if block]


def publish(commands: str, port: int) -> None:
    """Runs README's commands as they stand, but for the port of the test's broker."""
    if shutil.which("mosquitto_pub") is None:
        pytest.skip("NOT TESTED: Debian's mosquitto_pub is missing; install it (apt-get install mosquitto-clients)")
    script = f'mosquitto_pub() {{ command mosquitto_pub -p {port} "$@"; }}\nset -e\n{commands}\n'
    subprocess.run(["bash", "-c", script], check=True, timeout=300)


def page(service: Running, path: str) -> str:
    with urllib.request.urlopen(f"http://127.0.0.1:{service.web_port}{path}", timeout=60) as answer:
        return str(answer.read().decode())


@pytest.fixture
def forms(service: Running) -> str:
    settings, commands = blocks("Other loggers")
    assert settings.startswith("[[intake.form]]") and commands.startswith("mosquitto_pub")
    with service.settings.open("a") as file:
        file.write("\n" + settings + "\n")
    return commands


def test_readme_as_it_stands(broker: Mosquitto, service: Running, forms: str) -> None:
    service.register("bin-1", "bin-7")
    service.start()
    publish(forms, broker.port)

    def fan(name: str) -> dict[str, Any]:
        return dict(service.get(f"/api/v1/fans/home/{name}"))

    until(lambda: fan("bin-1")["highest_leg_amps"] == 12.9, what="the reading of bin-1")
    until(lambda: fan("bin-7")["highest_leg_amps"] == 12.1, what="the reading of bin-7")
    now = time.time()
    since, to = (time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(now + shift)) for shift in (-600, 60))

    def stored(name: str) -> dict[str, list[Any]]:
        return dict(service.get(f"/api/v1/fans/home/{name}/readings?from={since}&to={to}")["columns"])

    whole, joined = stored("bin-1"), stored("bin-7")
    assert [whole[key] for key in ("l1_amps", "l2_amps", "l3_amps")] == [[12.2], [12.9], [12.6]]
    assert [whole[key][0] for key in ("v12", "v23", "v31")] == pytest.approx([461.0, 458.4, 460.2])
    assert whole["ambient_c"][0] == pytest.approx(3.5)
    assert [joined[key] for key in ("l1_amps", "l2_amps", "l3_amps")] == [[11.9], [12.1], [12.0]]
    assert joined["ambient_c"][0] == pytest.approx(5.0)
    assert "12.9" in page(service, "/fans/home/bin-1")
    loggers = service.get("/api/v1/loggers")["items"]
    assert all(one["rejected"] == [] for one in loggers if one["name"] in ("bin-1", "bin-7"))

    checked = service.command("check", ok=False)
    said = checked.stdout + checked.stderr
    assert "form whole readings" in said and "coop/+/dryers/+/measured" in said and "elevator/{fan}/{channel}" in said
    assert service.stop() == 0
    assert "Traceback" not in service.log()


def test_parts_are_acknowledged_with_their_reading_and_survive_a_kill(
    broker: Mosquitto, service: Running, forms: str
) -> None:
    """Killed while parts are waited for: they come again, and become the reading they belong to."""
    assert forms
    service.settings.write_text(service.settings.read_text().replace("assemble_seconds = 3", "assemble_seconds = 30"))
    service.register("bin-7")
    service.start()
    with Publisher(broker.port) as publisher:
        time.sleep(1.5)  # the first readings after a connect are held until it is quiet
        publisher.send([("elevator/FAN7/IA", b"11.9"), ("elevator/FAN7/IB", b"12.1")])
        time.sleep(2.5)
        assert service.get("/api/v1/fans/home/bin-7")["highest_leg_amps"] is None
        service.kill()
        service.start()
        publisher.send([("elevator/FAN7/IC", b"12.0"), ("elevator/FAN7/AIR", b"41")])
        until(
            lambda: service.get("/api/v1/fans/home/bin-7")["highest_leg_amps"] == 12.1, what="the reading of all parts"
        )
        publisher.send([("elevator/FAN7/IQ", b"1"), ("coop/home/dryers/bin-7/measured", b"{}")])

        def reasons() -> set[str]:
            items = service.get("/api/v1/loggers")["items"]
            return {one["reason"] for logger in items if logger["name"] == "bin-7" for one in logger["rejected"]}

        until(lambda: reasons() == {"unknown channel", "no channel found"}, what=f"their reasons, found {reasons()}")
    assert "one number a topic" in page(service, "/loggers")
    assert service.stop() == 0
