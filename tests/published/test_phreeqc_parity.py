"""The line's chemistry agrees with PHREEQC on the same constants.

Source of every expected number: PHREEQC 3 (USGS), a general-purpose program for aqueous chemistry,
with the database of conftest.py. Closed to carbon dioxide, nothing oxidizes. What is compared is
what decides a verdict: pH, saturation indices, and how much comes out.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest

from pourcheck.rules.chemistry.constants import load
from pourcheck.rules.chemistry.speciate import equilibrate, let_form

PH = 0.02
SI = 0.02
PRECIPITATED = 0.03  # of the amount
LEAST_MOL_PER_KG = 1e-6
LEAST_SI = -10.0
#: A quantity that fewer generated cases reach would not be shown to agree.
ENOUGH_CASES = 20

SI_PHASES = (
    "Gypsum", "Calcite", "Brushite", "OCP", "ACP1", "Struvite", "Newberyite", "Siderite",
    "Rhodochrosite", "Vivianite", "Silica_am",
)  # fmt: skip
PHOSPHATES = ("Brushite", "OCP", "ACP1", "Struvite", "Newberyite", "Vivianite")
MAY_FORM = ("Gypsum", "Calcite", "Brushite", "Struvite")
#: Solids of trace metals, compared in lines that get sulfates of them (`METAL_LINES`).
METAL_PHASES = (
    "Zn(OH)2_am", "Smithsonite", "Hydrozincite", "Hopeite", "Rhodochrosite", "Pyrochroite", "MnHPO4", "Mn3PO42_3H2O",
    "Siderite", "Vivianite", "CuOH2", "Malachite", "Cu3PO42_3H2O",
)  # fmt: skip
#: Saturation indices down to which one of them is let form: as in print, and as far as its constant is in doubt.
DOWN_TO_SI = (0.0, 2.0, -0.5)

#: Formula as PHREEQC reads it (`Amm` is ammonia): moles of master species, H+ being the proton
#: balance against them; least and most that a generated line is given [mmol/kg].
FERTILIZERS = {
    "AmmH3PO4": ({"NH4+": 1, "PO4-3": 1, "H+": 2}, 0.1, 8.0),
    "Amm2H3PO4": ({"NH4+": 2, "PO4-3": 1, "H+": 1}, 0.1, 5.0),
    "KH2PO4": ({"K+": 1, "PO4-3": 1, "H+": 2}, 0.1, 8.0),
    "CaN2O6": ({"Ca+2": 1, "NO3-": 2}, 0.2, 15.0),
    "AmmHNO3": ({"NH4+": 1, "NO3-": 1}, 0.2, 40.0),
    "K2SO4": ({"K+": 2, "SO4-2": 1}, 0.2, 12.0),
    "MgSO4": ({"Mg+2": 1, "SO4-2": 1}, 0.2, 20.0),
    "KCl": ({"K+": 1, "Cl-": 1}, 0.2, 40.0),
    "Amm2H2SO4": ({"NH4+": 2, "SO4-2": 1}, 0.2, 10.0),
    "ZnSO4": ({"Zn+2": 1, "SO4-2": 1}, 0.001, 0.05),
    "H3PO4": ({"PO4-3": 1, "H+": 3}, 0.05, 3.0),
    "KOH": ({"K+": 1, "H+": -1}, 0.05, 2.0),
    "K2CO3": ({"K+": 2, "CO3-2": 1}, 0.05, 2.0),
    "H3BO3": ({"H3BO3": 1}, 0.005, 0.1),
}
METAL_SULFATES = {
    "ZnSO4": ({"Zn+2": 1, "SO4-2": 1}, 0.005, 3.0),
    "MnSO4": ({"Mn+2": 1, "SO4-2": 1}, 0.005, 3.0),
    "FeSO4": ({"Fe+2": 1, "SO4-2": 1}, 0.005, 3.0),
    "CuSO4": ({"Cu+2": 1, "SO4-2": 1}, 0.001, 1.0),
}
METAL_LINES, ALKALI = 300, {"K2CO3": (0.1, 1.0), "KOH": (1.0, 5.0)}
#: Least and most in a generated water [mmol/kg]; sodium or chloride then balances the charge.
WATER = {
    "Ca+2": (0.1, 16.0), "Mg+2": (0.05, 5.0), "Na+": (0.1, 25.0), "K+": (0.02, 0.5),
    "SO4-2": (0.05, 16.0), "Cl-": (0.1, 25.0), "NO3-": (0.01, 1.0), "H4SiO4": (0.05, 0.6),
}  # fmt: skip
GYPSUM_FORMERS = ["CaN2O6", "K2SO4", "MgSO4", "Amm2H2SO4", "KCl"]
IRON, MANGANESE = (0.001, 0.1), (0.0005, 0.03)
GENERATED = 1000
BELOW_IONIC_STRENGTH = 0.1


class LineCase(NamedTuple):
    """A water [mol/kg; alkalinity eq/kg] and the fertilizer added to it [mol/kg]."""

    name: str
    temperature_c: float
    ph: float
    alkalinity: float
    water: dict[str, float]
    additions: dict[str, float]

    def added(self) -> dict[str, float]:
        """The additions as master species [mol/kg]."""
        out: dict[str, float] = {}
        for formula, amount in self.additions.items():
            for master, count in (FERTILIZERS | METAL_SULFATES)[formula][0].items():
                out[master] = out.get(master, 0.0) + count * amount
        return out


def _generated_cases() -> list[LineCase]:
    """In turn: weak lines (even in the logarithm), strong lines (even), lines near gypsum, and
    lines near struvite."""
    random = np.random.default_rng(7)
    charge = dict(zip(load().masters, load().charge, strict=False))
    cases: list[LineCase] = []
    for number in range(GENERATED):
        kind = ("weak", "strong", "gypsum", "struvite")[number % 4]

        def amount(low: float, high: float, weak: bool = kind == "weak") -> float:
            ends = np.log([low, high]) if weak else (low, high)
            value = float(random.uniform(*ends))
            return (float(np.exp(value)) if weak else value) * 1e-3

        water = {master: amount(*span) for master, span in WATER.items()}
        if kind == "gypsum":
            water |= {"Ca+2": amount(10.0, 20.0), "SO4-2": amount(10.0, 20.0)}
            water |= {"Na+": amount(0.1, 3.0), "Cl-": amount(0.1, 3.0)}
        alkalinity = float(random.uniform(0.2, 7.0)) * 1e-3
        excess = float(sum(charge[master] * m for master, m in water.items())) - alkalinity
        water["Cl-" if excess > 0 else "Na+"] += abs(excess)
        if random.random() < 0.4:
            water["Fe+2"] = amount(*IRON)
        if random.random() < 0.4:
            water["Mn+2"] = amount(*MANGANESE)
        choice = GYPSUM_FORMERS if kind == "gypsum" else list(FERTILIZERS)
        chosen = set(random.choice(choice, size=random.integers(1, 4), replace=False).tolist())
        if kind == "struvite":
            chosen |= {"Amm2H3PO4", "MgSO4", "KOH"}
        cases.append(
            LineCase(
                name=f"{kind} line {number}",
                temperature_c=float(random.uniform(10.0, 35.0)),
                ph=float(random.uniform(6.0, 8.5)),
                alkalinity=alkalinity,
                water=water,
                additions={f: amount(*FERTILIZERS[f][1:]) for f in sorted(chosen)},
            )
        )
    return cases


def _metal_cases() -> list[LineCase]:
    """Sulfates of all four metals in bicarbonate waters, every second one with a phosphate, every third one with alkali
    and a tenth of the metals."""
    random = np.random.default_rng(11)
    cases: list[LineCase] = []
    for number in range(METAL_LINES):
        alkalinity = float(random.uniform(0.3, 6.0)) * 1e-3
        calcium = float(random.uniform(0.1, 3.0)) * 1e-3
        sodium = float(random.uniform(0.1, 3.0)) * 1e-3
        excess = 2 * calcium + sodium - alkalinity
        water = {"Ca+2": calcium, "Na+": sodium + max(-excess, 0.0), "Cl-": 1e-4 + max(excess, 0.0)}
        water["Na+"] += 1e-4
        chosen = dict(METAL_SULFATES)
        if number % 2:
            name = str(random.choice(["AmmH3PO4", "KH2PO4", "Amm2H3PO4"]))
            chosen[name] = FERTILIZERS[name]
        additions = {f: float(np.exp(random.uniform(*np.log(span)))) * 1e-3 for f, (_, *span) in chosen.items()}
        if number % 3 == 0:
            additions = {f: 0.1 * m if f in METAL_SULFATES else m for f, m in additions.items()}
            additions |= {f: float(random.uniform(*span)) * 1e-3 for f, span in ALKALI.items()}
        temperature, ph = float(random.uniform(10.0, 35.0)), float(random.uniform(6.5, 8.5))
        cases.append(LineCase(f"metal line {number}", temperature, ph, alkalinity, water, additions))
    return cases


def _ours(cases: list[LineCase]):
    """(water, line before solids formed, line with solids), each for all cases at once."""
    constants = load()
    water, added = (np.zeros((len(cases), len(constants.masters))) for _ in range(2))
    for i, case in enumerate(cases):
        for table, parts in ((water, case.water), (added, case.added())):
            for master, amount in parts.items():
                table[i, constants.master(master)] += amount
    temperature = np.array([case.temperature_c for case in cases])
    source = equilibrate(
        water,
        temperature,
        ph=np.array([case.ph for case in cases]),
        alkalinity_eq_per_kg=np.array([case.alkalinity for case in cases]),
    )
    line = equilibrate(source.totals_mol_per_kg + added, temperature, MAY_FORM)
    assert np.all(source.converged)
    assert np.all(line.converged)
    return source, line.before_solids, line


def _phreeqc_input(cases: list[LineCase], element: dict[str, str]) -> str:
    blocks = [
        "SELECTED_OUTPUT\n-reset false\n-high_precision true\n-pH true\n-ionic_strength true\n"
        f"-saturation_indices {' '.join(SI_PHASES)}\n-equilibrium_phases {' '.join(MAY_FORM)}"
    ]
    for n, case in enumerate(cases, start=1):
        totals = "\n".join(f"{element[s]} {m:.15g}" for s, m in case.water.items())
        reaction = "\n".join(f"{formula} {m:.15g}" for formula, m in case.additions.items())
        solids = "\n".join(f"{phase} 0 0" for phase in MAY_FORM)
        blocks.append(
            f"SOLUTION {n}\nunits mol/kgw\ntemp {case.temperature_c:.15g}\npH {case.ph:.15g}\n"
            f"Alkalinity {case.alkalinity:.15g}\n{totals}\nEND\n"
            f"USE solution {n}\nREACTION {n}\n{reaction}\n1 moles\nEND\n"
            f"USE solution {n}\nUSE reaction {n}\nEQUILIBRIUM_PHASES {n}\n{solids}\nEND"
        )
    return "\n".join(blocks) + "\n"


class Parity(NamedTuple):
    """Both programs' results for the generated cases: states (3, B) by quantity."""

    cases: list[LineCase]
    ours: tuple
    phreeqc: dict[str, np.ndarray]


@pytest.fixture(scope="module")
def parity(line_phreeqc) -> Parity:
    """Water, line, and line with solids, of every generated case, in both programs."""
    cases = _generated_cases()
    columns = line_phreeqc.run(_phreeqc_input(cases, line_phreeqc.element))
    states = {name: column.reshape(len(cases), 3).T for name, column in columns.items()}
    dilute = np.flatnonzero(np.all(states["mu"] < BELOW_IONIC_STRENGTH, axis=0))
    cases = [cases[i] for i in dilute]
    return Parity(cases, _ours(cases), {name: state[:, dilute] for name, state in states.items()})


def _agree(what, cases, expected, actual, bound, *, relative_to=1.0, at_least=1) -> None:
    """|actual - expected| <= bound * relative_to for all cases; the message names the worst."""
    off = np.abs(actual - expected) / relative_to
    assert len(off) >= at_least, f"{what}: compared in {len(off)} cases only"
    worst = int(np.argmax(off))
    message = (
        f"{what}: worst of {len(off)} is off by {off[worst]:.2g} ({np.sum(off > bound)} beyond "
        f"{bound}): PHREEQC {expected[worst]:.6g}, here {actual[worst]:.6g}, in {cases[worst]}"
    )
    print(message)
    assert np.all(off <= bound), message


STATES = {"the water": 0, "the line before solids": 1, "the line with solids": 2}


def test_generated_lines_cover_the_range(parity):
    """At least 240 lines, up to an ionic strength of 0.1 mol/kg, and from pH 5.5 to 9.5."""
    assert len(parity.cases) >= 240
    assert np.max(parity.phreeqc["mu"][1]) > 0.09
    assert np.min(parity.phreeqc["pH"][1]) < 5.5
    assert np.max(parity.phreeqc["pH"][1]) > 9.5


@pytest.mark.parametrize("state", STATES)
def test_ph_agrees_with_phreeqc(parity, state):
    """pH within 0.02 of PHREEQC."""
    k = STATES[state]
    _agree(f"pH of {state}", parity.cases, parity.phreeqc["pH"][k], parity.ours[k].ph, PH)


@pytest.mark.parametrize("state", STATES)
def test_ionic_strength_agrees_with_phreeqc(parity, state):
    """Ionic strength within 1 % of PHREEQC: 0.002 in any saturation index."""
    k = STATES[state]
    expected = parity.phreeqc["mu"][k]
    actual = parity.ours[k].ionic_strength
    _agree(state, parity.cases, expected, actual, 0.01, relative_to=expected)


@pytest.mark.parametrize(
    ("phase", "state"),
    [(phase, state) for phase in SI_PHASES for state in STATES if not (phase in PHOSPHATES and state == "the water")],
)
def test_saturation_index_agrees_with_phreeqc(parity, phase, state):
    """Saturation index within 0.02 of PHREEQC, wherever it is above -10."""
    k = STATES[state]
    expected = parity.phreeqc[f"si_{phase}"][k]
    rows = np.flatnonzero(expected > LEAST_SI)
    _agree(
        f"SI of {phase} in {state}",
        [parity.cases[i] for i in rows],
        expected[rows],
        parity.ours[k].si(phase)[rows],
        SI,
        at_least=ENOUGH_CASES,
    )


@pytest.mark.parametrize("phase", MAY_FORM)
def test_precipitated_amount_agrees_with_phreeqc(parity, phase):
    """What comes out agrees within 3 %, wherever either program makes more than 1e-6 mol/kg."""
    expected = parity.phreeqc[phase][2]
    actual = parity.ours[2].precipitated(phase)
    larger = np.maximum(expected, actual)
    rows = np.flatnonzero(larger > LEAST_MOL_PER_KG)
    _agree(
        f"{phase} [mol/kg]",
        [parity.cases[i] for i in rows],
        expected[rows],
        actual[rows],
        PRECIPITATED,
        relative_to=larger[rows],
        at_least=ENOUGH_CASES,
    )


# Trace metals: what they form with hydroxide, carbonate and phosphate.


@pytest.fixture(scope="module")
def metal_parity(line_phreeqc) -> tuple[list[LineCase], object, np.ndarray]:
    """(cases, our lines before solids, PHREEQC's results by number in the order of `_metal_input`)."""
    cases = _metal_cases()
    return cases, _ours(cases)[1], line_phreeqc.run(_metal_input(cases, line_phreeqc.element))


def _metal_input(cases: list[LineCase], element: dict[str, str]) -> str:
    """Each line by itself, and then with each metal solid alone, down to each index of `DOWN_TO_SI`."""
    blocks = [
        "SELECTED_OUTPUT\n-reset false\n-high_precision true\n-pH true\n"
        f"-saturation_indices {' '.join(METAL_PHASES)}\n-equilibrium_phases {' '.join(METAL_PHASES)}"
    ]
    for n, case in enumerate(cases, start=1):
        totals = "\n".join(f"{element[s]} {m:.15g}" for s, m in case.water.items())
        reaction = "\n".join(f"{formula} {m:.15g}" for formula, m in case.additions.items())
        blocks.append(
            f"SOLUTION {n}\nunits mol/kgw\ntemp {case.temperature_c:.15g}\npH {case.ph:.15g}\n"
            f"Alkalinity {case.alkalinity:.15g}\n{totals}\nEND\n"
            f"USE solution {n}\nREACTION {n}\n{reaction}\n1 moles\nSAVE solution {n}\nEND"
        )
        blocks += [
            f"USE solution {n}\nEQUILIBRIUM_PHASES 1\n{phase} {down_to} 0\nEND"
            for phase in METAL_PHASES
            for down_to in DOWN_TO_SI
        ]
    return "\n".join(blocks) + "\n"


def _metal_column(results: dict[str, np.ndarray], name: str, state: int) -> np.ndarray:
    """A column of PHREEQC's results in one state of every case: 0 the water, 1 the line, then the solids in turn."""
    return results[name].reshape(-1, 2 + len(METAL_PHASES) * len(DOWN_TO_SI))[:, state]


def test_metal_line_ph_agrees_with_phreeqc(metal_parity):
    """pH of the line within 0.02 of PHREEQC, from below 6 to above 8.5."""
    cases, line, results = metal_parity
    expected = _metal_column(results, "pH", 1)
    assert np.min(expected) < 6.0
    assert np.max(expected) > 8.5
    _agree("pH of the metal lines", cases, expected, line.ph, PH)


@pytest.mark.parametrize("phase", METAL_PHASES)
def test_metal_saturation_index_agrees_with_phreeqc(metal_parity, phase):
    """Saturation index within 0.02 of PHREEQC, wherever it is above -10."""
    cases, line, results = metal_parity
    expected = _metal_column(results, f"si_{phase}", 1)
    rows = np.flatnonzero(expected > LEAST_SI)
    what, some = f"SI of {phase}", [cases[i] for i in rows]
    _agree(what, some, expected[rows], line.si(phase)[rows], SI, at_least=ENOUGH_CASES)


@pytest.mark.parametrize("phase", METAL_PHASES)
def test_metal_amount_agrees_with_phreeqc(metal_parity, phase):
    """What forms of a solid alone agrees within 3 %, wherever either program makes more than 1e-6 mol/kg, whatever
    the index that it forms down to; and so does the pH that this leaves."""
    cases, line, results = metal_parity
    compared = 0
    for step, down_to in enumerate(DOWN_TO_SI):
        state = 2 + METAL_PHASES.index(phase) * len(DOWN_TO_SI) + step
        expected = _metal_column(results, phase, state)
        after = let_form(line, (phase,), down_to_si=down_to)
        assert np.all(after.converged)
        larger = np.maximum(expected, after.precipitated(phase))
        rows = np.flatnonzero(larger > LEAST_MOL_PER_KG)
        compared += len(rows)
        if len(rows):
            some, actual = [cases[i] for i in rows], after.precipitated(phase)[rows]
            _agree(f"{phase} to {down_to}", some, expected[rows], actual, PRECIPITATED, relative_to=larger[rows])
            _agree(f"pH with {phase}", some, _metal_column(results, "pH", state)[rows], after.ph[rows], PH)
    assert compared >= ENOUGH_CASES, compared


# The six cases that were run once and written down, so that the reference does not move with us.

_WATER_COLUMNS = {
    "water_Ca": "Ca+2", "water_Mg": "Mg+2", "water_Na": "Na+", "water_K": "K+", "water_S": "SO4-2",
    "total_Cl_after_charge_balance_mmol": "Cl-", "water_N": "NO3-", "water_Si": "H4SiO4",
    "water_Fe": "Fe+2", "water_Mn": "Mn+2",
}  # fmt: skip


@pytest.fixture(scope="module")
def written(table):
    """(rows, our water, line, line with solids) of the six written cases."""
    rows = table("line_oracle.csv")
    cases = [
        LineCase(
            name=row["description"],
            temperature_c=float(row["temp_C"]),
            ph=float(row["water_pH"]),
            alkalinity=float(row["water_Alk"]) * 1e-3,
            water={s: float(row[key]) * 1e-3 for key, s in _WATER_COLUMNS.items()},
            additions={
                part.split(":")[0]: float(part.split(":")[1]) * 1e-3 for part in row["additions_mmol_per_kg"].split()
            },
        )
        for row in rows
    ]
    return rows, *_ours(cases)


@pytest.mark.parametrize("case", range(6))
def test_written_case_agrees(written, case):
    """pH, ionic strength, every saturation index above -10 and what comes out, as written down."""
    rows, _, line, after = written
    row = rows[case]
    off: list[str] = []

    def check(what: str, expected: str, actual: float, bound: float) -> None:
        if abs(actual - float(expected)) > bound:
            off.append(f"{what}: expected {expected}, here {actual:.6g}")

    check("pH", row["pH"], line.ph[case], PH)
    check("pH with solids", row["pH_eq"], after.ph[case], PH)
    check("ionic strength", row["I"], line.ionic_strength[case], 0.01 * float(row["I"]))
    indices = {key[3:]: value for key, value in row.items() if key.startswith("SI_") and value}
    assert len(indices) >= 7
    for phase, expected in indices.items():
        if float(expected) > LEAST_SI:
            check(f"SI {phase}", expected, line.si(phase)[case], SI)
    for phase in MAY_FORM:
        expected = row[f"ppt_{phase}_mmol"]
        bound = max(PRECIPITATED * float(expected), LEAST_MOL_PER_KG * 1e3)
        check(f"{phase} [mmol/kg]", expected, 1e3 * after.precipitated(phase)[case], bound)
    assert not off, f"{row['description']}: " + "; ".join(off)
