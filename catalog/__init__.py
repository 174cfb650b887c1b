"""What is in the bottle and in the well: products, labels, water tests, and the database of them."""

from .errors import CatalogError, ChangedMeanwhile, InputError, PourcheckError, UnknownName
from .jar import InJar, JarTest
from .listing import Listing, RegionRecord, policies_are_checked_by
from .product import Content, Density, Product, Record, SolubilityPoint, Source, Sourced, parse_grade, slug
from .store.catalog import Catalog
from .store.kinds import KINDS, Kind, document_of, names_of
from .store.match import Match
from .store.revision import Change, Fault, Revision
from .water.analysis import WaterTest
from .water.well import Well

__all__ = [
    "KINDS",
    "Catalog",
    "CatalogError",
    "Change",
    "ChangedMeanwhile",
    "Content",
    "Density",
    "Fault",
    "InJar",
    "InputError",
    "JarTest",
    "Kind",
    "Listing",
    "Match",
    "PourcheckError",
    "Product",
    "Record",
    "RegionRecord",
    "Revision",
    "SolubilityPoint",
    "Source",
    "Sourced",
    "UnknownName",
    "WaterTest",
    "Well",
    "document_of",
    "names_of",
    "parse_grade",
    "policies_are_checked_by",
    "slug",
]
