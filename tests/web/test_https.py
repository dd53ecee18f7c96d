"""The pages by https, with a certificate of the settings."""

from __future__ import annotations

import shutil
import ssl
import subprocess
from pathlib import Path

import httpx
import pytest

from monitor.errors import ConfigError
from monitor.records.database import Database
from monitor.web.app import create_app
from monitor.web.door import SECURE_COOKIE
from monitor.web.server import WebServer
from tests.web.farm import Farm
from tests.web.people import PASSWORD, account, cheap_passwords

OPENSSL = shutil.which("openssl")


@pytest.mark.skipif(OPENSSL is None, reason="needs openssl, which makes the certificate")
def test_https_with_our_own_certificate(farm: Farm, database: Database, tmp_path: Path) -> None:
    cert, key = tmp_path / "cert.pem", tmp_path / "key.pem"
    subprocess.run(
        [str(OPENSSL), "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days",
         "2", "-subj", "/CN=farm.example", "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", key, "-out", cert],
        check=True, capture_output=True,
    )  # fmt: skip
    app = create_app(database, now=lambda: farm.now)
    running = WebServer(app, "127.0.0.1", 0, certificate=(cert, key))
    running.start()
    try:
        assert running.address.startswith("https://")
        trusting = ssl.create_default_context(cafile=str(cert))
        with cheap_passwords(), httpx.Client(base_url=running.address, verify=trusting, trust_env=False) as client:
            farm.site()
            account(database, "Ann", "look", ["meadow"], farm.now)
            origin = {"origin": running.address}
            answer = client.post("/sign-in", data={"name": "Ann", "password": PASSWORD}, headers=origin)
            assert answer.headers["set-cookie"].startswith(f"{SECURE_COOKIE}=")
            assert "Secure" in answer.headers["set-cookie"]
            assert client.get("/account").status_code == 200
    finally:
        running.stop()


@pytest.mark.parametrize("text", [None, "no certificate"])
def test_a_certificate_that_cannot_be_used_is_told(database: Database, tmp_path: Path, text: str | None) -> None:
    if text is not None:
        (tmp_path / "cert.pem").write_text(text)
        (tmp_path / "key.pem").write_text(text)
    with pytest.raises(ConfigError, match=r"certificate of the pages cannot be used .*cert\.pem"):
        WebServer(
            create_app(database, now=lambda: None), "127.0.0.1", 0,  # type: ignore[arg-type,return-value]
            certificate=(tmp_path / "cert.pem", tmp_path / "key.pem"),
        )  # fmt: skip
