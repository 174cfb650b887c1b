"""Good inputs made bad, each from a seed: plain data, text, bytes and spreadsheets with something wrong in them."""

from __future__ import annotations

import copy
import io
import random
import re
import string
import zipfile
from collections.abc import Iterator
from typing import Any

#: What a field may hold that none should: no text, nothing, numbers without end, other types, hidden characters.
VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 7.5, 1e308, -1e308, 1e-320, 10**400, float("nan"), float("inf"), "", " ", "\n", "-",
    "0", "-5", "1e999", "nan", "inf lb", "lb", "5 cows", "5 5 gal", "2 lb 3 oz", "1:0", "0:1", "1:1e9", "1:-100",
    "1/0", "5 gal to 1 gal", "<5 mg/L", "> 1 mg/L", "trace", "95 +/- 200 mg/L", "1,200 mg/L", "1.234,5 kg", "½ lb",
    "٣ lb", "10\u00a0lb", "²", "١٢", "1e400 lb", "1e-400 lb", "99999999999999999999 gal", "0 gal", "300 degC",
    "-300 degC", "1 lb/gal", "mg/L", "1 kg/0 L", "\x1b[31mred", "\u202eabc", "\x00", "a\u200bb", "\ud800", "\ufeff",
    "x" * 5000, "é" * 300, "ridge-well", "urea", "MAP", "20-20-20", "0-0-0", "99-99-99", "1-2", "-1-2-3", "NaN-0-0",
    "2026-13-01", "2026-02-30", "0001-01-01", "9999-12-31", "20260301", "../../nowhere.toml", "%s%n", "{0}", "$HOME",
    "'; DROP TABLE record; --", "=1+1", "@SUM(A1)", "[bold]x[/bold]", "[/]", "[red", "\\", '"', "__class__",
    [], {}, [[]], [None], [1, 2, 3], {"a": 1}, {"name": "urea"}, {"value": 5, "source": "label"}, ["urea"], [{}],
)  # fmt: skip
#: What is put into text.
TOKENS = (
    "\x00", "\x1b[2J", "\r", "\n", "\n\n", "\t", "\u202e", "\u2028", "\ufeff", "\ud800", '"', "'", '\'\'\'', "[", "]",
    "[[", "{", "}", ",", ";", ":", "=", "#", "\\", "\\u0000", "\\ud800", "NaN", "-0", "1e999", "1e-999", "0x10", "null",
    "true", "½", "²", "%", "‰", "−5", "1:0", " to ", "+/-", "<", ">", "é", "\U0001f98a", "lb", "mg/L", "gpg", "ppm",
    "CaCO3", "degF", "-", "--", "=1+1", "[/]", "[red]", "9" * 400, "(" * 200, "a" * 3000,
)  # fmt: skip
_NUMBER = re.compile(r"\d+(?:\.\d+)?")


def drawn(seed: int, kind: str, number: int) -> random.Random:
    """The chance of one input, by the seed and its own number alone."""
    return random.Random(f"{seed} {kind} {number}")


# --- plain data -------------------------------------------------------------------------------------


def _places(data: Any) -> Iterator[tuple[Any, Any]]:
    """Containers and keys of everything inside plain data."""
    inside = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in list(inside):
        yield data, key
        yield from _places(value)


def changed_data(chance: random.Random, data: Any, words: tuple[str, ...]) -> Any:
    """Plain data with one to four things wrong. words: names of fields, also of other tables."""
    made = {"": copy.deepcopy(data)}
    if chance.random() < 0.4:  # well formed, and out of all measure
        numbers = [one for one in _places(made) if _is_number(one[0][one[1]])]
        for inside, key in chance.sample(numbers, min(len(numbers), chance.choice((1, 1, 2, 4)))):
            inside[key] = other_number(chance, inside[key])
        return made[""]
    for _ in range(chance.choice((1, 1, 1, 2, 2, 3, 4))):
        places = list(_places(made))
        # Mostly a field that holds no others: a wrong type high up hides what stands below.
        leaves = [one for one in places[1:] if not isinstance(one[0][one[1]], dict | list)]
        inside, key = chance.choice(leaves if leaves and chance.random() < 0.8 else places[1:] or places)
        value = inside[key]
        match chance.randrange(14):
            case 0 | 1:
                inside[key] = copy.deepcopy(chance.choice(VALUES))
            case 2:
                inside[key] = other_number(chance, value)
            case 3 | 4 | 11 | 12 | 13:
                text = value if isinstance(value, str) else str(value)
                inside[key] = changed_text(chance, text[:2000])
            case 5:
                del inside[key]
            case 6 if isinstance(inside, dict):
                inside[chance.choice(words)] = inside.pop(key)
            case 7 if isinstance(inside, dict):
                inside[chance.choice(words)] = copy.deepcopy(chance.choice(VALUES))
            case 8 if isinstance(inside, list):
                inside += [copy.deepcopy(value) for _ in range(chance.choice((1, 2, 40)))]
            case 9:
                inside[key] = chance.choice(([value], [[value]], {"name": value}, {chance.choice(words): value}))
            case _:
                other, name = chance.choice(places)
                inside[key] = copy.deepcopy(other[name]) if name != "" else []
    return made.get("")


def _is_number(value: Any) -> bool:
    return bool(_NUMBER.search(value)) if isinstance(value, str) else type(value) in (int, float)


def other_number(chance: random.Random, value: Any) -> Any:
    """The value with its numbers many times larger or smaller, or of another sign."""
    factor = chance.choice((0.0, -1.0, 1e-9, 1e-3, 0.1, 3.0, 30.0, 1e3, 1e6, 1e12))
    if isinstance(value, int | float):
        return value * factor
    return _NUMBER.sub(lambda one: f"{float(one[0]) * factor:.6g}", str(value))


# --- text and bytes ---------------------------------------------------------------------------------


def changed_text(chance: random.Random, text: str) -> str:
    """Text with a few signs, words or numbers wrong."""
    for _ in range(chance.choice((1, 1, 2, 5))):
        at = chance.randrange(len(text) + 1)
        to = min(len(text), at + chance.choice((1, 1, 2, 8, 60)))
        match chance.randrange(7):
            case 0:
                text = text[:at] + chance.choice(TOKENS) + text[at:]
            case 1:
                text = text[:at] + text[to:]
            case 2:
                text = text[:at] + text[at:to] * chance.choice((2, 3, 30)) + text[to:]
            case 3:
                text = text[:at] + chance.choice(string.printable) + text[to:]
            case 4 if numbers := list(_NUMBER.finditer(text)):
                one = chance.choice(numbers)
                text = text[: one.start()] + str(chance.choice(VALUES[3:12])) + text[one.end() :]
            case 5:
                text = text[:at]
            case _:
                text = text[:at] + chance.choice(TOKENS) + text[to:]
    return text


def changed_bytes(chance: random.Random, text: str) -> bytes:
    """The text as bytes, of which some are wrong: in another encoding, cut off, with bits that flipped."""
    encoding = chance.choice(("utf-8",) * 60 + ("utf-16", "utf-16-le", "cp1252", "utf-8-sig", "utf-32"))
    made = bytearray(text.encode(encoding, "surrogatepass" if encoding.startswith("utf") else "replace"))
    if chance.random() < 0.08 and made:
        for _ in range(chance.choice((1, 1, 3, 20))):
            made[chance.randrange(len(made))] = chance.randrange(256)
    if chance.random() < 0.03:
        del made[chance.randrange(len(made) + 1) :]
    return bytes(made)


# --- spreadsheets -----------------------------------------------------------------------------------


def changed_rows(chance: random.Random, rows: list[list[Any]]) -> list[list[Any]]:
    """Rows of cells with a few things wrong: cells, columns, headers, rows that come twice or are cut."""
    made = [list(row) for row in rows]
    for _ in range(chance.choice((1, 1, 2, 3, 6))):
        row = chance.choice(made)
        at = chance.randrange(len(row)) if row else 0
        match chance.randrange(9):
            case 0 | 1 | 2 if row:
                row[at] = chance.choice(VALUES)
            case 3 | 4 if row:
                row[at] = changed_text(chance, str(row[at] or ""))
            case 5:
                made.append(list(chance.choice(made)))
            case 6:
                for one in made:
                    del one[at : at + 1]
            case 7:
                row.insert(at, chance.choice(VALUES))
            case _:
                made[0], made[-1] = (made[-1], made[0]) if chance.random() < 0.2 else (made[0], made[-1])
                made[0].append(chance.choice(made[0] or [""]))
    return made


def changed_archive(chance: random.Random, data: bytes) -> bytes:
    """An XLSX file damaged as a file, or in the text of one of its parts."""
    if chance.random() < 0.4:
        made = bytearray(data)
        for _ in range(chance.choice((1, 2, 8, 64))):
            made[chance.randrange(len(made))] = chance.randrange(256)
        return bytes(made[: chance.randrange(len(made))] if chance.random() < 0.2 else made)
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        names = old.namelist()
        hit = chance.choice(names)
        for name in names:
            part = old.read(name)
            if name == hit:
                match chance.randrange(4):
                    case 0:
                        continue
                    case 1:
                        part = b""
                    case _:
                        part = changed_text(chance, part.decode("utf-8")).encode("utf-8", "replace")
            new.writestr(name, part)
    return out.getvalue()
