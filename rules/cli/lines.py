"""Many pours as lines of JSON: a line of JSON for each, its verdict or its fault, as soon as it is there."""

from __future__ import annotations

import sys
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import fields
from typing import Any

from ...catalog import Catalog, InputError
from ...catalog.store.parse import read_json
from ...catalog.text import json_line
from ..answer.fault import Fault
from ..answer.verdict import Answer, Depth, Verdict
from ..serve.batch import asked_one_by_one, check_each
from .options import PourOptions
from .output import say


def check_lines(
    options: PourOptions,
    depth: Depth,
    workers: int,
    limit_s: float | None,
    fail_on: Answer,
    db: str | None,
    *,
    new: bool = False,
) -> int:
    """Answer every line of standard input, in order; the exit code: 2 where one has a fault, else as for the worst."""
    if options.items != ["-"] or any(getattr(options, one.name) is not None for one in fields(options)[1:]):
        raise InputError(
            "takes whole pours from standard input, and no other options of a pour",
            where="--lines",
            mend="write: pourcheck check - --lines < pours.jsonl",
        )
    if sys.stdin is None:
        raise InputError("is closed", where="stdin", mend="pipe lines of JSON into it")
    code = 0
    with Catalog.open(db, new=new) as catalog:
        if limit_s is not None and catalog.place.in_memory:
            raise InputError("needs a catalog that is not in memory", where="--limit", mend="name a file with --db")
        for answer in _answers(_read(sys.stdin), catalog, depth, workers, limit_s):
            if isinstance(answer, Fault):
                code = 2
                say(json_line({"fault": answer.model_dump()}))
            else:
                code = max(code, answer.exit_code(fail_on))
                say(json_line(answer.model_dump(mode="json", by_alias=True)))
    return code


def _read(lines: Iterable[str]) -> Iterator[tuple[int, dict[str, Any] | Fault]]:
    """The number of each line with its pour, or with what is wrong with it; empty lines are passed over."""
    try:
        for number, line in enumerate(lines, start=1):
            if line.strip():
                yield number, _pour(line)
    except UnicodeDecodeError:
        raise InputError("is not UTF-8 text", where="stdin", mend="pipe UTF-8 into it") from None


def _pour(line: str) -> dict[str, Any] | Fault:
    try:
        return read_json(line.removeprefix("\ufeff"), "")
    except InputError as error:
        return Fault.of(error)


def _answers(
    read: Iterator[tuple[int, dict[str, Any] | Fault]],
    catalog: Catalog,
    depth: Depth,
    workers: int,
    limit_s: float | None,
) -> Iterator[Verdict | Fault]:
    """Answers in the order of the lines; a fault tells its line. One worker answers each line before it reads the
    next; several read ahead."""
    if workers == 1:
        with asked_one_by_one(catalog, depth, limit_s) as ask:
            for number, one in read:
                yield _placed(one if isinstance(one, Fault) else ask(one), number)
        return
    #: What was read and not yet answered: its line, and its fault where it is no pour.
    order: deque[tuple[int, Fault | None]] = deque()

    def pours() -> Iterator[dict[str, Any]]:
        for number, one in read:
            order.append((number, one if isinstance(one, Fault) else None))
            if not isinstance(one, Fault):
                yield one

    for answer in check_each(pours(), catalog, depth=depth, workers=workers, limit_s=limit_s):
        number, fault = order.popleft()
        while fault is not None:
            yield _placed(fault, number)
            number, fault = order.popleft()
        yield _placed(answer, number)
    yield from (_placed(fault, number) for number, fault in order if fault is not None)


def _placed(answer: Verdict | Fault, number: int) -> Verdict | Fault:
    if isinstance(answer, Verdict):
        return answer
    return answer.model_copy(update={"path": ", ".join(filter(None, (f"line {number}", answer.path)))})
