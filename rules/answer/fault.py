"""What is wrong with a pour that cannot be checked, as data."""

from __future__ import annotations

from typing import Literal

from ...catalog import InputError, UnknownName
from .verdict import Result

#: input: it makes no sense; unknown-name: a product or well that the catalog does not hold; internal: ours; too-slow:
#: the pour took longer than the limit of `check_each`. Over HTTP also: not-found: what the address names is not there;
#: not-allowed: without the token; changed-meanwhile: somebody else saved the record; too-large: the body; too-many:
#: requests; unavailable: it takes too long, or the catalog cannot be read now.
Code = Literal[
    "input",
    "unknown-name",
    "internal",
    "too-slow",
    "not-found",
    "not-allowed",
    "changed-meanwhile",
    "too-large",
    "too-many",
    "unavailable",
]


class Fault(Result):
    """A pour without a verdict. path: the field, "" where it is the whole; what: the fault; cure: how to mend it.

    >>> from pourcheck import Fault, InputError
    >>> Fault.of(InputError("is missing", where="bucket", mend='add volume = "5 gal"')).model_dump()
    {'code': 'input', 'path': 'bucket', 'what': 'is missing', 'cure': 'add volume = "5 gal"'}
    """

    code: Code
    path: str
    what: str
    cure: str

    @classmethod
    def of(cls, error: InputError) -> Fault:
        """A fault of the input."""
        code: Code = "unknown-name" if isinstance(error, UnknownName) else "input"
        return cls(code=code, path=error.where, what=error.what, cure=error.mend)

    @classmethod
    def internal(cls, error: Exception) -> Fault:
        """A fault of the program itself: nothing is known of the pour."""
        what = f"this pour could not be checked ({type(error).__name__})"
        return cls(code="internal", path="", what=what, cure="do not pour it; report it, with the pour")

    @classmethod
    def too_slow(cls, limit_s: float) -> Fault:
        """A pour that took longer than it may: nothing is known of it."""
        return cls(
            code="too-slow",
            path="",
            what=f"took longer than {limit_s:g} s",
            cure='ask with a higher limit, or for depth "verdict"',
        )
