"""`accounts` as people call it, and what `run` and `check` make of accounts and of listening to others."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
import typer

from monitor import cli
from monitor.records import accounts, sessions
from monitor.records.database import open_database
from tests.servers import free_port
from tests.web.people import PASSWORD, cheap_passwords

Call = Callable[..., tuple[int, str, str]]
SETTINGS = '[sites.home]\ntime_zone = "America/Chicago"\n[sites.hill]\n'


@pytest.fixture
def call(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Call:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.setenv("COLUMNS", "200")
    (tmp_path / "monitor.toml").write_text(SETTINGS)

    def run(*words: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["amp-monitor", *words, "--settings", "monitor.toml"])
        code = 0
        with cheap_passwords():
            try:
                cli.main()
            except SystemExit as exc:
                code = 0 if exc.code is None else int(exc.code)
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return code, out, err

    return run


def password_in(out: str) -> str:
    (line,) = (line for line in out.splitlines() if "shown this once" in line)
    return line.rpartition(" ")[2]


def signs_in(name: str, password: str) -> bool:
    with cheap_passwords(), closing(open_database("sqlite:///amp-monitor-data/monitor.db")) as database:
        return accounts.signs_in(database, name, password) is not None


def test_an_account_is_made_listed_reset_and_removed(call: Call) -> None:
    code, out, _ = call("accounts", "add", "Ann", "--role", "manage", "--all-sites")
    assert code == 0 and "Ann may manage now." in out and "from now on everybody signs in" in out
    first = password_in(out)
    assert len(first) == 19 and signs_in("ann", first)
    code, out, _ = call("accounts", "add", "Bob", "--role", "look", "--sites", "hill,home")
    assert code == 0 and "from now on" not in out
    code, out, _ = call("accounts", "list")
    rows = [line.split() for line in out.splitlines()[1:]]
    today = f"{datetime.now(UTC):%Y-%m-%d}"
    assert rows == [["Ann", "manage", "all", today, "never"], ["Bob", "look", "hill,", "home", today, "never"]]
    with closing(open_database("sqlite:///amp-monitor-data/monitor.db")) as database:
        found = accounts.by_name(database, "ann")
        assert found is not None
        session = sessions.begin(database, found.id, datetime.now(UTC))
        token = sessions.make_token(database, found.id, "panel", datetime.now(UTC))
    code, out, _ = call("accounts", "reset", "ANN")
    second = password_in(out)
    assert code == 0 and signs_in("Ann", second) and not signs_in("Ann", first)
    with closing(open_database("sqlite:///amp-monitor-data/monitor.db")) as database:
        for shown in ({"session": session}, {"token": token}):
            assert sessions.find(database, datetime.now(UTC), **shown) == (True, None)
    assert call("accounts", "remove", "bob")[0] == 0
    code, out, _ = call("accounts", "remove", "Ann")
    assert code == 0 and "No account is left" in out
    assert "No accounts" in call("accounts", "list")[1]


def test_a_password_may_be_asked_for(call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[dict[str, object]] = []

    def prompt(text: str, **how: object) -> str:
        asked.append(how)
        return PASSWORD

    monkeypatch.setattr(typer, "prompt", prompt)
    code, out, _ = call("accounts", "add", "Ann", "--role", "look", "--all-sites", "--ask")
    assert code == 0 and PASSWORD not in out and "shown this once" not in out and signs_in("Ann", PASSWORD)
    assert asked == [{"hide_input": True, "confirmation_prompt": True}]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["add", "Ann", "--role", "look"], "--all-sites"),
        (["add", "Ann", "--role", "look", "--all-sites", "--sites", "home"], "--all-sites"),
        (["add", "Ann", "--role", "boss", "--all-sites"], "look, attend, manage"),
        (["add", "Ann", "--role", "look", "--sites", "nowhere"], "hill, home"),
        (["add", "Ann", "--role", "look", "--sites", ","], "at least one site"),
        (["add", "A\tn(n", "--role", "boss", "--sites", "x"], "role"),
        (["reset", "Eve"], 'no account "Eve"; there are: Bob'),
        (["remove", "Eve"], 'no account "Eve"; there are: Bob'),
        (["add", "BOB", "--role", "look", "--all-sites"], "no other account"),
    ],
)
def test_what_cannot_be_is_said_with_what_to_do(call: Call, words: list[str], said: str) -> None:
    assert call("accounts", "add", "Bob", "--role", "look", "--all-sites")[0] == 0
    code, out, err = call("accounts", *words)
    assert code == 2 and said in err and "shown this once" not in out


def test_others_are_let_in_only_once_there_is_an_account(call: Call, tmp_path: Path) -> None:
    from monitor.errors import ConfigError
    from monitor.service.shell import Service
    from monitor.settings import load

    listen = f"0.0.0.0:{free_port()}"
    (tmp_path / "monitor.toml").write_text(f'[web]\nlisten = "{listen}"\n{SETTINGS}')
    with pytest.raises(ConfigError, match=f"web.listen is {listen}: without accounts .* accounts add"):
        Service(load(tmp_path / "monitor.toml"))
    call("accounts", "add", "Ann", "--role", "look", "--all-sites")
    service = Service(load(tmp_path / "monitor.toml"))
    try:
        assert service.url == f"http://{listen}"
    finally:
        service.web._socket.close()
        service.database.close()


def test_check_says_who_may_ask_and_warns_of_passwords_without_https(call: Call, tmp_path: Path) -> None:
    def lines() -> list[str]:
        out = call("check")[1]
        return [line for line in out.splitlines() if line[7:].startswith(("pages", "people"))]

    (tmp_path / "monitor.toml").write_text(f'[web]\nlisten = "0.0.0.0:{free_port()}"\n{SETTINGS}')
    call("fans", "list")
    with closing(open_database("sqlite:///amp-monitor-data/monitor.db")):
        pass
    first = lines()
    assert first[0] == "ok     people: no accounts: the pages are open to this computer only"
    assert first[1].startswith("WRONG  pages: web.listen is 0.0.0.0") and "accounts add" in first[1]
    call("accounts", "add", "Ann", "--role", "look", "--all-sites")
    said = lines()
    assert said[0] == "ok     people: 1 account"
    assert said[1].startswith("WRONG  pages") and "without https" in said[1] and "web.cert_file" in said[1]
    text = (tmp_path / "monitor.toml").read_text()
    (tmp_path / "monitor.toml").write_text(text.replace("[web]", '[web]\ncert_file = "c.pem"\nkey_file = "k.pem"'))
    assert [line for line in lines() if line.startswith("WRONG")] == []


def test_a_certificate_needs_its_key(call: Call, tmp_path: Path) -> None:
    (tmp_path / "monitor.toml").write_text(f'[web]\ncert_file = "c.pem"\n{SETTINGS}')
    code, _, err = call("fans", "list")
    assert code == 2 and "web: expected cert_file and key_file together" in err
