"""pourcheck: may this fertilizer go through the drip, with this water, at this rate?

>>> from pourcheck import Catalog, check
>>> with Catalog.open("sqlite://") as catalog:
...     pour = {"product": [{"name": "rock phosphate", "amount": "1 lb"}], "bucket": {"volume": "5 gal"}}
...     check(pour, catalog, depth="numbers").verdict
'stop'
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .catalog import (
        Catalog,
        CatalogError,
        InputError,
        PourcheckError,
        Product,
        UnknownName,
        WaterTest,
    )
    from .rules.answer.fault import Fault
    from .rules.answer.verdict import Verdict
    from .rules.ask.pour import Pour
    from .rules.check import check
    from .rules.instead.acids import acid
    from .rules.instead.remedy import remedy
    from .rules.instead.split import split
    from .rules.instead.swap import swap
    from .rules.serve.batch import check_each, check_many

__version__ = "0.1.0"

# Whoever uses the library says where its events go; until then they go nowhere.
logging.getLogger(__name__).addHandler(logging.NullHandler())

__all__ = [
    "Catalog",
    "CatalogError",
    "Fault",
    "InputError",
    "Pour",
    "PourcheckError",
    "Product",
    "UnknownName",
    "Verdict",
    "WaterTest",
    "acid",
    "check",
    "check_each",
    "check_many",
    "remedy",
    "split",
    "swap",
]


#: Where each of them stands; it is imported when it is asked for.
_PLACES = {
    "Catalog": "catalog",
    "CatalogError": "catalog",
    "Fault": "rules.answer.fault",
    "InputError": "catalog",
    "Pour": "rules.ask.pour",
    "PourcheckError": "catalog",
    "Product": "catalog",
    "UnknownName": "catalog",
    "Verdict": "rules.answer.verdict",
    "WaterTest": "catalog",
    "acid": "rules.instead.acids",
    "check": "rules.check",
    "check_each": "rules.serve.batch",
    "check_many": "rules.serve.batch",
    "remedy": "rules.instead.remedy",
    "split": "rules.instead.split",
    "swap": "rules.instead.swap",
}


def __getattr__(name: str) -> object:
    from importlib import import_module

    if name == "catalog":
        return import_module(f"{__name__}.catalog")
    if name not in _PLACES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    globals()[name] = found = getattr(import_module(f"{__name__}.{_PLACES[name]}"), name)
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
