"""Saving what a program sends: looked over first, and never on top of what somebody else saved meanwhile."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal, cast

from ...catalog import Catalog, InputError, Product, Record, Source, WaterTest, Well
from ...catalog.look_over import Remark, look_over
from ...catalog.store.parse import parse
from ...catalog.written import read_product
from ..answer.verdict import Result
from ..policy import default_unknowns, usual_mg_per_l


def remarks_on(catalog: Catalog, record: Record, beside: Sequence[Source] = ()) -> list[Remark]:
    """What is doubtful about a record that is to be saved together with the sources beside it."""
    known = {f'the source "{source.id}" is not in the catalog' for source in beside}
    found = look_over(record, catalog, usual_mg_per_l(default_unknowns()))
    return [one for one in found if one.what not in known]


class RemarkSeen(Result):
    """Something that is to be known of a record, and how it would be mended."""

    field: str
    severity: Literal["fault", "doubt", "note"]
    what: str
    cure: str


class Saved(Result):
    """A record that was saved. revision: the number that the next change starts from; remarks: what is to be known."""

    kind: Literal["product", "well"]
    id: str
    revision: int
    remarks: tuple[RemarkSeen, ...]


def save_product(
    catalog: Catalog, id_: str, data: dict[str, Any], revision: int | None, *, by: str, why: str, anyway: bool
) -> Saved:
    """Save a product under an id. data: as in a file of `product add`; revision: as `Catalog.save`.

    Raises: InputError: what is wrong with it, or doubtful and not wanted anyway; ChangedMeanwhile.
    """
    if data.get("id", id_) != id_:
        raise InputError("is another than that of the address", where="product, id", mend="leave it out")
    product, beside = read_product({**data, "id": id_}, catalog.sources(), "product")
    return _saved(catalog, product, revision, by=by, why=why, anyway=anyway, beside=beside)


def save_test(
    catalog: Catalog,
    id_: str,
    data: dict[str, Any],
    revision: int | None,
    *,
    replace: bool,
    by: str,
    why: str,
    anyway: bool,
) -> Saved:
    """Add a water test to a well. replace: in place of the test of the same day; revision: as `Catalog.save`.

    Raises: UnknownName: no such well; InputError: as `save_product`; ChangedMeanwhile.
    """
    catalog.record("well", id_)  # a retired one takes no test
    test = parse(WaterTest, data, "test")
    now = catalog.current("well", id_) if revision is None else catalog.revision("well", id_, revision)
    well = cast(Well, now.record()).with_test(test, replace=replace)
    return _saved(catalog, well, now.number, by=by, why=why, anyway=anyway)


def _saved(
    catalog: Catalog,
    record: Product | Well,
    revision: int | None,
    *,
    by: str,
    why: str,
    anyway: bool,
    beside: Sequence[Source] = (),
) -> Saved:
    remarks = remarks_on(catalog, record, beside)
    kind: Literal["product", "well"] = "product" if isinstance(record, Product) else "well"
    worst = next(iter(remarks), None)
    if worst is not None and (worst.severity == "fault" or (worst.severity == "doubt" and not anyway)):
        mend = worst.mend if worst.severity == "fault" else f"{worst.mend}; or say anyway=true"
        raise InputError(f"was not saved: {worst.what}", where=f"{kind} {record.id}, {worst.field}", mend=mend)
    saved = catalog.save(record, revision, by=by, why=why, beside=beside)
    seen = (RemarkSeen(field=one.field, severity=one.severity, what=one.what, cure=one.mend) for one in remarks)
    return Saved(kind=kind, id=saved.id, revision=saved.number, remarks=tuple(seen))
