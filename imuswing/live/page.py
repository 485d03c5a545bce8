"""Serves the live page: to this computer alone, or, where the coach allows it, to one phone that knows a key.

Starlette and uvicorn do the work in a thread of their own; the engine meets it only at the `Hub`. What protects it:
it listens on loopback, and for a phone also on this computer's one address in the local network; hosts and origins that
are not its own are refused (a page elsewhere cannot reach it through the coach's browser); another device needs a key
that works once and is then kept as a cookie. The connection to a phone is not encrypted: `Served.warning` says so.
"""

from __future__ import annotations

import asyncio
import secrets
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from imuswing.errors import ImuswingError, MissingExtraError, SettingsError
from imuswing.live.document import render_live
from imuswing.live.hub import Hub
from imuswing.live.messages import Hello, Problem, read_command, to_json
from imuswing.report.texts import Texts, load_texts

if TYPE_CHECKING:
    from starlette.applications import Starlette
    from starlette.requests import HTTPConnection, Request
    from starlette.responses import Response
    from starlette.websockets import WebSocket

LOOPBACK: Final = "127.0.0.1"
COOKIE: Final = "imuswing_live"
WAITING_MOST: Final = 400
"""Messages that wait for a slow page; beyond it those of no lasting use (`levels`) are left out."""
GIVEN_UP: Final = 5000
"""Messages that wait for a page that takes nothing any more; its connection is then closed."""
START_WITHIN_S: Final = 10.0
LAST_WORDS_S: Final = 0.3
"""How long the server stays after the last message, so that the page hears that the recording is whole."""
HEADERS: Final = {
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Resource-Policy": "same-origin",
}
WARNING: Final = (
    "The phone's connection is not encrypted: whoever shares this network could read along, so use a network of your "
    "own, such as the phone's hotspot. The key works once; type it into the phone, do not send it. "
    "Names stay pseudonyms."
)

REFUSED: Final = (
    "Open the address with the key that the laptop shows. It works once; start `imuswing live` again for a new one."
)


@dataclass(frozen=True, kw_only=True)
class Served:
    """Where the page is.

    url: on this computer.  phone_url: for one other device, with its key.  warning: to be said.
    """

    url: str
    phone_url: str | None = None
    warning: str | None = None


@dataclass(kw_only=True)
class Door:
    """Who may come in: the hosts that are this page's own, and the key for another device until it is used."""

    hosts: tuple[str, ...]
    port: int
    key: str | None = None
    cookie: str = field(default_factory=lambda: secrets.token_urlsafe(24))

    def may_enter(self, connection: HTTPConnection) -> bool:
        """This computer always; another device with the cookie that the key was changed for."""
        if connection.client is not None and connection.client.host == LOOPBACK:
            return True
        return secrets.compare_digest(connection.cookies.get(COOKIE, ""), self.cookie)

    def spend(self, key: str) -> bool:
        """Whether this is the key; it works once."""
        if self.key is None or not secrets.compare_digest(key, self.key):
            return False
        self.key = None
        return True

    def is_own_origin(self, origin: str | None) -> bool:
        """Whether a connection was opened by a page of this server; a page elsewhere has another origin."""
        return origin in {f"http://{host}:{self.port}" for host in self.hosts}


def build_app(hub: Hub, door: Door, *, texts: Texts) -> Starlette:
    """The page at `/`, the connection at `/live`, and nothing else."""
    from starlette.applications import Starlette
    from starlette.middleware import Middleware
    from starlette.middleware.trustedhost import TrustedHostMiddleware
    from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse
    from starlette.routing import Route, WebSocketRoute

    async def index(request: Request) -> Response:
        key = request.query_params.get("key")
        if key is not None and door.spend(key):
            response: Response = RedirectResponse("/", status_code=303, headers=HEADERS)
            response.set_cookie(COOKIE, door.cookie, httponly=True, samesite="strict")
            return response
        if not door.may_enter(request):
            return PlainTextResponse(REFUSED, status_code=403, headers=HEADERS)
        return HTMLResponse(render_live(hub.latest(Hello), texts=texts), headers=HEADERS)

    async def live(websocket: WebSocket) -> None:
        if not door.is_own_origin(websocket.headers.get("origin")) or not door.may_enter(websocket):
            await websocket.close(code=1008)
            return
        await websocket.accept()
        await _converse(websocket, hub)

    return Starlette(
        routes=[Route("/", index, methods=["GET"]), WebSocketRoute("/live", live)],
        middleware=[Middleware(TrustedHostMiddleware, allowed_hosts=list(door.hosts), www_redirect=False)],
    )


async def _converse(websocket: WebSocket, hub: Hub) -> None:
    """Tell the page everything and hear its commands until it leaves."""
    from starlette.websockets import WebSocketDisconnect

    loop = asyncio.get_running_loop()
    waiting: asyncio.Queue[str] = asyncio.Queue()
    full = asyncio.Event()

    def put(text: str) -> None:
        if waiting.qsize() > GIVEN_UP:
            full.set()
        elif waiting.qsize() < WAITING_MOST or not text.startswith('{"type": "levels"'):
            waiting.put_nowait(text)

    def sink(text: str) -> None:
        loop.call_soon_threadsafe(put, text)

    async def tell() -> None:
        while True:
            await websocket.send_text(await waiting.get())

    async def hear() -> None:
        while True:
            try:
                hub.send(read_command(await websocket.receive_text()))
            except SettingsError as error:
                waiting.put_nowait(to_json(Problem(text=str(error))))

    hub.attach(sink)
    tasks = [asyncio.create_task(part) for part in (tell(), hear(), full.wait())]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            error = task.exception()
            if error is not None and not isinstance(error, WebSocketDisconnect | RuntimeError | OSError):
                raise error
    finally:
        hub.detach(sink)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def network_address() -> str:
    """This computer's address in the local network. Nothing is sent: the system only looks up its own route."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documentation (RFC 5737), which nobody has
            address = str(probe.getsockname()[0])
        except OSError as error:
            raise ImuswingError(
                "This computer is in no network, so no phone can reach it; join one or leave out --phone."
            ) from error
    if address == LOOPBACK:
        raise ImuswingError("This computer is in no network, so no phone can reach it; join one or leave out --phone.")
    return address


@contextmanager
def serve(hub: Hub, *, port: int = 0, phone: bool = False, language: str = "en") -> Iterator[Served]:
    """Serve the page while the block runs.

    port: 0 takes a free one.  phone: also to one other device in the local network, with a key that works once.
    Raises MissingExtraError without Starlette and uvicorn, ImuswingError where the port is taken or the server does
    not start.
    """
    try:
        import starlette  # noqa: F401
        import uvicorn
    except ImportError as error:
        raise MissingExtraError("live", "The live page") from error
    texts = load_texts(language)
    addresses = [LOOPBACK, *([network_address()] if phone else [])]
    sockets = _listen(addresses, port)
    bound = int(sockets[0].getsockname()[1])
    door = Door(hosts=(*addresses, "localhost"), port=bound, key=secrets.token_urlsafe(9) if phone else None)
    config = uvicorn.Config(
        build_app(hub, door, texts=texts), log_level="warning", lifespan="off", proxy_headers=False,
        server_header=False, ws_max_size=8192, timeout_graceful_shutdown=1, access_log=False,
    )  # fmt: skip
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": sockets}, name="imuswing-live-page", daemon=True)
    thread.start()
    try:
        _wait_until_started(server, thread)
        yield Served(
            url=f"http://{LOOPBACK}:{bound}/",
            phone_url=f"http://{addresses[1]}:{bound}/?key={door.key}" if phone else None,
            warning=WARNING if phone else None,
        )
    finally:
        time.sleep(LAST_WORDS_S)
        server.should_exit = True
        thread.join(timeout=5.0)
        for listening in sockets:
            listening.close()


def _listen(addresses: list[str], port: int) -> list[socket.socket]:
    """One listening socket an address, all on one port."""
    made: list[socket.socket] = []
    for address in addresses:
        listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.append(listening)
        try:
            listening.bind((address, port))
        except OSError as error:
            for other in made:
                other.close()
            raise ImuswingError(
                f"Port {port} of {address} cannot be had ({error.strerror}); choose another with --port."
            ) from error
        port = int(listening.getsockname()[1])
    return made


def _wait_until_started(server: Any, thread: threading.Thread) -> None:
    until = time.monotonic() + START_WITHIN_S
    while not server.started:
        if not thread.is_alive() or time.monotonic() > until:
            raise ImuswingError("The live page could not be started; record without it (--no-page).")
        time.sleep(0.01)
