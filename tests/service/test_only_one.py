"""A second service on the same data directory is refused in plain words; whatever ends the first one frees it."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import ConfigError
from monitor.service.only_one import FILE, OnlyOne
from monitor.service.shell import Service

HOLDS = "import sys, time; from pathlib import Path; from monitor.service.only_one import OnlyOne\n"
HOLDS += "one = OnlyOne(Path(sys.argv[1])); print('held', flush=True); time.sleep(60)"


def test_a_kill_frees_it(tmp_path: Path) -> None:
    holder = subprocess.Popen([sys.executable, "-c", HOLDS, str(tmp_path)], stdout=subprocess.PIPE)
    assert holder.stdout is not None
    with holder:
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(ConfigError, match=rf"another service \(process {holder.pid}\) is running on the data"):
            OnlyOne(tmp_path)
        assert (tmp_path / FILE).read_text() == f"{holder.pid}\n"  # who was refused has written nothing
        holder.send_signal(signal.SIGKILL)
        holder.wait(10)
    OnlyOne(tmp_path).release()
    OnlyOne(tmp_path).release()


def test_a_directory_that_may_not_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / FILE).mkdir()  # as root may write everything
    with pytest.raises(ConfigError, match=r"cannot write .*in-use: Is a directory"):
        OnlyOne(tmp_path)


def test_a_second_service_is_refused_before_it_touches_anything(service: Any) -> None:
    with pytest.raises(ConfigError, match="two would tell everything twice"):
        Service(service.settings, print_line=lambda line: None)
    service.stop()
    again = Service(service.settings, print_line=lambda line: None)
    again._close()
