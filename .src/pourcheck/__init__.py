"""pourcheck: may this fertilizer go through the drip, with this water, at this rate?

>>> from pourcheck import Catalog, check
>>> with Catalog.open("sqlite://") as catalog:
...     pour = {"product": [{"name": "rock phosphate", "amount": "1 lb"}], "bucket": {"volume": "5 gal"}}
...     check(pour, catalog, details=False).verdict
'stop'
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
