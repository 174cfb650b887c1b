"""What one check reads of the catalog."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from pourcheck import Catalog, check

WELL = {"name": "brook-well"}


@pytest.mark.parametrize(
    ("name", "reads"),
    [
        ("urea", {"urea"}),
        ("alder-clear-10-0-10", {"alder-clear-10-0-10"}),  # and the materials on its label
        ("46-0-0", {"urea"}),
    ],
)
def test_a_check_reads_its_product_and_no_others(name: str, reads: set[str], tmp_path: Path) -> None:
    """Every other product, material and well is spoilt, but for what is on the label and the salts that could form in a
    bucket: the check comes across none of them."""
    place = str(tmp_path / "catalog.sqlite3")
    with Catalog.open(place, new=True) as catalog:
        poured = catalog.product(name)
        reads = {*reads, *(catalog.product(source).id for source in poured.derived_from)}
        reads |= {salt.id for salt in catalog.salts()}
        assert len(reads) < len(catalog.products()) / 2
    with sqlite3.connect(place) as spoilt:
        kept = ",".join("?" * len(reads))
        spoilt.execute(
            f"UPDATE revision SET document = '' WHERE id NOT IN ({kept}) AND id != 'brook-well' AND kind != 'source'",
            sorted(reads),
        )
    spoilt.close()
    pour = {"product": [{"name": name, "amount": "1 oz"}], "bucket": {"volume": "5 gal"}, "water": WELL}
    with Catalog.open(place) as catalog:
        assert check(pour, catalog, depth="numbers").verdict in {"clear", "caution", "unknown"}
        assert catalog.faults() == []
        assert len(catalog.faults(whole=True)) > 40
