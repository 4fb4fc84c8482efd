"""Python processes that have this folder on their path reach no network: the attempt is an error."""

from __future__ import annotations

import socket
import sys
from typing import Any

ASKING = {
    "socket.connect",
    "socket.sendto",
    "socket.sendmsg",
    "socket.getaddrinfo",
    "socket.gethostbyname",
    "socket.gethostbyaddr",
    "socket.getnameinfo",
}


class NetworkIsOff(RuntimeError):
    """Not an OSError: code that forgives a network that is down must not hide that it asked."""


def refuse(event: str, arguments: tuple[Any, ...]) -> None:
    if event not in ASKING:
        return
    first = arguments[0] if arguments else None
    if isinstance(first, socket.socket) and first.family == getattr(socket, "AF_UNIX", None):
        return
    raise NetworkIsOff(f"tests use no network: {event} {arguments[1:] or arguments}")


sys.addaudithook(refuse)
