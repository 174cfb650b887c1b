"""Schema 1: products and water tests in tables of their own, without history. Catalogs of it were made without
migrations; it is only the place to start from."""

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Nothing starts below this schema."""
    raise NotImplementedError("catalogs of schema 1 were made by the program itself")
