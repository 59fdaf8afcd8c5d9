"""The pit page over HTTP: what it answers, to whom, and how it is started.

    GET  /           the page;  /page.js  /page.css
    GET  /now        how everything stands, JSON
    GET  /stream     the same as server-sent events (HTML Living Standard, text/event-stream), five times a second
    GET  /cards      the cards of the session's runs, newest first
    GET  /forms      what a slip and a change may hold (with the token)
    POST /act        {"act": "acknowledge" | "mark" | "note", ...}          with the token
    POST /slip  /change   lines for the logbook                              with the token

The token travels in the header `Authorization: Bearer …`: a page of another origin cannot send that, so what a browser
on this machine happens to open cannot act either. A request whose Host is not one we listen at is refused.
"""

from __future__ import annotations

import asyncio
import hmac
import json
import secrets
import socket
from contextlib import suppress
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from pullwatch.errors import PullwatchError

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterable

    from starlette.requests import Request

    from pullwatch.pit.deeds import Deeds
    from pullwatch.pit.room import Room

EVERY: Final = 0.2
"""Seconds between two events of the stream."""
LARGEST_REQUEST: Final = 8_192
VIEWERS: Final = 20
"""Pages that may be open at once; more are told to come back later."""
SAFE_HEADERS: Final = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}
TYPES: Final = {"page.html": "text/html", "page.js": "text/javascript", "page.css": "text/css"}


def new_token() -> str:
    """Return a token nobody can guess (96 bits), short enough to be typed if need be."""
    return secrets.token_urlsafe(12)


class Pit:
    """The page's server. `cards` returns the cards of a session folder; `hosts` are the names it may be called by."""

    def __init__(
        self, room: Room, deeds: Deeds, token: str, cards: Callable[[], list[Any]], hosts: Iterable[str]
    ) -> None:
        self._room = room
        self._deeds = deeds
        self._token = token
        self._cards = cards
        self._picture = "{}"
        self._news = asyncio.Condition()
        self._viewers = 0
        self._closing = False
        self.app = Starlette(
            routes=[
                Route("/", self._page("page.html")),
                Route("/page.js", self._page("page.js")),
                Route("/page.css", self._page("page.css")),
                Route("/now", self._now),
                Route("/stream", self._stream),
                Route("/cards", self._run_cards),
                Route("/forms", self._forms),
                Route("/{deed:str}", self._deed, methods=["POST"]),
            ],
            middleware=[Middleware(TrustedHostMiddleware, allowed_hosts=sorted({*hosts}))],
        )

    async def look(self) -> None:
        """Take what is new, and wake whoever waits for it."""
        self._picture = json.dumps(self._room.look(), ensure_ascii=True, allow_nan=False)
        async with self._news:
            self._news.notify_all()

    async def keep_looking(self) -> None:
        """Look five times a second, until cancelled."""
        while True:
            await self.look()
            await asyncio.sleep(EVERY)

    async def close(self) -> None:
        """Let every stream end."""
        self._closing = True
        async with self._news:
            self._news.notify_all()

    # ---- answers -----------------------------------------------------------------------------------------------------

    def _page(self, name: str) -> Callable[[Request], Any]:
        text = (files("pullwatch.pit") / "page" / name).read_text(encoding="utf-8")

        async def answer(_request: Request) -> Response:
            return Response(text, media_type=TYPES[name], headers=SAFE_HEADERS)

        return answer

    async def _now(self, _request: Request) -> Response:
        return Response(self._picture, media_type="application/json", headers=SAFE_HEADERS)

    async def _stream(self, _request: Request) -> Response:
        if self._viewers >= VIEWERS:
            return _refused(503, f"{VIEWERS} pages are open already. Close one.")
        return StreamingResponse(self._events(), media_type="text/event-stream", headers=SAFE_HEADERS)

    async def _events(self) -> AsyncIterator[str]:
        """Yield every new picture. A page that does not keep up gets the newest when it is ready, never a backlog."""
        self._viewers += 1
        try:
            while not self._closing:
                yield f"data: {self._picture}\n\n"
                async with self._news:
                    await self._news.wait()
        finally:
            self._viewers -= 1

    async def _run_cards(self, _request: Request) -> Response:
        return JSONResponse(await run_in_threadpool(self._cards), headers=SAFE_HEADERS)

    async def _forms(self, request: Request) -> Response:
        if not self._may(request):
            return _refused(403, "This page only shows: open it by the address with the token.")
        return JSONResponse(await run_in_threadpool(self._deeds.forms), headers=SAFE_HEADERS)

    async def _deed(self, request: Request) -> Response:
        if not self._may(request):
            return _refused(403, "This page only shows: open it by the address with the token.")
        body = b""
        async for piece in request.stream():
            body += piece
            if len(body) > LARGEST_REQUEST:
                return _refused(413, f"More than {LARGEST_REQUEST:,} bytes: that is no act.")
        try:
            asked = json.loads(body)
        except (ValueError, RecursionError):
            return _refused(400, "What was sent is not JSON.")
        if not isinstance(asked, dict):
            return _refused(400, "What was sent is no JSON object.")
        try:
            said = await run_in_threadpool(self._deeds.do, request.path_params["deed"], asked)
        except LookupError as error:
            return _refused(404, str(error.args[0]))
        except PullwatchError as error:
            return _refused(409, str(error))
        return JSONResponse({"ok": True, "said": said}, headers=SAFE_HEADERS)

    def _may(self, request: Request) -> bool:
        sent = request.headers.get("authorization", "")
        return hmac.compare_digest(sent.encode(), f"Bearer {self._token}".encode())


def _refused(status: int, why: str) -> Response:
    return JSONResponse({"ok": False, "why": why}, status_code=status, headers=SAFE_HEADERS)


def own_addresses() -> list[str]:
    """Return the addresses of this machine that a phone in the same network may call, without asking anybody."""
    found: list[str] = []
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # TEST-NET-1 (RFC 5737): nothing is sent, only the way out is looked up
        found.append(probe.getsockname()[0])
    with suppress(OSError):
        found += [info[4][0] for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)]  # type: ignore[misc]
    return [address for address in dict.fromkeys(found) if not address.startswith("127.")]


class Server(uvicorn.Server):
    """uvicorn on a socket of ours, with the pit's own looking beside it."""

    def __init__(self, pit: Pit, listening: socket.socket) -> None:
        config = uvicorn.Config(
            pit.app,
            log_level="warning",
            lifespan="off",
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=2,
            timeout_keep_alive=30,
            limit_concurrency=64,
            ws="none",
        )
        super().__init__(config)
        self._pit = pit
        self._listening = listening

    async def run_until_stopped(self) -> None:
        """Serve until asked to stop (Ctrl-C, SIGTERM, or `should_exit`)."""
        looking = asyncio.create_task(self._pit.keep_looking())
        looking.add_done_callback(lambda _: setattr(self, "should_exit", True))  # it ends before us only by a fault
        try:
            await self.serve(sockets=[self._listening])
        finally:
            looking.cancel()
            with suppress(asyncio.CancelledError):
                await looking

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Let every stream end, then what uvicorn does."""
        await self._pit.close()
        await super().shutdown(sockets)


def listen_at(host: str, port: int) -> socket.socket:
    """Return a socket that listens. Raises OSError if the port is taken."""
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((host, port))
        made.listen(64)
    except OSError:
        made.close()
        raise
    return made
