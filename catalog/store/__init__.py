"""The catalog database: tables, seeds, search."""
