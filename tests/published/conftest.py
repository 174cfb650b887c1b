"""PHREEQC (USGS), through phreeqpython, as the outside reference for solutions.

The line's database is written from the constants that the package ships, so that both programs use
the same numbers and only the solving is compared. It is redox-decoupled: `Amm` is ammonia, `Fet` is
ferric iron and `N` is nitrate only, so that nothing oxidizes.
"""

from __future__ import annotations

import csv
import json
from importlib import resources
from pathlib import Path

import numpy as np
import phreeqpython
import pytest
from phreeqpython.viphreeqc import VIPhreeqc

#: Element in PHREEQC and its formula weight, by master species; alkalinity as PHREEQC counts it.
ELEMENTS = {
    "Ca+2": "Ca Ca+2 0 Ca 40.078",
    "Mg+2": "Mg Mg+2 0 Mg 24.305",
    "K+": "K K+ 0 K 39.098",
    "Na+": "Na Na+ 0 Na 22.990",
    "NH4+": "Amm AmmH+ 0 Amm 17.031",
    "NO3-": "N NO3- 0 N 14.007",
    "Cl-": "Cl Cl- 0 Cl 35.45",
    "SO4-2": "S SO4-2 0 S 32.06",
    "PO4-3": "P PO4-3 2 P 30.974",
    "CO3-2": "C CO3-2 2 C 12.011",
    "Fe+2": "Fe Fe+2 0 Fe 55.845",
    "Fe+3": "Fet Fet+3 0 Fet 55.845",
    "Mn+2": "Mn Mn+2 0 Mn 54.938",
    "Zn+2": "Zn Zn+2 0 Zn 65.38",
    "Cu+2": "Cu Cu+2 0 Cu 63.546",
    "H3BO3": "B H3BO3 0 B 10.81",
    "F-": "F F- 0 F 18.998",
    "H4SiO4": "Si H4SiO4 0 Si 28.086",
    "Edta-4": "Edta Edta-4 2 Edta 288.214",
}
HEAD = """\
E e- 0 0 0
H H+ -1 H 1.008
H(0) H2 0 H
H(1) H+ -1 H
O H2O 0 O 15.999
O(0) O2 0 O
O(-2) H2O 0 O
C(4) CO3-2 2 C
Alkalinity CO3-2 1 Ca0.5(CO3)0.5 50.05
"""
REDOX = """\
e- = e-
 log_k 0
H2O = H2O
 log_k 0
2 H2O = O2 + 4 H+ + 4 e-
 log_k -85.9862
 delta_h 559.543 kJ
2 H+ + 2 e- = H2
 log_k -3.1055
 delta_h -4.2 kJ
"""


def line_database() -> str:
    """The shipped line constants as the text of a PHREEQC database."""
    shipped = resources.files("pourcheck.rules.chemistry") / "data" / "line_constants.csv"
    rows = list(csv.DictReader(shipped.read_text("utf-8").splitlines()))
    species, phases = [REDOX], []
    for row in rows:
        reaction = row["reaction"]
        if "Fe+3" in json.loads(row["stoich"]):
            reaction = reaction.replace("Fe", "Fet")
        reaction = reaction.replace("NH4", "AmmH").replace("NH3", "Amm")
        constants = f" log_k {row['log_k']}\n delta_h {row['delta_h_kJ']} kJ\n"
        if row["analytic"]:
            constants += f" -analytical_expression {row['analytic']}\n"
        if row["kind"] in {"phase", "gas"}:
            phases.append(f"{row['name']}\n {reaction}\n{constants}")
        elif row["ion_b"] != "":
            # PHREEQC reads only the linear term of a neutral species; a stands there for the form.
            size = row["ion_a"] if row["charge"] != "0" else "1.0"
            species.append(f"{reaction}\n{constants} -gamma {size} {row['ion_b']}\n")
        else:
            species.append(f"{reaction}\n{constants}")
    masters = "\n".join(ELEMENTS.values())
    return (
        f"SOLUTION_MASTER_SPECIES\n{HEAD}{masters}\nSOLUTION_SPECIES\n{''.join(species)}PHASES\n{''.join(phases)}END\n"
    )


class Phreeqc:
    """A PHREEQC with a database; `run` gives the selected output by column."""

    def __init__(self, database: str) -> None:
        #: Name in PHREEQC of the total of each master species.
        self.element = {master: line.split()[0] for master, line in ELEMENTS.items()}
        self._program = VIPhreeqc()
        self._program.load_database_string(database)
        assert self._program.phc_database_error_count == 0, self._program.get_error_string()

    def run(self, text: str) -> dict[str, np.ndarray]:
        """Run input with a SELECTED_OUTPUT block. Raises: Exception, with PHREEQC's message."""
        self._program.run_string(text)
        head, *rows = self._program.get_selected_output_array()
        values = np.array(rows, dtype=float)
        return {name: values[:, i] for i, name in enumerate(head)}


@pytest.fixture(scope="session")
def line_phreeqc() -> Phreeqc:
    """PHREEQC with the shipped line constants."""
    return Phreeqc(line_database())


def _shipped_with_phreeqc(name: str) -> Phreeqc:
    database = Path(phreeqpython.__file__).parent / "database" / name
    return Phreeqc(database.read_text("latin-1"))


@pytest.fixture(scope="session")
def phreeqc_dat() -> Phreeqc:
    """PHREEQC with its own phreeqc.dat: other constants than the line's."""
    return _shipped_with_phreeqc("phreeqc.dat")


@pytest.fixture(scope="session")
def pitzer_dat() -> Phreeqc:
    """PHREEQC with its own pitzer.dat, for strong solutions (Harvie, Moller and Weare 1984)."""
    return _shipped_with_phreeqc("pitzer.dat")


@pytest.fixture(scope="session")
def table():
    """A table of tests/published/data as a list of rows."""

    def read(name: str) -> list[dict[str, str]]:
        text = (Path(__file__).parent / "data" / name).read_text("utf-8")
        return list(csv.DictReader(text.splitlines()))

    return read
