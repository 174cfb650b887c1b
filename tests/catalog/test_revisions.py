"""Records with their history: saving, the lock of editors, undo, retiring, the layer of seeds, faults, snapshots."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta

import pytest

from pourcheck import Catalog, CatalogError, InputError, Product, UnknownName, WaterTest
from pourcheck.catalog import (
    KINDS,
    ChangedMeanwhile,
    Content,
    JarTest,
    Kind,
    Listing,
    Record,
    RegionRecord,
    Source,
    Sourced,
    Well,
)
from pourcheck.catalog.store import making, seeds
from pourcheck.catalog.store.entry import Entry

Bottle = Callable[..., Product]
Sql = Callable[[str, str], list[tuple[object, ...]]]


@pytest.fixture
def catalog(filled: str) -> Iterator[Catalog]:
    """A catalog of its own for each test, on either kind of database."""
    with Catalog.open(filled) as opened:
        yield opened


@pytest.fixture
def in_memory() -> Iterator[Catalog]:
    """A catalog in memory."""
    with Catalog.open("sqlite://") as opened:
        yield opened


def noted(product: Product, notes: str) -> Product:
    """The product with other notes."""
    return product.model_copy(update={"notes": notes})


# --- saving ---------------------------------------------------------------------------------------

MATERIAL = Product(
    id="two-salts",
    name="two salts",
    kind="material",
    form="dry",
    content=(
        Content(
            formula="KNO3",
            mass_fraction=Sourced(value=1 / 3, source="definition"),
            dissolves_to={"NO3-": 1, "K+": 1},
        ),
        Content(
            formula="KCl",
            mass_fraction=Sourced(value=1 / 3, source="definition"),
            dissolves_to={"K+": 1, "Cl-": 1},
        ),
    ),
)
RECORDS: dict[Kind, Record] = {
    "product": MATERIAL,
    "well": Well(
        id="my-well", name="My Well", test=(WaterTest(tested_on="2026-01-02", ph=7.1, calcium="12 gpg"),), notes="a\nb"
    ),
    "source": Source(id="my-book", citation="A book, 2nd edition, p. 3", seen="yes"),
    "region": RegionRecord(
        id="aldervane-east",
        name="Aldervane East",
        policy={"level": {"warm-line": {"at_least": "caution", "reason": "hot"}}},
    ),
    "listing": Listing(region="aldervane", product="urea", state="reviewed", reviewed_by="B. Adviser", sold_here=True),
    "jar": JarTest.model_validate(
        {"id": "j1", "made_on": "2026-05-02", "product": [{"name": "urea", "amount": "2 g"}], "seen": ["clear"]}
    ),
}


def test_every_kind_is_tried() -> None:
    """The table above leaves no kind out."""
    assert set(RECORDS) == set(KINDS)


@pytest.mark.parametrize("kind", KINDS)
def test_a_record_comes_back_equal(kind: Kind, filled: str) -> None:
    """What was saved is read back equal from another opening, with who, when, why and after what."""
    record = RECORDS[kind]
    before = datetime.now(UTC)
    with Catalog.open(filled) as catalog:
        saved = catalog.save(record, by="A. Grower", why="new here", source="label of 2026")
    with Catalog.open(filled) as catalog:
        assert catalog.record(kind, saved.id) == record
        assert record in catalog.records(kind)
        (revision,) = catalog.history(kind, saved.id)
        assert revision == saved
        assert revision.record() == record
        assert (revision.number, revision.layer) == (1, "own")
        assert (revision.by, revision.why, revision.source) == ("A. Grower", "new here", "label of 2026")
        assert before <= revision.at <= datetime.now(UTC) + timedelta(seconds=5)


def test_a_product_with_every_field_goes_by_every_name(filled: str, bottle: Bottle) -> None:
    """Names are folded: capitals, spaces and compatible forms of letters do not tell them apart."""
    with Catalog.open(filled) as catalog:
        catalog.save(bottle())
    with Catalog.open(filled) as catalog:
        for name in ("my-bottle", "MY  BOTTLE", "Corner Shop Feed", "DÜNGER №1", "Du\u0308nger No1", "Ｍy bottle"):
            assert bottle() == catalog.product(name)


def test_a_change_is_a_new_revision(catalog: Catalog, bottle: Bottle) -> None:
    """Nothing of the old one is left in what is read; all of it in the history."""
    catalog.save(bottle(), by="A")
    changed = bottle(name="My Other Bottle", aliases=(), derived_from=("urea",), numbers={})
    assert catalog.save(changed, by="B").number == 2
    assert catalog.product("my other bottle") == changed
    with pytest.raises(UnknownName):
        catalog.product("corner shop feed")
    assert [one.by for one in catalog.history("product", "my-bottle")] == ["A", "B"]
    assert catalog.revision("product", "my-bottle", 1).record() == bottle()
    assert [change.field for change in catalog.diff("product", "my-bottle")] == [
        "aliases", "derived_from", "name", "numbers.solution_ph.source", "numbers.solution_ph.value",
    ]  # fmt: skip


def test_saving_what_stands_is_no_revision(catalog: Catalog) -> None:
    """Saving twice, or what came with the program, changes nothing."""
    assert catalog.save(catalog.product("urea")).number == 1
    assert catalog.save_all([*catalog.products(), *catalog.wells(), *catalog.sources().values()]) == 0
    assert catalog.overridden() == []


@pytest.mark.parametrize(
    "changed", [{"name": "Urea"}, {"name": "  UREA "}, {"aliases": ("carbamide",)}, {"name": "uan-32"}]
)
def test_a_name_that_belongs_to_another(changed: dict[str, object], catalog: Catalog, bottle: Bottle) -> None:
    """A name, alias or id of another product is refused, and nothing is written."""
    with pytest.raises(InputError, match="belongs to u"):
        catalog.save(bottle(**changed))
    with pytest.raises(UnknownName):
        catalog.product("my-bottle")


def test_a_well_cannot_shadow_another(catalog: Catalog) -> None:
    """A name that is another well's id is refused: the id leads to its own well."""
    with pytest.raises(InputError, match='"ridge-well" belongs to ridge-well'):
        catalog.save(Well(id="my-well", name="ridge-well"))
    assert catalog.well("ridge-well").id == "ridge-well"


def test_a_name_may_be_of_another_kind(catalog: Catalog) -> None:
    """Products and wells do not stand in each other's way."""
    catalog.save(Well(id="urea", name="MAP"))
    assert catalog.product("urea").grade == "46-0-0"


REFUSED: list[tuple[str, Record]] = [
    ("the source \"hearsay\" is not in the catalog", MATERIAL.model_copy(
        update={"numbers": {"solution_ph": Sourced(value=6, source="hearsay")}})),
    ("a source needs an id", Source(citation="a book", seen="no")),
    ("holds a control character", MATERIAL.model_copy(update={"name": "bell\x07"})),
    ("holds a control character", MATERIAL.model_copy(update={"name": "two\nlines"})),
    ("holds a control character", MATERIAL.model_copy(update={"aliases": ("nul\0",)})),
    ("holds an invisible format character", MATERIAL.model_copy(update={"notes": "\u202etxt"})),
    ("is no record of its own", WaterTest(id="w", ph=7)),
]  # fmt: skip


@pytest.mark.parametrize(("says", "record"), REFUSED)
def test_what_is_refused(says: str, record: Record, in_memory: Catalog) -> None:
    """Bad records are refused in one line, also those that were made behind the back of their model."""
    before = in_memory.records("product")
    with pytest.raises(InputError) as refused:
        in_memory.save(record)
    assert says in str(refused.value)
    assert in_memory.records("product") == before


@pytest.mark.parametrize("field", ["by", "why", "source"])
def test_who_and_why_hold_nothing_hidden(field: str, in_memory: Catalog) -> None:
    """Nothing that a terminal acts on comes into the history."""
    with pytest.raises(InputError, match="holds a control character"):
        in_memory.save(MATERIAL, **{field: "A\x1b[2J"})
    with pytest.raises(UnknownName):
        in_memory.product("two-salts")


# --- many -----------------------------------------------------------------------------------------


def test_all_or_none(catalog: Catalog, bottle: Bottle) -> None:
    """One bad record among many, or a generator that breaks off, and nothing is written."""
    good = [bottle(id=f"b-{i}", name=f"Bottle {i}", aliases=()) for i in range(3)]

    def broken() -> Iterator[Record]:
        yield from good
        raise InputError("is broken", where="row 5")

    for many in (broken(), [*good, bottle(id="x", name="urea")], [*good, good[0]]):
        with pytest.raises(InputError):
            catalog.save_all(many)
        assert "b-0" not in {product.id for product in catalog.products()}
    assert catalog.save_all(good, by="A") == 3
    assert catalog.save_all(good) == 0
    with pytest.raises(InputError, match="is already in the catalog"):
        catalog.save_all(good, new=True)


def test_names_may_change_hands_within_one_save(catalog: Catalog, bottle: Bottle) -> None:
    """Two products that swap their names are no clash."""
    one, two = (bottle(id=id_, name=name, aliases=()) for id_, name in (("one", "First"), ("two", "Second")))
    catalog.save_all([one, two])
    catalog.save_all([one.model_copy(update={"name": "Second"}), two.model_copy(update={"name": "First"})])
    assert catalog.product("first").id == "two"


# --- the lock of editors --------------------------------------------------------------------------


def test_changed_meanwhile(filled: str, bottle: Bottle) -> None:
    """The second of two editors is told of the first: who, when, and what both changed; nothing is written."""
    with Catalog.open(filled) as mine, Catalog.open(filled) as theirs:
        start = mine.save(bottle(), by="A")
        theirs.save(bottle(grade="10-0-10"), start.number, by="B. Adviser")
        with pytest.raises(ChangedMeanwhile) as told:
            mine.save(bottle(form="dry", notes=""), start.number, by="A")
        message = str(told.value)
        assert message.startswith("product my-bottle: was changed in the meantime by B. Adviser on 20")
        assert "(revision 2: grade), you changed form, notes; look at revision 2" in message
        assert (told.value.number, told.value.theirs, told.value.ours) == (2, ("grade",), ("form", "notes"))
        assert mine.product("my-bottle") == bottle(grade="10-0-10")
        mine.save(bottle(grade="10-0-10", form="dry"), 2, by="A")
        with pytest.raises(ChangedMeanwhile):
            mine.retire("product", "my-bottle", 2)
        with pytest.raises(ChangedMeanwhile):
            mine.undo("product", "my-bottle", revision=2)


def test_two_who_save_the_same(in_memory: Catalog, bottle: Bottle) -> None:
    """Nobody is told of a change that is their own."""
    start = in_memory.save(bottle()).number
    assert in_memory.save(bottle(notes="new"), start, by="A").number == 2
    assert in_memory.save(bottle(notes="new"), start, by="B").by == "A"


def test_new_means_new(in_memory: Catalog, bottle: Bottle) -> None:
    """Revision 0 is for a record that is not there, any other for one that is."""
    assert in_memory.save(bottle(), 0).number == 1
    with pytest.raises(InputError, match="is already in the catalog; edit it instead"):
        in_memory.save(bottle(notes="another"), 0)
    with pytest.raises(InputError, match="is not in the catalog; save it as a new one"):
        in_memory.save(bottle(id="other", name="other", aliases=()), 3)
    with pytest.raises(InputError, match="has no revision 7; it stands at 1"):
        in_memory.save(bottle(notes="another"), 7)


def test_a_name_taken_by_another(filled: str, bottle: Bottle) -> None:
    """A name that somebody else took since this catalog was read is refused like any other."""
    with Catalog.open(filled) as mine, Catalog.open(filled) as theirs:
        mine.products()
        theirs.save(bottle())
        with pytest.raises(InputError, match="belongs to my-bottle"):
            mine.save(bottle(id="my-second-bottle"))


# --- undo and retiring ----------------------------------------------------------------------------


def test_undo_goes_back_step_by_step(catalog: Catalog, bottle: Bottle) -> None:
    """Each undo is a revision of its own; undoing again goes further back; at the first there is nothing before."""
    for notes in ("one", "two", "three"):
        catalog.save(bottle(notes=notes))
    back = [catalog.undo("product", "my-bottle", by="C") for _ in range(2)]
    assert [(one.number, one.restores, one.record().notes) for one in back] == [(4, 2, "two"), (5, 1, "one")]  # type: ignore[attr-defined]
    with pytest.raises(InputError, match="has nothing before it to bring back"):
        catalog.undo("product", "my-bottle")
    assert catalog.undo("product", "my-bottle", to=3).record() == bottle(notes="three")
    assert catalog.undo("product", "my-bottle").record() == bottle(notes="two")
    with pytest.raises(InputError, match="has no revision 99; write a number from 1 to 7"):
        catalog.undo("product", "my-bottle", to=99)
    assert len(catalog.history("product", "my-bottle")) == 7


def test_undo_gives_the_seed_back(catalog: Catalog) -> None:
    """A seed that was overridden is shown as such, and comes back when it is undone."""
    urea = catalog.product("urea")
    catalog.save(noted(urea, "mine"), by="A")
    assert catalog.overridden() == [("product", "urea")]
    assert catalog.current("product", "urea").layer == "own"
    assert catalog.undo("product", "urea").layer == "seed"
    assert catalog.product("urea") == urea
    assert catalog.overridden() == []
    catalog.save(noted(urea, "again"), by="A")
    catalog.undo("product", "urea")
    assert catalog.product("urea") == urea
    with pytest.raises(InputError, match="has nothing before it"):
        catalog.undo("product", "urea")


def test_a_retired_record(catalog: Catalog) -> None:
    """It is found by no search and poured by no name, which says so; its name stays taken; undo brings it back."""
    catalog.retire("product", "carbamide", by="A", why="not sold here")
    assert "urea" not in {product.id for product in catalog.products() + catalog.materials()}
    with pytest.raises(UnknownName, match='product "Urea" was retired; take another, or bring it back with undo'):
        catalog.product("Urea")
    with pytest.raises(InputError, match="belongs to urea"):
        catalog.save(MATERIAL.model_copy(update={"name": "urea"}))
    last = catalog.current("product", "urea")
    assert (last.retired, last.by, last.why) == (True, "A", "not sold here")
    with pytest.raises(InputError, match="is retired already"):
        catalog.retire("product", "urea")
    catalog.undo("product", "urea")
    assert catalog.product("urea").grade == "46-0-0"


def test_unknown_records(catalog: Catalog) -> None:
    """Whatever is asked of a record that is not there names what is like it."""
    for asked in (catalog.history, catalog.current, catalog.retire, catalog.undo, catalog.diff, catalog.record):
        with pytest.raises(UnknownName, match='unknown well "ridge-wel"; nearest: "ridge-well"'):
            asked("well", "ridge-wel")
    with pytest.raises(InputError, match="has no revision 2; write a number from 1 to 1"):
        catalog.revision("well", "ridge-well", 2)
    with pytest.raises(InputError, match='"wells" is no kind of record; write one of: product, well'):
        catalog.records("wells")  # type: ignore[arg-type]


# --- the layer of seeds ---------------------------------------------------------------------------


@pytest.fixture
def release(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Pretend another release of the program: release("0.2.0", urea={"notes": "mended"}) changes packaged products,
    release(..., added=[...]) adds some."""
    packaged = seeds.entries()

    def change(version: str, added: tuple[Product, ...] = (), **changed: dict[str, object]) -> None:
        def entry(one: Entry) -> Entry:
            new = changed.get(one.id.replace("-", "_"))
            return one if new is None or one.record is None else Entry.of(one.record.model_copy(update=new))

        monkeypatch.setattr(seeds, "entries", lambda: (*map(entry, packaged), *map(Entry.of, added)))
        monkeypatch.setattr(seeds, "digest", lambda: version + repr(changed))
        monkeypatch.setattr(making, "program_version", lambda: version)

    return change


def test_a_new_release_mends_its_seeds(filled: str, release: Callable[..., None]) -> None:
    """What came with the program follows it; what the user overrode stays, and undo gives the mended one."""
    with Catalog.open(filled) as catalog:
        own = noted(catalog.product("urea"), "mine")
        catalog.save(own)
    release("0.2.0", urea={"notes": "mended"}, potassium_nitrate={"notes": "mended"})
    with Catalog.open(filled) as catalog:
        assert catalog.product("potassium nitrate").notes == "mended"
        assert [one.layer for one in catalog.history("product", "potassium-nitrate")] == ["seed", "seed"]
        assert catalog.product("urea") == own
        assert catalog.overridden() == [("product", "urea")]
        assert len(catalog.history("product", "calcium-nitrate")) == 1
        catalog.undo("product", "urea")
        assert catalog.product("urea").notes == "mended"
        assert catalog.overridden() == []


def test_a_correction_that_the_program_takes_over(filled: str, release: Callable[..., None]) -> None:
    """Where a release says the same as the user, nothing is overridden anymore."""
    with Catalog.open(filled) as catalog:
        catalog.save(noted(catalog.product("urea"), "mended"))
    release("0.2.0", urea={"notes": "mended"})
    with Catalog.open(filled) as catalog:
        assert catalog.overridden() == []
        assert catalog.current("product", "urea").layer == "seed"


def test_an_older_program_leaves_the_seeds_of_a_newer_one(filled: str, release: Callable[..., None]) -> None:
    """Two programs on one database do not undo each other's seeds."""
    release("0.2.0", urea={"notes": "mended"})
    Catalog.open(filled).close()
    release("0.0.9", urea={"notes": "old"})
    with Catalog.open(filled) as catalog:
        assert catalog.product("urea").notes == "mended"


def test_a_new_seed_takes_no_name_from_the_user(filled: str, bottle: Bottle, release: Callable[..., None]) -> None:
    """The user's names stand; a new seed gets those that are free, and stays out where its id is taken."""
    with Catalog.open(filled) as catalog:
        catalog.save(bottle(name="New salt"))
    shown = MATERIAL.model_copy(update={"id": "new-one", "name": "corner shop feed", "aliases": ("New one",)})
    hidden = MATERIAL.model_copy(update={"id": "my-other", "name": "my other"})
    with Catalog.open(filled) as catalog:
        catalog.save(bottle(name="New salt", aliases=("corner shop feed", "my-other")))
    release("0.2.0", added=(shown, hidden))
    with Catalog.open(filled) as catalog:
        assert catalog.product("corner shop feed").id == "my-bottle"
        assert catalog.product("new one").id == "new-one"
        assert catalog.product("my-other").id == "my-bottle"


# --- rows that make no sense ----------------------------------------------------------------------

SPOILT = [
    """UPDATE revision SET document = '{"id": "urea", "name": "urea", "form": "gas"}' WHERE id = 'urea'""",
    "UPDATE revision SET document = '{not json' WHERE id = 'urea'",
    "UPDATE revision SET document = '' WHERE id = 'urea'",
]


@pytest.mark.parametrize("statement", SPOILT)
def test_one_bad_row_is_named_and_skipped(statement: str, filled: str, run_sql: Sql) -> None:
    """The rest of the catalog goes on; a save mends it."""
    with Catalog.open(filled) as catalog:
        urea = catalog.product("urea")
    run_sql(filled, statement)
    with Catalog.open(filled) as catalog:
        assert catalog.faults() == []
        assert len(catalog.products()) == len(seeds.seed_products()) - 1
        (fault,) = catalog.faults()
        assert (fault.kind, fault.id, fault.number) == ("product", "urea", 1)
        assert fault.what.startswith("product urea, revision 1: ")
        assert catalog.product("potassium nitrate").id == "potassium-nitrate"
        with pytest.raises(CatalogError, match=r"makes no sense \(product urea.*; save product urea anew, or undo"):
            catalog.product("urea")
        catalog.save(noted(urea, "mended"))
        assert catalog.product("urea").notes == "mended"
        assert catalog.faults(whole=True) == []


def test_all_faults(filled: str, run_sql: Sql) -> None:
    """Asked for the whole, those that nobody came across are found too."""
    run_sql(filled, "UPDATE revision SET document = '[]' WHERE id IN ('urea', 'bog-well')")
    with Catalog.open(filled) as catalog:
        assert [(one.kind, one.id) for one in catalog.faults(whole=True)] == [("product", "urea"), ("well", "bog-well")]


# --- others ---------------------------------------------------------------------------------------


def test_an_open_catalog_sees_the_changes_of_others(filled: str, bottle: Bottle) -> None:
    """What others save is there at the next question, lists and single records alike."""
    with Catalog.open(filled) as mine, Catalog.open(filled) as theirs:
        urea, before = mine.product("urea"), len(mine.products())
        with pytest.raises(UnknownName):
            mine.product("my-bottle")
        theirs.save_all([bottle(), noted(urea, "theirs")])
        assert mine.product("my-bottle") == bottle()
        assert mine.product("urea").notes == "theirs"
        assert len(mine.products()) == before + 1


def test_a_snapshot_is_of_one_state(filled: str, bottle: Bottle) -> None:
    """While it is held nothing changes, whatever others save; afterwards all of it is seen."""
    with Catalog.open(filled) as mine, Catalog.open(filled) as theirs:
        with mine.snapshot():
            urea = mine.product("urea")
            theirs.save_all([bottle(), noted(urea, "theirs"), Well(id="w", name="W")])
            assert mine.product("urea") == urea
            with pytest.raises(UnknownName):
                mine.product("my-bottle")
            with pytest.raises(UnknownName):
                mine.record("well", "w")
        assert mine.product("urea").notes == "theirs"
        assert mine.product("my-bottle") == bottle()


def test_what_does_not_change_stays_the_same_object(in_memory: Catalog, bottle: Bottle) -> None:
    """A document is read once as long as its revision stands."""
    urea = in_memory.product("urea")
    in_memory.save(bottle())
    assert in_memory.product("carbamide") is urea
