"""pourcheck: may this fertilizer go through the drip, with this water, at this rate?

>>> from pourcheck import Catalog, Pour, check
>>> verdict = check(Pour.load(path), Catalog.open())   # doctest: +SKIP
"""

from .catalog import (
    Catalog,
    CatalogError,
    InputError,
    PourcheckError,
    Product,
    UnknownName,
    WaterTest,
)
from .rules import Pour, Verdict, check, check_many, swap

__version__ = "0.1.0"

__all__ = [
    "Catalog",
    "CatalogError",
    "InputError",
    "Pour",
    "PourcheckError",
    "Product",
    "UnknownName",
    "Verdict",
    "WaterTest",
    "check",
    "check_many",
    "swap",
]
