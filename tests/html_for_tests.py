"""A page's elements and text, read by the standard library's parser, for the tests of the pages."""

from __future__ import annotations

from html.parser import HTMLParser

from imuswing.report.markup import VOID


class Reader(HTMLParser):
    """Collects elements and text, and notes tags that do not close in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.wrong: list[str] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("script", "style"):
            self.text.append(data)


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    reader.close()
    return reader
