"""What holds for every strong stock, whatever was poured: conservation, equilibrium, common sense.

As test_properties.py for dilute solutions; no outside numbers are needed. All salts of the catalog and
all solids of the bucket may settle. Amounts of solids are per kg of the water that was there before,
molalities per kg of the water that is left when crystal water has gone into the solids.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import pytest
from hypothesis import Phase, assume, given, settings
from hypothesis import strategies as st

from pourcheck import Catalog, InputError, check
from pourcheck.catalog.label.composition import composition
from pourcheck.rules.ask.pour import Pour
from pourcheck.rules.ask.question import ask
from pourcheck.rules.ask.salts import Salt, salts, solid_of
from pourcheck.rules.case.case import Case, mg_per_mol
from pourcheck.rules.chemistry.phases import BUCKET_PHASES, STOCK_PHASES
from pourcheck.rules.chemistry.solution import Solution
from pourcheck.rules.chemistry.speciate import equilibrate
from pourcheck.rules.chemistry.stock import stock_constants

with Catalog.open("sqlite://") as _catalog:
    SALTS: dict[str, Salt] = {salt.curve.name: salt for salt in salts(_catalog)}
    PRODUCTS = _catalog.products()
CURVES = tuple(salt.curve for salt in SALTS.values())
STOCK = stock_constants(CURVES)
PHASES = tuple(name for name in dict.fromkeys((*BUCKET_PHASES, *STOCK_PHASES, *SALTS)) if name in STOCK.phases)
COLUMNS = [STOCK.phase(name) for name in PHASES]
NAMES = list(SALTS)
H, CARBONATE = STOCK.master("H+"), STOCK.master("CO3-2")
MASTER_CHARGE = STOCK.charge[: len(STOCK.masters)]
GRAMS = np.array([mg_per_mol(name, STOCK) / 1000.0 for name in PHASES])
WATER_KG_PER_MOL = 0.018015268  # IUPAC atomic weights

RELATIVE = 1e-9
#: Less of a solid than this is not told apart from nothing [mol/kg].
LEAST_MOL_PER_KG = 1e-6
#: Saturation index within which a solid counts as saturated. Species with less than 1e-6 mol/kg in all
#: solutions of a part are left out of each other's activity coefficients, and parts differ.
SATURATED_SI = 1e-6


def _ions(name: str) -> np.ndarray:
    row = np.zeros(len(STOCK.masters))
    for ion, count in SALTS[name].curve.ions:
        row[STOCK.master(ion)] = count
    return row


IONS = np.array([_ions(name) for name in NAMES])
#: A typical well: calcium 60, magnesium 15, sodium 23, chloride 28, sulfate 48 mg/L, alkalinity near 3 meq/L,
#: some silica [mol/kg]; made up for these tests.
WELL = {"Ca+2": 1.5e-3, "Mg+2": 6e-4, "Na+": 1e-3, "K+": 5e-5, "Cl-": 8e-4, "SO4-2": 5e-4, "CO3-2": 3.2e-3}
WELL_WATER = np.zeros(len(STOCK.masters))
for _ion, _amount in {**WELL, "H4SiO4": 2e-4}.items():
    WELL_WATER[STOCK.master(_ion)] = _amount
WELL_WATER[H] = -WELL_WATER @ MASTER_CHARGE

#: Salts of strong acids and bases.
STRONG_SALTS = (
    *("KNO3", "KCl", "K2SO4", "NaNO3", "NH4NO3", "(NH4)2SO4", "NH4Cl", "MgSO4.7H2O", "Mg(NO3)2.6H2O"),
    *("MgCl2.6H2O", "CaCl2.4H2O", "ZnSO4.7H2O", "MnSO4.5H2O", "CuSO4.5H2O"),
)


def _solubility(name: str, temperature_c: np.ndarray | float) -> np.ndarray:
    """Handbook solubility [mol/kg]."""
    celsius, molality = zip(*SALTS[name].curve.points, strict=True)
    return np.interp(temperature_c, celsius, molality)


def _totals(*pours: dict[str, float], water: np.ndarray | None = None) -> np.ndarray:
    """(B, N) totals of pours, each {salt: mol/kg}."""
    amounts = np.array([[pour.get(name, 0.0) for name in NAMES] for pour in pours])
    return amounts @ IONS + (0.0 if water is None else water)


def _solve(totals: np.ndarray, temperature_c: Any, **more: Any) -> Solution:
    return equilibrate(
        totals, np.broadcast_to(np.asarray(temperature_c, dtype=float), len(totals)), PHASES, constants=STOCK, **more
    )


def _water_left(solution: Solution) -> np.ndarray:
    """kg of water that is not in crystals, per kg that was there before."""
    return 1.0 - WATER_KG_PER_MOL * (solution.precipitated_mol_per_kg @ STOCK.phase_water)


class Batch(NamedTuple):
    """Pours of the same salts in typical well water."""

    names: list[str]
    solution: Solution

    @property
    def good(self) -> Solution:
        """The rows that converged."""
        return self.solution.rows(np.flatnonzero(self.solution.converged))


SETS, ROWS = 80, 128
POURS = SETS * ROWS


@pytest.fixture(scope="module")
def random_pours() -> list[Batch]:
    """10,240 pours of 1 to 5 salts, 1e-4 to 1.2 times the solubility of each, in well water, 2 to 40 degC."""
    random = np.random.default_rng(1)
    batches = []
    for _ in range(SETS):
        chosen = random.choice(len(NAMES), random.integers(1, 6), replace=False)
        temperature = random.uniform(2.0, 40.0, ROWS)
        most = np.array([_solubility(NAMES[i], temperature) for i in chosen]).T
        amounts = most * 10.0 ** random.uniform(-4.0, np.log10(1.2), most.shape)
        batches.append(
            Batch([NAMES[i] for i in chosen], _solve(amounts @ IONS[chosen] + WELL_WATER, temperature)),
        )
    return batches


# --- what the random pours are ---------------------------------------------------------------------


def test_every_salt_of_the_catalog_and_every_solid_is_a_phase():
    """No curve of the catalog and no solid of the bucket is left out, and every salt is neutral."""
    assert len(SALTS) > 25
    assert set(PHASES) == {*BUCKET_PHASES, *STOCK_PHASES, *SALTS}
    assert np.all(np.abs(IONS @ MASTER_CHARGE) < 1e-12)


def test_random_pours_cover_weak_and_strong_stocks_and_every_salt(random_pours):
    """The pours reach 0.01 and 15 mol/kg of ionic strength, bind 40 % of the water, and let every salt settle."""
    strength = np.concatenate([batch.good.before_solids.ionic_strength for batch in random_pours])
    assert np.nanmin(strength) < 0.01
    assert np.nanmax(strength) > 15.0
    assert min(np.min(_water_left(batch.good)) for batch in random_pours) < 0.6
    settled = {
        name for batch in random_pours for name in SALTS if np.any(batch.good.precipitated(name) > LEAST_MOL_PER_KG)
    }
    assert settled == set(SALTS)


def test_random_pours_converge_or_say_so(random_pours):
    """At least 99 of 100 random stocks converge; the others are flagged."""
    flagged = {tuple(b.names): int(np.sum(~b.solution.converged)) for b in random_pours}
    lost = sum(flagged.values())
    print(f"{POURS - lost} of {POURS} converged, {1.0 - lost / POURS:.3%}")
    print(*(f"  {count} lost of {', '.join(names)}" for names, count in flagged.items() if count), sep="\n")
    assert lost <= 0.01 * POURS


# --- conservation ----------------------------------------------------------------------------------


def _off_balance(solution: Solution) -> np.ndarray:
    """(B,) largest difference between what was poured and what is found, relative to what was poured."""
    left, solids = _water_left(solution), solution.precipitated_mol_per_kg
    found = (solution.molality @ STOCK.stoich) * left[:, None] + solids @ STOCK.phase_stoich
    scale = np.abs(solution.totals_mol_per_kg)
    # Protons are gained and lost; both sides are much larger than their difference.
    scale[:, H] = (solution.molality @ np.abs(STOCK.stoich[:, H])) * left + solids @ np.abs(STOCK.phase_stoich[:, H])
    return np.max(np.abs(found - solution.totals_mol_per_kg) / (scale + 1e-9), axis=1, initial=0.0)


def test_converged_means_that_the_balances_hold(random_pours):
    """Species in the water that is left, and solids, add up to what was poured, to 1e-9 of it."""
    wrong = {
        tuple(batch.names): float(np.max(off))
        for batch in random_pours
        if np.any((off := _off_balance(batch.good)) > RELATIVE)
    }
    assert wrong == {}


def test_converged_means_that_the_balances_hold_far_beyond_saturation():
    """The same where crystals take all but the last of the water: solved, or flagged."""
    random = np.random.default_rng(7)
    wrong = {}
    for _ in range(10):
        chosen = random.choice(len(NAMES), random.integers(1, 6), replace=False)
        temperature = random.uniform(2.0, 40.0, 64)
        most = np.array([_solubility(NAMES[i], temperature) for i in chosen]).T
        amounts = most * 10.0 ** random.uniform(-4.0, np.log10(5.0), most.shape)
        solution = _solve(amounts @ IONS[chosen] + WELL_WATER, temperature)
        off = _off_balance(solution)[solution.converged]
        if np.any(off > RELATIVE):
            wrong[tuple(NAMES[i] for i in chosen)] = float(np.max(off))
    assert wrong == {}


def test_charge_of_species_is_the_charge_of_the_totals(random_pours):
    """The species of a neutral pour carry no net charge, to 1e-9 of all charge."""
    for batch in random_pours:
        molality = batch.good.molality
        assert np.all(np.abs(molality @ STOCK.charge) <= RELATIVE * (molality @ np.abs(STOCK.charge)))


def test_no_more_comes_out_than_went_in(random_pours):
    """What is left dissolved of every master is not negative, the proton balance excepted; nor is water."""
    others = np.arange(len(STOCK.masters)) != H
    for batch in random_pours:
        assert np.all(batch.good.dissolved_mol_per_kg[:, others] >= -RELATIVE * LEAST_MOL_PER_KG)
        assert np.all(_water_left(batch.good) > 0.0)
        assert np.all(batch.good.water_activity > 0.0)
        assert np.all(batch.good.water_activity <= 1.0)


# --- equilibrium -----------------------------------------------------------------------------------


def test_solids_are_at_equilibrium(random_pours):
    """No solid stays supersaturated, none has a negative amount, and one that is there is saturated."""
    worst_over = worst_off = 0.0
    for batch in random_pours:
        si, amount = batch.good.saturation_index[:, COLUMNS], batch.good.precipitated_mol_per_kg[:, COLUMNS]
        assert np.all(amount >= 0.0)
        worst_over = max(worst_over, float(np.max(si)))
        worst_off = max(worst_off, float(np.max(np.abs(si[amount > LEAST_MOL_PER_KG]), initial=0.0)))
    print(f"saturation index at most {worst_over:.1e}; of a solid that is there off by at most {worst_off:.1e}")
    assert worst_over <= SATURATED_SI
    assert worst_off <= SATURATED_SI


def test_solids_that_may_not_form_do_not(random_pours):
    """Nothing but the phases that were asked for comes out."""
    others = np.setdiff1d(np.arange(len(STOCK.phases)), COLUMNS)
    assert len(others) > 0
    for batch in random_pours:
        assert np.all(batch.good.precipitated_mol_per_kg[:, others] == 0.0)


FACTORS = np.array([1.05, 1.2, 1.6, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0])


@pytest.mark.parametrize("temperature_c", [5.0, 20.0, 35.0])
@pytest.mark.parametrize("name", NAMES)
def test_more_than_dissolves_settles_or_is_flagged(name, temperature_c):
    """From 1.05 to 10 times its solubility in pure water, a salt leaves something on the bottom."""
    celsius = [point[0] for point in SALTS[name].curve.points]
    if not celsius[0] <= temperature_c <= celsius[-1]:
        temperature_c = celsius[-1]  # no claim outside the handbook's curve
    totals = _totals(*({name: factor * _solubility(name, temperature_c)} for factor in FACTORS))
    solution = _solve(totals, temperature_c)
    clear = solution.converged & (np.max(solution.precipitated_mol_per_kg, axis=1) < LEAST_MOL_PER_KG)
    assert FACTORS[clear].tolist() == []


@pytest.mark.parametrize("name", [name for name in NAMES if name not in {"Na2B8O13.4H2O", "Ca(NO3)2.2H2O"}])
def test_what_is_given_to_a_saturated_solution_stays_on_the_bottom(name):
    """A saturated stock that is given the solid itself, crystal water and all, stays as it is."""
    temperature_c = SALTS[name].curve.points[0][0] + 10.0
    solid, given_mol = STOCK.phase(name), 0.05 * float(_solubility(name, temperature_c))
    before = _totals({name: 1.1 * float(_solubility(name, temperature_c))})
    water_kg = 1.0 + given_mol * STOCK.phase_water[solid] * WATER_KG_PER_MOL
    after = (before + given_mol * IONS[NAMES.index(name)]) / water_kg
    only = equilibrate(np.vstack([before, after]), np.full(2, temperature_c), (name,), constants=STOCK)
    assert np.all(only.converged)
    first, second = only.precipitated(name) * np.array([1.0, water_kg])
    assert first > LEAST_MOL_PER_KG
    assert given_mol == pytest.approx(second - first, rel=1e-6)


# --- dilution --------------------------------------------------------------------------------------

THINNING = np.geomspace(1.0, 50.0, 12)


def _thinned(pour: dict[str, float], temperature_c: float) -> tuple[np.ndarray, Solution]:
    """(B,) grams of solids per kg of the first water, and the solutions, as pure water is added."""
    solution = _solve(_totals(pour) / THINNING[:, None], temperature_c)
    grams = (solution.precipitated_mol_per_kg[:, COLUMNS] * np.where(_there(solution), 1.0, 0.0)) @ GRAMS
    return grams * THINNING, solution


def _there(solution: Solution) -> np.ndarray:
    return solution.precipitated_mol_per_kg[:, COLUMNS] > LEAST_MOL_PER_KG


def _assert_water_only_dissolves(pour: dict[str, float], temperature_c: float) -> None:
    grams, solution = _thinned(pour, temperature_c)
    grams = grams[solution.converged]
    assert len(grams) >= len(THINNING) - 2
    assert np.all(np.diff(grams) <= 1e-6 + 1e-6 * grams[:-1]), f"{pour} {temperature_c}: {grams}"


@pytest.mark.parametrize("name", NAMES)
def test_pure_water_only_dissolves_a_salt(name):
    """A single salt: the mass on the bottom falls as water is added, and none comes out of a clear stock."""
    for temperature_c in (5.0, 25.0):
        if temperature_c > SALTS[name].curve.points[-1][0]:
            continue
        for share in (1.15, 0.9, 0.3):
            _assert_water_only_dissolves({name: share * float(_solubility(name, temperature_c))}, temperature_c)


#: Not shrunk: a failing pour is short already, and shrinking it takes minutes.
EXAMPLES = settings(max_examples=25, deadline=None, derandomize=True, phases=[Phase.explicit, Phase.generate])
temperatures = st.floats(2.0, 40.0)
shares = st.floats(-4.0, np.log10(1.2)).map(lambda x: 10.0**x)
pours_of_strong_salts = st.dictionaries(st.sampled_from(STRONG_SALTS), st.floats(0.01, 0.6), min_size=2, max_size=3)
pours_of_any_salts = st.dictionaries(st.sampled_from(NAMES), shares, min_size=1, max_size=4)


def _amounts(pour_shares: dict[str, float], temperature_c: float) -> dict[str, float]:
    """A pour [mol/kg] from shares of each salt's solubility."""
    return {name: share * float(_solubility(name, temperature_c)) for name, share in pour_shares.items()}


@EXAMPLES
@given(pours_of_strong_salts, st.floats(2.0, 28.0))
def test_pure_water_only_dissolves_a_mixture_of_strong_salts(pour_shares, temperature):
    """Salts of strong acids and bases: the mass on the bottom falls as water is added, none comes out anew."""
    _assert_water_only_dissolves(_amounts(pour_shares, temperature), temperature)


# --- the same question asked in another way ---------------------------------------------------------


def _assert_same(expected: Solution, i: int, actual: Solution, k: int) -> None:
    """Row i of one result and row k of another agree to 1e-5, far below what any constant is known to.

    Not to the last digit: see SATURATED_SI, and a stock without a buffer hangs on it.
    """
    assert expected.converged[i] == actual.converged[k]
    if not expected.converged[i]:
        return
    assert expected.ph[i] == pytest.approx(actual.ph[k], abs=1e-5)
    assert expected.water_activity[i] == pytest.approx(actual.water_activity[k], rel=1e-6)
    assert expected.ionic_strength[i] == pytest.approx(actual.ionic_strength[k], rel=1e-6)
    np.testing.assert_allclose(
        actual.precipitated_mol_per_kg[k], expected.precipitated_mol_per_kg[i], rtol=1e-5, atol=1e-7
    )


@EXAMPLES
@given(st.lists(st.tuples(pours_of_any_salts, temperatures), min_size=2, max_size=4), st.randoms())
def test_a_batch_gives_what_each_pour_gives_alone_in_any_order(batch, random):
    """A stock's result depends neither on the others in its batch nor on their order."""
    totals = _totals(*(_amounts(pour, t) for pour, t in batch), water=WELL_WATER)
    temperature = np.array([t for _, t in batch])
    order = list(range(len(batch)))
    random.shuffle(order)
    together = _solve(totals[order], temperature[order])
    for place, i in enumerate(order):
        _assert_same(_solve(totals[i : i + 1], temperature[i : i + 1]), 0, together, place)


@EXAMPLES
@given(pours_of_any_salts, temperatures, st.randoms())
def test_order_of_salts_and_of_solids_does_not_matter(pour_shares, temperature, random):
    """The ions of a pour added one by one in any order, with the solids listed in any order, give the same."""
    pour = _amounts(pour_shares, temperature)
    straight = _solve(_totals(pour, water=WELL_WATER), temperature)
    parts = [(ion, count * amount) for name, amount in pour.items() for ion, count in SALTS[name].curve.ions]
    parts += [(ion, amount) for ion, amount in zip(STOCK.masters, WELL_WATER, strict=True) if amount]
    phases = list(PHASES)
    random.shuffle(parts)
    random.shuffle(phases)
    totals = np.zeros((1, len(STOCK.masters)))
    for ion, amount in parts:
        totals[0, STOCK.master(ion)] += amount
    shuffled = equilibrate(totals, np.array([temperature]), phases, constants=STOCK)
    _assert_same(straight, 0, shuffled, 0)


def test_order_of_curves_does_not_matter():
    """The stock's constants made from the curves in reverse give the same solids from the same pour."""
    pour = {"KCl": 2.0, "MgSO4.7H2O": 1.5, "NH4NO3": 3.0}
    totals = _totals(pour, water=WELL_WATER)
    reverse = stock_constants(tuple(reversed(CURVES)))
    there = equilibrate(totals, np.array([12.0]), PHASES, constants=reverse)
    here = _solve(totals, 12.0)
    assert np.any(_there(here))
    for name in PHASES:
        assert here.precipitated(name)[0] == pytest.approx(there.precipitated(name)[0], rel=1e-6, abs=1e-9)


# --- monotony --------------------------------------------------------------------------------------

RISING = [
    name
    for name, salt in SALTS.items()
    if len(salt.curve.points) > 1 and np.all(np.diff([molality for _, molality in salt.curve.points]) > 0.0)
]


@pytest.mark.parametrize("name", RISING)
def test_warming_never_lowers_the_solubility_of_a_salt_whose_curve_rises(name):
    """Degree by degree from the first to the last point of its curve, the saturated stock holds more."""
    first, *_, last = (celsius for celsius, _ in SALTS[name].curve.points)
    celsius = np.arange(first, min(last, 40.0) + 0.5)
    totals = np.array([1.1 * float(_solubility(name, t)) * _ions(name) for t in celsius])
    solution = equilibrate(totals, celsius, (name,), constants=STOCK)
    assert np.all(solution.converged)
    assert np.all(solution.precipitated(name) > 0.0), "more than the handbook's solubility stays dissolved"
    ion = STOCK.master(next(ion for ion, _ in SALTS[name].curve.ions if ion != "H+"))
    held = solution.dissolved_mol_per_kg[:, ion] / _water_left(solution)
    assert np.all(np.diff(held) > 0.0)


@EXAMPLES
@given(st.sampled_from(STRONG_SALTS), pours_of_strong_salts, st.floats(2.0, 28.0))
def test_more_of_a_salt_never_lowers_its_own_index(name, beside, temperature):
    """Before anything settles, a stock that is given more of a salt is nearer to its saturation."""
    pour = _amounts(beside, temperature)
    ladder = np.geomspace(0.01, 1.0, 8) * float(_solubility(name, temperature))
    totals = _totals(*(pour | {name: amount} for amount in ladder))
    before = equilibrate(totals, np.full(len(ladder), temperature), constants=STOCK)
    assert np.all(before.converged)
    assert np.all(np.diff(before.si(name)) > 0.0)


@EXAMPLES
@given(st.sampled_from(["KNO3", "KCl", "K2SO4", "NaNO3", "NH4Cl", "(NH4)2SO4"]), pours_of_strong_salts, temperatures)
def test_more_of_a_salt_on_the_bottom_never_makes_less_of_it(name, beside, temperature):
    """Where only one salt may settle, more of it never leaves less of it on the bottom."""
    pour = _amounts(beside, temperature)
    ladder = np.linspace(0.2, 1.3, 8) * float(_solubility(name, temperature))
    totals = _totals(*(pour | {name: amount} for amount in ladder))
    solution = equilibrate(totals, np.full(len(ladder), temperature), (name,), constants=STOCK)
    amount = solution.precipitated(name)[solution.converged]
    assert len(amount) >= len(ladder) // 2
    assert np.all(np.diff(amount) >= -RELATIVE)


# --- open to the air -------------------------------------------------------------------------------

PRESSURES = np.geomspace(1e-5, 1e-1, 6)


@EXAMPLES
@given(pours_of_any_salts, temperatures)
def test_in_air_the_gas_is_at_equilibrium_and_more_of_it_lowers_the_ph(pour_shares, temperature):
    """Open to carbon dioxide its index is log10 of the pressure, with solids or without; pH falls with it."""
    totals = np.repeat(_totals(_amounts(pour_shares, temperature), water=WELL_WATER), len(PRESSURES), axis=0)
    celsius = np.full(len(PRESSURES), temperature)
    for phases in ((), PHASES):
        solution = equilibrate(totals, celsius, phases, constants=STOCK, co2_atm=PRESSURES)
        good = solution.converged
        if not phases:
            assume(np.all(good))  # what the model flags as beyond it
        off = solution.si("CO2(g)") - np.log10(PRESSURES)
        assert np.all(np.abs(off[good]) <= SATURATED_SI)
        if not phases:
            # Where the stock is acid, carbonic acid gives no protons and only moves the activities a little.
            assert np.all(np.diff(solution.ph) < np.where(solution.ph[:-1] > 5.0, 0.0, 1e-4))


@EXAMPLES
@given(pours_of_any_salts, temperatures)
def test_carbonic_acid_lowers_the_ph_of_a_closed_stock(pour_shares, temperature):
    """CO2 that is added to a closed stock, nothing settling, lowers its pH, where it is not as acid as that already
    (below pH 4 carbonic acid gives no proton off, and only changes the medium)."""
    totals = np.repeat(_totals(_amounts(pour_shares, temperature), water=WELL_WATER), 4, axis=0)
    added = np.array([0.0, 1e-4, 1e-3, 1e-2])
    totals[:, CARBONATE] += added
    totals[:, H] += 2.0 * added
    solution = equilibrate(totals, np.full(4, temperature), constants=STOCK)
    assume(np.all(solution.converged))  # what the model flags as beyond it
    assume(solution.ph[0] > 4.0)
    assert np.all(np.diff(solution.ph) < 0.0)


def test_a_stock_that_has_settled_with_the_air_stays_as_it_is_when_closed():
    """The totals that come out of an open stock give the same pH in a closed one."""
    totals = _totals({"K2CO3.1.5H2O": 0.5, "KNO3": 1.0}, {"KH2PO4": 0.5}, {"NH4NO3": 5.0}, water=WELL_WATER)
    temperature = np.full(3, 20.0)
    opened = equilibrate(totals, temperature, constants=STOCK, co2_atm=np.full(3, 4.2e-4))
    closed = equilibrate(opened.totals_mol_per_kg, temperature, constants=STOCK)
    assert np.all(np.abs(opened.ph - equilibrate(totals, temperature, constants=STOCK).ph) > 1e-3)
    np.testing.assert_allclose(closed.ph, opened.ph, rtol=0.0, atol=1e-6)


# --- through the whole program ---------------------------------------------------------------------

#: The well of WELL as a water test, with what no test leaves out.
WATER_TEST = {
    "calcium": "60 mg/L",
    "magnesium": "15 mg/L",
    "sodium": "23 mg/L",
    "chloride": "28 mg/L",
    "sulfate": "48 mg/L",
    "alkalinity": "150 mg/L CaCO3",
    "ph": 7.4,
    "iron": "0.02 mg/L",
    "manganese": "0.01 mg/L",
    "silica": "10 mg/L",
    "temperature": "15 degC",
}
WATER_KG = 10.0


def _pour(*products: tuple[str, float], temperature_c: float = 15.0) -> dict[str, Any]:
    """A pour of products [kg] into 10 L of water."""
    return {
        "product": [{"name": name, "amount": f"{kg:.5g} kg"} for name, kg in products],
        "bucket": {"water": f"{WATER_KG:g} L", "temperature": f"{temperature_c:g} degC"},
        "injection": {"ratio": "1:100", "line_temperature": "15 degC"},
        "water": WATER_TEST,
    }


def _bucket(pour: dict[str, Any], catalog: Catalog) -> Solution:
    question = ask(Pour.parse(pour), catalog)
    return Case(question, question.columns(1)).bucket


#: Far beyond what dissolves [kg into 10 L].
FAR_BEYOND = [
    [("potassium carbonate", 20.0), ("monopotassium phosphate", 3.0), ("copper sulfate", 3.0)],
    [("potassium carbonate", 10.0), ("diammonium phosphate", 8.0), ("zinc sulfate", 4.0)],
    [("ammonium nitrate", 20.0), ("diammonium phosphate", 10.0)],
    [("ammonium chloride", 12.0)],
    [("potassium bicarbonate", 10.0)],
    [("ammonium bicarbonate", 8.0)],
]


def test_a_stock_that_is_not_solved_is_never_cleared(catalog):
    """Far beyond solubility the chemistry is not always solved: the answer is then stop or unknown, and says so."""
    lost = []
    for products in FAR_BEYOND:
        pour = _pour(*products)
        verdict = check(pour, catalog, depth="numbers")
        assert verdict.verdict in {"unknown", "stop"}, products
        if not np.all(_bucket(pour, catalog).converged):
            lost.append(products)
            assert "not-computed" in {finding.rule for finding in verdict.findings if finding.level == "unknown"}
    print(f"{len(lost)} of {len(FAR_BEYOND)} not solved")
    assert lost, "all are solved by now: find others"


def _kg_for(product: Any, catalog: Catalog, times: float, temperature_c: float) -> float | None:
    """kg of a pure salt into WATER_KG that make this many times its solubility, its crystal water counted;
    None where the crystal water alone dissolves it."""
    salt = SALTS[solid_of(product)]
    held = composition(product, catalog.product).mixtures[0].species_mol_per_kg
    ion, count = next(pair for pair in salt.curve.ions if pair[0] != "H+")
    molality = times * float(_solubility(salt.curve.name, temperature_c))
    left = held[ion] / count - molality * held.get("H2O", 0.0) * WATER_KG_PER_MOL
    return molality * WATER_KG / left if left > 0.0 else None


PURE_SALTS = sorted(
    product.name
    for product in PRODUCTS
    if (solid_of(product) in SALTS and product.content[0].mass_fraction.value > 0.9)
)


#: Salts with so much crystal water that no bucket has room for more than dissolves.
NO_ROOM = {"calcium nitrate tetrahydrate", "magnesium chloride"}


@pytest.mark.parametrize("name", PURE_SALTS)
def test_far_more_than_dissolves_is_never_cleared(catalog, name):
    """1.1 to 8 times the solubility of a single salt, where the bucket has room: never clear, never caution."""
    product, temperature_c = catalog.product(name), 15.0
    answers = {}
    for times in (1.1, 1.5, 3.0, 5.0, 8.0):
        kg = _kg_for(product, catalog, times, temperature_c)
        if kg is None:
            continue
        try:
            verdict = check(_pour((name, kg), temperature_c=temperature_c), catalog, depth="numbers")
        except InputError:
            continue  # does not fit in
        answers[times] = verdict.verdict
    assert bool(answers) != (name in NO_ROOM)
    assert {times: answer for times, answer in answers.items() if answer not in {"stop", "unknown"}} == {}


@pytest.mark.parametrize(
    "products",
    [
        [("potassium chloride", 2.0), ("magnesium sulfate", 3.0), ("ammonium nitrate", 2.0)],
        [("calcium nitrate", 1.0), ("potassium nitrate", 1.0)],
        [("ammonium sulfate", 2.0), ("potassium chloride", 1.5), ("urea", 2.0)],
    ],
    ids=lambda value: " + ".join(name for name, _ in value),
)
def test_order_of_products_does_not_matter(catalog, products):
    """The products of a pour listed in reverse: same verdict, same findings, same numbers."""
    one, other = (check(_pour(*order), catalog, depth="numbers") for order in (products, products[::-1]))
    assert one.verdict == other.verdict
    levels = [{(f.rule, f.level) for f in verdict.findings} for verdict in (one, other)]
    assert levels[0] == levels[1]
    assert one.bucket is not None
    assert other.bucket is not None
    assert one.bucket.ph == pytest.approx(other.bucket.ph, abs=1e-3)
