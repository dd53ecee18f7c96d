"""A page as a test reads it: its text and outline, and that it is whole."""

from __future__ import annotations

from html.parser import HTMLParser

import httpx

VOID = {"meta", "link", "input", "br", "rect", "path", "circle", "line", "img"}


class Page(HTMLParser):
    """A page's text and outline; fails on tags that do not close."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.headings: list[str] = []
        self.ids: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.said: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == [], self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag in ("h1", "h2", "h3"):
            self.headings.append("")
        self.ids += [value for name, value in attrs if name == "id" and value]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, (tag, self.open[-4:])
        self.open.pop()

    def handle_data(self, data: str) -> None:
        self.said.append(data)
        if self.open and self.open[-1] in ("h1", "h2", "h3"):
            self.headings[-1] += data

    @property
    def text(self) -> str:
        return " ".join("".join(self.said).split())


def page(client: httpx.Client, path: str, status: int = 200) -> Page:
    answer = client.get(path)
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    found = Page(answer.text)
    assert len(found.ids) == len(set(found.ids)), "an id stands twice"
    assert [tag for tag, _ in found.tags].count("main") == 1
    assert [tag for tag, _ in found.tags].count("h1") == 1
    return found
