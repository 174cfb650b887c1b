"""Catalogs to test on: SQLite files and PostgreSQL databases, new, or as the first use leaves them."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url

from pourcheck import Catalog
from pourcheck.catalog import Density, Product, SolubilityPoint, Sourced

KINDS = ("sqlite", "postgresql")


@pytest.fixture(params=KINDS)
def empty(
    request: pytest.FixtureRequest, tmp_path: Path, new_database: Callable[..., AbstractContextManager[str]]
) -> Iterator[str]:
    """A place for a catalog: a file that is not there yet, or a new PostgreSQL database."""
    if request.param == "sqlite":
        yield str(tmp_path / "catalog.sqlite3")
    else:
        with new_database() as url:
            yield url


@pytest.fixture(scope="session")
def filled_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A SQLite catalog to copy."""
    file = tmp_path_factory.mktemp("filled") / "catalog.sqlite3"
    Catalog.open(str(file), new=True).close()
    return file


@pytest.fixture(scope="session")
def filled_database(new_database: Callable[..., AbstractContextManager[str]]) -> Iterator[str]:
    """A PostgreSQL catalog to copy."""
    with new_database() as url:
        Catalog.open(url, new=True).close()
        yield str(make_url(url).database)


@pytest.fixture
def file(tmp_path: Path, filled_file: Path) -> str:
    """A SQLite catalog as the first use leaves it."""
    return str(shutil.copy(filled_file, tmp_path / "catalog.sqlite3"))


@pytest.fixture(params=KINDS)
def filled(request: pytest.FixtureRequest, new_database: Callable[..., AbstractContextManager[str]]) -> Iterator[str]:
    """A catalog as the first use leaves it, on either kind of database."""
    if request.param == "sqlite":
        yield request.getfixturevalue("file")
    else:
        with new_database(request.getfixturevalue("filled_database")) as url:
            yield url


def _run_sql(place: str, statement: str) -> list[tuple[object, ...]]:
    """Change a database behind the catalog's back."""
    url = place if "://" in place else f"sqlite:///{place}"
    engine = create_engine(make_url(url.replace("postgresql://", "postgresql+psycopg://")))
    with engine.begin() as connection:
        done = connection.execute(text(statement))
        found = [tuple(row) for row in done] if done.returns_rows else []
    engine.dispose()
    return found


@pytest.fixture(scope="session")
def run_sql() -> Callable[[str, str], list[tuple[object, ...]]]:
    """Read or change a database behind the catalog's back."""
    return _run_sql


def _bottle(**changed: object) -> Product:
    """A product that uses every field."""
    return Product.model_validate(
        {
            "id": "my-bottle",
            "name": "My Bottle",
            "form": "liquid",
            "grade": "10.5-0-10",
            "aliases": ("corner shop feed", "Dünger №1"),
            "dissolving": "complete",
            "hazards": ("acid", "sulfite-gas"),
            "guaranteed": {"n_urea": Sourced(value=0.1 + 0.2, source="invented", note="odd")},
            "derived_from": ("urea", "potassium chloride", "urea"),
            "density": Density(kg_per_l=1.16, temperature_c=None, source="invented"),
            "solubility": (
                SolubilityPoint(
                    formula="KCl",
                    temperature_c=-5.5,
                    g_per_100_g_water=28,
                    source="invented",
                ),
            ),
            "numbers": {"solution_ph": Sourced(value=-0.5, source="invented")},
            "notes": 'It\'s 100 % "quoted"; --\nDROP TABLE product;',
            **changed,
        }
    )


@pytest.fixture(scope="session")
def bottle() -> Callable[..., Product]:
    """A product that uses every field; fields by name change it."""
    return _bottle
