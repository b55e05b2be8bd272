"""What an independent parser sees in a page of HTML."""

from __future__ import annotations

import html.parser


class PageReader(html.parser.HTMLParser):
    """Tags, attributes and texts, in the order of the page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.texts: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes.extend(attrs)

    def handle_data(self, data: str) -> None:
        self.texts.append(data)

    @property
    def words(self) -> str:
        """All texts, each run of blanks as one."""
        return " ".join(" ".join(self.texts).split())
