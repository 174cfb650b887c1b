"""Records of the catalog, their history and what is said of them, as plain text for a terminal of 80 columns."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.text import Text

from ...catalog import Change, JarTest, Listing, Product, RegionRecord, Revision, Well
from ...catalog.look_over import Remark
from ...catalog.text import one_line, plain
from ...catalog.written import toml_text
from .page import Page

#: How remarks are colored.
_STYLE = {"fault": "bold red", "doubt": "bold yellow", "note": "bold"}


def print_remarks(remarks: Sequence[Remark], out: Console) -> None:
    """What is to be said of an entry, the worst first."""
    page = Page(out)
    for remark in remarks:
        first, *rest = textwrap.wrap(plain(str(remark)), out.width - 9, break_on_hyphens=False)
        out.print(Text.assemble((f"  {remark.severity:<7}", _STYLE[remark.severity]), first))
        for part in rest:
            page.line(part, 9)


def _when(revision: Revision) -> str:
    return f"{revision.at:%Y-%m-%d %H:%M}"


def stamp_words(revision: Revision, overrides: bool) -> str:
    """Where a record stands: "revision 3 of 2026-05-02 10:11 UTC by A. Adviser"."""
    if revision.layer == "seed":
        return f"revision {revision.number}, as it came with the program"
    by = f" by {one_line(revision.by)}" if revision.by else ""
    retired = ", retired" if revision.retired else ""
    over = ", in place of the one that came with the program" if overrides else ""
    return f"revision {revision.number} of {_when(revision)} UTC{by}{retired}{over}"


def print_history(revisions: Sequence[Revision], fields: Mapping[int, Sequence[str]], out: Console) -> None:
    """Revisions, the newest first. fields: what each changed, by its number."""
    page = Page(out)
    for revision in reversed(revisions):
        by = "the program" if revision.layer == "seed" else revision.by or "-"
        out.print(Text.assemble((f"{revision.number:>4}  ", "bold"), f"{_when(revision)} UTC  {one_line(by, 40)}"))
        if revision.retired:
            what = "retired"
        elif revision.number == 1:
            what = "new"
        else:
            back = f"brings back revision {revision.restores}: " if revision.restores else ""
            what = back + (", ".join(fields.get(revision.number, ())) or "no field changed")
        page.line(what, 6, 2)
        if told := "; ".join(filter(None, [revision.why, f"after {revision.source}" if revision.source else ""])):
            page.line(told, 6, 2)


def print_changes(changes: Sequence[Change], out: Console) -> None:
    """Fields that differ, as they were and as they are."""
    page = Page(out)
    for change in changes:
        out.print(Text(plain(change.field), style="bold"))
        for sign, value in (("-", change.before), ("+", change.after)):
            if value is not None:
                page.line(f"{sign} {_shown(value)}", 2, 2)


def _shown(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _row(out: Console, cells: Sequence[tuple[str, int]]) -> None:
    """Cells of a table with their widths, cut where they are longer; the first one bold."""
    parts: list[str | tuple[str, str]] = []
    for i, (text, width) in enumerate(cells):
        shown = f"{one_line(text, max(3, width - 1)):<{width}}"
        parts.append((shown, "bold") if i == 0 else shown)
    line = Text.assemble(*parts)
    line.rstrip()
    out.print(line)


def print_products(products: Sequence[Product], marks: Mapping[str, str], out: Console) -> None:
    """Products, a line each. marks: what is to be said of some, by id."""
    for product in products:
        _row(out, [(product.name, 36), (product.grade or "-", 11), (product.form, 7), (product.id, out.width - 54)])
        if mark := marks.get(product.id):
            Page(out).line(mark, 4)


def print_wells(wells: Sequence[Well], out: Console) -> None:
    """Wells, a line each: how many tests, and of when the newest is."""
    for well in wells:
        tests = len(well.test)
        newest = (well.test[-1].tested_on or "undated") if well.test else "-"
        told = f"{tests} test{'' if tests == 1 else 's'}, newest {newest}" if tests else "no test"
        _row(out, [(well.name, 32), (told, 30), (well.id, out.width - 62)])


def print_trends(well: Well, out: Console) -> None:
    """Every measured item of a well by the day of its test, the newest tests that fit."""
    trends = well.trends()
    width = 16
    days = [test.tested_on or "" for test in well.test][-max(1, (out.width - 18) // width) :]
    page = Page(out)
    page.head(f"Tests{'' if len(days) == len(well.test) else f', the newest {len(days)} of {len(well.test)}'}")
    _row(out, [("", 18), *((day or "undated", width) for day in days)])
    for item, values in trends.items():
        shown = {"ph": "pH", "ec": "EC"}.get(item, item.replace("_", " "))
        if any(day in values for day in days):
            _row(out, [(shown, 18), *((values.get(day, "-"), width) for day in days)])


def print_region(region: RegionRecord, listings: Sequence[Listing], out: Console) -> None:
    """A region: its policy and its list."""
    page = Page(out)
    out.print(Text(plain(region.name), style="bold"))
    page.line(region.id)
    if region.notes:
        page.line(region.notes)
    page.head("Policy")
    if region.policy:
        for line in toml_text(region.policy).splitlines():
            page.line(line, 2, 2)
    else:
        page.line("none: the defaults hold", 2)
    page.head(f"Products on its list: {len(listings)}")
    print_listings(listings, out)


def print_listings(listings: Sequence[Listing], out: Console) -> None:
    """The list of a region, a line each."""
    for one in listings:
        state = f"{one.state} by {one.reviewed_by}" if one.reviewed_by else one.state
        sold = "sold here" if one.sold_here else ""
        _row(out, [(f"  {one.product}", 30), (state, 28), (sold, 11), (one.local_name, out.width - 69)])
        if one.note:
            Page(out).line(one.note, 4)


def print_regions(regions: Sequence[tuple[str, str, str]], out: Console) -> None:
    """Regions: id, name, and what they hold."""
    for name, id_, told in regions:
        _row(out, [(name, 26), (id_, 18), (told, out.width - 44)])


def print_jars(jars: Sequence[JarTest], out: Console) -> None:
    """Jar tests, the newest first."""
    page = Page(out)
    for jar in sorted(jars, key=lambda one: one.made_on, reverse=True):
        out.print(Text.assemble((f"{jar.made_on}  ", "bold"), ", ".join(jar.seen), f"  ({jar.id})"))
        page.line(" + ".join(f"{part.amount} {part.name}" for part in jar.product), 4, 2)
        about = [
            f"in {jar.bucket}" if jar.bucket else "",
            f"of {jar.water}" if jar.water else "",
            f"at {jar.temperature}" if jar.temperature else "",
            f"after {jar.waited}" if jar.waited else "",
            f"by {jar.by}" if jar.by else "",
        ]
        if any(about):
            page.line(", ".join(filter(None, about)), 4, 2)
        if jar.note:
            page.line(jar.note, 4, 2)
