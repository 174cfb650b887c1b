"""Migrations: one module in `versions/` per schema, run by alembic from `store/upgrading.py`."""
