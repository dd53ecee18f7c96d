"""What README says of the copy: its queries run on a real InfluxDB and find something, its settings are taken, its
table lists every field with its type."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from monitor import settings
from monitor.links.influx import Target
from monitor.records import register, tables
from monitor.records.commit import Batch, commit
from monitor.records.database import open_database
from monitor.records.rows import FOUND, ReadingRows
from monitor.records.scope import ALL
from monitor.service.archive import Archive
from monitor.service.opening import influx_target
from tests.influx import Influx, needs_influxd
from tests.records.conftest import NAMEPLATE, Make

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
SECTION = README.split("\n## A copy in InfluxDB\n", 1)[1].split("\n## ", 1)[0]
QUERIES = [
    " ".join(query.split())
    for query in re.sub("--.*", "", re.findall(r"```sql\n(.*?)```", SECTION, re.DOTALL)[0]).split(";")
    if query.strip()
]


@pytest.fixture(scope="module")
def influx(tmp_path_factory: pytest.TempPathFactory, empty_database: Path) -> Iterator[Influx]:
    """Six hours of two fans, a supply and a weather point, and a trip."""
    place = tmp_path_factory.mktemp("influx")
    server = Influx(place / "server")
    server.start()
    try:
        fill(server, place, empty_database)
        yield server
    finally:
        server.kill()


def fill(server: Influx, place: Path, empty_database: Path) -> None:
    server.make("amps")
    shutil.copy(empty_database, place / "monitor.db")
    database = open_database(f"sqlite:///{place / 'monitor.db'}")
    make = Make()
    fed = NAMEPLATE.replace("[fan]", '[fan]\nsupply = "panel"\nweather = "yard"')
    make.farm(database, "bin-2", site="home")
    register.put_nameplate(database, "home", "bin-1", fed, valid_from=make.now, by="someone", now=make.now)
    ids = {key.name: key.point_id for key in register.points(database, ALL)}
    assert set(ids) == {"bin-1", "bin-2", "panel", "yard"}
    over = np.full((2_160, 3), 14.5)
    parts = [
        make.rows(point_id, 1 + 10_000 * place, 2_160, amps=over.copy()) for place, point_id in enumerate(ids.values())
    ]
    for part, (name, point_id) in zip(parts, ids.items(), strict=True):
        assert part.point_id[0] == point_id
        part.flags[-1] = tables.FLAG_LATE
        part.called[:] = 1.0 if name == "bin-1" else np.nan
        measured = {"panel": ["volts"], "yard": ["ambient_c"]}.get(name)
        for column in ("amps", "volts", "ambient_c", "limit_amps", *FOUND) if measured else ():
            if column not in (measured or ()):
                getattr(part, column)[:] = np.nan
    commit(database, Batch(readings=ReadingRows.together(parts)))
    trip = make.alarm(1, site="home", fan="bin-1", condition="tripped")
    supply = make.alarm(2, site="home", fan=None, supply="panel", condition="supply-lost")
    commit(database, Batch(alarms=[trip, supply], changes=[make.change(1, 1), make.change(2, 2)]))
    archive = Archive(database, Target(server.url, "amps", api="v1"))
    archive.turn()
    assert archive.trouble is None
    database.close()


@needs_influxd
@pytest.mark.parametrize("query", QUERIES)
def test_each_query_finds_something(influx: Influx, query: str) -> None:
    found = influx.ask(query, "amps")
    assert found and all(one["values"] for one in found)
    if '"hours"' in query:
        assert [round(one["values"][0][1], 2) for one in found] == [6.0, 6.0]
    if "1h AND" in query:
        assert len(found[0]["values"]) == 360


def test_there_are_some() -> None:
    assert len(QUERIES) >= 6


@needs_influxd
def test_the_table_lists_every_field_with_its_type(influx: Influx) -> None:
    for name, _, fields in re.findall(r"^\| `(\w+)` \| (.*?) \| (.*?) \|$", SECTION, re.MULTILINE):
        kinds = {one["name"]: dict(one["values"]) for one in influx.ask("SHOW FIELD KEYS", "amps")}[name]
        assert set(re.findall(r"`(\w+)`", fields)) >= set(kinds), name
        for group in fields.split(";"):
            for kind in ("float", "integer", "string"):
                if f"{kind}s" in group:
                    listed = set(re.findall(r"`(\w+)`", group))
                    assert {kinds[one] for one in listed & set(kinds)} == {kind}, (name, group)
    tags = {one["name"]: sorted(value for (value,) in one["values"]) for one in influx.ask("SHOW TAG KEYS", "amps")}
    assert tags["fan"] == ["fan", "site"] and tags["alarm"] == ["condition", "fan", "site", "supply"]


def test_the_settings_are_taken(tmp_path: Path) -> None:
    text = re.search(r"(    \[influx\]\n(?:    .*\n)+)", SECTION)
    assert text is not None
    (tmp_path / "token").write_text("s3cret\n")
    said = re.sub("^    ", "", text[1], flags=re.MULTILINE).replace(
        "/etc/amp-monitor/influx-token", f"{tmp_path}/token"
    )
    chosen = settings.parse(said, Path("monitor.toml"))
    target = influx_target(chosen)
    assert target == Target("https://influx.example:8086", "amps", "farm", secret="s3cret")
    assert chosen.influx.begin == "beginning" and influx_target(settings.parse("", Path("monitor.toml"))) is None
    optional = said.replace("# ca_file; verify_tls", "verify_tls").replace('# from = "now"', 'from = "now"')
    optional = optional.replace("false; timeout_seconds", "false\ntimeout_seconds")
    assert settings.parse(optional, Path("monitor.toml")).influx.begin == "now"
    first = settings.parse(f'[influx]\nurl = "http://box:8086/"\napi = "v1"\ndatabase = "amps"\nusername = "u"\n'
                           f'password_file = "{tmp_path}/token"', Path("monitor.toml"))  # fmt: skip
    assert influx_target(first) == Target("http://box:8086", "amps", api="v1", username="u", secret="s3cret")
