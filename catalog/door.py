"""At the door: records whose text holds what a terminal would act on are refused."""

from __future__ import annotations

from collections.abc import Mapping

from .errors import InputError
from .text import hidden_in, one_line

#: Fields whose text may run over several lines.
NOTES = ("note", "notes")


def _one(found: str) -> str:
    return f"an {found}" if found.startswith("invisible") else f"a {found}"


#: Types in which nothing can be hidden.
_NUMBERS = frozenset({float, int, bool, type(None)})


def _is_plain(value: object) -> bool:
    return (type(value) is str and value.isprintable()) or type(value) in _NUMBERS


def _is_clear(value: object) -> bool:
    """A quick look: True for a value, or a flat table or list of them, in which nothing can be hidden."""
    if _is_plain(value):
        return True
    if type(value) is dict:
        return all(type(key) is str and key.isprintable() and _is_plain(inner) for key, inner in value.items())
    if type(value) in (list, tuple):
        return all(map(_is_plain, value))  # type: ignore[call-overload]
    return not isinstance(value, str | list | tuple | Mapping)


def refuse_hidden(data: object) -> None:
    """Refuse control, text-direction and other hidden characters in plain data: in texts and in the names of fields,
    however deep. Records that were checked already are passed over.

    Raises: InputError: names the place, the field and the character.
    """
    if _is_clear(data):
        return
    waiting: list[tuple[str, str, object]] = [("", "", data)]
    while waiting:  # no recursion: data may be nested deeper than Python's stack
        place, field, value = waiting.pop()
        if isinstance(value, str):
            if found := hidden_in(value, lines=field in NOTES):
                raise InputError(f"{field or 'the text'} holds {_one(found)}", where=place, mend="write it without")
        elif isinstance(value, Mapping):
            inside = f"{place}{', ' if ' ' in place else '.'}{field}" if place else field
            for key, inner in reversed(list(value.items())):
                if isinstance(key, str) and not key.isprintable() and (found := hidden_in(key)):
                    raise InputError(
                        f"the field name {one_line(key)} holds {_one(found)}", where=inside, mend="write it without"
                    )
                if not _is_clear(inner):
                    waiting.append((inside, one_line(str(key)), inner))
        elif isinstance(value, list | tuple):
            waiting += [
                (place, f"{field} {i}", inner)
                for i, inner in reversed(list(enumerate(value, start=1)))
                if not _is_clear(inner)
            ]
