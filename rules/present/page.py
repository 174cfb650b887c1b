"""A page of plain text: 80 columns at most, wrapped, with colors on a terminal."""

from __future__ import annotations

import io
import os
import re
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


#: A number and its unit, and a pH: never on two lines.
_TOGETHER = re.compile(
    r"(?<=\d) (?=(?:%|lb|oz|fl oz|gal|qt|pt|cups?|tbsp|tsp|[mk]?g|m?L|[mu]?g/L|kg/L|m?mol/L|mol/kg|meq/L|mS/cm|deg[CF]|"
    r"min|hours?|days?|mesh|ppm|ft|times)(?![A-Za-z]))|(?<=\bpH) (?=\d)|(?<=\bfl) (?=oz\b)"
)
_BOUND = "\u00a0"


def wrapped(text: str, width: int, first: str = "", rest: str = "") -> list[str]:
    """Lines of a text, which part no number from its unit. first, rest: indents of the first line and of the others.

    >>> wrapped("phosphoric acid 75 % makes pH 1.3", 18)
    ['phosphoric acid', '75 % makes pH 1.3']
    """
    bound = _TOGETHER.sub(_BOUND, plain(text))
    lines = textwrap.wrap(bound, width, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)
    return [line.replace(_BOUND, " ") for line in lines]


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
        for part in wrapped(text, self.out.width, " " * indent, " " * (indent + hang)) or [""]:
            self.out.print(Text(part, style=style))

    def head(self, text: str) -> None:
        """A heading, after an empty line."""
        self.out.print()
        self.out.print(Text(plain(text), style="bold"))

    def item(self, name: str, texts: Sequence[str]) -> None:
        """Texts one below the other with a name before the first; nothing without texts."""
        for i, text in enumerate(texts):
            head = f"{name if i == 0 else '':<{ITEM_NAME}}"
            first, *rest = wrapped(text, max(20, self.out.width - len(head))) or [""]
            self.out.print(Text.assemble((head, "bold"), first))
            for part in rest:
                self.out.print(Text(" " * len(head) + part))
