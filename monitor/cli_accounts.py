"""`accounts`: the people who may sign in, from the command line of the computer the service runs on.

Works on the database, so it works while the service runs and while it does not, and for whoever has lost the last
password.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, TypeVar

import typer

from monitor import settings
from monitor.errors import ConfigError
from monitor.records import accounts, passwords
from monitor.records.accounts import Account
from monitor.records.database import Database, open_database
from monitor.records.scope import ALL, Sites

app = typer.Typer(help="People who may sign in to the pages, and programs.", no_args_is_help=True)

SettingsOption = Annotated[Path | None, typer.Option("--settings", help="The settings file; without it, defaults.")]
NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="For example Ann.")]
AskOption = Annotated[bool, typer.Option("--ask", help="Asks for the password instead of making one up.")]
T = TypeVar("T")


@app.command("add")
def add(
    name: NameArgument,
    role: Annotated[str, typer.Option(help="look, attend or manage.")],
    sites: Annotated[str | None, typer.Option(help="Its sites, such as home,hill.")] = None,
    all_sites: Annotated[bool, typer.Option("--all-sites", help="All sites, also those to come.")] = False,
    ask: AskOption = False,
    settings_file: SettingsOption = None,
) -> None:
    """Makes an account and prints its password, once."""
    if (sites is None) == (not all_sites):
        raise ConfigError("say for which sites it is: --sites home,hill or --all-sites")
    chosen: Sites = ALL if sites is None else frozenset(one.strip() for one in sites.split(",") if one.strip())
    password = _asked_for() if ask else passwords.made_up()

    def make(database: Database) -> str:
        first = not accounts.exist(database)
        accounts.add(database, name, password, role, chosen, by="the command line", now=datetime.now(UTC))
        return database.shown if first else ""

    first_in = _with_database(settings_file, make, create=True)
    print(f"{name} may {role} now.")
    if not ask:
        print(f"Password, shown this once: {password}")
    if first_in:
        print(f"The first account in {first_in}: from now on everybody signs in.")


@app.command("list")
def list_accounts(settings_file: SettingsOption = None) -> None:
    """Lists the accounts."""
    found = _with_database(settings_file, lambda database: accounts.listed(database, ALL))
    if not found:
        print("No accounts: the pages are open to this computer only. Make one with: amp-monitor accounts add NAME ...")
        return
    from rich.console import Console
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    for heading in ("name", "may", "sites", "made", "signed in last", ""):
        table.add_column(heading, no_wrap=True)
    for one in found:
        sites = "all" if one.sites is ALL else ", ".join(sorted(one.sites))
        table.add_row(
            one.name, one.role, sites, f"{one.created:%Y-%m-%d}",
            "never" if one.signed_in is None else f"{one.signed_in:%Y-%m-%d %H:%M} UTC",
            "disabled" if one.disabled else "",
        )  # fmt: skip
    Console(highlight=False, soft_wrap=True, markup=False).print(table)


@app.command("reset")
def reset(name: NameArgument, ask: AskOption = False, settings_file: SettingsOption = None) -> None:
    """Gives an account another password and prints it, once; its sessions and tokens end."""
    password = _asked_for() if ask else passwords.made_up()

    def give(database: Database) -> Account:
        found = _known(database, name)
        accounts.set_password(database, found.id, password, tokens_too=True)
        return found

    found = _with_database(settings_file, give)
    print(f"{found.name} has another password; all its sessions and tokens have ended.")
    if not ask:
        print(f"Password, shown this once: {password}")
    if found.disabled:
        print("The account is disabled: somebody who manages enables it on the page People.")


@app.command("remove")
def remove(name: NameArgument, settings_file: SettingsOption = None) -> None:
    """Takes an account away with its sessions and tokens; what it did keeps its name."""

    def take_away(database: Database) -> tuple[Account, bool]:
        found = _known(database, name)
        accounts.remove(database, found.id)
        return found, accounts.exist(database)

    found, others = _with_database(settings_file, take_away)
    print(f"The account {found.name} is gone; its sessions and tokens have ended.")
    if not others:
        print("No account is left: the pages are open to this computer only, and ask for no password.")


def _known(database: Database, name: str) -> Account:
    found = accounts.by_name(database, name)
    if found is None:
        names = ", ".join(one.name for one in accounts.listed(database, ALL)) or "none"
        raise ConfigError(f'there is no account "{name}"; there are: {names}')
    return found


def _asked_for() -> str:
    password: str = typer.prompt("Password", hide_input=True, confirmation_prompt=True)
    return password


def _with_database(settings_file: Path | None, work: Callable[[Database], T], *, create: bool = False) -> T:
    from monitor.service.opening import seed_sites

    chosen = settings.load(settings_file)
    with closing(open_database(chosen.database_url, create=create)) as database:
        if create:
            seed_sites(database, chosen, datetime.now(UTC))
        return work(database)
