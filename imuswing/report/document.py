"""One HTML document around a page's body: style, policy, scripts; nothing in it is loaded from elsewhere."""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from typing import Any, Final

from imuswing.report import palette
from imuswing.report.markup import Child, Html, json_script, raw, tag
from imuswing.report.texts import Texts

PLOTLY_VERSION: Final = "4.1.1"
"""The version of plotly.js that plotly.py 7.1 carries; the basic bundle has all that the pages draw."""
DATA_ID: Final = "page-data"
"""Where a page's script finds its data."""


def document(
    body: Child,
    *,
    title: str,
    texts: Texts,
    styles: Sequence[str] = ("page.css",),
    scripts: Sequence[str] = (),
    data: Mapping[str, Any] | None = None,
    plotly: bool = False,
    connect: str = "'none'",
) -> str:
    """The whole page as text.

    styles, scripts: names of assets, joined in this order.  data: what the scripts need, as JSON.  plotly: carry the
    drawing library, packed.  connect: where the page may connect to; one that is a file connects to nothing. The
    content policy allows exactly these scripts by their hashes.
    """
    script = "\n".join(asset(name).decode("utf-8") for name in scripts)
    allowed = [_source_hash(script.encode("utf-8"))] if script else ["'none'"]
    packed = asset(f"plotly-basic-{PLOTLY_VERSION}.min.js.gz") if plotly else b""
    if plotly:
        allowed.append(_plotly_hash())
    policy = (
        f"default-src 'none'; script-src {' '.join(allowed)}; style-src 'unsafe-inline'; img-src data: blob:; "
        f"connect-src {connect}; base-uri 'none'; form-action 'none'"
    )
    style = palette.css_variables() + "".join(asset(name).decode("utf-8") for name in styles)
    head = [
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=policy),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="referrer", content="no-referrer"),
        tag("title", title),
        tag("style", raw(style)),
    ]
    loaded: list[Child] = []
    if data is not None:
        payload = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
        loaded.append(json_script(DATA_ID, payload))
    if plotly:
        text = base64.b64encode(packed).decode("ascii")
        loaded.append(tag("script", raw(text), type="text/plain", id="plotly-packed"))
    if script:
        loaded.append(tag("script", raw(script)))
        loaded.insert(0, tag("noscript", texts("page.no_scripts")))
    html = tag("html", tag("head", head), tag("body", body, loaded), lang=texts.language)
    return f"<!doctype html>\n{html}\n"


def section(name: str, title: Child, *body: Child) -> Html:
    """A part of a page under its heading."""
    heading = f"{name}-title"
    return tag("section", tag("h2", title, id=heading), body, id=name, aria_labelledby=heading)


def asset(name: str) -> bytes:
    """A file that ships with the pages."""
    return resources.files("imuswing.report").joinpath("assets", name).read_bytes()


@cache
def _plotly_hash() -> str:
    return _source_hash(gzip.decompress(asset(f"plotly-basic-{PLOTLY_VERSION}.min.js.gz")))


def _source_hash(source: bytes) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(source).digest()).decode('ascii')}'"
