"""Who the live page's server lets in: hosts, origins, the key of the phone; and what it refuses from a page."""

from __future__ import annotations

import http.client
import json
from collections.abc import Iterator
from typing import Any
from urllib.parse import urlsplit

import pytest
from html_for_tests import read
from live_page_for_tests import HELLO, shot

from imuswing.errors import ImuswingError
from imuswing.live.hub import Hub
from imuswing.live.messages import OutcomeCommand

pytest.importorskip("uvicorn", reason="the extra `live` is not installed")
client = pytest.importorskip("websockets.sync.client", reason="the extra `live` is not installed")

from imuswing.live import page  # noqa: E402

PHONE_SIDE = "127.0.0.2"
"""Stands for this computer's address in the network; 127.0.0.3 for the phone's."""


@pytest.fixture
def hub() -> Hub:
    made = Hub()
    made.publish(HELLO)
    return made


@pytest.fixture
def served(hub: Hub) -> Iterator[page.Served]:
    with page.serve(hub) as told:
        yield told


@pytest.fixture
def to_phone(hub: Hub, monkeypatch: pytest.MonkeyPatch) -> Iterator[page.Served]:
    monkeypatch.setattr(page, "network_address", lambda: PHONE_SIDE)
    with page.serve(hub, phone=True) as told:
        yield told


def get(url: str, *, come_from: str = "127.0.0.1", **headers: str) -> http.client.HTTPResponse:
    parts = urlsplit(url)
    assert parts.hostname is not None
    connection = http.client.HTTPConnection(parts.hostname, parts.port, timeout=5, source_address=(come_from, 0))
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    connection.request("GET", f"{parts.path or '/'}?{parts.query}" if parts.query else parts.path, headers=named)
    return connection.getresponse()


def listen(url: str, origin: str | None, *, cookie: str | None = None, come_from: str = "127.0.0.1") -> Any:
    parts = urlsplit(url)
    headers = {"Cookie": cookie} if cookie else {}
    return client.connect(
        f"ws://{parts.netloc}/live",
        origin=origin,
        additional_headers=headers,
        proxy=None,
        source_address=(come_from, 0),
    )


def refused(url: str, origin: str | None, **settings: Any) -> bool:
    from websockets.exceptions import InvalidStatus

    try:
        with listen(url, origin, **settings):
            return False
    except InvalidStatus as error:
        return error.response.status_code == 403


def test_it_listens_on_loopback_only_and_the_page_loads_nothing(served: page.Served) -> None:
    assert urlsplit(served.url).hostname == "127.0.0.1"
    assert (served.phone_url, served.warning) == (None, None)
    response = get(served.url)
    text = response.read().decode("utf-8")
    assert response.status == 200
    assert response.headers["Cache-Control"] == "no-store"
    assert response.headers["X-Frame-Options"] == "DENY"
    assert "sub-S001" in text
    read_back = read(text)
    policy = next(found for _, found in read_back.elements if found.get("http-equiv") == "Content-Security-Policy")
    assert "default-src 'none'" in str(policy["content"])
    assert "connect-src 'self'" in str(policy["content"])
    assert not [found for _, found in read_back.elements if "src" in found or "href" in found]


@pytest.mark.parametrize("host", ["example.org", "127.0.0.1.example.org", "192.168.1.2"])
def test_foreign_host_names_are_refused(served: page.Served, host: str) -> None:
    assert get(served.url, Host=host).status == 400


@pytest.mark.parametrize("origin", [None, "null", "http://example.org", "http://127.0.0.1:1", "https://127.0.0.1"])
def test_foreign_origins_are_refused(served: page.Served, origin: str | None) -> None:
    assert refused(served.url, origin)


def test_other_addresses_and_methods_are_refused(served: page.Served) -> None:
    parts = urlsplit(served.url)
    assert get(f"http://{parts.netloc}/secret").status == 404
    connection = http.client.HTTPConnection(str(parts.hostname), parts.port, timeout=5)
    connection.request("POST", "/", body=b"x")
    assert connection.getresponse().status == 405


def test_a_page_hears_what_holds_and_its_commands_arrive(served: page.Served, hub: Hub) -> None:
    hub.publish(shot(1, "stalled"))
    with listen(served.url, served.url.rstrip("/")) as page_side:
        heard = [json.loads(page_side.recv(timeout=5)) for _ in range(2)]
        assert [message["type"] for message in heard] == ["hello", "shot"]
        assert heard[1]["sound"] is False
        page_side.send('{"type": "outcome", "outcome": "thin"}')
        page_side.send('{"type": "fire"}')
        answer = json.loads(page_side.recv(timeout=5))
    assert answer["type"] == "problem"
    assert "outcome" in answer["text"]
    assert hub.commands() == [OutcomeCommand(outcome="thin")]


def test_too_long_a_message_ends_the_connection(served: page.Served, hub: Hub) -> None:
    from websockets.exceptions import ConnectionClosed

    with listen(served.url, served.url.rstrip("/")) as page_side:
        page_side.recv(timeout=5)
        page_side.send("x" * 10_000)
        with pytest.raises(ConnectionClosed):
            page_side.recv(timeout=5)
    assert hub.commands() == []


def test_a_phone_needs_the_key_and_the_key_works_once(to_phone: page.Served, hub: Hub) -> None:
    assert to_phone.phone_url is not None
    assert "not encrypted" in str(to_phone.warning)
    bare = to_phone.phone_url.split("?")[0]
    assert get(bare, come_from="127.0.0.3").status == 403
    assert get(f"{bare}?key=wrong", come_from="127.0.0.3").status == 403
    opened = get(to_phone.phone_url, come_from="127.0.0.3")
    assert opened.status == 303
    assert opened.headers["Location"] == "/"
    cookie = opened.headers["Set-Cookie"].split(";")[0]
    assert "HttpOnly" in opened.headers["Set-Cookie"]
    assert "SameSite=strict" in opened.headers["Set-Cookie"]
    assert get(bare, come_from="127.0.0.3", Cookie=cookie).status == 200
    assert get(to_phone.phone_url, come_from="127.0.0.3").status == 403
    origin = bare.rstrip("/")
    assert refused(bare, origin, come_from="127.0.0.3")
    assert refused(bare, "http://example.org", cookie=cookie, come_from="127.0.0.3")
    with listen(bare, origin, cookie=cookie, come_from="127.0.0.3") as phone:
        assert json.loads(phone.recv(timeout=5))["type"] == "hello"


def test_without_leave_nothing_listens_on_the_network(served: page.Served) -> None:
    with pytest.raises(OSError, match="refused"):
        get(f"http://{PHONE_SIDE}:{urlsplit(served.url).port}/")


def test_a_taken_port_is_said(served: page.Served, hub: Hub) -> None:
    port = urlsplit(served.url).port
    assert port is not None
    with pytest.raises(ImuswingError, match=f"Port {port} of 127.0.0.1 cannot be had"), page.serve(hub, port=port):
        pass


def test_the_server_is_gone_afterwards(hub: Hub) -> None:
    with page.serve(hub) as told:
        pass
    with pytest.raises(OSError, match="refused"):
        get(told.url)
