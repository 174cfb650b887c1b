"""What is in the bottle and in the well: products, labels, water tests, and the database of them."""

from .errors import CatalogError, InputError, PourcheckError, UnknownName
from .product import Content, Density, Product, SolubilityPoint, Source, Sourced, parse_grade, slug
from .store.catalog import Catalog
from .store.search import Match
from .water.analysis import WaterTest

__all__ = [
    "Catalog",
    "CatalogError",
    "Content",
    "Density",
    "InputError",
    "Match",
    "PourcheckError",
    "Product",
    "SolubilityPoint",
    "Source",
    "Sourced",
    "UnknownName",
    "WaterTest",
    "parse_grade",
    "slug",
]
