"""Where the broker is, who we are to it, and how each proves itself."""

from __future__ import annotations

import re
import ssl
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from monitor.errors import ConfigError, Fault

_NO_LEVEL: Final = re.compile(r"[/+#\x00]")


@dataclass(frozen=True)
class BrokerAddress:
    """Where the broker is, and who we are to it."""

    host: str = "127.0.0.1"
    port: int = 1883
    """8883 means TLS, as does any of the three files."""
    root: str = "amps/v1"
    """First levels of all topics."""
    client_id: str = "amp-monitor"
    """Fixed: the broker keeps our session under it. Two services with the same one throw each other out."""
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None

    @property
    def tls(self) -> bool:
        return self.port == 8883 or self.ca_file is not None or self.cert_file is not None

    @property
    def status_topic(self) -> str:
        """Where our own word stands: two levels under the root, so never that of a logger (SITE/FAN/status).

        What no topic level may hold becomes a dash.

        >>> BrokerAddress(client_id="amp-monitor").status_topic, BrokerAddress(client_id="home/a+").status_topic
        ('amps/v1/amp-monitor/status', 'amps/v1/home-a-/status')
        """
        return f"{self.root}/{_NO_LEVEL.sub('-', self.client_id)}/status"

    def __str__(self) -> str:
        return f"{self.host}:{self.port}"


def tls_context(address: BrokerAddress) -> ssl.SSLContext:
    """How the broker proves itself, and we to it.

    Raises
    ------
    ConfigError : a file is missing or is not what it should be
    """
    place, expected, path = "mqtt.ca_file", "a file with the certificate of the broker's authority", address.ca_file
    try:
        context = ssl.create_default_context(cafile=None if path is None else str(path))
        if address.cert_file is not None:
            place, expected, path = "mqtt.cert_file", "our certificate, and in key_file its key", address.cert_file
            context.load_cert_chain(address.cert_file, address.key_file)
    except (OSError, ssl.SSLError) as exc:
        raise ConfigError(
            "the files for a trusted connection to the broker cannot be used:",
            [Fault(place, expected, f"{path}: {exc}")],
        ) from exc
    return context
