"""Searching a catalog of thousands of products: only what comes into question is read, and the answer is the same."""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path

import pytest

from pourcheck import Catalog, Product, UnknownName
from pourcheck.catalog import Listing
from pourcheck.catalog.store import name_search
from pourcheck.catalog.store.search import find

sys.path.insert(0, str(Path(__file__).parent.parent / "evidence"))
from made_products import made_products

COUNT = 4000


@pytest.fixture(scope="module")
def large_file(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A SQLite catalog of thousands of products."""
    place = str(tmp_path_factory.mktemp("large") / "catalog.sqlite3")
    with Catalog.open(place, new=True) as catalog:
        catalog.save_all(made_products(COUNT))
    return place


@pytest.fixture(scope="module", params=["letters", "no index", "postgresql"])
def large(
    request: pytest.FixtureRequest,
    large_file: str,
    tmp_path_factory: pytest.TempPathFactory,
    new_database: Callable[[], AbstractContextManager[str]],
) -> Iterator[Catalog]:
    """The same with an index of letters in a row, without one, and on PostgreSQL."""
    if request.param == "postgresql":
        with new_database() as url, Catalog.open(url, new=True) as catalog:
            catalog.save_all(made_products(COUNT))
            yield catalog
        return
    place = str(tmp_path_factory.mktemp("large") / "catalog.sqlite3")
    Catalog.backup(large_file, place)
    if request.param == "no index":
        with sqlite3.connect(place) as changed:
            for part in ("add", "drop"):
                changed.execute(f"DROP TRIGGER {name_search.FTS_TABLE}_{part}")
            changed.execute(f"DROP TABLE {name_search.FTS_TABLE}")
        changed.close()
    with Catalog.open(place) as catalog:
        yield catalog


@pytest.fixture(scope="module")
def everything(large_file: str) -> list[Product]:
    """All of its products."""
    with Catalog.open(large_file) as catalog:
        return catalog.products()


#: Names of the demo list with and without typing errors, words in another order, run together, parts of names.
NAMES = [
    "calcium nitrate", "potasium nitrat", "uera", "epsom slat", "MAP", "map technical", "UAN 33", "calcuim", "urea",
    "ammonium sulphate", "mono ammonium phosphate", "chelated iron", "iron edta", "nitric acid", "kcl", "phosphoric",
    "Quinquinspring berry acidifier", "quinquinsprng bery acidifer 25-0-0", "denjunen lawn", "hollormax pasture liqid",
    "junjuno blom premium", "alalmix drip", "corgaris lawn feed 25-0-8", "seedling plus marvero", "rosmar dale bloom",
    "eKltlor drip starter gold 13-19-15", "corveren bloom concentrate 11-28-31",
    "Ulbardale bery acidifier", "fenselmix potasium", "pelyardale amonium sulfate plus", "hollormaxpasture",
]  # fmt: skip


@pytest.mark.parametrize("query", NAMES)
def test_the_first_answer_is_that_of_looking_at_all(query: str, large: Catalog, everything: list[Product]) -> None:
    """The best of all names is found, whatever else is left out."""
    best = find(everything, query, 1, resolve=large.product)
    found = large.find(query, 5)
    assert found[0].score == best[0].score
    assert best[0].product.id in {match.product.id for match in found}


@pytest.mark.parametrize("query", ["10-34-0", "20-0-20", "21-0-0", "46-0-0", "potash", "nitrogen", "magnesium", "zinc"])
def test_grades_and_nutrients(query: str, large: Catalog, everything: list[Product]) -> None:
    """By grade and by nutrient the scores are those of looking at all."""
    full = find(everything, query, 8, resolve=large.product)
    assert [match.score for match in large.find(query, 8)] == [match.score for match in full]


@pytest.mark.parametrize(
    ("wanted", "holds"),
    [
        ({"made_of": "urea"}, lambda product: "urea" in product.derived_from),
        ({"made_of": "carbamide"}, lambda product: "urea" in product.derived_from),
        ({"without": ["potassium"]}, lambda product: not product.percent("k2o")),
        ({"without": ["potassium", "phosphate"], "made_of": "urea"}, lambda product: not product.percent("p2o5")),
    ],
)
@pytest.mark.parametrize("query", ["urea", "nitrogen", ""])
def test_what_is_asked_for_besides(
    query: str, wanted: dict[str, object], holds: Callable[[Product], bool], large: Catalog
) -> None:
    """A material on the label, and what is to be left out, narrow every search."""
    found = large.find(query, 5, **wanted)  # type: ignore[arg-type]
    assert found
    assert all(holds(match.product) for match in found)


def test_the_list_of_a_region(large: Catalog) -> None:
    """Only what is on the list, in a state, sold there."""
    state = {1: "draft", 2: "reviewed", 3: "reviewed", 4: "retired"}
    large.save_all(
        Listing(region="east", product=f"made-{i}", state=state[i], sold_here=i == 3)  # type: ignore[arg-type]
        for i in state
    )
    every = {f"made-{i}" for i in state}
    for wanted, ids in (
        ({"region": "east"}, every),
        ({"region": "east", "state": "reviewed"}, {"made-2", "made-3"}),
        ({"region": "east", "sold_here": True}, {"made-3"}),
        ({"region": "west"}, set()),
    ):
        assert {match.product.id for match in large.find("", 9, **wanted)} == ids  # type: ignore[arg-type]
    second = large.product("made-2")
    assert large.find(second.name, 1, region="east")[0].product == second


def test_only_what_comes_into_question_is_read(large_file: str, tmp_path: Path) -> None:
    """A search, and a name that is not known, come across some hundred documents: the rest is spoilt, unseen."""
    place = str(tmp_path / "catalog.sqlite3")
    Catalog.backup(large_file, place)
    with Catalog.open(place) as catalog:
        wanted = catalog.product("made-17")
    with sqlite3.connect(place) as spoilt:
        spoilt.execute("UPDATE revision SET document = '' WHERE id LIKE 'made-%' AND id != 'made-17'")
    spoilt.close()
    for query in (wanted.name, wanted.name.replace("a", "e", 1), "20-0-20", "potash", "no phosphorus"):
        with Catalog.open(place) as catalog:
            catalog.find(query)
            assert len(catalog.faults()) < COUNT / 4, query
    with Catalog.open(place) as catalog:
        with pytest.raises(UnknownName) as unknown:
            catalog.product(wanted.name + "x")
        assert wanted.name in unknown.value.nearest
        assert len(catalog.faults()) < COUNT / 4


def test_what_may_be_offered(large: Catalog) -> None:
    """Of many products the materials, and those that are asked for; of few, all."""
    offered = large.shelf(["made-5", "made-7"])
    assert {product.id for product in offered} == {"made-5", "made-7", *(one.id for one in large.materials())}
    with Catalog.open("sqlite://") as small:
        assert small.shelf() == small.products()


def test_what_is_saved_is_found_at_once(large: Catalog) -> None:
    """A new name is found, a former one not anymore."""
    product = large.product("made-99").model_copy(update={"name": "Zephyrine quartzleaf"})
    former = large.product("made-99").name
    large.save(product)
    assert large.find("zefyrine quartzleaf", 1)[0].product == product
    assert former not in {match.product.name for match in large.find(former, 5)}
    large.undo("product", "made-99")
    assert large.find(former, 1)[0].product.name == former
