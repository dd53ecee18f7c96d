"""Signing in and out, what a session is worth and for how long, and tokens."""

from __future__ import annotations

import threading
from datetime import timedelta

import httpx
import pytest
import sqlalchemy as sa

from monitor.records import accounts, actions, passwords, sessions, tables
from monitor.records.database import Database
from monitor.records.scope import ALL
from monitor.web import asked, sign_in
from monitor.web.app import create_app
from monitor.web.door import COOKIE, SECURE_COOKIE
from monitor.web.server import WebServer
from monitor.web.throttle import MOST_KEPT, OF_A_NAME, OF_AN_ADDRESS, Throttle
from tests.web.farm import Farm
from tests.web.page import page
from tests.web.people import PASSWORD, account, browser, cookie_of, enter, signed_in

pytestmark = pytest.mark.usefixtures("cheap")


# --- the first account -----------------------------------------------------------------------------------------


def test_the_first_account_closes_the_pages(farm: Farm, client: httpx.Client, database: Database) -> None:
    farm.site()
    assert client.get("/").status_code == 200
    assert "Make the first account" in page(client, "/").text
    assert client.get("/sign-in").headers["location"] == "/people"
    assert client.get("/account").headers["location"] == "/people"
    assert "The first account" in page(client, "/people").text
    faulty = client.post("/people/first", data={"name": "An(n", "password": "secret"})
    assert faulty.status_code == 422 and "Name: expected" in faulty.text and "Password: expected" in faulty.text
    assert "secret" not in faulty.text
    made = client.post("/people/first", data={"name": "Ann", "password": PASSWORD})
    assert (made.status_code, made.headers["location"]) == (303, "/people")
    ann = accounts.by_name(database, "ann")
    assert ann is not None and (ann.role, ann.sites) == ("manage", ALL)
    assert page(client, "/people").headings[0] == "People"  # signed in with it
    with browser(str(client.base_url)) as other:
        assert other.get("/").headers["location"] == "/sign-in"
        assert other.post("/people/first", data={"name": "Eve", "password": PASSWORD}).status_code == 303
    assert client.post("/people/first", data={"name": "Eve", "password": PASSWORD}).status_code == 409
    assert accounts.by_name(database, "Eve") is None


def test_two_first_accounts_at_once_are_one(database: Database, farm: Farm) -> None:
    """The look whether there is one and the making of it are one transaction."""
    outcomes: list[object] = []

    def make(name: str) -> None:
        try:
            outcomes.append(accounts.add(database, name, PASSWORD, "manage", ALL, by="test", now=farm.now, first=True))
        except Exception as exc:
            outcomes.append(exc)

    threads = [threading.Thread(target=make, args=(f"ann {number}",)) for number in range(6)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert len([one for one in outcomes if isinstance(one, int)]) == 1 == len(accounts.listed(database, ALL))


# --- signing in ------------------------------------------------------------------------------------------------


def test_signing_in_and_out(people: dict[str, int], client: httpx.Client) -> None:
    sent = client.get("/fans/meadow/north-3?x=a%20b")
    assert sent.headers["location"] == "/sign-in?next=%2Ffans%2Fmeadow%2Fnorth-3%3Fx%3Da%2520b"
    form = client.get(sent.headers["location"])
    assert 'value="/fans/meadow/north-3?x=a%20b"' in form.text
    answer = enter(client, "  BOSS ", next="/fans/meadow/north-3?x=a%20b")
    assert (answer.status_code, answer.headers["location"]) == (303, "/fans/meadow/north-3?x=a%20b")
    kept = cookie_of(answer)
    assert kept.startswith(f"{COOKIE}=") and "HttpOnly" in kept and "SameSite=lax" in kept and "Path=/" in kept
    assert "Secure" not in kept and f"Max-Age={30 * 86400}" in kept
    assert "boss" in page(client, "/").text
    assert "asks for no password" not in page(client, "/").text
    taken = client.cookies[COOKIE]
    gone = client.post("/sign-out")
    assert gone.headers["location"] == "/sign-in" and "Max-Age=0" in cookie_of(gone)
    with browser(str(client.base_url), taken) as thief:  # the session itself is over, not only the cookie gone
        assert thief.get("/").status_code == 303


@pytest.mark.parametrize(
    "elsewhere", ["//evil.example/", "https://evil.example/", "/\\evil.example", "javascript:alert(1)", "x", "/a\nb"]
)
def test_signing_in_leads_nowhere_else(people: dict[str, int], client: httpx.Client, elsewhere: str) -> None:
    assert enter(client, next=elsewhere).headers["location"] == "/"


def test_https_makes_the_cookie_secure_and_bound_to_the_host(
    people: dict[str, int], farm: Farm, database: Database
) -> None:
    app = create_app(database, now=lambda: farm.now, public_url="https://farm.example")
    running = WebServer(app, "127.0.0.1", 0)
    running.start()
    try:
        with browser(running.address) as client:
            kept = cookie_of(client.post(
                "/sign-in", data={"name": "boss", "password": PASSWORD}, headers={"host": "farm.example"}
            ))  # fmt: skip
            assert kept.startswith(f"{SECURE_COOKIE}=") and "Secure" in kept and "Path=/" in kept
            assert "domain" not in kept.lower()
            value = kept.partition("=")[2].partition(";")[0]
            for name, status in ((SECURE_COOKIE, 200), (COOKIE, 303)):  # one that anybody may set counts for nothing
                headers = {"host": "farm.example", "cookie": f"{name}={value}"}
                assert client.get("/", headers=headers).status_code == status
    finally:
        running.stop()


def test_a_session_that_was_there_before_is_not_taken_over(
    people: dict[str, int], server: WebServer, farm: Farm, database: Database
) -> None:
    planted = sessions.begin(database, people["hill-look"], farm.now)  # of somebody who waits for another to sign in
    for before in (planted, "A" * 43):
        with browser(server.address, before) as client:
            answer = enter(client)
            assert cookie_of(answer).partition(";")[0] != f"{COOKIE}={before}"
        with browser(server.address, before) as client:
            assert client.get("/").status_code == 303
    with database.read() as connection:
        kept = connection.execute(sa.select(tables.sessions)).all()
    assert len(kept) == 2 and all(len(row.id_hash) == 64 for row in kept)


@pytest.mark.parametrize(
    ("name", "password"),
    [
        ("boss", "wrong"),
        ("nobody", PASSWORD),
        ("boss", ""),
        ("", ""),
        ("out", PASSWORD),
        ("boss", PASSWORD + "x" * 400),
    ],
)
def test_what_is_wrong_is_answered_alike(
    people: dict[str, int], client: httpx.Client, farm: Farm, database: Database, name: str, password: str
) -> None:
    accounts.disable(database, account(database, "out", "look", ALL, farm.now), farm.now)
    answer = enter(client, name, password)
    assert answer.status_code == 401 and sign_in.WRONG in answer.text and "set-cookie" not in answer.headers
    with_other = enter(client, "boss", "wrong too")
    assert answer.text.replace(f'value="{name}"', "") == with_other.text.replace('value="boss"', "")


def test_for_an_unknown_name_as_much_is_worked_out(
    people: dict[str, int], farm: Farm, database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One verification each, of a hash made with the same settings: not a test of the clock."""
    accounts.disable(database, account(database, "out", "look", ALL, farm.now), farm.now)
    verified: list[str] = []
    real = passwords._hasher

    class Counting:
        def verify(self, stored: str, password: bytes) -> bool:
            verified.append(stored.rsplit("$", 2)[0])
            return real.verify(stored, password)

        def hash(self, password: bytes) -> str:
            return real.hash(password)

    passwords.fits("x", None)  # the hash that is nobody's is made once
    monkeypatch.setattr(passwords, "_hasher", Counting())
    for name in ("boss", "nobody at all", "out"):
        assert accounts.signs_in(database, name, "not the password") is None
    assert len(verified) == 3 and len(set(verified)) == 1


def test_tries_are_slowed_down(people: dict[str, int], client: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    now = [1000.0]
    monkeypatch.setattr(sign_in.time, "monotonic", lambda: now[0])
    for name in ("boss", "nobody"):  # of a name that is there and of one that is not
        for _ in range(OF_A_NAME.at_once):
            assert enter(client, name, "wrong").status_code == 401
        for password in ("wrong", PASSWORD):
            slow = enter(client, name, password)
            assert slow.status_code == 429 and slow.headers["retry-after"] == "60" and "Wait 60 s" in slow.text
    now[0] += 61
    assert enter(client, "boss").status_code == 303


def test_tries_of_an_address_are_slowed_down_and_a_proxy_tells_which(
    people: dict[str, int], client: httpx.Client
) -> None:
    def tried(number: int, address: str) -> int:
        told = {
            "x-forwarded-for": f"198.51.100.9, {address}"
        }  # what came before the proxy's own word counts for nothing
        return client.post("/sign-in", data={"name": f"n{number}", "password": "x"}, headers=told).status_code

    assert {tried(number, "203.0.113.7") for number in range(OF_AN_ADDRESS.at_once)} == {401}
    assert tried(99, "203.0.113.7") == 429
    assert tried(100, "203.0.113.8") == 401


def test_the_throttle_keeps_no_more_than_so_many_and_gives_back() -> None:
    throttle = Throttle()
    for number in range(3 * MOST_KEPT):
        assert throttle.take(f"name {number}", f"10.{number >> 16}.{number >> 8 & 255}.{number & 255}", 0.0) == 0
    assert len(throttle._kept) == MOST_KEPT
    for _ in range(5 * OF_A_NAME.at_once):
        assert throttle.take("ann", "192.0.2.1", 5.0) == 0
        throttle.give_back("ann", "192.0.2.1")


def test_a_password_of_older_settings_is_hashed_anew(people: dict[str, int], database: Database, farm: Farm) -> None:
    def stored() -> str:
        query = sa.select(tables.accounts.c.password_hash).where(tables.accounts.c.id == people["boss"])
        with database.read() as connection:
            return str(connection.execute(query).scalar())

    old = stored()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passwords, "_hasher", passwords.PasswordHasher(time_cost=2, memory_cost=16, parallelism=1))
        assert accounts.signs_in(database, "boss", "wrong") is None and stored() == old
        assert accounts.signs_in(database, "boss", PASSWORD) == people["boss"]
        assert "m=16,t=2" in stored()
        assert accounts.signs_in(database, "boss", PASSWORD) == people["boss"]


# --- how long --------------------------------------------------------------------------------------------------


def test_a_session_ends_after_its_time_used_or_not(
    people: dict[str, int], farm: Farm, server: WebServer, database: Database
) -> None:
    begun = farm.now
    with signed_in(server.address, database, people["boss"], begun) as client:
        farm.now = begun + sessions.IDLE - timedelta(minutes=1)
        assert client.get("/account").status_code == 200  # used, and so it goes on
        farm.now = begun + 2 * sessions.IDLE - timedelta(minutes=2)
        assert client.get("/account").status_code == 200
        farm.now += sessions.IDLE
        assert client.get("/account").status_code == 303
    farm.now = begun
    with signed_in(server.address, database, people["boss"], begun) as client:
        for day in range(30):
            farm.now = begun + timedelta(days=day)
            assert client.get("/account").status_code == 200
        farm.now = begun + sessions.LONGEST
        assert client.get("/account").status_code == 303


def test_signing_out_everywhere_ends_every_session_and_no_other(
    people: dict[str, int], farm: Farm, server: WebServer, database: Database
) -> None:
    mine, phone = (signed_in(server.address, database, people["meadow-look"], farm.now) for _ in range(2))
    other = signed_in(server.address, database, people["boss"], farm.now)
    with mine, phone, other:
        assert [one.get("/account").status_code for one in (mine, phone, other)] == [200, 200, 200]
        assert mine.post("/account/sign-out-everywhere").headers["location"] == "/sign-in"
        assert [one.get("/account").status_code for one in (mine, phone, other)] == [303, 303, 200]


def test_another_password_ends_the_other_sessions(
    people: dict[str, int], farm: Farm, server: WebServer, database: Database
) -> None:
    new = "quite another sentence"
    mine, phone = (signed_in(server.address, database, people["meadow-look"], farm.now) for _ in range(2))
    with mine, phone:
        for present, wanted in (("wrong", new), (PASSWORD, "short"), (PASSWORD, "aaaaaaaaaaaaaaa")):
            assert mine.post("/account/password", data={"present": present, "new": wanted}).status_code == 422
        assert phone.get("/account").status_code == 200
        assert mine.post("/account/password", data={"present": PASSWORD, "new": new}).status_code == 303
        assert (mine.get("/account").status_code, phone.get("/account").status_code) == (200, 303)
    assert accounts.signs_in(database, "meadow-look", PASSWORD) is None
    assert accounts.signs_in(database, "meadow-look", new) == people["meadow-look"]


@pytest.mark.parametrize("what", ["disable", "remove", "reset", "no site any more"])
def test_what_is_done_to_an_account_holds_at_once(
    people: dict[str, int], farm: Farm, server: WebServer, database: Database, what: str
) -> None:
    number = people["meadow-look"]
    token = sessions.make_token(database, number, "panel", farm.now)
    with signed_in(server.address, database, number, farm.now) as client, browser(server.address) as program:
        program.headers["authorization"] = f"Bearer {token}"
        assert client.get("/fans/meadow/north-3").status_code == 200
        assert program.get("/api/v1/fans/meadow/north-3").status_code == 200
        if what == "disable":
            accounts.disable(database, number, farm.now)
        elif what == "remove":
            accounts.remove(database, number)
        elif what == "reset":
            accounts.set_password(database, number, "quite another sentence", tokens_too=True)
        else:
            accounts.change(database, number, "look", ["hill"])
        changed = what == "no site any more"
        assert client.get("/fans/meadow/north-3").status_code == (404 if changed else 303)
        assert program.get("/api/v1/fans/meadow/north-3").status_code == (404 if changed else 401)


def test_when_the_last_account_is_gone_only_this_computer_may_ask(
    people: dict[str, int], client: httpx.Client, database: Database
) -> None:
    for number in people.values():
        assert client.get("/").status_code == 303
        accounts.remove(database, number)
    assert client.get("/").status_code == 200
    assert client.get("/", headers={"host": "farm.example"}).status_code == 403
    assert client.get("/healthz", headers={"host": "farm.example"}).status_code == 403


def test_disabling_the_last_account_opens_nothing(people: dict[str, int], client: httpx.Client, database: Database,
                                                  farm: Farm) -> None:  # fmt: skip
    for number in people.values():
        accounts.disable(database, number, farm.now)
    assert client.get("/").status_code == 303


# --- other pages, other forms ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "headers", [{"origin": "https://evil.example"}, {"origin": "null"}, {"sec-fetch-site": "cross-site"}]
)
@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/v1/alarms/1/acknowledge", {"json": {}}),
        ("/api/v1/alarms/1/acknowledge", {"content": b"{}", "headers": {"content-type": "text/plain"}}),
        ("/people", {"data": {"name": "eve", "role": "manage", "sites": "*"}}),
        ("/account/sign-out-everywhere", {}),
        ("/sign-out", {}),
    ],
)
def test_another_sites_page_changes_nothing_with_a_browsers_session(
    people: dict[str, int], farm: Farm, server: WebServer, database: Database, path: str,
    body: dict[str, dict[str, str]], headers: dict[str, str],
) -> None:  # fmt: skip
    body = dict(body)
    with signed_in(server.address, database, people["boss"], farm.now) as client:
        answer = client.post(path, **{**body, "headers": {**body.get("headers", {}), **headers}})  # type: ignore[arg-type]
        assert answer.status_code == 403
        assert client.get("/account").status_code == 200
    assert actions.undone(database) == [] and accounts.by_name(database, "eve") is None


def test_who_did_it_is_the_account_whatever_name_is_given(
    people: dict[str, int], farm: Farm, server: WebServer, database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(asked, "WAIT_SECONDS", 0.0)
    with signed_in(server.address, database, people["meadow-attend"], farm.now) as client:
        for given in (None, "boss", "Meadow-Attend", "boss) (for"):
            client.post("/api/v1/alarms/1/acknowledge", json={"by": given})
        client.post("/alarms/1/acknowledge", data={"by": "Bob"})
        client.post("/api/v1/fans/meadow/north-3/service", json={"kind": "note", "note": "x", "by": "boss"})
    assert [one.by for one in actions.undone(database)] == [
        "meadow-attend", "meadow-attend (for boss)", "meadow-attend", "meadow-attend (for boss) (for)",
        "meadow-attend (for Bob)", "meadow-attend (for boss)",
    ]  # fmt: skip


# --- tokens ----------------------------------------------------------------------------------------------------


def test_a_token_opens_the_api_and_no_page_until_it_is_revoked(
    people: dict[str, int], farm: Farm, server: WebServer, database: Database
) -> None:
    with signed_in(server.address, database, people["meadow-look"], farm.now) as client:
        assert client.post("/account/tokens", data={"label": " "}).status_code == 422
        shown = client.post("/account/tokens", data={"label": "panel"}).text
        token = shown.partition("<code>amp_")[2].partition("</code>")[0]
        assert len(token) == 43 and token not in client.get("/account").text
        program = browser(server.address)
        program.headers["authorization"] = f"Bearer amp_{token}"
        with program:
            fans = program.get("/api/v1/fans").json()["items"]
            assert {one["site"] for one in fans} == {"meadow"}
            assert program.get("/").status_code == 303 and program.get("/account").status_code == 303
            assert program.post("/api/v1/alarms/1/acknowledge").status_code == 403
            (kept,) = sessions.tokens(database, people["meadow-look"])
            assert (kept.label, kept.used) == ("panel", farm.now)
            with signed_in(server.address, database, people["meadow-attend"], farm.now) as other:
                assert other.post(f"/account/tokens/{kept.id}/revoke").status_code == 404
            assert program.get("/api/v1/fans").status_code == 200
            assert client.post(f"/account/tokens/{kept.id}/revoke").status_code == 303
            assert program.get("/api/v1/fans").status_code == 401
    with database.read() as connection:
        assert connection.execute(sa.select(tables.api_tokens)).all() == []


@pytest.mark.parametrize("given", ["Bearer nonsense", "Basic Ym9zczp4", "Bearer", "amp_" + "A" * 43, "Bearer amp_é"])
def test_a_wrong_token_is_not_helped_out_by_a_session(
    people: dict[str, int], farm: Farm, server: WebServer, database: Database, given: str
) -> None:
    with signed_in(server.address, database, people["boss"], farm.now) as client:
        assert client.get("/api/v1/fans", headers={"authorization": given.encode("latin-1")}).status_code == 401  # type: ignore[dict-item]


def test_ids_are_stored_nowhere(people: dict[str, int], farm: Farm, database: Database) -> None:
    session = sessions.begin(database, people["boss"], farm.now)
    token = sessions.make_token(database, people["boss"], "panel", farm.now)
    with database.read() as connection:
        for table in (tables.sessions, tables.api_tokens, tables.accounts):
            text = str(connection.execute(sa.select(table)).all())
            assert session not in text and token not in text and PASSWORD not in text


def test_sessions_of_an_account_are_bounded(people: dict[str, int], farm: Farm, database: Database) -> None:
    kept = [
        sessions.begin(database, people["boss"], farm.now + timedelta(seconds=number))
        for number in range(sessions.MOST_SESSIONS + 2)
    ]
    found = [sessions.find(database, farm.now, session=one)[1] is not None for one in kept]
    assert found == [False, False] + [True] * sessions.MOST_SESSIONS
