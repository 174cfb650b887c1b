"""The day that a pour is checked for. No clock is asked: the same pour has the same answer on any day."""

from __future__ import annotations

from datetime import date

#: Day of this release. A pour that states no day is of this day or of a later one, so that what is old by now is old.
RELEASED = date(2026, 11, 28)
