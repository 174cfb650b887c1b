"""Where numbers are from, as people write it down."""

from __future__ import annotations

from collections.abc import Mapping

from ..product import Source, slug


def source_for(text: str, known: Mapping[str, Source | None]) -> tuple[str, Source | None]:
    """The key of a source that somebody wrote down: one that is known, by its key or its citation, else a new one, as a
    label read by them.

    known: sources by key; None where their citation does not matter.

    >>> source_for("label read 2026-05-02", {})
    ('label-read-2026-05-02', Source(id='label-read-2026-05-02', citation='label read 2026-05-02', seen='label'))
    >>> source_for("Label, read 2026-05-02", {"label-read-2026-05-02": Source(citation="my label", seen="label")})[0]
    'label-read-2026-05-02-2'
    """
    if text in known:
        return text, None
    key = first = slug(text)[:100].strip("-") or "label"
    number = 1
    while key in known:
        there = known[key]
        if there is None or there.citation == text:
            return key, None
        number += 1
        key = f"{first}-{number}"
    return key, Source(id=key, citation=text, seen="label")
