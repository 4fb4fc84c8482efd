"""The whole suite runs without a network: an attempt to reach one is an error, in child processes too."""

from __future__ import annotations

import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest


def send_to_nobody() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        one.sendto(b"", ("127.0.0.1", 9))


ATTEMPTS: dict[str, Callable[[], object]] = {
    "connect": lambda: socket.create_connection(("127.0.0.1", 9), timeout=1),
    "look up": lambda: socket.getaddrinfo("localhost", 80),
    "send": send_to_nobody,
    "old look up": lambda: socket.gethostbyname("localhost"),
}


@pytest.mark.parametrize("attempt", ATTEMPTS)
def test_an_attempt_to_reach_a_network_is_an_error(attempt: str) -> None:
    with pytest.raises(RuntimeError, match="tests use no network"):
        ATTEMPTS[attempt]()


def test_a_python_process_that_a_test_starts_reaches_no_network_either() -> None:
    done = subprocess.run(
        [sys.executable, "-c", "import socket; socket.create_connection(('127.0.0.1', 9), timeout=1)"],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 1
    assert "NetworkIsOff: tests use no network" in done.stderr


@pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="this system has no local sockets")
def test_a_socket_of_this_machine_s_own_files_still_works(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as door, socket.socket(socket.AF_UNIX) as caller:
        door.bind(str(tmp_path / "s"))
        door.listen()
        caller.connect(str(tmp_path / "s"))
