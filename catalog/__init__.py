"""What is in the bottle and in the well: products, labels, water tests, and the database of them."""

from .errors import CatalogError, InputError, PourcheckError, UnknownName
from .product import Content, Density, Product, SolubilityPoint, Source, Sourced, parse_grade, slug
from .search import Match
from .store import Catalog
from .water import WaterTest

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
