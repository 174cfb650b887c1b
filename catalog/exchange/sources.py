"""Where numbers are from, as people write it down."""

from __future__ import annotations

from collections.abc import Collection

from ..product import Source, slug


def source_for(text: str, known: Collection[str]) -> tuple[str, Source | None]:
    """The key of a source that somebody wrote down: one that is known, else a new one, as a label read by them.

    >>> source_for("label read 2026-05-02", ())
    ('label-read-2026-05-02', Source(id='label-read-2026-05-02', citation='label read 2026-05-02', seen='label'))
    """
    if text in known:
        return text, None
    key = slug(text)[:100].strip("-") or "label"
    return key, None if key in known else Source(id=key, citation=text, seen="label")
