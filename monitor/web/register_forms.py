"""What the register's pages read of a request: fields of any name, a pasted or uploaded file, a local time."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from fastapi import Request
from starlette.datastructures import UploadFile

MOST_FIELDS = 100
LONGEST_FIELD = 4_000
LONGEST_FILE = 65_536
"""A nameplate file has some hundred bytes."""
TOO_LONG = "This is no nameplate file: it is longer than 64 KiB."
NO_TEXT = "The uploaded file is not text in UTF-8. A nameplate file is written in a plain text editor."
EARLIEST = datetime(1970, 1, 2, tzinfo=UTC)


@dataclass(frozen=True)
class Typed:
    """A form that was sent."""

    values: dict[str, str] = field(default_factory=dict)
    file: str = ""
    """A nameplate file, letter by letter where it was uploaded; what is pasted comes with the line ends of browsers."""
    fault: str = ""
    """What is wrong with the file, if it cannot be taken at all."""

    def get(self, name: str) -> str:
        """What was typed in a field; empty where there is no such field."""
        return self.values.get(name, "")


async def typed(request: Request) -> Typed:
    """The form of a request; for `Depends`."""
    async with request.form(max_files=4, max_fields=MOST_FIELDS) as form:
        values = {name: value for name, value in form.items() if isinstance(value, str)}
        upload = form.get("upload")
        raw = await upload.read() if isinstance(upload, UploadFile) else b""
    file, fault = values.pop("file", "").replace("\r\n", "\n"), ""
    if raw:
        try:
            file = raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            file, fault = "", NO_TEXT
    if len(file) > LONGEST_FILE:
        file, fault = "", TOO_LONG
    return Typed({name: value[:LONGEST_FIELD] for name, value in values.items()}, file, fault)


def local_input(time: datetime, zone: ZoneInfo) -> str:
    """A time as a field of kind datetime-local holds it."""
    return f"{time.astimezone(zone):%Y-%m-%dT%H:%M}"


def read_local(text: str, zone: ZoneInfo, now: datetime) -> datetime:
    """The time of such a field, by the clock of the site; now where it is empty.

    Raises
    ------
    ValueError : what is wrong with it, in words
    """
    if not text.strip():
        return now
    try:
        time = datetime.fromisoformat(text.strip())
        time = (time if time.tzinfo is not None else time.replace(tzinfo=zone)).astimezone(UTC)
    except (ValueError, OverflowError):
        raise ValueError(f'Expected a date and a time of day, found "{text.strip()[:40]}".') from None
    if time > now + timedelta(minutes=1):
        raise ValueError("This time is still to come. Enter it once it is so.")
    if time < EARLIEST:
        raise ValueError("This time is too long ago.")
    return min(time, now)
