"""The commands.

Exit codes: 0 done; 1 something was found wrong; 2 wrong use or settings; 3 the outside world refused.
"""

from __future__ import annotations

import logging
import sys
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar
from zoneinfo import ZoneInfo

import typer

from monitor import __version__, cli_accounts, settings
from monitor.errors import ConfigError, LinkError
from monitor.records import register
from monitor.records.database import Database, open_database
from monitor.records.scope import ALL
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.review.findings import Findings

FOUND_WRONG, WRONG_USE, REFUSED = 1, 2, 3

app = typer.Typer(
    help="Watches the motor current of grain-drying and aeration fans and calls before they trip.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
fans_app = typer.Typer(help="The register: what is known of each fan.", no_args_is_help=True)
app.add_typer(fans_app, name="fans")
app.add_typer(cli_accounts.app, name="accounts")

SettingsOption = Annotated[Path | None, typer.Option("--settings", help="The settings file; without it, defaults.")]
FanArgument = Annotated[str, typer.Argument(metavar="SITE/FAN", help="For example home/bin-1.")]
T = TypeVar("T")


def main() -> None:
    """Runs a command; errors are told in words, with the exit code that says who must act."""
    try:
        code = app(standalone_mode=False)
    except ConfigError as exc:
        _fail(str(exc), WRONG_USE)
    except LinkError as exc:
        _fail(str(exc), REFUSED)
    except typer.Abort:
        sys.exit(130)
    except Exception as exc:
        if type(exc).__module__.startswith(("click", "typer")) and hasattr(exc, "format_message"):
            if type(exc).__name__ == "NoArgsIsHelpError":  # its message is the whole help
                print(exc.format_message(), file=sys.stderr)
                sys.exit(WRONG_USE)
            context = getattr(exc, "ctx", None)
            usage = f"\n{context.get_usage()}" if context is not None else ""
            _fail(f"{exc.format_message()}{usage}", WRONG_USE)
        raise
    if isinstance(code, int):  # what `typer.Exit` carried
        sys.exit(code)


def _fail(text: str, code: int) -> None:
    print(f"amp-monitor: {text}", file=sys.stderr)
    sys.exit(code)


@app.callback(invoke_without_command=True)
def _common(version: Annotated[bool, typer.Option("--version", help="Says the version and ends.")] = False) -> None:
    if version:
        print(f"amp-monitor {__version__}")
        raise typer.Exit


@app.command()
def run(settings_file: SettingsOption = None) -> None:
    """Runs the service: readings in by MQTT, notices out, pages on loopback."""
    from monitor.service.shell import Service

    _log_to_stderr()
    chosen = settings.load(settings_file)
    service = Service(chosen, print_line=_plain_line)
    open_to = "this computer only" if chosen.web.loopback else "open to others, with an account"
    _plain_line(
        f"amp-monitor {__version__}: pages at {service.url} ({open_to}), "
        f"broker {service.broker.address}, data in {chosen.data}"
    )
    service.run()


@app.command(name="try")
def try_(
    port: Annotated[int | None, typer.Option(help="Port of the pages.", min=1, max=65535)] = None,
    pace: Annotated[float, typer.Option(help="Seconds of the farm in a second; 1 follows the clock.")] = 1.0,
    browser: Annotated[bool, typer.Option(help="Opens the page in a browser where there is one.")] = True,
) -> None:
    """Runs an invented farm end to end; nothing else is needed."""
    from monitor.service.trial import run_trial

    _log_to_stderr()
    run_trial(settings.default_data_directory(), port, pace, _plain_line, open_page=browser)


@app.command()
def review(
    what: Annotated[str, typer.Argument(metavar="LOG.csv|SITE/FAN", help="A log file, or a fan of the register.")],
    nameplate: Annotated[Path | None, typer.Option(help="Its nameplate file; says that a log file is meant.")] = None,
    since: Annotated[str | None, typer.Option("--from", help="Of a fan: after this, e.g. 2026-10-04T18:00.")] = None,
    until: Annotated[str | None, typer.Option("--to", help="Of a fan: up to this.")] = None,
    how: Annotated[str, typer.Option("--as", help="Of a fan: judged (as it was) or measured.")] = "judged",
    to_json: Annotated[str | None, typer.Option("--json", metavar="OUT", help='Writes JSON; "-": here.')] = None,
    to_html: Annotated[str | None, typer.Option("--html", metavar="OUT", help="Writes one page that prints.")] = None,
    to_pdf: Annotated[str | None, typer.Option("--pdf", metavar="OUT", help="Writes a PDF.")] = None,
    column: Annotated[list[str] | None, typer.Option(metavar="ROLE=NAME", help="Of a file: l1_amps=IA")] = None,
    zone: Annotated[str | None, typer.Option(help="Of a file: time zone of its clock, e.g. America/Chicago.")] = None,
    separator: Annotated[str | None, typer.Option(help="Of a file: comma, semicolon, tab, space or pipe.")] = None,
    decimal: Annotated[str | None, typer.Option(help="Of a file: decimal mark, . or ,")] = None,
    day_first: Annotated[
        bool | None, typer.Option("--day-first/--month-first", help="Of a file: dates such as 04/10/2026.")
    ] = None,
    encoding: Annotated[str | None, typer.Option(help="Of a file: utf-8, cp1252, utf-16 ...")] = None,
    time_format: Annotated[str | None, typer.Option(help="Of a file: form of its times.")] = None,
    settings_file: SettingsOption = None,
) -> None:
    """Looks back on a log file or on what is stored of a fan: what happened, why, what would have prevented it."""
    from monitor.review import command

    if nameplate is not None:
        if since is not None or until is not None:
            raise ConfigError("--from and --to are for a fan of the register; a log file is reviewed whole")
        with command.shown_progress(Path(what).name) as progress:
            found = command.of_file(
                Path(what), nameplate, column=column or (), zone=zone, separator=separator, decimal=decimal,
                day_first=day_first, encoding=encoding, time_format=time_format, progress=progress,
            )  # fmt: skip
    else:
        if Path(what).is_file():
            raise ConfigError(f"{what} is a file: give the nameplate of its fan with --nameplate FAN.toml")
        site, fan = _site_and_fan(what)
        if since is None or until is None:
            raise ConfigError("say from when to when with --from and --to, such as --from 2026-10-04T18:00")

        def look(database: Database) -> Findings:
            from monitor.review.stored import stored

            first, last = _time(since, site, database), _time(until, site, database, "--to")
            with command.shown_progress(what) as progress:
                return stored(database, site, fan, first, last, how, progress=progress)

        found = _with_database(settings_file, look)
    for line in command.write(found, to_json=to_json, to_html=to_html, to_pdf=to_pdf):
        print(line)
    if found.log.rejected:
        raise typer.Exit(FOUND_WRONG)


@app.command(name="import")
def import_log(
    log: Annotated[Path, typer.Argument(metavar="LOG.csv", help="A log of readings.")],
    fan: Annotated[str, typer.Option(metavar="SITE/FAN", help="Whose readings they are.")],
    column: Annotated[list[str] | None, typer.Option(metavar="ROLE=NAME", help="For example l1_amps=IA")] = None,
    zone: Annotated[str | None, typer.Option(help="Time zone of its clock; else the site's.")] = None,
    separator: Annotated[str | None, typer.Option(help="comma, semicolon, tab, space or pipe.")] = None,
    decimal: Annotated[str | None, typer.Option(help="Decimal mark, . or ,")] = None,
    day_first: Annotated[
        bool | None, typer.Option("--day-first/--month-first", help="Of dates such as 04/10/2026.")
    ] = None,
    encoding: Annotated[str | None, typer.Option(help="utf-8, cp1252, utf-16 ...")] = None,
    time_format: Annotated[str | None, typer.Option(help="Form of its times.")] = None,
    settings_file: SettingsOption = None,
) -> None:
    """Stores the readings of a log as late ones of a fan; those that are stored already are counted as repeats."""
    from monitor.review import command, into_the_record

    site, name = _site_and_fan(fan)

    def bring(database: Database) -> into_the_record.Brought:
        with command.shown_progress(log.name) as progress:
            return into_the_record.bring(
                database, site, name, log, by=_who(), now=datetime.now(UTC), progress=progress,
                column=command.columns(column or ()), zone=zone, separator=separator, decimal=decimal,
                day_first=day_first, encoding=encoding, time_format=time_format,
            )  # fmt: skip

    brought = _with_database(settings_file, bring)
    for line in brought.words():
        print(line)
    if brought.wrong:
        raise typer.Exit(FOUND_WRONG)


@fans_app.command("list")
def list_fans(settings_file: SettingsOption = None) -> None:
    """Lists the fans in the register."""
    rows, zones = _with_database(settings_file, lambda database: (register.fans(database, ALL), _zones(database)))
    if not rows:
        print("No fans yet. Enter one with: amp-monitor fans import SITE/FAN FAN.toml")
        return
    from rich.console import Console
    from rich.table import Table

    from monitor.motor.limit import full_limit

    table = Table(box=None, pad_edge=False)
    for heading in ("fan", "motor", "limit", "control", "version", "since"):
        table.add_column(heading, no_wrap=True)
    for point, version in rows:
        motor, fan = version.nameplate.motor, version.nameplate.fan
        power = f"{motor.rated_power_hp:g} hp " if motor.rated_power_hp else ""
        table.add_row(
            f"{point.site}/{point.name}",
            f"{power}{motor.rated_voltage:g} V {motor.phases}-phase {motor.full_load_amps:g} A",
            f"{full_limit(motor):.1f} A",
            fan.control or "not said",
            str(version.version),
            f"{version.valid_from.astimezone(zones[point.site]):%Y-%m-%d}",
        )
    Console(highlight=False, soft_wrap=True).print(table)


@fans_app.command("import")
def import_fan(
    fan: FanArgument,
    file: Annotated[Path, typer.Argument(metavar="FAN.toml", help="The nameplate file.")],
    since: Annotated[str | None, typer.Option("--from", help="True in the field since, e.g. 2026-10-04T18:00.")] = None,
    motor_changed: Annotated[bool, typer.Option(help="Another motor: the watch of this fan begins anew.")] = False,
    settings_file: SettingsOption = None,
) -> None:
    """Enters a fan in the register, or a new version of it."""
    site, name = _site_and_fan(fan)
    try:
        text = file.read_text("utf-8")
    except OSError as exc:
        raise ConfigError(f"cannot read {file}: {exc.strerror}") from exc
    except UnicodeDecodeError as exc:
        raise ConfigError(f"{file} is not UTF-8 text (byte {exc.start})") from exc
    now = datetime.now(UTC)

    def enter(database: Database) -> tuple[int, list[str], str | None]:
        from monitor.motor.plausibility import hints

        valid_from = now if since is None else _time(since, site, database)
        if valid_from > now:
            raise ConfigError(f"--from {since} lies in the future")
        version = register.put_nameplate(
            database, site, name, text, valid_from=valid_from, by=_who(), motor_changed=motor_changed, now=now
        )
        begun = database.shown if version == 1 and len(register.fans(database, ALL)) == 1 else None
        return version, [hint.words for hint in hints(register.nameplate(database, site, name))], begun

    version, worth_a_look, begun = _with_database(settings_file, enter, seed=True)
    print(f"{site}/{name}: version {version} is in the register.")
    if begun is not None:  # a command given in another directory than the service's begins a register of its own
        print(f"  the first fan of the register in {begun}; a service started in this directory or with the same")
        print("  --settings sees it")
    for text in worth_a_look:
        print(f"  worth a second look: {text}")


@fans_app.command("export")
def export_fan(fan: FanArgument, settings_file: SettingsOption = None) -> None:
    """Writes a fan's nameplate file to the terminal."""
    site, name = _site_and_fan(fan)
    print(_with_database(settings_file, lambda database: register.export_text(database, site, name)), end="")


@fans_app.command("remove")
def remove_fan(fan: FanArgument, settings_file: SettingsOption = None) -> None:
    """Takes a fan out of the register; what is stored of it stays."""
    site, name = _site_and_fan(fan)
    _with_database(
        settings_file, lambda database: register.remove(database, site, name, by=_who(), now=datetime.now(UTC))
    )
    print(f"{site}/{name} is out of the register.")


@app.command()
def check(
    send_test: Annotated[
        bool, typer.Option("--send-test", help="Sends a real test notice to every address of every route.")
    ] = False,
    settings_file: SettingsOption = None,
) -> None:
    """Looks at settings, clock, broker, database, disk and notice routes: what works, what does not, what to do."""
    from monitor.service.checkup import checkup, send_tests

    chosen = settings.load(settings_file)
    findings = checkup(chosen)
    if send_test:
        findings += send_tests(chosen, _plain_line, _who())
    for finding in findings:
        print(f"{'ok   ' if finding.ok else 'WRONG'}  {finding.what}: {finding.words}")
    if not all(finding.ok for finding in findings):
        raise typer.Exit(FOUND_WRONG)


# --- helpers ---------------------------------------------------------------------------------------------------


def _with_database(settings_file: Path | None, work: Callable[[Database], T], *, seed: bool = False) -> T:
    from monitor.service.opening import seed_sites

    chosen: Settings = settings.load(settings_file)
    with closing(open_database(chosen.database_url, create=seed)) as database:
        if seed:
            seed_sites(database, chosen, datetime.now(UTC))
        return work(database)


def _site_and_fan(text: str) -> tuple[str, str]:
    site, slash, fan = text.partition("/")
    if not (site and slash and fan) or "/" in fan:
        raise ConfigError(f'expected SITE/FAN such as home/bin-1, found "{text}"')
    return site, fan


def _zones(database: Database) -> dict[str, tzinfo]:
    """Time zones of the sites."""
    return {one.site: ZoneInfo(one.time_zone) for one in register.sites(database)}


def _time(text: str, site: str, database: Database, option: str = "--from") -> datetime:
    """RFC 3339, or local time of the site."""
    try:
        time = datetime.fromisoformat(text)
    except ValueError as exc:
        raise ConfigError(f'{option}: expected a time such as 2026-10-04T18:00, found "{text}"') from exc
    if time.tzinfo is None:
        time = time.replace(tzinfo=_zones(database).get(site, UTC))
    try:
        return time.astimezone(UTC)
    except OverflowError as exc:
        raise ConfigError(f"{option} {text} lies beyond all calendars") from exc


def _who() -> str:
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "command line"


def _plain_line(text: str) -> None:
    print(text, flush=True)


def _log_to_stderr() -> None:
    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="%(asctime)s %(name)s: %(message)s")


if __name__ == "__main__":
    main()
