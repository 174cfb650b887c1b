"""How the package is laid out: folders behind links, no stray names, one direction of imports."""

from __future__ import annotations

import ast
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

import pourcheck

ROOT = Path(__file__).parent.parent
FOLDERS = ("catalog", "rules", "seed_products")
MODULES = sorted(path for folder in FOLDERS for path in (ROOT / folder).rglob("*.py"))


def name_of(path: Path) -> str:
    """Dotted name of a module as it is installed."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(("pourcheck", *(part for part in parts if part != "__init__")))


def imports(path: Path, *, at_import_time: bool = False) -> Iterator[str]:
    """Full dotted names that a module imports; those inside functions only when asked for all."""
    package = name_of(path).split(".")
    if path.name != "__init__.py":
        package = package[:-1]
    tree = ast.parse(path.read_text("utf-8"))
    nodes: list[ast.stmt] = [node for node in ast.walk(tree) if isinstance(node, ast.stmt)]
    if at_import_time:
        nodes = list(tree.body)
    for node in nodes:
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            start = package[: len(package) - node.level + 1] if node.level else []
            base = ".".join([*start, *([node.module] if node.module else [])])
            yield base
            yield from (f"{base}.{alias.name}" for alias in node.names)


def modules_after(code: str) -> set[str]:
    """Names of all modules that are loaded after some code ran from the top of the checkout."""
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys\nprint(*sys.modules)"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return set(done.stdout.splitlines()[-1].split())


CHECK = """
import pourcheck
with pourcheck.Catalog.open("sqlite://") as catalog:
    pourcheck.check(
        {
            "product": [{"name": "potassium nitrate", "amount": "1 lb"}],
            "bucket": {"volume": "5 gal", "temperature": "20 degC"},
            "water": {"name": "brook-well"},
            "injection": {"ratio": "1:100", "line_temperature": "20 degC"},
        },
        catalog,
    )
"""


@pytest.fixture(scope="module")
def after_import() -> set[str]:
    """Modules loaded by `import pourcheck`."""
    return modules_after("import pourcheck")


@pytest.fixture(scope="module")
def after_check() -> set[str]:
    """Modules loaded by a check of one plain material."""
    return modules_after(CHECK)


# --- folders and names ----------------------------------------------------------------------------


@pytest.mark.parametrize("folder", FOLDERS)
def test_links_lead_to_the_real_folders(folder: str) -> None:
    """The source root holds relative links to the folders at the top, and no copies."""
    link = ROOT / ".src" / "pourcheck" / folder
    assert link.is_symlink()
    assert not link.readlink().is_absolute()
    assert (ROOT / folder).resolve() == link.resolve()


def test_the_installed_package_is_this_one() -> None:
    """The tests run against this checkout."""
    assert Path(pourcheck.__file__).resolve() == (ROOT / ".src/pourcheck/__init__.py").resolve()


def test_public_names() -> None:
    """The public face: these names and no others, all of them there."""
    expected = {
        "Catalog",
        "CatalogError",
        "Fault",
        "InputError",
        "Pour",
        "PourcheckError",
        "Product",
        "UnknownName",
        "Verdict",
        "WaterTest",
        "acid",
        "check",
        "check_each",
        "check_many",
        "remedy",
        "split",
        "swap",
    }
    assert expected == set(pourcheck.__all__)
    assert len(expected) == len(pourcheck.__all__)
    for name in expected:
        assert getattr(pourcheck, name).__doc__, name
        assert name in dir(pourcheck)


def test_one_version() -> None:
    """The version is the same in the package and in its metadata."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert project["version"] == pourcheck.__version__


def test_the_package_is_marked_as_typed() -> None:
    """Type checkers see the package's own types."""
    assert (ROOT / ".src" / "pourcheck" / "py.typed").is_file()


# --- what is loaded -------------------------------------------------------------------------------


@pytest.mark.parametrize("bare", FOLDERS)
def test_bare_names_are_never_loaded(bare: str, after_check: set[str]) -> None:
    """Nothing loads `catalog` or `rules` as such, even where the folders can be imported."""
    assert f"pourcheck.{bare}" in after_check
    assert bare not in after_check


@pytest.mark.parametrize(
    "late",
    [
        "numpy",
        "pydantic",
        "scipy",
        "highspy",
        "pint",
        "typer",
        "psycopg",
        "fastapi",
        "uvicorn",
        "pourcheck.rules.cli.app",
    ],
)
def test_import_is_light(late: str, after_import: set[str]) -> None:
    """`import pourcheck` loads what is used of it when it is used: no library, no driver and no command line."""
    assert late not in after_import


@pytest.mark.parametrize("late", ["sqlalchemy", "sqlmodel", "alembic", "rapidfuzz", "psycopg"])
def test_reading_the_catalog_is_light(late: str, tmp_path: Path) -> None:
    """The catalog is read by the plain driver; what writes it, or looks for similar names, loads when used."""
    place = str(tmp_path / "catalog.sqlite3")
    pourcheck.Catalog.open(place, new=True).close()
    reading = f"""
import pourcheck.catalog
with pourcheck.catalog.Catalog.open({place!r}) as catalog, catalog.snapshot():
    urea = catalog.product("46-0-0")
    catalog.grades("MAP"), catalog.materials(), catalog.salts(), catalog.sources(), catalog.overridden()
    catalog.well("ridge-well"), catalog.history("product", "urea"), catalog.diff("product", "urea"), catalog.faults()
"""
    assert late not in modules_after(reading)


def test_a_check_needs_no_server_driver(after_check: set[str]) -> None:
    """A check on SQLite loads no PostgreSQL driver, no command line and no HTTP server."""
    assert not {"psycopg", "typer", "fastapi", "starlette", "uvicorn"} & after_check


# --- directions -----------------------------------------------------------------------------------


def test_modules_are_found() -> None:
    """The scan below sees the whole package."""
    assert {"pourcheck.catalog.quantity.units", "pourcheck.rules.check"} <= set(map(name_of, MODULES))


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_direction_of_imports(path: Path) -> None:
    """Catalog never imports rules; chemistry imports neither; bare names are imported nowhere."""
    own, found = name_of(path), set(imports(path))
    assert not {name for name in found if name.split(".")[0] in FOLDERS}
    ours = {name for name in found if name.startswith("pourcheck.")}
    if own.startswith("pourcheck.catalog"):
        assert not {name for name in ours if not name.startswith("pourcheck.catalog")}
    if own.startswith("pourcheck.rules.chemistry"):
        assert not {name for name in ours if not name.startswith("pourcheck.rules.chemistry")}
    if not own.startswith(("pourcheck.rules.cli", "pourcheck.rules.present")):
        assert not {name for name in ours if name.startswith("pourcheck.rules.cli")}
        # Words come last: the main job puts them on the finished answer, and nothing before it knows them.
        if own != "pourcheck.rules.check":
            assert not {name for name in ours if name.startswith("pourcheck.rules.present")}


#: The rooms of `rules`, from the ground floor up; a room uses those below it.
ROOMS = (
    "chemistry", "policy", "ask", "case", "judge", "families", "explore", "answer", "instead", "present", "check",
    "cli",
)  # fmt: skip


def room_of(name: str) -> str | None:
    """The room of a module of rules; None for others."""
    parts = name.split(".")
    return parts[2] if parts[:2] == ["pourcheck", "rules"] and len(parts) > 2 and parts[2] in ROOMS else None


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_no_room_uses_one_above_it(path: Path) -> None:
    """Imports run downwards, inside functions too, so that there is no circle of rooms."""
    own = room_of(name_of(path))
    if own is not None:
        used = {room for name in imports(path) if (room := room_of(name)) is not None}
        assert {room for room in used if ROOMS.index(room) > ROOMS.index(own)} == set()


CHEMISTRY = [path for path in MODULES if path.parent.name == "chemistry"]


@pytest.mark.parametrize("path", CHEMISTRY, ids=name_of)
def test_the_numeric_core_needs_numpy_only(path: Path) -> None:
    """Chemistry imports the standard library, numpy and itself."""
    outside = {name.split(".")[0] for name in imports(path)}
    assert outside - set(sys.stdlib_module_names) <= {"numpy", "pourcheck"}


HEAVY = {"scipy", "highspy", "pint", "molmass", "typer", "psycopg", "fastapi", "starlette", "uvicorn"}


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_heavy_libraries_load_when_used(path: Path) -> None:
    """highspy, pint, molmass and drivers are imported inside the functions that use them."""
    found = {name.split(".")[0] for name in imports(path, at_import_time=True)}
    allowed = {"typer"} if name_of(path).startswith("pourcheck.rules.cli.") else set()
    assert found & HEAVY <= allowed


# --- words ----------------------------------------------------------------------------------------


def undocumented(tree: ast.Module) -> Iterator[str]:
    """Public functions, classes and methods without a docstring."""
    if not ast.get_docstring(tree):
        yield "the module"
    parts = list(tree.body)
    while parts:
        part = parts.pop()
        if not isinstance(part, ast.FunctionDef | ast.ClassDef) or part.name.startswith("_"):
            continue
        overload = any(getattr(mark, "id", "") == "overload" for mark in getattr(part, "decorator_list", ()))
        if not overload and not ast.get_docstring(part):
            yield part.name
        if isinstance(part, ast.ClassDef):
            parts += part.body


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_public_things_have_a_docstring(path: Path) -> None:
    """Every module, and every public function, class and method, says what it is for."""
    tree = ast.parse(path.read_text("utf-8"))
    if not tree.body:
        return
    assert list(undocumented(tree)) == []
