"""What holds for every solution, whatever was poured: conservation, equilibrium, common sense.

No outside numbers are needed here: the facts are conservation of mass and charge, the definition of
equilibrium (a solid that is present is saturated, one that is absent is not supersaturated), and
that a result does not depend on what else is computed beside it.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from pourcheck.rules.chemistry.constants import load
from pourcheck.rules.chemistry.phases import BUCKET_PHASES
from pourcheck.rules.chemistry.solution import Solution
from pourcheck.rules.chemistry.speciate import equilibrate

CONSTANTS = load()
H = CONSTANTS.master("H+")
RELATIVE = 1e-9
#: Unit of the smallest pour, below which an amount is not told apart from nothing [mol/kg].
LEAST_MOL_PER_KG = 1e-6

#: What pours are made of, as master species per mole; H+ is the proton balance against them. Every
#: one is neutral. Salts, acids, bases, trace metals, chelates, and every master of the model.
MATERIALS = {
    "KNO3": {"K+": 1, "NO3-": 1},
    "NH4NO3": {"NH4+": 1, "NO3-": 1},
    "(NH4)2SO4": {"NH4+": 2, "SO4-2": 1},
    "K2SO4": {"K+": 2, "SO4-2": 1},
    "KCl": {"K+": 1, "Cl-": 1},
    "NaCl": {"Na+": 1, "Cl-": 1},
    "Ca(NO3)2": {"Ca+2": 1, "NO3-": 2},
    "CaCl2": {"Ca+2": 1, "Cl-": 2},
    "MgSO4": {"Mg+2": 1, "SO4-2": 1},
    "Mg(NO3)2": {"Mg+2": 1, "NO3-": 2},
    "NH4H2PO4": {"NH4+": 1, "PO4-3": 1, "H+": 2},
    "(NH4)2HPO4": {"NH4+": 2, "PO4-3": 1, "H+": 1},
    "KH2PO4": {"K+": 1, "PO4-3": 1, "H+": 2},
    "K2HPO4": {"K+": 2, "PO4-3": 1, "H+": 1},
    "H3PO4": {"PO4-3": 1, "H+": 3},
    "H2SO4": {"SO4-2": 1, "H+": 2},
    "HNO3": {"NO3-": 1, "H+": 1},
    "KOH": {"K+": 1, "H+": -1},
    "NH3": {"NH4+": 1, "H+": -1},
    "K2CO3": {"K+": 2, "CO3-2": 1},
    "NaHCO3": {"Na+": 1, "CO3-2": 1, "H+": 1},
    "CO2": {"CO3-2": 1, "H+": 2},
    "FeSO4": {"Fe+2": 1, "SO4-2": 1},
    "FeCl3": {"Fe+3": 1, "Cl-": 3},
    "MnSO4": {"Mn+2": 1, "SO4-2": 1},
    "ZnSO4": {"Zn+2": 1, "SO4-2": 1},
    "CuSO4": {"Cu+2": 1, "SO4-2": 1},
    "H3BO3": {"H3BO3": 1},
    "Na2B4O7": {"Na+": 2, "H3BO3": 4, "H+": -2},
    "NaF": {"Na+": 1, "F-": 1},
    "H4SiO4": {"H4SiO4": 1},
    "K2H2EDTA": {"K+": 2, "H+": 2, "Edta-4": 1},
    "ZnNa2EDTA": {"Zn+2": 1, "Na+": 2, "Edta-4": 1},
    "FeNaEDTA": {"Fe+3": 1, "Na+": 1, "Edta-4": 1},
    "FeNa2DTPA": {"Na+": 2, "FeDtpa-2": 1},
    "FeNaEDDHA": {"Na+": 1, "FeEddha-": 1},
    "urea": {"urea": 1},
    "K2S2O3": {"K+": 2, "S2O3-2": 1},
    "Na2MoO4": {"Na+": 2, "MoO4-2": 1},
    "CH3COOK": {"K+": 1, "CH3COO-": 1},
    "NaOCl": {"Na+": 1, "OCl-": 1},
    "K4P2O7": {"K+": 4, "P2O7-4": 1},
}
NAMES = list(MATERIALS)
#: What a grower has at hand; most pours are one or two of these.
COMMON = [
    "KNO3", "NH4NO3", "(NH4)2SO4", "K2SO4", "KCl", "Ca(NO3)2", "MgSO4", "NH4H2PO4", "(NH4)2HPO4",
    "KH2PO4", "K2HPO4", "H3PO4", "NaHCO3", "K2CO3", "FeSO4", "MnSO4", "ZnSO4", "CuSO4", "urea",
]  # fmt: skip
IONS = np.array([[parts.get(m, 0.0) for m in CONSTANTS.masters] for parts in MATERIALS.values()])
MASTER_CHARGE = CONSTANTS.charge[: len(CONSTANTS.masters)]


def _totals(*pours: dict[str, float]) -> np.ndarray:
    """(B, N) totals of pours, each {material: mol/kg}."""
    amounts = np.array([[pour.get(name, 0.0) for name in NAMES] for pour in pours])
    return amounts @ IONS


def _in_batches(totals: np.ndarray, temperature_c: np.ndarray, size: int = 500) -> list[Solution]:
    starts = range(0, len(totals), size)
    return [equilibrate(totals[i : i + size], temperature_c[i : i + size], BUCKET_PHASES) for i in starts]


POURS = 10_000


@pytest.fixture(scope="module")
def random_pours() -> list[Solution]:
    """10,000 pours of 1 to about 15 of the materials, 1e-6 to 2 mol/kg of each, 2 to 40 degC."""
    random = np.random.default_rng(3)
    present = random.random((POURS, len(NAMES))) < random.uniform(0.02, 0.35, (POURS, 1))
    amounts = 10.0 ** random.uniform(-6.0, np.log10(2.0), present.shape) * present
    return _in_batches(amounts @ IONS, random.uniform(2.0, 40.0, POURS))


def test_materials_are_neutral_and_use_every_master():
    """The pours of this file carry no net charge and reach every master species of the model."""
    assert np.all(IONS @ MASTER_CHARGE == 0.0)
    assert np.all(np.any(IONS != 0.0, axis=0))


def test_random_pours_cover_strong_and_partial_solutions(random_pours):
    """The random pours reach an ionic strength above 6 mol/kg, pH 0 to 14, and make every solid."""
    strength = np.concatenate([s.before_solids.ionic_strength for s in random_pours])
    ph = np.concatenate([s.ph for s in random_pours])
    assert np.nanmin(strength) < 1e-3
    assert np.nanmax(strength) > 6.0
    assert np.nanmin(ph) < 0.5
    assert np.nanmax(ph) > 13.5
    for phase in BUCKET_PHASES:
        assert sum(np.sum(s.precipitated(phase) > LEAST_MOL_PER_KG) for s in random_pours) > 50


def test_pours_converge_or_say_so(random_pours):
    """At most one random pour in a thousand is flagged as not converged."""
    flagged = sum(int(np.sum(~s.converged)) for s in random_pours)
    print(f"{flagged} of {POURS} flagged")
    assert flagged <= POURS // 1000


def test_pairs_of_common_materials_converge_or_say_so():
    """Of all pairs of common materials in pure water, at most one in a thousand is flagged."""
    amounts = [0.003, 0.03, 0.3, 1.0]  # mol/kg
    flagged, count = {}, 0
    for first, second in itertools.combinations(COMMON, 2):
        totals = _totals(*({first: a, second: b} for a in amounts for b in amounts))
        lost = ~equilibrate(totals, np.full(len(totals), 20.0), BUCKET_PHASES).converged
        count += len(lost)
        if np.any(lost):
            flagged[f"{first} + {second}"] = int(np.sum(lost))
    assert sum(flagged.values()) <= count / 1000, f"of {count}: {flagged}"


def test_converged_means_that_the_balances_hold(random_pours):
    """Species and solids add up to what was poured, to 1e-9 of it, in every row not flagged."""
    for solution in random_pours:
        good = solution.converged
        totals = solution.totals_mol_per_kg[good]
        found = solution.molality[good] @ CONSTANTS.stoich
        found += solution.precipitated_mol_per_kg[good] @ CONSTANTS.phase_stoich
        # Protons are gained and lost; both sides are much larger than their difference.
        scale = np.abs(totals)
        scale[:, H] = solution.molality[good] @ np.abs(CONSTANTS.stoich[:, H]) + np.abs(
            solution.precipitated_mol_per_kg[good] @ np.abs(CONSTANTS.phase_stoich[:, H])
        )
        assert np.all(np.abs(found - totals) <= RELATIVE * scale + 1e-18)


def test_charge_of_species_is_the_charge_of_the_totals(random_pours):
    """The species of a neutral pour carry no net charge, to 1e-9 of all charge."""
    for solution in random_pours:
        molality = solution.molality[solution.converged]
        net = molality @ CONSTANTS.charge
        assert np.all(np.abs(net) <= RELATIVE * (molality @ np.abs(CONSTANTS.charge)))


@pytest.mark.parametrize(("charge", "ion", "amount"), [(-0.002, "Cl-", 0.002), (0.003, "K+", 0.003)])
def test_charge_of_unbalanced_totals_is_kept(charge, ion, amount):
    """Totals that carry a charge, as a rounded water test does, keep it in the species."""
    totals = _totals({"Ca(NO3)2": 0.01, "NaHCO3": 0.005, "KH2PO4": 0.001})
    totals[0, CONSTANTS.master(ion)] += amount
    solution = equilibrate(totals, np.array([20.0]), BUCKET_PHASES)
    assert np.any(solution.precipitated_mol_per_kg > 0.0)
    assert charge == pytest.approx((solution.molality @ CONSTANTS.charge)[0], rel=RELATIVE)


@pytest.mark.parametrize(
    ("pour", "beside", "phase"),
    [
        ({"Ca(NO3)2": 1.0, "(NH4)2SO4": 1.0}, {"NH4H2PO4": 1.0}, "Brushite"),
        ({"Ca(NO3)2": 0.01, "NaHCO3": 0.005}, {"K2SO4": 0.02}, "Gypsum"),
        ({"Ca(NO3)2": 0.1, "K2SO4": 0.1}, {"K2CO3": 0.02}, "Calcite"),
        ({"Mg(NO3)2": 0.1, "Ca(NO3)2": 0.1, "K2SO4": 0.1}, {"KH2PO4": 0.1}, "Newberyite"),
    ],
)
def test_a_solid_takes_its_ingredients_from_its_own_pour(pour, beside, phase):
    """No solid forms in a pour that lacks an ingredient, whatever another pour of the batch has."""
    solution = equilibrate(_totals(pour, beside), np.array([20.0, 20.0]), BUCKET_PHASES)
    assert solution.converged[0]
    assert solution.precipitated(phase)[0] == 0.0


def test_solids_are_at_equilibrium(random_pours):
    """No allowed solid stays supersaturated, none has a negative amount, and one that is there is
    saturated."""
    for solution in random_pours:
        good = solution.converged
        for phase in BUCKET_PHASES:
            si, amount = solution.si(phase)[good], solution.precipitated(phase)[good]
            assert np.all(si <= 1e-9)
            assert np.all(amount >= 0.0)
            assert np.all(np.abs(si[amount > LEAST_MOL_PER_KG]) <= 1e-6)


def test_no_more_comes_out_than_went_in(random_pours):
    """What is left dissolved of every master is not negative, the proton balance excepted."""
    others = np.arange(len(CONSTANTS.masters)) != H
    for solution in random_pours:
        dissolved = solution.dissolved_mol_per_kg[solution.converged][:, others]
        assert np.all(dissolved >= -RELATIVE * LEAST_MOL_PER_KG)


# Properties over small pours that hypothesis makes up and shrinks.

EXAMPLES = settings(max_examples=50, deadline=None, derandomize=True)
#: Not shrunk: a failing batch is short already, and shrinking it takes minutes.
MANY_EXAMPLES = settings(EXAMPLES, max_examples=250, phases=[Phase.explicit, Phase.generate])
log_amounts = st.floats(-6.0, 0.0).map(lambda x: 10.0**x)
large_amounts = st.floats(-3.0, 0.0).map(lambda x: 10.0**x)
pours = st.one_of(
    st.dictionaries(st.sampled_from(NAMES), log_amounts, min_size=1, max_size=8),
    st.dictionaries(st.sampled_from(COMMON), large_amounts, min_size=1, max_size=4),
)
temperatures = st.floats(2.0, 40.0)


def _assert_same(expected: Solution, i: int, actual: Solution, k: int) -> None:
    """Row i of one result and row k of another agree to 1e-6, far below what any constant is known to.

    Not to the last digit: batches add up in another order, and a solution without a buffer hangs on it.
    """
    assert expected.converged[i] == actual.converged[k]
    if not expected.converged[i]:
        return
    assert expected.ph[i] == pytest.approx(actual.ph[k], abs=1e-6)
    assert expected.ionic_strength[i] == pytest.approx(actual.ionic_strength[k], rel=1e-6)
    # A solid's index is -inf where an ingredient is absent, in both or in neither.
    np.testing.assert_allclose(actual.saturation_index[k], expected.saturation_index[i], rtol=0.0, atol=1e-6)
    np.testing.assert_allclose(
        actual.precipitated_mol_per_kg[k],
        expected.precipitated_mol_per_kg[i],
        rtol=1e-6,
        atol=1e-10,  # the trace that the solver leaves of a phase that does not form
    )


@MANY_EXAMPLES
@given(st.lists(st.tuples(pours, temperatures), min_size=2, max_size=4))
def test_a_batch_gives_what_each_pour_gives_alone(batch):
    """A pour's result does not depend on the others in its batch."""
    totals = _totals(*(pour for pour, _ in batch))
    temperature = np.array([t for _, t in batch])
    together = equilibrate(totals, temperature, BUCKET_PHASES)
    for i in range(len(batch)):
        row = slice(i, i + 1)
        alone = equilibrate(totals[row], temperature[row], BUCKET_PHASES)
        _assert_same(alone, 0, together, i)


@EXAMPLES
@given(st.lists(st.tuples(pours, temperatures), min_size=2, max_size=4), st.randoms())
def test_order_of_rows_does_not_matter(batch, random):
    """Shuffling a batch shuffles its results and changes nothing else."""
    totals = _totals(*(pour for pour, _ in batch))
    temperature = np.array([t for _, t in batch])
    order = list(range(len(batch)))
    random.shuffle(order)
    straight = equilibrate(totals, temperature, BUCKET_PHASES)
    shuffled = equilibrate(totals[order], temperature[order], BUCKET_PHASES)
    for place, i in enumerate(order):
        _assert_same(straight, i, shuffled, place)


def test_a_water_in_a_batch_gives_what_it_gives_alone():
    """The same for waters read with pH and alkalinity, where one lacks what the other has."""
    totals = _totals({"CaCl2": 0.002}, {"CaCl2": 0.003, "K2SO4": 0.002, "FeSO4": 1e-5})
    temperature, ph, alkalinity = np.full(2, 15.0), np.array([7.0, 8.0]), np.array([0.003, 0.001])
    together = equilibrate(totals, temperature, ph=ph, alkalinity_eq_per_kg=alkalinity)
    for i in range(2):
        row = slice(i, i + 1)
        alone = equilibrate(totals[row], temperature[row], ph=ph[row], alkalinity_eq_per_kg=alkalinity[row])
        _assert_same(alone, 0, together, i)


def test_a_water_reads_back_its_ph_and_alkalinity():
    """A water solved from pH and alkalinity has them again when solved from its proton balance."""
    totals = _totals({"CaCl2": 0.002, "MgSO4": 0.001, "NaCl": 0.003, "H4SiO4": 0.0003})
    temperature, ph, alkalinity = np.array([18.0]), np.array([7.4]), np.array([0.0042])
    water = equilibrate(totals, temperature, ph=ph, alkalinity_eq_per_kg=alkalinity)
    again = equilibrate(water.totals_mol_per_kg, temperature)
    assert ph[0] == pytest.approx(again.ph[0], abs=RELATIVE)
    assert alkalinity[0] == pytest.approx(again.alkalinity_eq_per_kg[0], rel=RELATIVE)


#: Media without calcium, sulfate or anything that binds them out of reach.
media = st.dictionaries(st.sampled_from(["KNO3", "KCl", "NaCl", "NH4NO3", "Mg(NO3)2", "urea"]), log_amounts, max_size=4)


def _gypsum(*pour: dict[str, float]) -> np.ndarray:
    solution = equilibrate(_totals(*pour), np.full(len(pour), 20.0), ("Gypsum",))
    assert np.all(solution.converged)
    return solution.precipitated("Gypsum")


def _pour(medium: dict[str, float], calcium: float, sulfate: float) -> dict[str, float]:
    return medium | {"CaCl2": calcium, "K2SO4": sulfate}


abundant = st.floats(0.02, 1.0)
shares = st.floats(0.05, 1.0)


@EXAMPLES
@given(media, abundant, shares, shares)
def test_more_calcium_makes_more_gypsum_while_sulfate_is_the_greater(medium, sulfate, high, part):
    """Adding calcium to a sulfate solution never lowers the gypsum that comes out."""
    some, more = _gypsum(_pour(medium, high * part * sulfate, sulfate), _pour(medium, high * sulfate, sulfate))
    assert more >= some - RELATIVE


@EXAMPLES
@given(media, abundant, shares, shares)
def test_more_sulfate_makes_more_gypsum_while_calcium_is_the_greater(medium, calcium, high, part):
    """Adding sulfate to a calcium solution never lowers the gypsum that comes out."""
    some, more = _gypsum(_pour(medium, calcium, high * part * calcium), _pour(medium, calcium, high * calcium))
    assert more >= some - RELATIVE


@EXAMPLES
@given(media, st.floats(0.0, 0.5), st.floats(1e-4, 0.5))
def test_calcium_sulfate_added_to_a_saturated_solution_all_comes_out(medium, excess, added):
    """A saturated solution that is given calcium sulfate stays as it is: all of it comes out."""
    constants = load()
    totals = _totals(medium | {"CaCl2": 0.3, "K2SO4": 0.3 + excess})
    more = totals.copy()
    for ion in ("Ca+2", "SO4-2"):
        more[0, constants.master(ion)] += added
    solution = equilibrate(np.vstack([totals, more]), np.full(2, 20.0), ("Gypsum",))
    before, after = solution.precipitated("Gypsum")
    assert before > 0.0
    assert added == pytest.approx(after - before, abs=1e-8)


@EXAMPLES
@given(media, st.floats(-4.0, 0.0), st.floats(-4.0, 0.0), temperatures, st.floats(1.0, 200.0))
def test_pure_water_never_brings_gypsum_out(medium, log_calcium, log_sulfate, temperature, factor):
    """An undersaturated solution that is thinned with pure water stays undersaturated."""
    totals = _totals(_pour(medium, 10.0**log_calcium, 10.0**log_sulfate))
    steps = np.linspace(0.0, 1.0, 8)
    thinned = totals / factor ** steps[:, None]
    si = equilibrate(thinned, np.full(len(steps), temperature)).si("Gypsum")
    undersaturated = si[:-1] <= 0.0
    assert np.all(si[1:][undersaturated] <= 0.0)
