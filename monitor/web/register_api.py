"""/api/v1/sites and nameplates: the register for programs. A nameplate goes in and comes out as its file, letter by
letter, or as the same tables in JSON."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

import msgspec
import tomli_w
from fastapi import Depends, Query, Request
from pydantic import BaseModel, Field
from starlette.responses import Response

from monitor.errors import ConfigError, Fault
from monitor.motor.plausibility import hints
from monitor.records import register
from monitor.records.fan_file import read_nameplate
from monitor.records.pages import key_of, page
from monitor.records.register import Site, Version
from monitor.web import asked, site_form
from monitor.web.api import FanName, Next, SiteName, database_of, listed, now_of, only, sites_of
from monitor.web.api_router import JSON, Json, answers, api_router, shown
from monitor.web.plate_fields import tables_of
from monitor.web.problems import Problem, not_found
from monitor.web.promised import Listed
from monitor.web.register_page import may_add_sites
from monitor.web.site_page import NOT_YOURS
from monitor.web.times import read_time, rfc3339

TEXT, TOML = "text/plain", "application/toml"
LONGEST_FILE = 65_536
VARIES = {"vary": "Accept"}
"""The answer comes as JSON or as the file, by what is asked for."""

router = api_router("register")


class SiteTold(BaseModel):
    """A site."""

    site: str = Field(description="short name, as in topics and addresses")
    name: str
    time_zone: str
    altitude_m: float
    units: str = Field(description='"us" or "si"')
    supper: str = Field(description="its local time at which the night's outlook is worked")


class SiteChange(BaseModel):
    """What is to be different; what is left out stays as it is."""

    model_config = shown({"supper": "18:00", "units": "us"})
    name: str | None = Field(None, max_length=200)
    time_zone: str | None = Field(None, max_length=64, description="a time zone name such as America/Chicago")
    altitude_m: float | None = Field(None, ge=-430, le=5000, allow_inf_nan=False)
    units: str | None = Field(None, max_length=10, description='"us" or "si"')
    supper: str | None = Field(None, max_length=10, description="a local time such as 17:00")


class NewSite(SiteChange):
    """A new site; time zone and short name are needed."""

    model_config = shown(
        {"site": "creek", "name": "Creek farm", "time_zone": "America/Chicago", "altitude_m": 250, "units": "us"}
    )
    site: str = Field(max_length=64, description="small letters, digits, dashes and dots; it stays for good")


class HintTold(BaseModel):
    """What deserves a second look."""

    about: list[str] = Field(description="keys of the file")
    words: str
    source: str


class NameplateTold(BaseModel):
    """One version of what is registered of a fan."""

    site: str
    fan: str
    version: int
    valid_from: str = Field(description="true in the field since")
    applies_from: str = Field(description="readings after this are judged by it")
    entered: str
    by: str
    motor_changed: bool
    toml: str = Field(description="the file as it was typed")
    nameplate: dict[str, Any] = Field(description="the tables of the file")
    hints: list[HintTold] = Field(description="none of them refuses anything")


class Removed(BaseModel):
    """A fan that is out of the register."""

    site: str
    fan: str
    version: int = Field(description="number of the version that says so")


SITE = {
    "site": "home", "name": "Home farm", "time_zone": "America/Chicago", "altitude_m": 250.0, "units": "us",
    "supper": "17:00",
}  # fmt: skip
FILE = "[motor]\nrated_voltage = 460   # high connection\nphases = 3\nfull_load_amps = 12.4\nservice_factor = 1.15\n"
TABLES = {"motor": {"rated_voltage": 460, "phases": 3, "full_load_amps": 12.4, "service_factor": 1.15}}
NAMEPLATE = {
    "site": "home", "fan": "bin-1", "version": 1, "valid_from": "2026-09-01T14:00:00Z",
    "applies_from": "2026-09-01T14:00:00Z", "entered": "2026-09-01T14:00:00Z", "by": "Ann", "motor_changed": False,
    "toml": FILE, "nameplate": TABLES, "hints": [],
}  # fmt: skip
_AS_TEXT = {TEXT: {"schema": {"type": "string"}, "example": FILE}}
GIVEN: dict[int | str, dict[str, Any]] = answers(NAMEPLATE, 404)
GIVEN[200]["content"] |= _AS_TEXT
TAKEN = {
    "requestBody": {
        "required": True,
        "description": "the nameplate file, or its tables as JSON",
        "content": {
            **_AS_TEXT,
            TOML: _AS_TEXT[TEXT],
            JSON: {"schema": {"type": "object"}, "example": TABLES},
        },
    }
}


# --- sites -------------------------------------------------------------------------------------------------------


def site_shape(site: Site) -> dict[str, Any]:
    """A site as the API tells it."""
    return {name: getattr(site, name) for name in SiteTold.model_fields}


@router.get("/sites", response_model=Listed[SiteTold], responses=answers({"items": [SITE], "next": "WyJob21lIl0"}))
def sites(request: Request, next: Next = None, limit: Annotated[int, Query(ge=1, le=500)] = 500) -> Json:
    """The sites of the register, by short name."""

    def read() -> Any:
        after = "" if next is None else str(key_of(next, str)[0])
        found = [site_shape(one) for one in register.sites(database_of(request), sites_of(request)) if one.site > after]
        part = found[: limit + 1]
        return page(part, [[one["site"]] for one in part], limit)

    return listed(read, dict)


@router.post("/sites", status_code=201, response_model=SiteTold, responses=answers(SITE, 409, status=201))
def add_site(request: Request, body: NewSite) -> Json:
    """Enters a site; for accounts of all sites. `409`: there is one of this name."""
    if not may_add_sites(request):
        raise Problem(403, NOT_YOURS)
    if register.sites(database_of(request), [body.site]):
        raise Problem(409, f"There is a site {body.site} already. Change it with PUT.")
    return Json(site_shape(_put(request, body.site, body, None)), 201)


@router.get("/sites/{site}", response_model=SiteTold, responses=answers(SITE))
def one_site(request: Request, site: SiteName) -> Json:
    """One site."""
    return Json(site_shape(_site(request, site)))


@router.put("/sites/{site}", response_model=SiteTold, responses=answers(SITE))
def change_site(request: Request, site: SiteName, body: SiteChange) -> Json:
    """Changes what is known of a site; what is left out stays."""
    return Json(site_shape(_put(request, site, body, _site(request, site))))


def _site(request: Request, site: str) -> Site:
    places = register.sites(database_of(request), only(sites_of(request), site))
    if not places:
        raise not_found(f"There is no site {site}.")
    return places[0]


def _put(request: Request, name: str, body: SiteChange, before: Site | None) -> Site:
    said = {key: value for key, value in body.model_dump(exclude={"site"}).items() if value is not None}
    site, faults = site_form.checked(name, said, before)
    if site is None:
        raise ConfigError("the site has faults", faults)
    register.put_site(database_of(request), site, now_of(request))
    return site


# --- nameplates --------------------------------------------------------------------------------------------------


async def raw_body(request: Request) -> bytes:
    """The body as it came; for `Depends`."""
    return await request.body()


@router.get("/fans/{site}/{fan}/nameplate", response_model=NameplateTold, responses=GIVEN)
def nameplate(
    request: Request,
    site: SiteName,
    fan: FanName,
    version: Annotated[int | None, Query(ge=1, le=10**9, description="an older one; none: the newest")] = None,
) -> Response:
    """What is registered of a fan: as JSON, or with `Accept: text/plain` the file itself, as it was typed."""
    versions = _versions(request, site, fan)
    found = versions[-1] if version is None else next((one for one in versions if one.version == version), None)
    if found is None or found.removed:
        raise not_found(f"There is no such version of {fan} at {site} in the register.")
    if _wants_text(request.headers.get("accept", "")):
        return Response(found.text.encode(), media_type=TEXT, headers=VARIES)
    return Json(nameplate_shape(site, fan, found), headers=VARIES)


@router.put(
    "/fans/{site}/{fan}/nameplate", response_model=NameplateTold, responses=answers(NAMEPLATE, 409),
    openapi_extra=TAKEN,
)  # fmt: skip
def put_nameplate(
    request: Request,
    site: SiteName,
    fan: FanName,
    body: Annotated[bytes, Depends(raw_body)],
    since: Annotated[
        str | None, Query(alias="from", max_length=40, description="RFC 3339: true in the field since; now")
    ] = None,
    motor_changed: Annotated[bool, Query(description="another motor: the watch begins anew")] = False,
    based_on: Annotated[
        int | None, Query(ge=0, le=10**9, description="version it was made from (0: none): 409 if there is a newer one")
    ] = None,
    by: Annotated[str | None, Query(max_length=200)] = None,
) -> Json:
    """Enters a fan, or a new version of it. Hints come with the answer and refuse nothing."""
    _site(request, site)
    database, now = database_of(request), now_of(request)
    valid_from = now if since is None else read_time(since, "from")
    if valid_from > now:
        raise Problem(422, "`from` is still to come.", faults=(Fault("from", "a time not after now", rfc3339(now)),))
    found = register.history(database, only(sites_of(request), site), site, fan)
    newest = found[1][-1].version if found is not None else 0
    if based_on is not None and based_on != newest:
        raise Problem(409, f"The newest version of {site}/{fan} is {newest}, not {based_on}. Read it and try again.")
    text = _text_of(body, request.headers.get("content-type", ""))
    number = register.put_nameplate(
        database, site, fan, text, valid_from=valid_from, by=asked.who(by), motor_changed=motor_changed, now=now
    )
    entered = next(one for one in _versions(request, site, fan) if one.version == number)
    return Json(nameplate_shape(site, fan, entered))


@router.delete(
    "/fans/{site}/{fan}", response_model=Removed, responses=answers({"site": "home", "fan": "bin-1", "version": 4})
)
def remove_fan(
    request: Request, site: SiteName, fan: FanName, by: Annotated[str | None, Query(max_length=200)] = None
) -> Json:
    """Takes a fan out of the register; what is stored of it stays."""
    _versions(request, site, fan)
    number = register.remove(database_of(request), site, fan, by=asked.who(by), now=now_of(request))
    return Json({"site": site, "fan": fan, "version": number})


def _versions(request: Request, site: str, fan: str) -> list[Version]:
    """The versions of a fan that is in the register, oldest first.

    Raises
    ------
    Problem : 404, it is not, or it is not the reader's
    """
    found = register.history(database_of(request), sites_of(request), site, fan)
    if found is None or found[1][-1].removed:
        raise not_found(f"There is no fan {fan} at {site}.")
    return found[1]


def _wants_text(accept: str) -> bool:
    """Whether the file is asked for rather than JSON: it stands first in Accept, and no word of JSON."""
    kinds = [one.partition(";")[0].strip().lower() for one in accept.split(",")]
    return JSON not in kinds and (TEXT in kinds or TOML in kinds)


def nameplate_shape(site: str, fan: str, version: Version) -> dict[str, Any]:
    """One version as the API tells it."""
    return {
        "site": site, "fan": fan, "version": version.version, "valid_from": rfc3339(version.valid_from),
        "applies_from": rfc3339(version.applies_from), "entered": rfc3339(version.committed),
        "by": version.committed_by, "motor_changed": version.motor_changed, "toml": version.text,
        "nameplate": tables_of(version.text),
        "hints": [
            {"about": list(one.about), "words": one.words, "source": one.source} for one in hints(version.nameplate)
        ],
    }  # fmt: skip


def _text_of(body: bytes, kind: str) -> str:
    """The file that was sent, as text or as tables in JSON.

    Raises
    ------
    Problem : 422, it is neither
    """
    if len(body) > LONGEST_FILE:
        raise Problem(413, "This is no nameplate file: it is longer than 64 KiB.")
    if kind.partition(";")[0].strip().lower() != JSON:
        try:
            return body.decode("utf-8-sig")
        except UnicodeDecodeError as exc:
            fault = Fault("body", "text in UTF-8", f"byte {exc.start} that is none")
            raise Problem(422, "The nameplate file is not text in UTF-8.", faults=(fault,)) from None
    try:
        tables = msgspec.json.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        raise Problem(422, "The body is not JSON.", faults=(Fault("body", "JSON", "something else"),)) from None
    if not isinstance(tables, Mapping):
        fault = Fault("body", 'the tables of a nameplate file, such as {"motor": {...}}', "something else")
        raise Problem(422, "The body is no nameplate.", faults=(fault,))
    text = tomli_w.dumps(_without_null(tables))
    read_nameplate(text, "body")
    return text


def _without_null(value: Any) -> Any:
    """The same without keys that are null: what is not known is left out of a file."""
    if isinstance(value, Mapping):
        return {key: _without_null(one) for key, one in value.items() if one is not None}
    if isinstance(value, list):
        return [_without_null(one) for one in value if one is not None]
    return value
