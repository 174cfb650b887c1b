"""The compiled solver against its reference in numpy, on the same solutions: one is the other's oracle, and both are
held against PHREEQC elsewhere (tests/published)."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest

from pourcheck import Catalog
from pourcheck.rules.ask.salts import salts
from pourcheck.rules.chemistry import compiled, speciate
from pourcheck.rules.chemistry.constants import Constants, Floats, load
from pourcheck.rules.chemistry.cores import use_cores
from pourcheck.rules.chemistry.density import Filling
from pourcheck.rules.chemistry.doubt import si_sigma
from pourcheck.rules.chemistry.phases import BUCKET_PHASES, LINE_PHASES, STOCK_PHASES
from pourcheck.rules.chemistry.solution import Solution
from pourcheck.rules.chemistry.speciate import NEVER_SI, Given, begin, equilibrate, let_form
from pourcheck.rules.chemistry.stock import stock_constants

pytestmark = pytest.mark.skipif(not compiled.available(), reason="the compiled solver was not built")
ROWS = 60


@pytest.fixture
def reference(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Solution]:
    """Rows one by one, by the reference."""

    def solve(totals: Floats, temperature_c: Floats, phases: tuple[str, ...] = (), **given: Any) -> Solution:
        parts = []
        with monkeypatch.context() as patch:
            patch.setenv(compiled.REFERENCE_VARIABLE, "1")
            for row in range(len(totals)):
                one = slice(row, row + 1)
                own = {key: value[one] if isinstance(value, np.ndarray) else value for key, value in given.items()}
                parts.append(equilibrate(totals[one], temperature_c[one], phases, **own))
        before = _joined([part.before_solids for part in parts])
        return replace(_joined(parts), supersaturated=before)

    return solve


def _joined(parts: list[Solution]) -> Solution:
    arrays = [field.name for field in fields(Solution) if isinstance(getattr(parts[0], field.name), np.ndarray)]
    return replace(
        parts[0],
        **{name: np.concatenate([getattr(part, name) for part in parts]) for name in arrays},
        supersaturated=None,
    )


def agree(one: Solution, other: Solution, si_within: float = 1e-9) -> None:
    """To 1e-9 of every amount above 1e-12 mol/kg, in pH and in saturation index (or `si_within` in that)."""
    assert np.array_equal(one.converged, other.converged)
    for mine, theirs in ((one, other), (one.before_solids, other.before_solids)):
        good = mine.converged & theirs.converged
        assert np.allclose(mine.ph[good], theirs.ph[good], rtol=0.0, atol=1e-9)
        assert np.allclose(mine.molality[good], theirs.molality[good], rtol=1e-9, atol=1e-12)
        there = np.isfinite(theirs.saturation_index) & good[:, None]
        assert np.array_equal(np.isfinite(mine.saturation_index) & good[:, None], there)
        assert np.allclose(mine.saturation_index[there], theirs.saturation_index[there], rtol=0.0, atol=si_within)
        assert np.allclose(mine.totals_mol_per_kg[good], theirs.totals_mol_per_kg[good], rtol=1e-9, atol=1e-15)
        assert np.allclose(mine.water_activity[good], theirs.water_activity[good], rtol=1e-9)
    assert np.allclose(
        one.precipitated_mol_per_kg, other.precipitated_mol_per_kg, rtol=1e-8, atol=1e-10, equal_nan=True
    )


def poured(catalog: Catalog, constants: Constants, most_kg: float) -> tuple[Floats, Floats]:
    """Random mixtures of one to four soluble materials in a hard water, 0 to 40 degC."""
    rng = np.random.default_rng(20_261_128)
    materials = [m for m in catalog.materials() if m.content and m.dissolving == "complete"]
    totals = np.zeros((ROWS, len(constants.masters)))
    for row in totals:
        for i in rng.choice(len(materials), rng.integers(1, 5), replace=False):
            kg = most_kg * 10.0 ** rng.uniform(-2.5, 0.0)
            for species, moles in materials[i].species_mol_per_kg().items():
                if species != "H2O":
                    row[constants.master(species)] += moles * kg
    for name, moles in (("CO3-2", 2e-3), ("H+", 2.1e-3), ("Ca+2", 1e-3), ("Mg+2", 3e-4)):
        totals[:, constants.master(name)] += moles
    return totals, rng.uniform(0.0, 40.0, ROWS)


@pytest.mark.parametrize("air", [False, True])
@pytest.mark.parametrize("with_solids", [False, True])
def test_bucket(catalog: Catalog, reference: Callable[..., Solution], with_solids: bool, air: bool) -> None:
    """Pitzer's model, up to half a kilogram of each in a kilogram of water."""
    curves = salts(catalog)
    constants = stock_constants(tuple(salt.curve for salt in curves))
    names = dict.fromkeys((*BUCKET_PHASES, *STOCK_PHASES, *(salt.curve.name for salt in curves)))
    phases = tuple(name for name in names if name in constants.phases) if with_solids else ()
    totals, temperature_c = poured(catalog, constants, 0.5)
    more = {"co2_atm": np.full(ROWS, 4.2e-4)} if air else {}
    found = equilibrate(totals, temperature_c, phases, constants=constants, **more)
    agree(found, reference(totals, temperature_c, phases, constants=constants, **more))
    assert not with_solids or np.any(found.precipitated_mol_per_kg > 0.0)


@pytest.mark.parametrize("air", [False, True])
@pytest.mark.parametrize("phases", [(), LINE_PHASES])
def test_line(catalog: Catalog, reference: Callable[..., Solution], phases: tuple[str, ...], air: bool) -> None:
    """The dilute model."""
    totals, temperature_c = poured(catalog, load(), 0.005)
    more = {"co2_atm": np.full(ROWS, 4.2e-4)} if air else {}
    found = equilibrate(totals, temperature_c, phases, **more)
    agree(found, reference(totals, temperature_c, phases, **more))


def test_where_solids_take_nearly_all(reference: Callable[..., Solution], monkeypatch: pytest.MonkeyPatch) -> None:
    """Brushite and struvite out of strong diammonium phosphate and hard water: guessing what forms goes round in a
    circle there, and the interior point is asked; without the reference."""
    totals, temperature_c = np.zeros((ROWS, len(load().masters))), np.linspace(5.0, 40.0, ROWS)
    feed = np.linspace(0.02, 0.2, ROWS)
    for name, moles in (("NH4+", 2.0 * feed), ("PO4-3", feed), ("H+", feed + 2e-3)):
        totals[:, load().master(name)] = moles
    for name, share in (("Ca+2", 4e-3), ("Mg+2", 2e-3), ("CO3-2", 2e-3), ("Cl-", 8e-3), ("Na+", 1e-3)):
        totals[:, load().master(name)] = share * np.linspace(1.0, 0.1, ROWS)
    expected = reference(totals, temperature_c, LINE_PHASES)
    monkeypatch.setattr(speciate, "_reference", None)
    # The reference's interior point ends at 1e-9 in ln of the saturation; the compiled one guesses once more after it.
    agree(equilibrate(totals, temperature_c, LINE_PHASES), expected, si_within=3e-9)


@pytest.mark.parametrize("alkalinity", [False, True])
def test_water(catalog: Catalog, reference: Callable[..., Solution], alkalinity: bool) -> None:
    """A water of a stated pH, and of a stated alkalinity."""
    totals, temperature_c = poured(catalog, load(), 0.001)
    rng = np.random.default_rng(7)
    given = {"ph": rng.uniform(5.5, 9.0, ROWS)}
    if alkalinity:
        given["alkalinity_eq_per_kg"] = rng.uniform(1e-4, 8e-3, ROWS)
    agree(equilibrate(totals, temperature_c, **given), reference(totals, temperature_c, **given))


@pytest.mark.parametrize(("constants", "within"), [(load(), 0.0), (stock_constants(()), 1e-9)], ids=["line", "bucket"])
def test_a_row_does_not_depend_on_the_others(catalog: Catalog, constants: Constants, within: float) -> None:
    """The same alone, in a batch, and in another order: in the line to the last digit, in the bucket within the
    solver's tolerance, since what steers a row's last steps is what steers those beside it."""
    totals, temperature_c = poured(catalog, constants, 0.05)
    phases = tuple(name for name in LINE_PHASES if name in constants.phases)
    whole = equilibrate(totals, temperature_c, phases, constants=constants)
    order = np.random.default_rng(1).permutation(ROWS)
    turned = equilibrate(totals[order], temperature_c[order], phases, constants=constants)
    np.testing.assert_allclose(whole.molality[order], turned.molality, rtol=within, atol=0.0)
    for row in range(0, ROWS, 7):
        alone = equilibrate(totals[row : row + 1], temperature_c[row : row + 1], phases, constants=constants)
        np.testing.assert_allclose(alone.molality[0], whole.molality[row], rtol=within, atol=0.0)
        solids = alone.precipitated_mol_per_kg[0], whole.precipitated_mol_per_kg[row]
        np.testing.assert_allclose(*solids, rtol=within, atol=0.01 * within)


def test_what_is_no_solution_is_flagged(catalog: Catalog) -> None:
    """Totals that are negative or no number, beside sound ones."""
    totals, temperature_c = poured(catalog, load(), 0.001)
    totals[3, load().master("Ca+2")] = -1e-3
    totals[5, load().master("K+")] = np.nan
    found = equilibrate(totals, temperature_c, LINE_PHASES)
    assert not found.converged[3]
    assert not found.converged[5]
    assert np.all(np.delete(found.converged, [3, 5]))


def test_rows_that_are_the_same_become_the_same(catalog: Catalog) -> None:
    """To the last bit, those that are no solution too; and they start from where they are told to."""
    totals, temperature_c = poured(catalog, load(), 0.005)
    totals[3, load().master("Ca+2")] = -1e-3
    twice = np.arange(2 * ROWS) % ROWS
    plain = equilibrate(totals, temperature_c, LINE_PHASES)
    found = equilibrate(totals[twice], temperature_c[twice], LINE_PHASES)
    from_there = begin(
        totals[twice], temperature_c[twice], LINE_PHASES, Given(), start=plain.before_solids, start_at=twice
    )()
    for one in (found, from_there):
        for name in ("molality", "saturation_index", "precipitated_mol_per_kg", "converged"):
            np.testing.assert_array_equal(getattr(one, name)[:ROWS], getattr(one, name)[ROWS:])
    np.testing.assert_array_equal(found.molality[:ROWS], plain.molality)
    np.testing.assert_allclose(from_there.molality[:ROWS], plain.molality, rtol=1e-8, atol=1e-14)


@pytest.mark.parametrize("cores", [2, 3, 7])
def test_on_more_cores_it_is_the_same(catalog: Catalog, cores: int) -> None:
    """To the last bit, whichever thread takes which rows."""
    constants = stock_constants(())
    totals, temperature_c = poured(catalog, constants, 0.05)
    phases = tuple(name for name in BUCKET_PHASES if name in constants.phases)
    try:
        use_cores(1)
        alone = equilibrate(totals, temperature_c, phases, constants=constants)
        use_cores(cores)
        for _ in range(20):
            shared = equilibrate(totals, temperature_c, phases, constants=constants)
            np.testing.assert_array_equal(shared.molality, alone.molality)
            np.testing.assert_array_equal(shared.precipitated_mol_per_kg, alone.precipitated_mol_per_kg)
    finally:
        use_cores(0)


def test_what_was_begun_may_be_forgotten_or_asked_for_late(catalog: Catalog) -> None:
    """Begun ahead, several at a time: one is never asked for, the others in another order."""
    totals, temperature_c = poured(catalog, load(), 0.005)
    plain = equilibrate(totals, temperature_c, LINE_PHASES)
    for _ in range(20):
        begun = [begin(totals, temperature_c, LINE_PHASES, Given(), ahead=True) for _ in range(3)]
        del begun[1]
        for finish in reversed(begun):
            np.testing.assert_array_equal(finish().molality, plain.molality)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="there is no fork on this system")
@pytest.mark.filterwarnings("ignore:.*multi-threaded.*:DeprecationWarning")
def test_a_forked_child_has_threads_of_its_own(catalog: Catalog) -> None:
    """One that is begun before a fork is found on both sides of it, and both go on."""
    totals, temperature_c = poured(catalog, load(), 0.005)
    plain = equilibrate(totals, temperature_c, LINE_PHASES).molality
    try:
        use_cores(3)
        finish = begin(totals, temperature_c, LINE_PHASES, Given(), ahead=True)
        child = os.fork()
        same = np.array_equal(finish().molality, plain)
        same = same and np.array_equal(equilibrate(totals, temperature_c, LINE_PHASES).molality, plain)
        if child == 0:
            os._exit(0 if same else 1)
        assert same
        deadline = time.monotonic() + 60.0
        while (ended := os.waitpid(child, os.WNOHANG)) == (0, 0):
            if time.monotonic() > deadline:
                os.kill(child, signal.SIGKILL)
                pytest.fail("the child does not end")
            time.sleep(0.01)
        assert ended[1] == 0
    finally:
        use_cores(0)


@pytest.mark.parametrize("filled_up", [False, True])
def test_filling(monkeypatch: pytest.MonkeyPatch, filled_up: bool) -> None:
    """Water that fills a bucket, of every ion, acids and lyes, far beyond what dissolves, below and above the
    temperatures that there are data for."""
    rng = np.random.default_rng(8)
    masters = load().masters
    moles = rng.random((600, len(masters))) * (rng.random((600, len(masters))) < 0.25)
    moles *= 10.0 ** rng.uniform(-2.0, 2.5, (600, 1))
    moles[:, masters.index("H+")] = rng.normal(size=600) * rng.choice([0.0, 0.2, 10.0], 600)
    filling = Filling(moles, masters, rng.uniform(-5.0, 60.0, 600), rng.random(600), rng.choice([0.0, 0.7], 600))
    displaced_l = rng.random(600)

    def found() -> tuple[Floats, Floats]:
        return filling.up_to(18.9, displaced_l) if filled_up else filling.with_water(18.9)

    compiled_one = found()
    monkeypatch.setenv(compiled.REFERENCE_VARIABLE, "1")
    for mine, theirs in zip(compiled_one, found(), strict=True):
        np.testing.assert_allclose(mine, theirs, rtol=1e-12)


def test_the_reference_can_be_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """By a variable of the environment."""
    monkeypatch.setenv(compiled.REFERENCE_VARIABLE, "1")
    assert not compiled.available()


@pytest.mark.parametrize("air", [False, True])
def test_solids_down_to_an_index(catalog: Catalog, monkeypatch: pytest.MonkeyPatch, air: bool) -> None:
    """Each by itself, down to an index of its own; the others never."""
    constants = stock_constants(())
    phases = ("Hopeite", "Smithsonite", "Brushite", "Gypsum")
    totals, temperature_c = poured(catalog, constants, 0.02)
    totals[:, constants.master("Zn+2")] += 1e-4
    gas = {"co2_atm": np.full(ROWS, 4.2e-4)} if air else {}
    before = equilibrate(totals, temperature_c, constants=constants, **gas)
    down_to = np.full((ROWS, len(phases)), NEVER_SI)
    rows = np.arange(ROWS)
    down_to[rows, rows % len(phases)] = np.random.default_rng(2).uniform(-0.5, 0.5, ROWS)
    found = let_form(before, phases, down_to_si=down_to, **gas)
    monkeypatch.setenv(compiled.REFERENCE_VARIABLE, "1")
    asked = let_form(before, phases, down_to_si=down_to, **gas)
    assert np.array_equal(found.converged, asked.converged)
    assert np.allclose(found.precipitated_mol_per_kg, asked.precipitated_mol_per_kg, rtol=1e-7, atol=1e-10)
    assert np.allclose(found.ph, asked.ph, rtol=0.0, atol=1e-8, equal_nan=True)
    formed = np.count_nonzero(found.precipitated_mol_per_kg > 1e-9, axis=1)
    assert set(formed) == {0, 1}


def test_the_error_of_saturation_indices_is_that_of_the_reference(
    catalog: Catalog, monkeypatch: pytest.MonkeyPatch
) -> None:
    constants = stock_constants(tuple(salt.curve for salt in salts(catalog)))
    totals, temperature_c = poured(catalog, constants, 0.5)
    solution = equilibrate(totals, temperature_c, constants=constants)
    near = [name for name in constants.phases if np.any(solution.si(name) > -2.5)]
    there = np.array([np.isfinite(solution.si(name)) for name in near]).T
    mine = si_sigma(solution, near)
    monkeypatch.setenv(compiled.REFERENCE_VARIABLE, "1")
    theirs = np.concatenate([si_sigma(solution.rows(np.array([row])), near) for row in range(ROWS)])
    assert np.count_nonzero(there) > ROWS
    assert np.allclose(mine[there], theirs[there], rtol=1e-9, atol=1e-12)
