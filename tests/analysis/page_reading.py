"""Reads a report as a browser's parser sees it, with the standard library alone."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "link", "img", "br", "hr", "input"}


@dataclass
class Element:
    """One element of the page, with its text and that of all inside it."""

    name: str
    attributes: dict[str, str]
    children: list[Element] = field(default_factory=list)
    pieces: list[str] = field(default_factory=list)

    @property
    def text(self) -> str:
        """All text inside, white space collapsed."""
        return " ".join("".join(self.pieces).split())

    def all(self, *names: str, kind: str | None = None) -> list[Element]:
        """Return every element inside with one of these names, and a class when `kind` is given."""
        found = []
        for child in self.children:
            classes = child.attributes.get("class", "").split()
            if (not names or child.name in names) and (kind is None or kind in classes):
                found.append(child)
            found += child.all(*names, kind=kind)
        return found


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("", {})
        self.open = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, {key: value or "" for key, value in attrs})
        self.open[-1].children.append(element)
        if tag not in VOID:
            self.open.append(element)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.open[-1].children.append(Element(tag, {key: value or "" for key, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self.open[-1].name == tag, f"</{tag}> closes <{self.open[-1].name}>"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        for element in self.open:
            element.pieces.append(data)


def read_page(html: str) -> Element:
    """Parse a page; elements that are not closed in order fail.

    Elements whose end tag HTML lets a writer leave out must be closed too: the report closes everything.
    """
    reader = _Reader()
    reader.feed(html)
    reader.close()
    assert len(reader.open) == 1, [element.name for element in reader.open]
    return reader.root
