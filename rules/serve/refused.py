"""A request that is answered by a fault: its status and what is told."""

from __future__ import annotations

import logging
from typing import Any

from ...catalog import CatalogError, ChangedMeanwhile, InputError
from ..answer.fault import Code, Fault
from .hands import Ended, TooSlow

_log = logging.getLogger(__name__)


class Busy(Exception):
    """So many wait already that this one is not taken."""


class Refused(Exception):
    """A request that is answered by a fault. headers: of the answer, with "_" for "-"."""

    def __init__(self, status: int, code: Code, what: str, cure: str, path: str = "", **headers: str) -> None:
        self.status = status
        self.fault = Fault(code=code, path=path, what=what, cure=cure)
        self._headers = headers
        super().__init__(what)

    @property
    def headers(self) -> dict[str, str]:
        """Headers of the answer."""
        return {name.replace("_", "-"): value for name, value in self._headers.items()}

    def __reduce__(self) -> tuple[Any, ...]:
        """From process to process."""
        fault = self.fault
        return _made, (self.status, fault.code, fault.what, fault.cure, fault.path, self._headers)

    @classmethod
    def of(cls, error: Exception) -> Refused:
        """What an exception means to whoever asked.

        >>> Refused.of(InputError("is missing", where="bucket", mend="add it")).status
        422
        """
        match error:
            case cls():
                return error
            case ChangedMeanwhile():
                return cls(409, "changed-meanwhile", error.what, error.mend, error.where)
            case InputError():
                fault = Fault.of(error)
                return cls(422, fault.code, fault.what, fault.cure, fault.path)
            case CatalogError():
                # The line names the database, which is nobody's business outside.
                _log.error("%s", error)
                return cls(503, "unavailable", "the catalog cannot be used now", "try again later", Retry_After="10")
            case Busy():
                return cls(503, "unavailable", "too many wait already", "try again in a second", Retry_After="1")
            case TooSlow():
                what = "the answer took too long; what was to be saved may be saved yet"
                return cls(503, "unavailable", what, "ask for less (depth=verdict), or try again later")
            case Ended():
                what = "the process that was to answer ended; what was to be saved may be saved"
                return cls(503, "unavailable", what, "try again; ask for less where it ends again")
            case _:
                _log.error("a request could not be answered", exc_info=error)
                fault = Fault.internal(error)
                what = f"this request could not be answered ({type(error).__name__})"
                return cls(500, fault.code, what, fault.cure)


def _made(status: int, code: Code, what: str, cure: str, path: str, headers: dict[str, str]) -> Refused:
    return Refused(status, code, what, cure, path, **headers)
