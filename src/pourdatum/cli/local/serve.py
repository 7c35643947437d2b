"""Serves the page on the loopback address until it is ended: by the page, or by Ctrl-C."""

from __future__ import annotations

import contextlib
import logging
import os
import secrets
import socket
import threading
import time
import webbrowser
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pourdatum.cli.local.desk import Desk
from pourdatum.cli.local.intake import Intake
from pourdatum.cli.local.routes import PURPOSE, application
from pourdatum.cli.refusal import TRACE
from pourdatum.errors import JobError, LimitMet, OutputError
from pourdatum.optional import need

ADDRESS: Final = "127.0.0.1"
_TOKEN_BYTES: Final = 24
_START_S: Final = 20.0
_WAIT_S: Final = 0.5
"""Pauses of a wait, since on Windows no signal ends one."""


@dataclass(frozen=True)
class Served:
    """A page that is served.

    Attributes
    ----------
    address : str
        With the token in it.
    ended : threading.Event
        Set when the page asks for the end.
    folder : Path
        Where dropped scans are held.
    """

    address: str
    ended: threading.Event
    folder: Path

    def wait(self) -> None:
        """Until the page asks for the end."""
        while not self.ended.wait(_WAIT_S):
            pass


@contextlib.contextmanager
def served_page(out: Path, port: int = 0) -> Iterator[Served]:
    """Serve the page; leaving stops what runs and removes what was taken in.

    Parameters
    ----------
    out : Path
        Folder in which result folders are proposed.
    port : int
        Port on the loopback address; 0 for one that is free.

    Raises
    ------
    MissingExtra
        If the web framework or its server is not installed.
    JobError
        If the port cannot be had.
    OutputError
        If there is no room for temporary files.
    """
    uvicorn = need("uvicorn", purpose=PURPOSE, extra="page")
    need("starlette.applications", purpose=PURPOSE, extra="page")
    with contextlib.ExitStack() as stack:
        door = stack.enter_context(_bound(port))
        try:
            intake = Intake()
        except OSError as reason:
            raise OutputError(
                f"no folder for temporary files can be made ({reason.strerror})",
                hint="make room, or name another place in TMPDIR",
            ) from reason
        stack.callback(intake.close)
        desk = Desk()
        stack.callback(desk.close)
        ended = threading.Event()
        token = secrets.token_urlsafe(_TOKEN_BYTES)
        host = f"{ADDRESS}:{door.getsockname()[1]}"
        app = application(token, host, desk, intake, out.absolute(), ended.set)
        config = uvicorn.Config(
            app, http="h11", ws="none", loop="asyncio", lifespan="off", interface="asgi3",
            log_config=None, access_log=False, server_header=False, proxy_headers=False,
            timeout_graceful_shutdown=2,
        )  # fmt: skip
        server = uvicorn.Server(config)
        # A file that still comes when the program ends is a traceback to it, and none to people.
        logging.getLogger("uvicorn.error").disabled = os.environ.get(TRACE) != "1"
        # Beside the main thread it leaves signals to us.
        thread = threading.Thread(target=server.run, args=([door],), daemon=True)
        thread.start()

        def stop() -> None:
            server.should_exit = True
            thread.join(5.0)

        stack.callback(stop)
        until = time.monotonic() + _START_S
        while not server.started:
            if not thread.is_alive() or time.monotonic() > until:
                raise LimitMet("the page's server does not start", id="page")
            time.sleep(0.01)
        yield Served(f"http://{host}/{token}/", ended, intake.folder)


def open_browser(address: str) -> bool:
    """Open the address in the user's browser; whether that seems to have worked."""
    with contextlib.suppress(Exception):
        return webbrowser.open(address)
    return False


@contextlib.contextmanager
def _bound(port: int) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as door:
        try:
            door.bind((ADDRESS, port))
        except OSError as reason:
            raise JobError(
                f"port {port} cannot be had ({reason.strerror})",
                where="--port",
                hint="leave it away, and a free one is taken",
                id="port",
            ) from reason
        yield door
