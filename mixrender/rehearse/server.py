"""A listening socket of this machine alone, and the server on it, in a thread of its own."""

from __future__ import annotations

import errno
import os
import secrets
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn
from starlette.types import ASGIApp

from mixrender.errors import InputError, MachineError

HOST = "127.0.0.1"
TOKEN_BYTES = 9
STOP_S = 5.0
"""How long a server may take to end."""


def new_token() -> str:
    """What nobody guesses: the first part of every address, 12 characters for 72 random bits."""
    return secrets.token_urlsafe(TOKEN_BYTES)


def listen(port: int | None) -> socket.socket:
    """A socket that listens on 127.0.0.1, at a free port where none is given.

    Raises InputError where the port is taken or not to be had, MachineError where no port is.
    """
    found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if os.name == "posix":  # elsewhere this would share a port that is in use
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        found.bind((HOST, port or 0))
        found.listen(64)
    except OSError as error:
        found.close()
        if port is None:
            raise MachineError(f"no port of {HOST} can be listened on ({error.strerror})") from error
        if error.errno == errno.EADDRINUSE:
            reason = "is used by another program"
        else:
            reason = f"cannot be used ({error.strerror})"
        raise InputError(
            f"port {port} {reason}. Name another one with --port, or leave it out to get a free one."
        ) from error
    return found


@contextmanager
def serving(app: ASGIApp, listening: socket.socket) -> Iterator[threading.Thread]:
    """Serve until the context ends; the thread that does so. Open streams must have been ended by then."""
    config = uvicorn.Config(
        app,
        log_level="critical",
        access_log=False,
        server_header=False,
        date_header=False,
        lifespan="off",
        timeout_graceful_shutdown=1,
        ws="none",
        http="h11",
        loop="asyncio",
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(
        target=server.run, kwargs={"sockets": [listening]}, name="rehearsal server", daemon=True
    )
    thread.start()
    try:
        yield thread
    finally:
        server.should_exit = True
        thread.join(STOP_S)
        listening.close()
