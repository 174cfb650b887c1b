"""A page of plain text: 80 columns at most, wrapped, with colors on a terminal."""

from __future__ import annotations

import io
import os
import shutil
import sys
import textwrap
from collections.abc import Callable, Sequence

from rich.console import Console
from rich.text import Text

from ...catalog.text import plain

WIDTH = 80
#: Width of the names before the parts of a short answer.
ITEM_NAME = 11
STYLE = {
    "stop": "bold red",
    "unknown": "bold magenta",
    "caution": "bold yellow",
    "clear": "bold green",
    "note": "bold",
}


def page(render: Callable[[Console], None]) -> str:
    """What a renderer draws, as text for standard output: its width up to 80, colors on a terminal."""
    buffer = io.StringIO()
    width = min(WIDTH, max(shutil.get_terminal_size((WIDTH, 24)).columns, 40))
    colors = sys.stdout.isatty() and "NO_COLOR" not in os.environ
    out = Console(
        file=buffer, width=width, highlight=False, markup=False, emoji=False, force_terminal=colors,
        color_system="standard" if colors else None,
    )  # fmt: skip
    render(out)
    return buffer.getvalue()


class Page:
    """Lines of text with an indent, wrapped to the console."""

    def __init__(self, out: Console) -> None:
        self.out = out

    def line(self, text: str = "", indent: int = 0, hang: int = 0, style: str = "") -> None:
        """A text, wrapped; `hang` more columns before its second line and on."""
        wrapped = textwrap.wrap(
            plain(text),
            self.out.width,
            initial_indent=" " * indent,
            subsequent_indent=" " * (indent + hang),
            break_on_hyphens=False,
        )
        for part in wrapped or [""]:
            self.out.print(Text(part, style=style))

    def head(self, text: str) -> None:
        """A heading, after an empty line."""
        self.out.print()
        self.out.print(Text(plain(text), style="bold"))

    def item(self, name: str, texts: Sequence[str]) -> None:
        """Texts one below the other with a name before the first; nothing without texts."""
        for i, text in enumerate(texts):
            head = f"{name if i == 0 else '':<{ITEM_NAME}}"
            first, *rest = textwrap.wrap(plain(text), max(20, self.out.width - len(head)), break_on_hyphens=False) or [
                ""
            ]
            self.out.print(Text.assemble((head, "bold"), first))
            for part in rest:
                self.out.print(Text(" " * len(head) + part))
