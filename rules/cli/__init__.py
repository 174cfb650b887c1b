"""The command line."""

import gc

# A command makes much that stays and little that goes: collecting seldom saves a tenth of its time.
gc.set_threshold(100_000, 20, 20)

from .app import main  # noqa: E402

__all__ = ["main"]
