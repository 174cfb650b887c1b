"""Jar tests of the same products: what was seen when they were mixed before."""

from __future__ import annotations

from collections.abc import Iterable

from ...catalog import Catalog, JarTest, UnknownName, WaterTest
from ...catalog.product import fold


def jars_like(products: Iterable[str], water: WaterTest | None, catalog: Catalog) -> tuple[JarTest, ...]:
    """Jar tests of exactly these products, in this water or in one that was not told; the newest first.

    products: ids in the catalog.
    """
    jars = [one for one in catalog.records("jar") if isinstance(one, JarTest)]
    wanted = frozenset(products)
    found = [jar for jar in jars if _ids(jar, catalog) == wanted and _in_water(jar, water, catalog)]
    return tuple(sorted(found, key=lambda jar: (jar.made_on, jar.id), reverse=True))


def _ids(jar: JarTest, catalog: Catalog) -> frozenset[str]:
    try:
        return frozenset(catalog.product(part.name).id for part in jar.product)
    except UnknownName:
        return frozenset()


def _in_water(jar: JarTest, water: WaterTest | None, catalog: Catalog) -> bool:
    if not jar.water:
        return True
    if water is None or not water.id:
        return False
    owner = catalog.owners("well", [jar.water]).get(fold(jar.water))
    return owner == water.id
