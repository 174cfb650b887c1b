"""The command line."""

from .app import main

__all__ = ["main"]
