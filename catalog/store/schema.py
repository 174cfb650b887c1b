"""Which shape of tables this program reads."""

from typing import Final

#: Raised when a table changes shape, with a migration in `migrations/versions/` (its number is the revision there).
SCHEMA: Final = 2
