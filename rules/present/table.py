"""A table of verdicts: for a terminal, as CSV, as a page of its own."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from ...catalog.exchange import files
from ...catalog.product import plain_name
from ...catalog.text import one_line, plain
from ..families.registry import rule_named
from ..instead.table import DOES_NOT_ADD_UP, Cell, Turned, VerdictTable
from .page import STYLE, Page

if TYPE_CHECKING:
    from ..serve.sweep import Share

_NAME, _CELL, _SHARE_NAME = 30, 12, 40


def _shown(cell: Cell, *, apart: bool = False) -> str:
    verdict = cell.apart if apart else cell.verdict
    return "no verdict" if cell.fault else verdict.upper() if verdict == "stop" else verdict


def why(cell: Cell, *, apart: bool = False) -> str:
    """What stands against a product, in a few words; "" for nothing. apart: from whether the test adds up."""
    names = (name for name in cell.rules if not (apart and name == DOES_NOT_ADD_UP))
    return cell.fault or "; ".join(rule_named(name).brief for name in names)


def rates_line(table: VerdictTable) -> str:
    """How the products are poured."""
    rates = table.rates
    region = f", policy of {rates.region}" if rates.region else ""
    return f"{rates.dry} of a dry product, {rates.liquid} of a liquid one, in {rates.bucket}, {rates.inject}{region}"


def print_table(table: VerdictTable, out: Console, *, more: bool) -> None:
    """The table, as many wells beside each other as there is room for. more: with what stands against each product."""
    page = Page(out)
    page.line(rates_line(table))
    room = max(1, (out.width - _NAME) // _CELL)
    for start in range(0, len(table.wells), room):
        wells = table.wells[start : start + room]
        out.print()
        head = "".join(f"{one_line(plain_name(name), _CELL - 1):<{_CELL}}" for _, name in wells)
        out.print(Text(f"{'':<{_NAME}}{head}".rstrip(), style="bold"))
        for id_, name, _ in table.products:
            line = Text(f"{one_line(plain_name(name), _NAME - 2):<{_NAME}}")
            for well, _ in wells:
                cell = table.cells[id_, well]
                line.append(f"{_shown(cell):<{_CELL}}", style=STYLE.get(cell.verdict, ""))
            line.rstrip()
            out.print(line)
    if more:
        for id_, name, amount in table.products:
            reasons: dict[str, list[str]] = {}
            for well, called in table.wells:
                if told := why(table.cells[id_, well]):
                    reasons.setdefault(told, []).append(plain_name(called))
            if reasons:
                page.head(f"{plain_name(name)}, {amount}")
                for told, called_wells in reasons.items():
                    page.line(f"{', '.join(called_wells)}: {told}", 2, 2)


def print_turned(table: VerdictTable, turned: Sequence[Turned], what_if: str, out: Console) -> None:
    """Which verdicts another number turns."""
    page = Page(out)
    count, every = len(turned), len(table.cells)
    out.print()
    verb = "turns" if count == 1 else "turn"
    page.line(f"With {what_if} in every well, {count or 'none'} of {every} verdicts {verb}{':' if count else '.'}")
    names = {id_: plain_name(name) for id_, name, _ in table.products} | {
        id_: plain_name(name) for id_, name in table.wells
    }
    for one in turned:
        told = why(one.after, apart=True)
        verdicts = f"{_shown(one.before, apart=True)} -> {_shown(one.after, apart=True)}"
        page.line(f"{names[one.product]}, {names[one.well]}: {verdicts}{f' ({told})' if told else ''}", 2, 2)


def print_shares(shares: Sequence[Share], out: Console) -> None:
    """How often each product is clear, caution, unknown and stop, in percent of the waters."""
    page = Page(out)
    words = ("clear", "caution", "unknown", "stop")
    page.line(f"Percent of {shares[0].waters} waters. Each product poured alone; what is not known is tried.")
    out.print()
    out.print(Text(f"{'':<{_SHARE_NAME}}{''.join(f'{word:>10}' for word in words)}", style="bold"))
    for share in shares:
        line = Text(f"{one_line(plain_name(share.name), _SHARE_NAME - 2):<{_SHARE_NAME}}")
        for word in words:
            percent = 100.0 * getattr(share, word) / share.waters
            line.append(f"{percent:>10.1f}", style=STYLE[word] if percent else "")
        out.print(line)
    faults = [plain_name(share.name) for share in shares if share.faults]
    if faults:
        out.print()
        page.line(f"Could not be poured in some: {', '.join(faults)}; see the column fault.")
    out.print()


def write_csv(table: VerdictTable, path: Path) -> None:
    """The table as CSV or XLSX: a row for each product, a column for each well, and the reasons. Raises: InputError."""
    titles = ["Product", "ID", "Amount", *(name for _, name in table.wells), "Why"]
    rows: list[list[str | None]] = []
    for id_, name, amount in table.products:
        cells = [(called, table.cells[id_, well]) for well, called in table.wells]
        reasons = " | ".join(f"{called}: {told}" for called, cell in cells if (told := why(cell)))
        rows.append([name, id_, amount, *(_shown(cell).lower() for _, cell in cells), reasons or None])
    files.write(path, [files.Table("Verdicts", titles, rows)])


_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title><style>
body {{ font: 16px/1.4 sans-serif; margin: 1.5rem; color: #111; background: #fff }}
table {{ border-collapse: collapse }}
th, td {{ border: 1px solid #999; padding: .3rem .6rem; text-align: left; vertical-align: top }}
thead th {{ position: sticky; top: 0; background: #fff }}
td small {{ display: block; max-width: 16rem }}
.clear {{ background: #dcf2dc }} .caution {{ background: #fff3c4 }}
.unknown {{ background: #eadcf5 }} .stop {{ background: #f8d0cc; font-weight: bold }}
.stop small {{ font-weight: normal }}
@media print {{ thead th {{ position: static }} }}
</style></head><body>
<h1>{title}</h1>
<p>{rates}. Each product poured alone; what is not known is tried over its range.</p>
<table><thead><tr><th scope="col">Product</th><th scope="col">Amount</th>{heads}</tr></thead>
<tbody>
{rows}
</tbody></table>
</body></html>
"""


def html(table: VerdictTable, title: str) -> str:
    """The table as a page that needs nothing else."""
    rows = []
    for id_, name, amount in table.products:
        cells = []
        for well, _ in table.wells:
            cell = table.cells[id_, well]
            told = f"<small>{_safe(why(cell))}</small>" if why(cell) else ""
            cells.append(f'<td class="{cell.verdict}">{_shown(cell)}{told}</td>')
        rows.append(f'<tr><th scope="row">{_safe(name)}</th><td>{_safe(amount)}</td>{"".join(cells)}</tr>')
    heads = "".join(f'<th scope="col">{_safe(name)}</th>' for _, name in table.wells)
    return _PAGE.format(title=_safe(title), rates=_safe(rates_line(table)), heads=heads, rows="\n".join(rows))


def _safe(text: str) -> str:
    return escape(plain(text))
