"""Who may speak to the server: the token's holder, on this computer, from our own page."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any, Final

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

_ALWAYS: Final = (
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
)
_PATIENCE_S: Final = 0.5
_MOST_UNHEARD: Final = 1 << 16
"""How long, and how many bytes, who may not speak is let speak before being refused."""
_REFUSED: Final = b"refused: open the address that pourdatum printed, whole and as it stands\n"


class Guard:
    """Lets a request through to an application only if all of these hold.

    - Its path begins with the token, compared in constant time. The application gets the rest.
    - Its Host is ours: a foreign name that points to this computer (DNS rebinding) is not.
    - It comes from our own page, as Origin and Sec-Fetch-Site say, if it is more than a look.

    Parameters
    ----------
    app : ASGI application
    token : str
    host : str
        Address and port as in the Host header.
    """

    def __init__(self, app: App, token: str, host: str) -> None:
        self._app = app
        self._token = token.encode()
        self._host = host.encode()
        self._origin = f"http://{host}".encode()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            return
        _, first, rest = (*scope["path"].split("/", 2), "", "")[:3]
        given = secrets.compare_digest(first.encode(), self._token)
        if not (given and self._ours(scope)):
            await _refuse(receive, send)
            return

        async def sent(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *_ALWAYS]
            await send(message)

        inner = {**scope, "path": f"/{rest}", "raw_path": None, "root_path": ""}
        if not rest and not scope["path"].endswith("/"):
            inner["path"] = "/slash"  # Addresses in the page are relative: it wants the last slash.
        await self._app(inner, receive, sent)

    def _ours(self, scope: Scope) -> bool:
        told: dict[bytes, list[bytes]] = {}
        for name, value in scope["headers"]:
            told.setdefault(name.lower(), []).append(value)
        if told.get(b"host") != [self._host]:
            return False
        from_page = told.get(b"origin", [])
        if scope["method"] not in ("GET", "HEAD"):
            return from_page == [self._origin]
        site = told.get(b"sec-fetch-site", [b"none"])
        return from_page in ([], [self._origin]) and site in ([b"none"], [b"same-origin"])


async def _refuse(receive: Receive, send: Send) -> None:
    # A body that nobody reads breaks the line, now and then before the answer is heard.
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(_PATIENCE_S):
            left = _MOST_UNHEARD
            while left > 0 and (told := await receive()).get("more_body"):
                left -= len(told["body"])
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"connection", b"close"), *_ALWAYS]
    await send({"type": "http.response.start", "status": 403, "headers": headers})
    await send({"type": "http.response.body", "body": _REFUSED})
