"""The server of the page: for this machine alone, behind an address that nobody can guess.

It listens on the loopback address, answers only where the random word stands in the path, where the host asked for is
its own, and where a page that asks is its own. What it hands out is a list of files that come with it. What comes back
from a page are messages of ``messages.py``. The page may load nothing from elsewhere (content security policy).
"""

import gc
import secrets
import socket
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, MutableMapping
from contextlib import asynccontextmanager, suppress
from importlib.resources import files
from typing import Any

import anyio
import anyio.lowlevel
import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from fetsim.errors import InputError
from fetsim.live.hub import Hub, Page
from fetsim.live.messages import LARGEST_BYTES

LOOPBACK = "127.0.0.1"
HERE, COMPARE = "fetsim.live.pages", "fetsim.report.pages.compare"
OWN = (
    "app.js", "canvas.js", "desk.js", "dom.js", "keys.js", "line.js", "link.js", "meters.js", "parts.js", "ring.js",
    "scope.js", "sound.js", "trial.js", "worklet.js",
)  # fmt: skip
FILES: dict[str, tuple[str, str]] = {
    "": (HERE, "page.html"), "page.css": (HERE, "page.css"), **{name: (HERE, name) for name in OWN},
    "listen.css": (COMPARE, "page.css"), **{name: (COMPARE, name) for name in ("binomial.js", "trials.js")},
}  # fmt: skip
"""Name in the address -> the file that comes with it; there are no others."""
SWITCH_S = 0.0005
"""So long the thread that marches waits at the most for one that runs Python, instead of 5 ms."""
KINDS = {".html": "text/html", ".css": "text/css", ".js": "text/javascript"}

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]


def headers(port: int) -> dict[str, str]:
    """Of every answer."""
    policy = (
        f"default-src 'none'; script-src 'self'; style-src 'self'; img-src data:; connect-src 'self' "
        f"ws://{LOOPBACK}:{port}; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
    return {
        "content-security-policy": policy, "x-content-type-options": "nosniff", "referrer-policy": "no-referrer",
        "cross-origin-opener-policy": "same-origin", "cross-origin-resource-policy": "same-origin",
        "cache-control": "no-store",
    }  # fmt: skip


class Guard:
    """Lets through what is meant for this server, from its own page."""

    def __init__(self, app: Any, port: int) -> None:
        self._app = app
        self._host = f"{LOOPBACK}:{port}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] in ("http", "websocket") and not self._is_own(scope):
            if scope["type"] == "websocket":
                await send({"type": "websocket.close", "code": 1008})
            else:
                await Response("not for this server\n", status_code=403)(scope, receive, send)
            return
        await self._app(scope, receive, send)

    def _is_own(self, scope: Scope) -> bool:
        given: dict[str, list[str]] = {}
        for name, value in scope["headers"]:
            given.setdefault(name.decode("latin-1"), []).append(value.decode("latin-1"))
        origins = given.get("origin", [])
        asked = given.get("host") == [self._host]
        from_own = origins == [f"http://{self._host}"] or (not origins and scope["type"] == "http")
        return asked and from_own


def application(hub: Hub, token: str, port: int) -> Any:
    """The whole of it as an ASGI application."""
    more = headers(port)

    async def file(request: Request) -> Response:
        found = FILES.get(request.path_params.get("name", ""))
        if found is None:
            return Response("there is nothing of this name\n", status_code=404, headers=more)
        package, name = found
        kind = KINDS[name[name.rindex(".") :]]
        text = files(package).joinpath(name).read_text("utf-8")
        return Response(text, media_type=kind, headers=more)

    async def live(socket: WebSocket) -> None:
        await socket.accept()
        page = Page()
        hub.open(page)
        try:
            async with anyio.create_task_group() as both:
                both.start_soon(_send, socket, page)
                await _receive(socket, page, hub)
                both.cancel_scope.cancel()
        finally:
            hub.close(page)

    @asynccontextmanager
    async def life(app: Starlette) -> AsyncIterator[None]:
        await hub.begin()
        try:
            yield
        finally:
            hub.end()

    routes = [
        Route(f"/{token}/", file), Route(f"/{token}/{{name}}", file), WebSocketRoute(f"/{token}/live", live)
    ]
    return Guard(Starlette(routes=routes, lifespan=life), port)


async def _send(socket: WebSocket, page: Page) -> None:
    while True:
        message = await page.waiting.get()
        with suppress(WebSocketDisconnect, RuntimeError):
            await (socket.send_text(message) if isinstance(message, str) else socket.send_bytes(message))


async def _receive(socket: WebSocket, page: Page, hub: Hub) -> None:
    with suppress(WebSocketDisconnect):
        while True:
            message = await socket.receive()
            if message["type"] == "websocket.disconnect":
                return
            hub.take(page, message.get("text") or message.get("bytes") or "")
            await anyio.lowlevel.checkpoint()  # messages that are there already would keep all else waiting


def bound(port: int) -> socket.socket:
    """A socket on the loopback address; 0 takes a port that is free. Raises InputError for one that is taken."""
    found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        found.bind((LOOPBACK, port))
        found.listen()  # so that a browser that is quicker than the server waits
    except (OSError, OverflowError) as error:
        found.close()
        why = getattr(error, "strerror", None) or str(error)
        raise InputError(f"--port: {port} cannot be had ({why}); leave it out and a free one is taken") from None
    return found


def new_token() -> str:
    """128 random bits."""
    return secrets.token_urlsafe(16)


def configured(hub: Hub, token: str, port: int) -> uvicorn.Config:
    """How it is served."""
    return uvicorn.Config(
        application(hub, token, port), log_level="critical", access_log=False, lifespan="on", ws="websockets-sansio",
        ws_max_size=LARGEST_BYTES, ws_per_message_deflate=False, timeout_graceful_shutdown=1, server_header=False,
        date_header=False,
    )  # fmt: skip


def serve(hub: Hub, at: socket.socket, token: str) -> None:
    """Until Ctrl-C."""
    sys.setswitchinterval(SWITCH_S)
    gc.collect()
    gc.freeze()  # what stays to the end: to look through it for what can go would stop all threads for some 200 ms
    uvicorn.Server(configured(hub, token, at.getsockname()[1])).run(sockets=[at])
