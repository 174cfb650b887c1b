"""Heats of dilution of acids by strength, against numbers that the table was not made from, and in a bucket.

Integral heat of solution of nitric acid in 4 mol of water per mol,
-26.98 kJ/mol by experiment: a physical chemistry text's table 4.10 (read as a copy).
"""

from __future__ import annotations

import numpy as np
import pytest

from pourcheck import Catalog, Pour
from pourcheck.rules.ask.question import ask
from pourcheck.rules.case.case import Case
from pourcheck.rules.chemistry.acid_heat import heat_of_dilution_kj_per_mol, is_listed


def test_nitric_acid_in_four_of_water() -> None:
    """From pure acid to 4 mol of water per mol: 26.98 kJ/mol."""
    pure, four = heat_of_dilution_kj_per_mol("HNO3", np.array([0.0, 4.0]))
    assert pure - four == pytest.approx(26.98, abs=0.3)


@pytest.mark.parametrize("acid", ["HNO3", "HCl"])
def test_weaker_acid_heats_less(acid: str) -> None:
    heat = heat_of_dilution_kj_per_mol(acid, np.linspace(0.5, 60.0, 200))
    assert np.all(np.diff(heat) <= 0.0)
    assert np.all(heat > 0.0)
    assert not is_listed("KNO3")


def test_hydrochloric_acid_32_percent_warms_a_bucket(catalog: Catalog) -> None:
    """32 % is 4.3 mol of water per mol, between the printed 15.4 (3.7) and 10.24 (5.551) kJ/mol: one liter of it
    (1.16 kg, 10.2 mol) in 19 L of bucket frees 10.2 x (10.24 to 15.4) = 104 to 157 kJ, 1.3 to 2.1 degC at 3.7 to
    4.19 kJ per liter and degC."""
    data = {
        "product": [{"name": "hydrochloric acid", "amount": "1 L"}],
        "bucket": {"volume": "19 L", "temperature": "20 degC"},
        "water": {"name": "brook-well"},
        "injection": {"ratio": "1:100"},
    }
    question = ask(Pour.parse(data), catalog)
    assert 1.3 <= float(Case(question, question.columns(1)).warming_c[0]) <= 2.1


def test_potassium_carbonate_solution_is_as_heavy_as_printed(catalog: Catalog) -> None:
    """CRC Handbook, 102nd ed., Concentrative Properties of Aqueous Solutions, 20 degC (read): 1.4142 at 40 %, 1.5404
    at 50 %. The curve bends upward, so that the line between them is the most."""
    product = catalog.product("potassium-carbonate-solution")
    percent = 100.0 * product.content[0].mass_fraction.value
    assert product.density is not None
    most = float(np.interp(percent, [40.0, 50.0], [1.4142, 1.5404]))
    assert most - 0.005 <= product.density.kg_per_l <= most + 0.001
