"""The web server in a thread of its own, with an orderly stop: open streams end first, then the server."""

from __future__ import annotations

import socket
import ssl
import threading
import time
from collections.abc import Callable
from pathlib import Path

import uvicorn
from fastapi import FastAPI

from monitor.errors import ConfigError

STOP_SECONDS = 3
"""Requests in work get so long to end."""


class WebServer:
    """Serves an app until it is stopped.

    Raises
    ------
    ConfigError : the address is taken or may not be used, or the certificate cannot be read
    """

    def __init__(
        self, app: FastAPI, host: str, port: int, *, on_end: Callable[[], None] | None = None,
        certificate: tuple[Path, Path] | None = None,
    ) -> None:  # fmt: skip
        """
        Parameters
        ----------
        certificate : its file and that of its key, for https; None: http
        """
        self._app = app
        self._on_end = on_end
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        self._socket = socket.socket(family, socket.SOCK_STREAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self._socket.bind((host, port))
        except OSError as exc:
            self._socket.close()
            raise ConfigError(
                f"cannot open the pages at {host}:{port}: {exc.strerror}. "
                "Stop what else uses it, or set web.listen to another."
            ) from exc
        self.port: int = self._socket.getsockname()[1]
        """The port that is used; the system's choice where 0 was asked for."""
        scheme = "http" if certificate is None else "https"
        self.address = f"{scheme}://{f'[{host}]' if ':' in host else host}:{self.port}"
        config = uvicorn.Config(
            app,
            log_level="warning",
            access_log=False,
            server_header=False,
            date_header=True,
            proxy_headers=False,  # the peer is who connects; no header may say otherwise
            timeout_graceful_shutdown=STOP_SECONDS,
            timeout_keep_alive=20,
            ssl_certfile=None if certificate is None else certificate[0],
            ssl_keyfile=None if certificate is None else str(certificate[1]),
        )
        try:
            config.load()  # reads the certificate
        except (OSError, ssl.SSLError) as exc:
            self._socket.close()
            files = " and ".join(str(one) for one in certificate or ())
            raise ConfigError(
                f"the certificate of the pages cannot be used ({files}): {exc}. Give web.cert_file and web.key_file as "
                "PEM, readable by the service."
            ) from exc
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, name="web", daemon=True)

    def _run(self) -> None:
        try:
            self._server.run(sockets=[self._socket])
        finally:
            if self._on_end is not None:
                self._on_end()

    def start(self, within_seconds: float = 10.0) -> None:
        """Returns when it answers."""
        self._thread.start()
        until = time.monotonic() + within_seconds
        while not self._server.started:
            if not self._thread.is_alive() or time.monotonic() > until:
                raise ConfigError(f"the pages at {self.address} did not start; the log tells why")
            time.sleep(0.01)

    @property
    def alive(self) -> bool:
        """Whether its thread runs."""
        return self._thread.is_alive()

    def stop(self, within_seconds: float = 5.0) -> None:
        """Ends open streams, waits for requests in work, closes."""
        self._app.state.live.stop()
        self._server.should_exit = True
        if self._thread.is_alive():
            self._thread.join(within_seconds)
        self._socket.close()
