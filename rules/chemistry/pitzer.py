"""Activity coefficients of strong solutions: the Pitzer equations, many solutions at once.

The excess Gibbs energy per kg of water is one function of the molalities m,

    E = f(I) + m'L(I)m + Z/2 m'Cm + sum over triples psi m m m        (units of RT)

with f the Debye-Hueckel term, L the second coefficients (B of a cation and an anion, Phi of two ions
of like sign, lambda with a neutral) and Z = sum |z| m. ln gamma is its gradient; the water activity
follows by Gibbs-Duhem. Source: Pitzer, Activity Coefficients in Electrolyte Solutions, 2nd ed. (1991),
ch. 3; Harvie, Moller and Weare, Geochim. Cosmochim. Acta 48 (1984) 723; parameters with their sources
in data/pitzer.csv.

A cation and an anion without parameters of their own get an estimate (`_guess`), and every parameter
carries a standard error, so that `si_sigma` can say what that costs. The errors are design choices held
against the spread of the known parameters and against published ternary solubilities, in the tests.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, fields, replace
from functools import cache, lru_cache
from importlib import resources
from typing import Any

import numpy as np

from .constants import LN10, REFERENCE_K, Constants, Floats
from .water_properties import debye_hueckel

#: Ionic strength up to which the parameters of most salts were fitted [mol/kg].
VALID_UP_TO_MOL_PER_KG = 6.0
WATER_KG_PER_MOL = 0.018015268
_B = 1.2
#: Where there is less of a species than this it does not act on the others [mol/kg].
_ACTS = 1e-10
#: Molalities are held at this while a solution is still far from solved [mol/kg].
_MOST = 40.0

#: Ions that stand in for others of like kind, nearest first, and the standard error of beta0 that the
#: loan costs [kg/mol]: the spread of beta0 between such pairs of ions over the anions that both have.
_STANDS_IN: dict[str, tuple[tuple[str, float], ...]] = {
    "NH4+": (("K+", 0.05), ("Na+", 0.08)),
    "K+": (("Na+", 0.07),),
    "Na+": (("K+", 0.07),),
    "Zn+2": (("Mg+2", 0.05),),
    "Cu+2": (("Mg+2", 0.06),),
    "Mn+2": (("Mg+2", 0.05),),
    "Fe+2": (("Mg+2", 0.05),),
    "Ca+2": (("Mg+2", 0.12),),
    "Mg+2": (("Ca+2", 0.12),),
}
#: By charges: beta0, beta1 and standard error of beta0; means and spread of the known salts. Two
#: divalent ions that pair have the pair as a species of its own, so beta2 is left out there.
_BY_CHARGE = {
    (1, 1): (0.04, 0.24, 0.09),
    (1, 2): (0.04, 0.81, 0.05),
    (1, 3): (0.24, 5.4, 0.10),
    (2, 1): (0.29, 1.67, 0.14),
    (2, 2): (0.18, 3.0, 0.10),
    (3, 1): (0.55, 5.5, 0.15),
}
_BY_CHARGE_OTHER = (0.2, 5.0, 0.2)
#: Standard errors of theta of two ions of like sign without one (spread of the known: 0.05), and of
#: lambda of a neutral with an ion or itself without one (spread of the known: 0.1; urea mixes with water
#: and salts far more evenly: its osmotic coefficient is still 0.8 at 20 mol/kg, from memory, Scatchard et al. 1938).
_THETA_SIGMA, _LAMBDA_SIGMA, _UREA_SIGMA = 0.04, 0.05, 0.012
#: The same of a phosphate with another anion: the known ones are 0.10 (chloride) and 0.15 (nitrate).
_PHOSPHATE_THETA_SIGMA, _PHOSPHATES = 0.08, {"H2PO4-", "HPO4-2"}
#: Standard error of beta0 of a fitted pair; per degC away from 25 where no temperature terms are known
#: (the known ones run from 3e-4 to 2e-3); and per multiple of the fitted molality that is exceeded.
_FITTED_SIGMA, _SIGMA_PER_C, _SIGMA_BEYOND = 0.004, 5e-4, 0.015
#: Molality up to which a salt counts as fitted where its source does not say [mol/kg].
_USUALLY_FITTED = 3.0


@dataclass(frozen=True)
class _Parameters:
    """Parameters of a set of S species. pairs: (P, 2) cation, anion; their values at 25 degC and
    temperature terms (P, 6); likewise like (L, 2) for two ions of like sign or with a neutral;
    triples (K, 3). sigma: (S, S) standard errors at 25 degC; per_c: (S, S) [1/degC]; most: (S, S)
    fitted molality of the salt, in mol of the scarcer ion's equivalents."""

    names: tuple[str, ...]
    charge: Floats
    pairs: np.ndarray
    beta0: Floats
    beta1: Floats
    beta2: Floats
    cphi: Floats
    alpha1: Floats
    alpha2: Floats
    like: np.ndarray
    like_value: Floats
    triples: np.ndarray
    triple_value: Floats
    sigma: Floats
    per_c: Floats
    most: Floats


@cache
def _table() -> dict[tuple[str, frozenset[str]], tuple[Floats, float]]:
    """(kind, ions) -> (25 degC value and five temperature terms, highest fitted molality or nan)."""
    text = resources.files(__package__ or "").joinpath("data/pitzer.csv").read_text("utf-8")
    out = {}
    for row in csv.DictReader(text.splitlines()):
        ions = frozenset(filter(None, (row["ion1"], row["ion2"], row["ion3"])))
        terms = [float(row[key] or 0.0) for key in ("value_25c", "t1", "t2", "t3", "t4", "t5")]
        out[row["kind"], ions] = (np.array(terms), float(row["max_molality"] or "nan"))
    return out


@cache
def _known() -> frozenset[frozenset[str]]:
    """Pairs of ions that have parameters of their own."""
    return frozenset(ions for kind, ions in _table() if kind in {"beta0", "beta1"})


def is_known(cation: str, anion: str) -> bool:
    """True when cation and anion have parameters of their own."""
    return frozenset((cation, anion)) in _known()


def is_strong(cation: str, anion: str) -> bool:
    """True when cation and anion have parameters of their own or a stand-in's: no ion pair is then needed."""
    return lender(cation, anion) is not None


@cache
def lender(cation: str, anion: str) -> str | None:
    """The cation whose parameters with this anion are used: its own, a stand-in, or None where the mean of
    the charges is."""
    return next((one for one in (cation, *(o for o, _ in _STANDS_IN.get(cation, ()))) if is_known(one, anion)), None)


def partners(cation: str) -> set[str]:
    """Ions with which a cation has parameters of its own or a stand-in's."""
    lenders = {cation, *(other for other, _ in _STANDS_IN.get(cation, ()))}
    return {ion for ions in _known() if ions & lenders for ion in ions}


def _known_pair(cation: str, anion: str) -> tuple[dict[str, Floats], float, float]:
    """(parameters, standard error of beta0, highest fitted molality) of a cation and an anion that have a lender."""
    table, one = _table(), lender(cation, anion)
    assert one is not None
    error = _FITTED_SIGMA if one == cation else dict(_STANDS_IN[cation])[one]
    found = {kind: table.get((kind, frozenset((one, anion)))) for kind in ("beta0", "beta1", "beta2", "cphi")}
    listed = {kind: entry for kind, entry in found.items() if entry is not None}
    most = next((most for _, most in listed.values() if np.isfinite(most)), _USUALLY_FITTED)
    return {kind: listed[kind][0] if kind in listed else np.zeros(6) for kind in found}, error, most


@cache
def _parameters(names: tuple[str, ...], charge: tuple[float, ...]) -> _Parameters:
    z = np.array(charge)
    size = len(names)
    where = {name: i for i, name in enumerate(names)}
    cations, anions, neutral = (np.flatnonzero(test) for test in (z > 0, z < 0, z == 0))
    pairs = np.array([(i, j) for i in cations for j in anions], dtype=int).reshape(-1, 2)
    terms = {kind: np.zeros((len(pairs), 6)) for kind in ("beta0", "beta1", "beta2", "cphi")}
    errors, limits = np.full(len(pairs), np.nan), np.ones(len(pairs))
    charges = np.column_stack([z[pairs[:, 0]], -z[pairs[:, 1]]]).astype(int)
    for of_cation, of_anion in {(a, b) for a, b in charges.tolist()}:
        alike = np.all(charges == (of_cation, of_anion), axis=1)
        beta0, beta1, error = _BY_CHARGE.get((of_cation, of_anion), _BY_CHARGE_OTHER)
        terms["beta0"][alike, 0], terms["beta1"][alike, 0], errors[alike] = beta0, beta1, error
    place = {(int(i), int(j)): at for at, (i, j) in enumerate(pairs)}
    for i in cations.tolist():
        for anion in sorted(partners(names[i]) & where.keys()):
            if (at := place.get((i, where[anion]))) is not None:
                own, errors[at], limits[at] = _known_pair(names[i], anion)
                for kind, values in own.items():
                    terms[kind][at] = values
    sigma, per_c, most = np.zeros((size, size)), np.zeros((size, size)), np.full((size, size), np.inf)
    first, second = pairs.T
    sigma[first, second] = sigma[second, first] = errors
    per_c[first, second] = per_c[second, first] = np.where(np.any(terms["beta0"][:, 1:], axis=1), 0.0, _SIGMA_PER_C)
    # A salt's molality times its charge: equivalents.
    most[first, second] = most[second, first] = limits * np.maximum(z[first], -z[second])
    for group in (cations, anions):
        sigma[np.ix_(group, group)] = _THETA_SIGMA
        phosphates = np.array([where[name] for name in _PHOSPHATES & where.keys() if where[name] in group], dtype=int)
        sigma[np.ix_(phosphates, group)] = sigma[np.ix_(group, phosphates)] = _PHOSPHATE_THETA_SIGMA
        sigma[group, group] = 0.0
    sigma[neutral, :] = sigma[:, neutral] = _LAMBDA_SIGMA
    if "urea" in where:
        sigma[where["urea"], :] = sigma[:, where["urea"]] = _UREA_SIGMA
    table = _table()
    # Cations with cations, anions with anions, neutrals with all.
    found = []
    for (kind, ions), (value, _) in table.items():
        if kind not in {"theta", "lambda"} or not ions <= where.keys():
            continue
        one, other = min(where[ion] for ion in ions), max(where[ion] for ion in ions)
        if z[other] == 0 != z[one]:
            one, other = other, one
        if z[one] * z[other] > 0 if kind == "theta" else z[one] == 0:
            sigma[one, other] = sigma[other, one] = _FITTED_SIGMA
            found.append(((np.sign(z[one]) % 3 or 3, one, other), value))
    found.sort(key=lambda pair: pair[0])
    like, like_value = [(one, other) for (_, one, other), _ in found], [value for _, value in found]
    triples = [
        (sorted(where[ion] for ion in ions), value)
        for (kind, ions), (value, _) in table.items()
        if kind in {"psi", "zeta"} and len(ions) == 3 and ions <= where.keys()
    ]
    zz = np.abs(z)
    two_two = (zz[pairs[:, 0]] == 2) & (zz[pairs[:, 1]] == 2)
    steep = (zz[pairs[:, 0]] > 1) & (zz[pairs[:, 1]] > 1) & ~two_two

    def stack(values: list[Floats]) -> Floats:
        return np.array(values).reshape(-1, 6)

    return _Parameters(
        names=names,
        charge=z,
        pairs=pairs,
        **terms,
        alpha1=np.where(two_two, 1.4, 2.0),
        alpha2=np.where(steep, 50.0, 12.0),
        like=np.array(like, dtype=int).reshape(-1, 2),
        like_value=stack(like_value),
        triples=np.array([ions for ions, _ in triples], dtype=int).reshape(-1, 3),
        triple_value=stack([value for _, value in triples]),
        sigma=sigma,
        per_c=per_c,
        most=most,
    )


def kernel_tables(names: tuple[str, ...], charge: Floats) -> dict[str, np.ndarray]:
    """The parameters of these species as kernel.c takes them."""
    p = _parameters(names, tuple(charge))
    z = np.abs(p.charge)
    scale = 2.0 * np.sqrt(z[p.pairs[:, 0]] * z[p.pairs[:, 1]])
    return {
        "pair": p.pairs.astype(np.int32),
        "pair_alpha": np.where(p.alpha1 < 2.0, 1, np.where(p.alpha2 > 12.0, 2, 0)).astype(np.int32),
        "beta0": p.beta0,
        "beta1": p.beta1,
        "beta2": p.beta2,
        "cphi": p.cphi / scale[:, None],
        "like": p.like.astype(np.int32),
        "like_value": p.like_value,
        "triple": p.triples.astype(np.int32),
        "triple_value": p.triple_value,
        "sigma": p.sigma,
        "sigma_per_c": p.per_c,
        "fitted_up_to": p.most,
    }


@dataclass(frozen=True)
class _Acting:
    """Where the parameters go when only some species act on the others. Entries are places in a table of
    (all species, acting species), flat. pairs: which pairs matter; pair_entry, pair_of_entry: their places
    and which of them stands there; like_* the same for ions of like sign and neutrals; unlike (U, 2), unlike_entry,
    unlike_of_entry: charges of ions of like sign and unlike charge, and their places; alphas: of the pairs;
    both, both_pair: pairs of which both act;
    triples, triple_ions (3, K): those that matter and their places among the acting (past the end: not
    acting); triple_one (3, K, S), triple_two (3, K, S A): incidence."""

    acting: np.ndarray
    pairs: np.ndarray
    pair_entry: np.ndarray
    pair_of_entry: np.ndarray
    like_entry: np.ndarray
    like_of_entry: np.ndarray
    unlike: Floats
    unlike_entry: np.ndarray
    unlike_of_entry: np.ndarray
    alphas: tuple[float, ...]
    both: np.ndarray
    both_pair: np.ndarray
    triples: np.ndarray
    triple_ions: np.ndarray
    triple_one: Floats
    triple_two: Floats


@lru_cache(maxsize=24)  # up to some 15 MB each
def _on(names: tuple[str, ...], charge: tuple[float, ...], acting: tuple[int, ...]) -> _Acting:
    p = _parameters(names, charge)
    size, width = len(names), len(acting)
    place = {species: k for k, species in enumerate(acting)}

    def entries(couples: np.ndarray) -> tuple[list[int], list[int]]:
        """Flat places of couples of species, and which couple stands there."""
        where, which = [], []
        for row, (i, j) in enumerate(couples.tolist()):
            for one, two in dict.fromkeys(((i, j), (j, i))):
                if two in place:
                    where.append(one * width + place[two])
                    which.append(row)
        return where, which

    where, which = entries(p.pairs)
    pairs = np.unique(which).astype(int)
    at_like, of_like = entries(p.like)
    unlike: list[tuple[float, float]] = []
    at_unlike: list[int] = []
    of_unlike: list[int] = []
    for one in np.unique(p.charge).tolist():
        for two in np.unique(p.charge).tolist():
            if one < two and one * two > 0:
                rows, columns = np.flatnonzero(p.charge == one), np.flatnonzero(p.charge == two)
                places, _ = entries(np.array([(i, j) for i in rows for j in columns]))
                if places:
                    at_unlike += places
                    of_unlike += [len(unlike)] * len(places)
                    unlike.append((one, two))
    both = [(place[i], place[j], k) for k, (i, j) in enumerate(p.pairs[pairs].tolist()) if i in place and j in place]
    matters = [k for k, ions in enumerate(p.triples.tolist()) if sum(ion in place for ion in ions) >= 2]
    triple_one, triple_two = np.zeros((3, len(matters), size)), np.zeros((3, len(matters), size, width))
    for row, triple in enumerate(matters):
        ions = p.triples[triple].tolist()
        for k in range(3):
            triple_one[k, row, ions[k]] = 1.0
            for one, two in ((ions[(k + 1) % 3], ions[(k + 2) % 3]), (ions[(k + 2) % 3], ions[(k + 1) % 3])):
                if two in place:
                    triple_two[k, row, one, place[two]] = 1.0
    both_table = np.array(both, dtype=int).reshape(-1, 3)
    return _Acting(
        acting=np.array(acting, dtype=int),
        pairs=pairs,
        pair_entry=np.array(where, dtype=int),
        pair_of_entry=np.searchsorted(pairs, np.array(which, dtype=int)),
        like_entry=np.array(at_like, dtype=int),
        like_of_entry=np.array(of_like, dtype=int),
        unlike=np.array(unlike, dtype=float).reshape(-1, 2),
        unlike_entry=np.array(at_unlike, dtype=int),
        unlike_of_entry=np.array(of_unlike, dtype=int),
        alphas=tuple(np.unique(p.alpha1[pairs]).tolist()),
        both=both_table[:, :2].T,
        both_pair=both_table[:, 2],
        triples=np.array(matters, dtype=int),
        triple_ions=np.array([[place.get(ion, width) for ion in p.triples[k]] for k in matters], dtype=int)
        .reshape(-1, 3)
        .T,
        triple_one=triple_one,
        triple_two=triple_two.reshape(3, len(matters), size * width),
    )


def _at(value: Floats, temperature_k: Floats) -> Floats:
    """(B, P) parameters at each temperature from (P, 6): the form of pitzer.dat."""
    t, r = temperature_k, REFERENCE_K
    basis = np.stack([np.ones_like(t), 1 / t - 1 / r, np.log(t / r), t - r, t * t - r * r, 1 / (t * t) - 1 / (r * r)])
    return np.asarray(basis.T @ value.T)


def _g(x: Floats) -> tuple[Floats, Floats, Floats]:
    """Pitzer's g(x) and its first two derivatives."""
    x = np.maximum(x, 1e-9)
    e = np.exp(-x)
    small = x < 1e-3
    value = np.where(small, 1.0 - 2.0 * x / 3.0, 2.0 * (1.0 - (1.0 + x) * e) / (x * x))
    slope = np.where(small, -2.0 / 3.0, 2.0 * (e - value) / x)
    bend = np.where(small, 0.5, 2.0 * ((value - e) / x - e - slope) / x)
    return value, slope, bend


def _j(x: Floats) -> tuple[Floats, Floats]:
    """Pitzer's J(x) of unsymmetrical mixing and its derivative, his closed form of 1975.

    The tests compare it with the integral that it stands for.
    """
    x = np.maximum(x, 1e-12)
    bend = 4.581 * x**-0.7237 * np.exp(-0.0120 * x**0.528)
    below = 4.0 + bend
    value = x / below
    slope = 1.0 / below - x / below**2 * bend * (-0.7237 / x - 0.0120 * 0.528 * x ** (0.528 - 1.0))
    return value, slope


@dataclass(frozen=True)
class Local:
    """The model at some solutions. ln_gamma (B, S); ln_aw (B,); hessian (B, S, A): d ln gamma by the
    molality of the species `acting` (A,)."""

    ln_gamma: Floats
    ln_aw: Floats
    hessian: Floats
    acting: np.ndarray


@dataclass(frozen=True)
class Pitzer:
    """Activity model of strong solutions for a fixed set of species and temperatures."""

    parameters: _Parameters
    temperature_k: Floats
    a_phi: Floats
    beta0: Floats
    beta1: Floats
    beta2: Floats
    c: Floats
    like: Floats
    triples: Floats

    name = "Pitzer (parameters of the single salts; mixing terms where known)"
    valid_up_to_mol_per_kg = VALID_UP_TO_MOL_PER_KG

    @classmethod
    def of(cls, constants: Constants, species: np.ndarray, temperature_k: Floats) -> Pitzer:
        """Model for the species at these indices, at each temperature [K]."""
        names = tuple(constants.species[i] for i in species)
        p = _parameters(names, tuple(constants.charge[species]))
        a, _ = debye_hueckel(temperature_k)
        z = np.abs(p.charge)
        scale = 2.0 * np.sqrt(z[p.pairs[:, 0]] * z[p.pairs[:, 1]])
        return cls(
            p,
            temperature_k,
            a * LN10 / 3.0,
            _at(p.beta0, temperature_k),
            _at(p.beta1, temperature_k),
            _at(p.beta2, temperature_k),
            _at(p.cphi, temperature_k) / scale,
            _at(p.like_value, temperature_k),
            _at(p.triple_value, temperature_k),
        )

    def rows(self, keep: np.ndarray) -> Pitzer:
        """The same model for some of the temperatures."""
        taken: dict[str, Any] = {
            field.name: getattr(self, field.name)[keep] for field in fields(self) if field.name != "parameters"
        }
        return replace(self, **taken)

    def local(self, molality: Floats) -> Local:
        """ln gamma, ln of the water activity and their derivatives at molalities (B, S) [mol/kg]."""
        p = self.parameters
        acting = tuple(np.flatnonzero(np.max(molality, axis=0, initial=0.0) > _ACTS).tolist())
        on = _on(p.names, tuple(p.charge.tolist()), acting)
        z, za = np.abs(p.charge), np.abs(p.charge[on.acting])
        m = np.minimum(molality[:, on.acting], _MOST)
        shape = (len(m), len(z), len(za))
        strength = np.maximum(0.5 * m @ (za * za), 1e-9)
        root = np.sqrt(strength)
        # Debye-Hueckel term and its derivatives by the ionic strength.
        a, below = self.a_phi, 1.0 + _B * root
        f = -4.0 * a * strength / _B * np.log(below)
        f1 = -2.0 * a * (2.0 / _B * np.log(below) + root / below)
        f2 = -2.0 * a * (1.0 / (root * below) + 0.5 / (root * below**2))
        # Second coefficients L of every species (rows) with those that act (columns), with their first and,
        # among the pairs, second derivative by the ionic strength.
        b, b1, b2 = self._of_pairs(root, on)
        second, slope, third = (np.zeros((shape[0], shape[1] * shape[2])) for _ in range(3))
        second[:, on.pair_entry], slope[:, on.pair_entry] = b[:, on.pair_of_entry], b1[:, on.pair_of_entry]
        third[:, on.pair_entry] = self.c[:, on.pairs][:, on.pair_of_entry]
        second[:, on.like_entry] = self.like[:, on.like_of_entry]
        if len(on.unlike_entry):
            e, e1 = self._unsymmetrical(strength, root, on.unlike)
            second[:, on.unlike_entry] += e[:, on.unlike_of_entry]
            slope[:, on.unlike_entry] += e1[:, on.unlike_of_entry]
        cubes = [table.reshape(shape) for table in (second, slope, third)]
        # Gradient.
        column = m[:, :, None]
        lm, l1m, cm = ((cube @ column)[:, :, 0] for cube in cubes)
        mlm, ml1m, mcm = (np.sum(m * vector[:, on.acting], axis=1) for vector in (lm, l1m, cm))
        zsum, z2 = m @ za, z * z
        ln_gamma = 0.5 * (f1 + ml1m)[:, None] * z2 + 2.0 * lm + zsum[:, None] * cm + 0.5 * mcm[:, None] * z
        energy = f + mlm + 0.5 * zsum * mcm
        # Hessian.
        bend = f2 + 2.0 * np.sum(m[:, on.both[0]] * m[:, on.both[1]] * b2[:, on.both_pair], axis=1)
        hessian = 2.0 * cubes[0]
        hessian += zsum[:, None, None] * cubes[2]
        hessian += z2[:, None] * (0.25 * bend[:, None] * za * za + l1m[:, on.acting])[:, None, :]
        hessian += l1m[:, :, None] * (za * za)
        hessian += z[:, None] * cm[:, on.acting][:, None, :]
        hessian += cm[:, :, None] * za
        if len(on.triples):
            value = self.triples[:, on.triples]
            # An ion that does not act has its place behind the others, with no amount.
            more = np.concatenate([m, np.zeros((shape[0], 1))], axis=1)
            of = [more[:, ions] for ions in on.triple_ions]
            for k in range(3):
                part = value * of[k]
                ln_gamma += (value * of[(k + 1) % 3] * of[(k + 2) % 3]) @ on.triple_one[k]
                hessian += (part @ on.triple_two[k]).reshape(shape)
            energy += np.sum(part * of[0] * of[1], axis=1)
        total = np.sum(m, axis=1)
        ln_aw = WATER_KG_PER_MOL * (energy - np.sum(m * ln_gamma[:, on.acting], axis=1) - total)
        return Local(ln_gamma, ln_aw, hessian, on.acting)

    def _of_pairs(self, root: Floats, on: _Acting) -> tuple[Floats, Floats, Floats]:
        """B of the pairs that matter and its first two derivatives by the ionic strength, (B, pairs)."""
        p, strength = self.parameters, root[:, None] ** 2
        beta1, beta2 = self.beta1[:, on.pairs], self.beta2[:, on.pairs]
        value, first, second = self.beta0[:, on.pairs].copy(), np.zeros_like(beta1), np.zeros_like(beta1)
        for alpha in on.alphas:
            x = alpha * root[:, None]
            g, d, e = _g(x)
            mine = np.where(p.alpha1[on.pairs] == alpha, beta1, 0.0)
            value += mine * g
            first += mine * (d * x / (2.0 * strength))
            second += mine * ((e * x - d) * x / (4.0 * strength**2))
        some = np.flatnonzero(np.any(beta2 != 0.0, axis=0))
        if len(some):
            x = p.alpha2[on.pairs][some] * root[:, None]
            g, d, e = _g(x)
            value[:, some] += beta2[:, some] * g
            first[:, some] += beta2[:, some] * d * x / (2.0 * strength)
            second[:, some] += beta2[:, some] * (e * x - d) * x / (4.0 * strength**2)
        return value, first, second

    def _unsymmetrical(self, strength: Floats, root: Floats, unlike: Floats) -> tuple[Floats, Floats]:
        """Electrostatic term of ions of like sign and these charges (U, 2), and its slope, (B, U)."""
        one, two = unlike.T
        x = 6.0 * (self.a_phi * root)[:, None] * np.concatenate([one * two, one * one, two * two])
        j, j1 = _j(x)
        (j, ji, jj), (xj, xji, xjj) = np.split(j, 3, axis=1), np.split(x * j1, 3, axis=1)
        i = strength[:, None]
        e = one * two / (4.0 * i) * (j - 0.5 * ji - 0.5 * jj)
        return e, -e / i + one * two / (8.0 * i**2) * (xj - 0.5 * xji - 0.5 * xjj)

    def sigma(self, molality: Floats) -> Floats:
        """(B, S, S) standard errors of the second coefficients at these molalities."""
        p = self.parameters
        away = np.abs(self.temperature_k - REFERENCE_K)[:, None, None] * p.per_c
        equivalents = molality * np.abs(p.charge)
        scarcer = np.minimum(equivalents[:, :, None], equivalents[:, None, :])
        beyond = _SIGMA_BEYOND * np.maximum(scarcer / p.most - 1.0, 0.0)
        return np.asarray(np.sqrt(p.sigma**2 + away**2 + beyond**2))
