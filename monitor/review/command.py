"""The work of `amp-monitor review`: reads what is asked for, reviews it, writes what was asked for."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from monitor.errors import ConfigError, Fault, LinkError
from monitor.records.fan_file import read_nameplate
from monitor.review.engine import review
from monitor.review.files.read import read_log
from monitor.review.files.roles import ROLES
from monitor.review.findings import Findings
from monitor.review.summary import summary
from monitor.review.watching import Progress

TO_THE_TERMINAL = "-"


def of_file(
    log: Path, nameplate: Path, *, column: Sequence[str] = (), progress: Progress | None = None, **how: Any
) -> Findings:  # fmt: skip
    """The review of a log file.

    Parameters
    ----------
    column : ROLE=NAME each
    how : what is said of the file, as `files.read.read_log` takes it

    Raises
    ------
    ConfigError : a file that cannot be read, or an option that cannot be understood
    """
    plate = read_nameplate(_text(nameplate), str(nameplate))
    told = {key: value for key, value in how.items() if value is not None}
    read = read_log(
        log, column=columns(column), rated_voltage=plate.motor.rated_voltage, phases=plate.motor.phases,
        progress=None if progress is None else lambda share: progress(round(1000 * share), 2000), **told,
    )  # fmt: skip
    half = None if progress is None else lambda done, of: progress(1000 + round(1000 * done / max(of, 1)), 2000)
    return review(read, plate, progress=half)


def _text(path: Path) -> str:
    try:
        return path.read_text("utf-8")
    except OSError as exc:
        raise ConfigError(f"cannot read {path}: {exc.strerror}") from exc
    except UnicodeDecodeError as exc:
        raise ConfigError(f"{path} is not UTF-8 text (byte {exc.start})") from exc


def columns(told: Sequence[str]) -> Mapping[str, str]:
    """What was said of the columns of a file: role -> name.

    >>> columns(["l1_amps=IA", "time=Stamp = local"])
    {'l1_amps': 'IA', 'time': 'Stamp = local'}

    Raises
    ------
    ConfigError : not ROLE=NAME, or a role that does not exist: all faults at once
    """
    found: dict[str, str] = {}
    faults = []
    for one in told:
        role, equals, name = one.partition("=")
        if not equals or role not in ROLES or not name:
            faults.append(Fault("--column", f"ROLE=NAME, ROLE one of {', '.join(ROLES)}", f'"{one}"'))
        found[role] = name
    if faults:
        raise ConfigError("the columns cannot be understood:", faults)
    return found


def write(found: Findings, *, to_json: str | None, to_html: str | None, to_pdf: str | None) -> list[str]:
    """Writes what was asked for.

    Returns
    -------
    lines to print: the summary where nothing was asked for, else which files were written

    Raises
    ------
    LinkError : a file cannot be written
    """
    wanted = [target for target in (to_json, to_html, to_pdf) if target is not None]
    if wanted.count(TO_THE_TERMINAL) > 1:
        raise ConfigError('"-" can stand for one of --json, --html and --pdf only')
    if not wanted:
        return [summary(found)]
    said = []
    for target, make in ((to_json, as_json), (to_html, _html), (to_pdf, _pdf)):
        if target is None:
            continue
        content = make(found)
        if target == TO_THE_TERMINAL:
            sys.stdout.buffer.write(content)
            sys.stdout.buffer.flush()
            continue
        try:
            Path(target).write_bytes(content)
        except OSError as exc:
            raise LinkError(f"cannot write {target}: {exc.strerror}", permanent=True) from exc
        said.append(f"{target} is written")
    return [] if TO_THE_TERMINAL in wanted else said


def as_json(found: Findings) -> bytes:
    """The findings in their published form."""
    return (json.dumps(found.as_json(), indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def _html(found: Findings) -> bytes:
    from monitor.review.report import html  # loads matplotlib when it is asked for

    return html(found).encode()


def _pdf(found: Findings) -> bytes:
    from monitor.review.report import pdf

    return pdf(found)


@contextmanager
def shown_progress(what: str) -> Iterator[Progress | None]:
    """A bar on the terminal while something long is worked on; None where nobody looks."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress as Bar

    with Bar(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, of: bar.update(task, completed=done, total=of)
