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

from .catalog import (
    Catalog,
    CatalogError,
    InputError,
    PourcheckError,
    Product,
    UnknownName,
    WaterTest,
)

if TYPE_CHECKING:
    from .rules.answer.verdict import Verdict
    from .rules.ask.pour import Pour
    from .rules.answer.fault import Fault
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


#: Where what needs the chemistry stands; it is imported when it is asked for.
_IN_RULES = {
    "Fault": "answer.fault",
    "Pour": "ask.pour",
    "Verdict": "answer.verdict",
    "acid": "instead.acids",
    "check": "check",
    "check_each": "serve.batch",
    "check_many": "serve.batch",
    "remedy": "instead.remedy",
    "split": "instead.split",
    "swap": "instead.swap",
}


def __getattr__(name: str) -> object:
    if name not in _IN_RULES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    globals()[name] = found = getattr(import_module(f"{__name__}.rules.{_IN_RULES[name]}"), name)
    return found
