"""The service's own settings: one TOML file, everything in it optional, every fault told at once with its place.

What is said here seeds a fresh database (sites) or holds for this run (broker, pages, routes). Secrets never stand in
the file: it names files that hold them.
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from monitor.errors import ConfigError, Fault
from monitor.faults import faults_of
from monitor.watch.overrides import check_overrides

NAME = re.compile(r"[a-z0-9][a-z0-9_.-]{0,63}")
"""Names of sites, fans and supply points: they stand in MQTT topics and in page addresses."""

IN_FILE = "file:"
"""Begins an address of a route that stands in a file: `file:/etc/amp-monitor/mail-address`."""

PriorityName = Literal["low", "medium", "high", "highest"]


def _zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise ValueError("a time zone name such as America/Chicago") from None
    return name


def _loopback_or_address(text: str) -> str:
    host, _, port = text.rpartition(":")
    if not host or not port.isdigit() or not 0 <= int(port) <= 65535:
        raise ValueError("an address and a port, such as 127.0.0.1:8080")
    return text


def _time_of_day(text: str) -> str:
    if not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", text):
        raise ValueError("a local time such as 17:00")
    return text


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class DatabaseSettings(_Table):
    url: str = Field("sqlite:///monitor.db", description="a database address such as sqlite:///monitor.db")


class MqttSettings(_Table):
    host: str = Field("127.0.0.1", min_length=1, description="the broker's host name or address")
    port: int = Field(1883, strict=True, ge=1, le=65535, description="a port from 1 to 65535")
    root: str = Field(
        "amps/v1", pattern=r"^[^#+\x00/]+(/[^#+\x00/]+)*$", description="a topic without wildcards, such as amps/v1"
    )
    client_id: str = Field("amp-monitor", min_length=1, max_length=65, description="a client id of 1 to 65 characters")
    username: str | None = Field(None, description="a user name")
    password_file: Path | None = Field(None, description="the path of a file that holds the password")
    ca_file: Path | None = Field(None, description="the path of a file with the broker's certificate authority")
    cert_file: Path | None = Field(None, description="the path of the client certificate")
    key_file: Path | None = Field(None, description="the path of the client certificate's key")


class WebSettings(_Table):
    listen: Annotated[str, AfterValidator(_loopback_or_address)] = Field(
        "127.0.0.1:8080", description="an address and a port, such as 127.0.0.1:8080"
    )
    public_url: str | None = Field(None, description="the address under which people open the pages")

    @property
    def host(self) -> str:
        return self.listen.rpartition(":")[0].strip("[]")

    @property
    def port(self) -> int:
        return int(self.listen.rpartition(":")[2])

    @property
    def loopback(self) -> bool:
        return self.host in ("127.0.0.1", "::1", "localhost")


class SiteSettings(_Table):
    name: str = Field("", description="the site's name as people say it")
    time_zone: Annotated[str, AfterValidator(_zone)] = Field(
        "UTC", description="a time zone name such as America/Chicago"
    )
    altitude_m: float = Field(
        0.0, strict=True, ge=-430, le=5000, description="metres above sea level, from -430 to 5000"
    )
    units: Literal["us", "si"] = Field("us", description='"us" or "si"')
    supper: Annotated[str, AfterValidator(_time_of_day)] = Field("17:00", description="a local time such as 17:00")
    conditions: dict[str, dict[str, Any]] = Field({}, description="[sites.NAME.conditions.ID] tables")


class RouteSettings(_Table):
    name: str = Field(
        pattern=r"^[a-z0-9][a-z0-9-]{0,31}$", description="a short name of small letters, digits and dashes"
    )
    sites: tuple[str, ...] = Field((), description="a list of site names; none: all sites")
    priorities: tuple[PriorityName, ...] = Field(
        ("medium", "high", "highest"), description="a list of low, medium, high, highest"
    )
    to: tuple[str, ...] = Field(min_length=1, description='a list of addresses such as "mailto://..."')
    also_cleared: bool = Field(False, strict=True, description="true or false")
    secret_file: Path | None = Field(None, description="the path of a file that holds the webhook's signing secret")


def addresses_of(route: RouteSettings) -> tuple[str, ...]:
    """A route's addresses; one that stands in a file of its own ("file:PATH", since addresses hold passwords) is read.

    Raises
    ------
    ConfigError : such a file cannot be read
    """
    return tuple(
        secret(Path(address.removeprefix(IN_FILE))) if address.startswith(IN_FILE) else address for address in route.to
    )


class NoticeSettings(_Table):
    route: tuple[RouteSettings, ...] = Field((), description="[[notices.route]] tables")


class Settings(_Table):
    """All settings, as `amp-monitor run` uses them."""

    database: DatabaseSettings = Field(DatabaseSettings(), description="a [database] table")
    mqtt: MqttSettings = Field(MqttSettings(), description="an [mqtt] table")
    web: WebSettings = Field(WebSettings(), description="a [web] table")
    sites: dict[str, SiteSettings] = Field({}, description="[sites.NAME] tables")
    notices: NoticeSettings = Field(NoticeSettings(), description="[[notices.route]] tables")
    commit_seconds: float = Field(1.0, strict=True, ge=0.1, le=60, description="seconds from 0.1 to 60")
    data: Path = Field(Path("amp-monitor-data"), description="the directory that holds the database")

    @property
    def database_url(self) -> str:
        """The database's address; a relative SQLite path lies in the data directory."""
        url = self.database.url
        prefix = "sqlite:///"
        if url.startswith(prefix) and not url.startswith(prefix + "/") and url != "sqlite:///:memory:":
            return f"{prefix}{(self.data / url.removeprefix(prefix)).absolute()}"
        return url


def default_data_directory() -> Path:
    """$STATE_DIRECTORY (set by systemd), else ./amp-monitor-data."""
    return Path(os.environ.get("STATE_DIRECTORY", "amp-monitor-data"))


def load(path: Path | None = None) -> Settings:
    """Reads the settings; without a file, what holds by default.

    Raises
    ------
    ConfigError : the file cannot be read, is not TOML, or says something that cannot be: all faults at once
    """
    if path is None:
        return Settings(data=default_data_directory())
    try:
        text = path.read_text("utf-8")
    except OSError as exc:
        raise ConfigError(
            f"cannot read the settings file {path}: {exc.strerror}. Give another with --settings."
        ) from exc
    except UnicodeDecodeError as exc:
        raise ConfigError(f"the settings file {path} is not UTF-8 text (byte {exc.start})") from exc
    return parse(text, path)


def parse(text: str, path: Path) -> Settings:
    """Settings from the text of a file; relative paths in it are meant from where the command is called."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise ConfigError(f"the settings file {path} is not valid TOML: {exc}") from exc
    table.setdefault("data", str(default_data_directory()))
    settings, faults = None, []
    try:
        settings = Settings.model_validate(table)
    except ValidationError as exc:
        faults = faults_of(exc, Settings)
    faults += _faults_together(table)
    if settings is None or faults:
        raise ConfigError(f"the settings file {path} has faults:", faults)
    return settings


def _faults_together(table: Mapping[str, Any]) -> list[Fault]:
    """What no single field can tell. Looks at the file as it is: what is wrong by itself was told already."""
    sites = _table(table, "sites")
    faults = [
        Fault(f"sites.{name}", "a name of small letters, digits, dashes, dots, at most 64", f'"{name}"')
        for name in sites
        if not NAME.fullmatch(name)
    ]
    for key, site in sites.items():
        changed = _table(site, "conditions") if isinstance(site, dict) else {}
        if all(isinstance(keys, dict) for keys in changed.values()):
            faults += check_overrides(changed, f"sites.{key}.conditions")
    seen: list[object] = []
    routes = _table(table, "notices").get("route")
    for number, route in enumerate(routes if isinstance(routes, list) else []):
        if not isinstance(route, dict):
            continue
        name, here = route.get("name"), f"notices.route.{number}"
        if name is not None and name in seen:
            faults.append(Fault(f"{here}.name", "a name no other route has", f'"{name}"'))
        seen.append(name)
        faults.extend(
            Fault(f"{here}.sites", "sites that stand under [sites.NAME]", f'"{site}"')
            for site in _list(route, "sites")
            if isinstance(site, str) and sites and site not in sites
        )
        signed = any(isinstance(address, str) and address.startswith("webhook+") for address in _list(route, "to"))
        if signed and "secret_file" not in route:
            faults.append(Fault(f"{here}.secret_file", "a file with the signing secret", "nothing"))
    mqtt = _table(table, "mqtt")
    if ("cert_file" in mqtt) != ("key_file" in mqtt):
        faults.append(Fault("mqtt", "cert_file and key_file together", "only one of them"))
    if "password_file" in mqtt and "username" not in mqtt:
        faults.append(Fault("mqtt.username", "a user name to go with the password", "nothing"))
    return faults


def _table(table: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    found = table.get(key)
    return found if isinstance(found, dict) else {}


def _list(table: Mapping[str, Any], key: str) -> list[Any]:
    found = table.get(key)
    return found if isinstance(found, list) else []


def secret(path: Path) -> str:
    """The text of a secret file without the line end.

    Raises
    ------
    ConfigError : it cannot be read
    """
    try:
        return path.read_text("utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as exc:
        why = exc.strerror if isinstance(exc, OSError) else "it is not UTF-8 text"
        raise ConfigError(
            f"cannot read the secret file {path}: {why}. Put the secret there, readable by the service only."
        ) from exc
