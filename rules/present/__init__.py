"""Verdicts and catalog entries as text for a terminal."""
