"""The service's own settings: one TOML file, everything in it optional, every fault told at once with its place.

What is said here seeds a fresh database (sites) or holds for this run (broker, pages, routes). Secrets never stand in
the file: it names files that hold them.
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from monitor.errors import ConfigError, Fault
from monitor.faults import faults_of
from monitor.watch.overrides import check_overrides

NAME = re.compile(r"[a-z0-9][a-z0-9_.-]{0,63}")
"""Names of sites, fans and supply points: they stand in MQTT topics and in page addresses."""

IN_FILE = "file:"
"""Begins an address of a route that stands in a file: `file:/etc/amp-monitor/mail-address`."""

LEAST_DAYS = 45
"""Raw readings are kept for at least so long, whatever the settings say: judgements read them (`records/retention.py`
says which)."""

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


def _public_url(text: str) -> str:
    try:
        parts = urlsplit(text)
        _ = parts.port  # raises when it is no number
    except ValueError:
        parts = urlsplit("")
    plain = parts.path in ("", "/") and not (parts.query or parts.fragment or parts.username or parts.password)
    if parts.scheme not in ("http", "https") or not parts.hostname or not plain or not text.isprintable():
        raise ValueError("an address without a path, such as https://farm.example")
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
    public_url: Annotated[str, AfterValidator(_public_url)] | None = Field(
        None, description="the address under which people open the pages"
    )
    cert_file: Path | None = Field(None, description="the path of the pages' certificate")
    key_file: Path | None = Field(None, description="the path of the certificate's key")

    @property
    def host(self) -> str:
        return self.listen.rpartition(":")[0].strip("[]")

    @property
    def port(self) -> int:
        return int(self.listen.rpartition(":")[2])

    @property
    def loopback(self) -> bool:
        return self.host in ("127.0.0.1", "::1", "localhost")

    @property
    def address(self) -> str:
        return f"{'http' if self.cert_file is None else 'https'}://{self.listen}"


class InfluxSettings(_Table):
    """Where a copy of readings and alarm changes goes; without a url nowhere."""

    url: str | None = Field(None, description="an address such as http://127.0.0.1:8086")
    api: Literal["v1", "v2"] = Field("v2", description='"v2" (InfluxDB 1.8, 2.x, 3.x) or "v1" (before 1.8)')
    org: str = Field("", description="the organization's name (InfluxDB 2.x)")
    bucket: str | None = Field(None, min_length=1, description="the name of a bucket")
    token_file: Path | None = Field(None, description="the path of a file that holds the token")
    database: str | None = Field(None, min_length=1, description="the name of a database")
    username: str | None = Field(None, min_length=1, description="a user name")
    password_file: Path | None = Field(None, description="the path of a file that holds the password")
    ca_file: Path | None = Field(None, description="the path of a file with the server's certificate authority")
    verify_tls: bool = Field(True, strict=True, description="true or false")
    timeout_seconds: float = Field(10.0, strict=True, ge=1, le=120, description="seconds from 1 to 120")
    begin: Literal["beginning", "now"] = Field("beginning", alias="from", description='"beginning" or "now"')


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
    after_minutes: float = Field(
        0.0, strict=True, ge=0, le=1440, description="minutes from 0 to 1440 that nobody acknowledged"
    )
    quiet_from: Annotated[str, AfterValidator(_time_of_day)] | None = Field(
        None, description="a local time such as 21:00"
    )
    quiet_to: Annotated[str, AfterValidator(_time_of_day)] | None = Field(
        None, description="a local time such as 06:00"
    )
    all_is_well: Annotated[str, AfterValidator(_time_of_day)] | None = Field(
        None, description="a local time such as 07:00"
    )
    secret_file: Path | None = Field(None, description="the path of a file that holds the webhook's signing secret")


def addresses_of(route: RouteSettings) -> tuple[str, ...]:
    """A route's addresses; one that stands in a file of its own ("file:PATH", since addresses hold passwords) is read.

    Raises
    ------
    ConfigError : such a file cannot be read
    """
    return tuple(address_of(address) for address in route.to)


def address_of(address: str) -> str:
    """An address, read from its file where it stands in one ("file:PATH").

    Raises
    ------
    ConfigError : the file cannot be read
    """
    return secret(Path(address.removeprefix(IN_FILE))) if address.startswith(IN_FILE) else address


class NoticeSettings(_Table):
    route: tuple[RouteSettings, ...] = Field((), description="[[notices.route]] tables")


class HeartbeatSettings(_Table):
    url: str | None = Field(None, min_length=1, description='an address such as "https://...", or "file:PATH"')
    every_seconds: float = Field(300.0, strict=True, ge=60, le=86_400, description="seconds from 60 to 86400")


class ReadingsSettings(_Table):
    """How long raw readings are kept, and how much of the disk they leave free."""

    keep_days: int = Field(
        400, strict=True, ge=LEAST_DAYS, le=36_500,
        description=f"days from {LEAST_DAYS} to 36500: what is newer than {LEAST_DAYS} days is needed to judge by",
    )  # fmt: skip
    keep_free_percent: float = Field(15.0, strict=True, ge=10, le=90, description="a share of the disk from 10 to 90")


class BackupSettings(_Table):
    """Where a copy of the database goes each night; without a directory there is none."""

    directory: Path | None = Field(None, description="a directory that is there, on another disk if you can")
    at: Annotated[str, AfterValidator(_time_of_day)] = Field("02:30", description="a local time such as 02:30")
    keep: int = Field(7, strict=True, ge=1, le=1000, description="how many are kept, from 1 to 1000")


# ---------------------------------------------------------------------- payloads of other loggers


SITE_LEVEL, FAN_LEVEL, CHANNEL_LEVEL = "{site}", "{fan}", "{channel}"
LEVELS = (SITE_LEVEL, FAN_LEVEL, CHANNEL_LEVEL)
"""Named levels of a form's topic: what stands there in a message's topic is the site, the fan, the channel."""

Channel = Literal["l1", "l2", "l3", "v12", "v23", "v31", "ambient", "ambient_f", "called"]


def _topic(text: str) -> str:
    levels = text.split("/")
    odd = [level for level in levels[:-1] if level == "#"]
    odd += [
        level for level in levels if level not in LEVELS and level not in ("+", "#") and re.search(r"[#+{}]", level)
    ]
    named = [level for level in levels if level in LEVELS]
    if (
        odd
        or len(set(named)) < len(named)
        or text.startswith("$")
        or "\0" in text
        or not 0 < len(text.encode()) < 65_536
    ):
        raise ValueError(
            "a topic whose levels are words, {site}, {fan}, {channel} (each once), + for any word, # last for any rest"
        )
    return text


def _path(text: str) -> str:
    if not text or not all(text.split(".")):
        raise ValueError("a path such as motor.amps.0: keys and places in lists, with dots between")
    return text


def _name(text: str) -> str:
    if not NAME.fullmatch(text):
        raise ValueError("a name of small letters, digits, dashes, dots, at most 64")
    return text


def _one_or_list(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


Place = Annotated[str, AfterValidator(_path)]
Paths = Annotated[tuple[Place, ...], BeforeValidator(_one_or_list)]
Name = Annotated[str, AfterValidator(_name)]
Factor = Annotated[float, Field(strict=True, gt=0, le=1e6)]


class FormSettings(_Table):
    """How the messages of other loggers are read."""

    name: str = Field(min_length=1, max_length=40, description="a short name for this form")
    topic: Annotated[str, AfterValidator(_topic)] = Field(description="a topic with levels such as {site} and {fan}")
    site: Name | None = Field(None, description="the name of the site")
    fan: Name | None = Field(None, description="the name of the fan")
    sites: dict[str, Name] = Field({}, description="a table: what stands in the topic = the site's name here")
    fans: dict[str, Name] = Field({}, description="a table: what stands in the topic = the fan's name here")
    readings: Place | None = Field(None, description="the path of a list of readings in the payload")
    time: Place | None = Field(None, description="the path of a reading's time")
    time_format: Literal["seconds", "milliseconds", "rfc3339"] = Field(
        "rfc3339", description='"rfc3339", "seconds" or "milliseconds" (since 1970)'
    )
    amps: Paths = Field((), description="the path of the amps, or a list of three: L1, L2, L3")
    volts: Paths = Field((), description="the path of the volts, or a list of three: L1-L2, L2-L3, L3-L1")
    ambient_c: Place | None = Field(None, description="the path of the air temperature in degrees C")
    ambient_f: Place | None = Field(None, description="the path of the air temperature in degrees F")
    called: Place | None = Field(None, description="the path of 1 or 0: the control wants the fan to run")
    channel: Channel | None = Field(None, description="l1, l2, l3, v12, v23, v31, ambient, ambient_f or called")
    channels: dict[str, Channel] = Field(
        {}, description="a table: what stands in the topic = l1, l2, l3, v12, v23, v31, ambient, ambient_f or called"
    )
    value: Place | None = Field(None, description="the path of the channel's value")
    amps_factor: Factor = Field(1.0, description="a factor above 0, such as 0.001 for mA")
    volts_factor: Factor = Field(1.0, description="a factor above 0, such as 1000 for kV")
    assemble_seconds: float = Field(0.0, strict=True, ge=0, le=60, description="seconds from 0 to 60")

    @property
    def mqtt_filter(self) -> str:
        """The topic as the broker takes it in a subscription."""
        return "/".join("+" if level in LEVELS else level for level in self.topic.split("/"))


class IntakeSettings(_Table):
    form: tuple[FormSettings, ...] = Field((), description="[[intake.form]] tables")


class Settings(_Table):
    """All settings, as `amp-monitor run` uses them."""

    database: DatabaseSettings = Field(DatabaseSettings(), description="a [database] table")
    mqtt: MqttSettings = Field(MqttSettings(), description="an [mqtt] table")
    web: WebSettings = Field(WebSettings(), description="a [web] table")
    sites: dict[str, SiteSettings] = Field({}, description="[sites.NAME] tables")
    intake: IntakeSettings = Field(IntakeSettings(), description="[[intake.form]] tables")
    notices: NoticeSettings = Field(NoticeSettings(), description="[[notices.route]] tables")
    heartbeat: HeartbeatSettings = Field(HeartbeatSettings(), description="a [heartbeat] table")
    influx: InfluxSettings = Field(InfluxSettings(), description="an [influx] table")
    readings: ReadingsSettings = Field(ReadingsSettings(), description="a [readings] table")
    backup: BackupSettings = Field(BackupSettings(), description="a [backup] table")
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
        if ("quiet_from" in route) != ("quiet_to" in route):
            faults.append(Fault(here, "quiet_from and quiet_to together", "only one of them"))
        elif "quiet_from" in route and route["quiet_from"] == route["quiet_to"]:
            faults.append(Fault(f"{here}.quiet_to", "another time than quiet_from", f'"{route["quiet_to"]}"'))
        signed = any(isinstance(address, str) and address.startswith("webhook+") for address in _list(route, "to"))
        if signed and "secret_file" not in route:
            faults.append(Fault(f"{here}.secret_file", "a file with the signing secret", "nothing"))
    faults.extend(_faults_of_forms(table))
    faults.extend(_faults_of_influx(_table(table, "influx")))
    url = _table(table, "database").get("url", "sqlite:")
    if "directory" in _table(table, "backup") and not str(url).startswith("sqlite:"):
        faults.append(Fault("backup.directory", "nothing: a database on a server is backed up there", "a directory"))
    mqtt = _table(table, "mqtt")
    for name in ("mqtt", "web"):
        if ("cert_file" in _table(table, name)) != ("key_file" in _table(table, name)):
            faults.append(Fault(name, "cert_file and key_file together", "only one of them"))
    if "password_file" in mqtt and "username" not in mqtt:
        faults.append(Fault("mqtt.username", "a user name to go with the password", "nothing"))
    return faults


def _faults_of_influx(influx: Mapping[str, Any]) -> Iterator[Fault]:
    """What the keys of [influx] must have in common."""
    url, first = influx.get("url"), influx.get("api") == "v1"
    if influx and url is None:
        yield Fault("influx.url", "an address such as http://127.0.0.1:8086", "nothing")
    if isinstance(url, str):
        expected = _influx_url(url)
        if expected is not None:
            yield Fault("influx.url", expected, f'"{url.rpartition("@")[2]}"')  # what stands before an @ may be secret
    needed, example = (
        ("database", 'a database: api = "v1" has no buckets') if first else ("bucket", "a bucket to write to")
    )
    if influx and needed not in influx:
        yield Fault(f"influx.{needed}", example, "nothing")
    others = ("org", "bucket", "token_file") if first else ("database", "username", "password_file")
    keys = "url, database, username, password_file" if first else "url, org, bucket, token_file"
    for key in others:
        if key in influx:
            yield Fault(f"influx.{key}", f'with api = "{"v1" if first else "v2"}" only {keys}', f'"{influx[key]}"')
    if first and "password_file" in influx and "username" not in influx:
        yield Fault("influx.username", "a user name to go with the password", "nothing")


def _influx_url(url: str) -> str | None:
    """What an address of InfluxDB should be; None where it is one."""
    try:
        parts = urlsplit(url)
        good = parts.scheme in ("http", "https") and bool(parts.hostname) and not (parts.query or parts.fragment)
        _ = parts.port
    except ValueError:
        good = False
    if not good:
        return "an address such as http://127.0.0.1:8086"
    if "@" in parts.netloc:
        return "an address without user and password: secrets stand in files, see token_file and password_file"
    return None


def _faults_of_forms(table: Mapping[str, Any]) -> Iterator[Fault]:
    """What the keys of an [[intake.form]] must have in common."""
    sites, root = _table(table, "sites"), str(_table(table, "mqtt").get("root", "amps/v1"))
    seen: list[object] = []
    for number, form in enumerate(_list(_table(table, "intake"), "form")):
        if not isinstance(form, dict):
            continue
        here = f"intake.form.{number}"
        name = form.get("name")
        if name is not None and name in seen:
            yield Fault(f"{here}.name", "a name no other form has", f'"{name}"')
        seen.append(name)
        levels = form["topic"].split("/") if isinstance(form.get("topic"), str) else []
        if levels and _may_be_ours(levels, root.split("/")):
            yield Fault(f"{here}.topic", f"a topic that is not one of ours under {root}", f'"{form["topic"]}"')
        for key, level in (("site", SITE_LEVEL), ("fan", FAN_LEVEL)):
            if levels and (level in levels) == (key in form):
                found = "both" if key in form else "neither"
                yield Fault(f"{here}.{key}", f"a name here, or {level} in the topic", found)
            if f"{key}s" in form and levels and level not in levels:
                yield Fault(f"{here}.{key}s", f"{level} in the topic", "none")
        named = [form.get("site"), *_table(form, "sites").values()]
        for site in named:
            if isinstance(site, str) and NAME.fullmatch(site) and sites and site not in sites:
                yield Fault(f"{here}.site", "a site that stands under [sites.NAME]", f'"{site}"')
        yield from _faults_of_channels(form, here, levels)


def _faults_of_channels(form: Mapping[str, Any], here: str, levels: list[str]) -> Iterator[Fault]:
    """A form reads whole readings by their paths, or one channel a message."""
    paths = [key for key in ("amps", "volts", "ambient_c", "ambient_f", "called") if key in form]
    single = [key for key in ("channel", "channels") if key in form]
    if not paths and not single:
        yield Fault(here, "amps, volts, ambient_c, ambient_f, called, or channel, channels", "none of them")
    if paths and single:
        yield Fault(f"{here}.{single[0]}", f"no {single[0]} beside {', '.join(paths)}", "both")
    if len(single) == 2:
        yield Fault(f"{here}.channel", "one of channel and channels", "both")
    if "ambient_c" in form and "ambient_f" in form:
        yield Fault(f"{here}.ambient_f", "one of ambient_c and ambient_f", "both")
    for key in ("amps", "volts"):
        many = form.get(key)
        if isinstance(many, list) and len(many) not in (1, 3):
            yield Fault(f"{here}.{key}", "one path or three", f"{len(many)}")
    if levels and (CHANNEL_LEVEL in levels) != ("channels" in form):
        where = "channels" if CHANNEL_LEVEL in levels else "topic"
        what = "a table of what stands in the topic" if where == "channels" else "{channel} where the channels stand"
        yield Fault(f"{here}.{where}", what, "nothing")
    if "value" in form and not single:
        yield Fault(f"{here}.value", "channel or channels to go with it", "nothing")
    if single and "value" not in form:
        for key in ("time", "readings"):
            if key in form:
                yield Fault(
                    f"{here}.{key}", "no path in a payload that is a number; or value, its path", f'"{form[key]}"'
                )
    if "time_format" in form and "time" not in form:
        yield Fault(f"{here}.time", "the path of the time, to go with time_format", "nothing")
    waits = form.get("assemble_seconds", 0)
    if "readings" in form and waits:
        yield Fault(f"{here}.assemble_seconds", "0 where a payload holds a list of readings", str(waits))
    channels = {str(one) for one in (form.get("channel"), *_table(form, "channels").values()) if one is not None}
    if single and not waits and (len(channels) > 1 or channels & {"l2", "l3", "v23", "v31"}):
        expected = "seconds above 0: a message carries one channel, a reading needs several"
        yield Fault(f"{here}.assemble_seconds", expected, str(waits))


def _may_be_ours(levels: list[str], root: list[str]) -> bool:
    """Whether a topic with wildcards can be ROOT/SITE/FAN/readings or another of ours."""
    ours = [*root, "+", "+", "+"]
    for place, mine in enumerate(ours):
        if place < len(levels) and levels[place] == "#":
            return True
        if place >= len(levels) or not (mine == "+" or levels[place] in (mine, "+", *LEVELS)):
            return False
    return len(levels) == len(ours) or levels[len(ours) :] == ["#"]


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
