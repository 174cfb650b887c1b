"""The list of a region against its wells: every product at a usual rate in every water, the verdict of each."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from ...catalog import Catalog, InputError, Product
from ..answer.assess import Weighed, one_thread, weigh
from ..answer.findings import ANSWER
from ..answer.verdict import SEVERITY, Answer
from ..ask.pour import Pour
from ..ask.question import Question, ask
from ..families.registry import worst
from ..judge.rule import overall

#: The rule about the water test as a whole.
DOES_NOT_ADD_UP = "water-test-does-not-balance"


@dataclass(frozen=True, slots=True)
class Rates:
    """How the products of a table are poured: so much of a dry one, so much of a liquid one, in such a bucket, at such
    a ratio, with whose policy."""

    dry: str = "1 lb"
    liquid: str = "1 qt"
    bucket: str = "5 gal"
    inject: str = "1:100"
    region: str | None = None

    def of(self, product: Product) -> str:
        """The amount of a product."""
        return self.liquid if product.form == "liquid" else self.dry


@dataclass(frozen=True, slots=True)
class Cell:
    """The verdict of a product in a water. apart: the verdict apart from whether the water test adds up; rules: those
    that say more than a note, the worst first; fault: why there is no verdict, "" where there is one."""

    verdict: Answer
    apart: Answer
    rules: tuple[str, ...] = ()
    fault: str = ""


@dataclass(frozen=True, slots=True)
class Turned:
    """A verdict that another number turns."""

    product: str
    well: str
    before: Cell
    after: Cell


@dataclass(frozen=True)
class VerdictTable:
    """Products by wells. products: id, name and amount; wells: id and name; cells: by ids of product and well."""

    rates: Rates
    products: tuple[tuple[str, str, str], ...]
    wells: tuple[tuple[str, str], ...]
    cells: Mapping[tuple[str, str], Cell]

    def turned(self, other: VerdictTable) -> list[Turned]:
        """Verdicts that are others in another table of the same products and wells, the worst of those first; apart
        from whether the tests add up, which they hardly do where one number was exchanged."""
        found = [
            Turned(product, well, cell, other.cells[product, well])
            for (product, well), cell in self.cells.items()
            if other.cells[product, well].apart != cell.apart
        ]
        # Sorting is stable: by list and well where equally bad.
        return sorted(found, key=lambda one: -SEVERITY.index(one.after.apart))


def _cell(weighed: Weighed) -> Cell:
    apart = [one for one in weighed.judged if one.rule.name != DOES_NOT_ADD_UP]
    level = overall(worst(weighed.case, apart)) if len(apart) < len(weighed.judged) else weighed.level
    return Cell(weighed.answer, ANSWER[level], weighed.blamed)


def cells_in(
    water: Mapping[str, object],
    products: Sequence[Product],
    catalog: Catalog,
    rates: Rates,
    poured_on: str | None = None,
) -> Iterator[tuple[Product, Cell]]:
    """Each product with its verdict, poured alone in one water, as the water stands in a pour.

    poured_on: day of the pours; left out as in a pour that names none. Raises: InputError: rates or a water that make
    no sense.
    """
    asked: Question | None = None
    for product in products:
        data: dict[str, object] = {
            "product": [{"name": product.id, "amount": rates.of(product)}],
            "bucket": {"volume": rates.bucket},
            "injection": {"ratio": rates.inject},
            "water": water,
        }
        data |= {} if rates.region is None else {"region": rates.region}
        data |= {} if poured_on is None else {"poured_on": poured_on}
        pour = Pour.parse(data, "rates")
        try:
            asked = ask(pour, catalog, in_water_of=asked)
            cell = _cell(weigh(asked))
        except InputError as error:  # too much for the bucket, a liquid without density
            cell = Cell("unknown", "unknown", fault=str(error))
        yield product, cell


def verdict_table(
    catalog: Catalog,
    products: Sequence[str],
    wells: Sequence[str],
    rates: Rates | None = None,
    instead: Mapping[str, object] | None = None,
    progress: Callable[[int], None] | None = None,
) -> VerdictTable:
    """The verdicts of products in the water of wells, each poured alone.

    products, wells: ids or names. instead: items of every water test that are taken to be others ("calcium":
    "150 mg/L"). progress: called with the number of verdicts so far.
    Raises: InputError: an unknown product or well, or rates that make no sense.

    >>> from pourcheck import Catalog
    >>> with Catalog.open("sqlite://") as catalog:
    ...     table = verdict_table(catalog, ["technical MAP"], ["ridge-well", "brook-well"])
    >>> [cell.verdict for cell in table.cells.values()]
    ['stop', 'clear']
    """
    rates = rates or Rates()
    cells: dict[tuple[str, str], Cell] = {}
    with one_thread(), catalog.snapshot():
        found = list({one.id: one for one in map(catalog.product, products)}.values())
        waters = list({one.id: one for one in (catalog.well(name, today=date.max) for name in wells)}.values())
        for water in waters:
            told = {"name": water.id, **(instead or {})}
            for product, cell in cells_in(told, found, catalog, rates):
                cells[product.id, water.id] = cell
                if progress is not None:
                    progress(len(cells))
    return VerdictTable(
        rates,
        tuple((product.id, product.name, rates.of(product)) for product in found),
        tuple((water.id, water.name or water.id) for water in waters),
        {(p.id, w.id): cells[p.id, w.id] for p in found for w in waters},
    )
