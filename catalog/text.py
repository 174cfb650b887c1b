"""Text of any origin as it may be shown: on one line, not too long, and nothing in it that a terminal acts on."""

from __future__ import annotations

import json
import re
import unicodedata

#: Unicode categories that are not shown: controls, format characters (text direction, zero width), surrogates, private
#: use, line and paragraph separators; what each is called.
HIDDEN = {
    "Cc": "control character",
    "Cf": "invisible format character",
    "Cs": "broken character",
    "Co": "private-use character",
    "Zl": "line separator",
    "Zp": "paragraph separator",
}
#: How much of a text is quoted.
QUOTED = 60
_NOT_ASCII = re.compile(r"[^\x20-\x7e]")
_NOT_ASCII_NOR_LINE = re.compile(r"[^\x20-\x7e\n]")


def _shown(match: re.Match[str]) -> str:
    return "?" if unicodedata.category(match[0]) in HIDDEN else match[0]


def plain(text: str, *, lines: bool = False) -> str:
    r"""The text with "?" for every hidden character, sign by sign. lines: line ends are kept.

    >>> plain("clean\x1b[2J")
    'clean?[2J'
    """
    return (_NOT_ASCII_NOR_LINE if lines else _NOT_ASCII).sub(_shown, text)


def one_line(text: str, most: int = QUOTED) -> str:
    r"""The text on one line of at most `most` characters: "?" for every hidden one, ".." for what is cut off.

    >>> one_line("calcium\nnitrate", 10)
    'calcium?..'
    """
    return plain(text) if len(text) <= most else plain(text[: most - 2]) + ".."


def both_ends(text: str, most: int) -> str:
    """As `one_line`, with the ".." in the middle: of a path or a place, both ends tell.

    >>> both_ends("/a/long/way/to/pour.toml", 16)
    '/a/long..ur.toml'
    """
    if len(text) <= most:
        return plain(text)
    tail = (most - 2) // 2
    return f"{plain(text[: most - 2 - tail])}..{plain(text[len(text) - tail :])}"


def quoted(text: str, most: int = QUOTED) -> str:
    """`one_line` in quotation marks."""
    return f'"{one_line(text, most)}"'


def hidden_in(text: str, *, lines: bool = False) -> str | None:
    r"""The first hidden character of a text, named; None without one. lines: line ends are none.

    >>> hidden_in("MAP\x1b[31m")
    'control character (U+001B)'
    """
    if text.isprintable():
        return None
    for sign in text.replace("\r\n", "\n") if lines else text:
        kind = HIDDEN.get(unicodedata.category(sign))
        if kind is not None and not (lines and sign == "\n"):
            return f"{kind} (U+{ord(sign):04X})"
    return None


def json_line(data: object) -> str:
    r"""Plain data as JSON on one line, with every hidden character escaped.

    >>> json_line({"name": "a\u202eb", "kg": 1})
    '{"name":"a\\u202eb","kg":1}'
    """
    return escaped(json.dumps(data, ensure_ascii=False, separators=(",", ":")))


def escaped(json_text: str) -> str:
    r"""JSON text with every hidden character escaped; the line ends between its values stay.

    >>> escaped('{"name": "a\u202eb"}')
    '{"name": "a\\u202eb"}'
    """

    def escape(match: re.Match[str]) -> str:
        if unicodedata.category(match[0]) not in HIDDEN:
            return match[0]
        units = match[0].encode("utf-16-be", "surrogatepass")
        return "".join(f"\\u{units[i : i + 2].hex()}" for i in range(0, len(units), 2))

    return _NOT_ASCII_NOR_LINE.sub(escape, json_text)
