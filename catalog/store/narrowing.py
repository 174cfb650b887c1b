"""Which products come into question for a query: some hundred of however many, by the index rows alone.

What is chosen here is ranked by `search.py`, with the same rules as if all products had been looked at.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from heapq import nlargest

from ..nutrients import NUTRIENTS, nutrient_named
from ..product import GRADE, parse_grade
from .free_of import Left
from .grade_names import words_of
from .name_search import FTS_TABLE, KEY_BITS
from .reader import Reader
from .search import GRADE_CUTOFF, name_scores

#: Catalogs and lists of no more products are looked at whole.
SMALL = 400
#: Names that are looked at in one go: those that hold all words, only some, or are of a like length.
_STRICT, _LOOSE, _LIKE_LENGTH = 200, 150, 3000
#: Letters in a row that more names hold tell nothing; names that share the most of the others are looked at.
_RARE, _SHARED, _MOST_GRAMS, _MOST_WORDS = 2000, 300, 48, 8
#: A query of so many letters is also looked for among names of a like length: a typing error leaves too little of it.
_SHORT_QUERY, _LENGTH_OFF = 8, 2
#: A name may be so much shorter than the query and still count as one that holds more [letters].
_SLACK = 3


@dataclass(frozen=True)
class Wanted:
    """What narrows a search besides its words. made_of: folded names of a material, one of which the label names."""

    made_of: tuple[str, ...] = ()
    region: str = ""
    state: str = ""
    sold_here: bool = False
    left: tuple[Left, ...] = field(default=(), compare=False)

    def conditions(self, column: str) -> tuple[str, list[object]]:
        """Conditions on the id of a product, each beginning with AND, and their values."""
        parts: list[str] = []
        values: list[object] = []
        if self.made_of:
            marks = ", ".join("?" * len(self.made_of))
            parts.append(f"{column} IN (SELECT id FROM product_source WHERE material IN ({marks}))")
            values += self.made_of
        if self.region or self.state or self.sold_here:
            said = [("region = ?", self.region), ("state = ?", self.state)]
            where = [condition for condition, value in said if value] + ["sold_here"] * self.sold_here
            parts.append(f"{column} IN (SELECT product FROM listing_index WHERE {' AND '.join(where)})")
            values += [value for _, value in said if value]
        for left in self.left:
            if left.part.key in NUTRIENTS:
                parts.append(
                    "NOT EXISTS (SELECT 1 FROM product_nutrient AS other WHERE other.kind = 'product' "
                    f"AND other.id = {column} AND other.nutrient = ?)"
                )
                values.append(left.part.key)
        return "".join(f" AND {part}" for part in parts), values

    @property
    def selective(self) -> bool:
        """Whether it may leave so few that they are looked at whole."""
        return bool(self.made_of or self.region or self.state or self.sold_here)


def narrowed(reader: Reader, words: str, most: int, wanted: Wanted) -> tuple[list[str], bool]:
    """Ids of products that may answer folded words, the likeliest first, and whether no others come into question. Of
    many there are at most `most`."""
    few = _few(reader, wanted)
    if few is not None:
        return few, True
    found = _likeliest(reader, words, most, wanted)
    return found, len(found) < most


def fits(reader: Reader, id_: str, wanted: Wanted) -> bool:
    """Whether a product is among those that are wanted."""
    conditions, values = wanted.conditions("i.id")
    return bool(_ids(reader, f"SELECT i.id FROM product_index AS i WHERE i.id = ?{conditions}", id_, *values))


def _likeliest(reader: Reader, words: str, most: int, wanted: Wanted) -> list[str]:
    if GRADE.fullmatch(words):
        return _of_grade(reader, words, most, wanted)
    conditions, values = wanted.conditions("i.id")
    if nutrient := nutrient_named(words) if words else None:
        statement = (
            "SELECT i.id FROM product_nutrient AS i WHERE i.kind = 'product' AND i.nutrient = ?"
            f"{conditions} ORDER BY i.percent DESC, i.id LIMIT ?"
        )
        return _ids(reader, statement, nutrient, *values, most)
    if not words:
        statement = f"SELECT i.id FROM product_index AS i WHERE true{conditions} ORDER BY i.rich DESC, i.id LIMIT ?"
        return _ids(reader, statement, *values, most)
    return _named(reader, words, most, wanted)


def _ids(reader: Reader, statement: str, *values: object) -> list[str]:
    return [row[0] for row in reader.rows(statement, *values)]


def _few(reader: Reader, wanted: Wanted) -> list[str] | None:
    """All products, or all of the chosen ones, where that is not many; None where it is."""
    conditions, values = wanted.conditions("i.id") if wanted.selective else ("", [])
    ids = _ids(reader, f"SELECT i.id FROM product_index AS i WHERE true{conditions} LIMIT ?", *values, SMALL + 1)
    return sorted(ids) if len(ids) <= SMALL else None


def _of_grade(reader: Reader, words: str, most: int, wanted: Wanted) -> list[str]:
    try:
        grade = parse_grade(words)
    except ValueError:
        return []
    conditions, values = wanted.conditions("i.id")
    off = "abs(i.n - ?) + abs(i.p2o5 - ?) + abs(i.k2o - ?)"
    within = [end for part in grade for end in (part - GRADE_CUTOFF, part + GRADE_CUTOFF)]
    statement = (
        "SELECT i.id FROM product_index AS i "
        "WHERE i.n BETWEEN ? AND ? AND i.p2o5 BETWEEN ? AND ? AND i.k2o BETWEEN ? AND ?"
        f" AND {off} <= ?{conditions} ORDER BY {off}, i.id LIMIT ?"
    )
    return _ids(reader, statement, *within, *grade, GRADE_CUTOFF, *values, *grade, most)


# --- by name --------------------------------------------------------------------------------------


def _named(reader: Reader, asked: str, most: int, wanted: Wanted) -> list[str]:
    """By the likeness of their names, of those that share some letters in a row with the query."""
    conditions, values = wanted.conditions("n.id")
    if not _has_index(reader):
        found = _rows(reader, f"{_NAMES}WHERE n.kind = 'product'{conditions}", *values)
        return _best(asked, found, most)
    parts = _parts(asked)
    marks = ", ".join("?" * len(parts))
    found = _rows(reader, f"{_NAMES}WHERE n.kind = 'product' AND n.folded IN ({marks}){conditions}", *parts, *values)
    size = len(asked)
    words = [chunks for word in words_of(asked) if (chunks := _chunks(word))]
    if words:
        found |= _sharing(reader, asked, wanted)
        strict = _holding(reader, words, size - _SLACK, wanted, _STRICT)
        found |= strict
        # Those that hold some of the words: the shorter ones, to which the query adds something, and where few hold all
        # of them, longer ones too.
        loose = [[chunk for chunks in words for chunk in chunks]]
        found |= _holding(reader, loose, size, wanted, _LOOSE, longer=len(strict) < _LOOSE)
    if size <= _SHORT_QUERY or not words:
        like = f"{_NAMES}WHERE n.kind = 'product' AND n.size BETWEEN ? AND ?{conditions} ORDER BY n.size, n.key LIMIT ?"
        found |= _rows(reader, like, size - _LENGTH_OFF, size + _LENGTH_OFF, *values, _LIKE_LENGTH)
    return _best(asked, found, most)


def _best(asked: str, found: dict[tuple[str, str], str], most: int) -> list[str]:
    """Ids by the best of their names."""
    best: dict[str, float] = {}
    for (id_, _), score in name_scores(asked, found).items():
        best[id_] = max(score, best.get(id_, 0.0))
    return sorted(best, key=lambda id_: (-best[id_], id_))[:most]


def _sharing(reader: Reader, asked: str, wanted: Wanted) -> dict[tuple[str, str], str]:
    """Names that share the most of those letters in a row with the query that few names hold."""
    conditions, values = wanted.conditions("n.id")
    if reader.place.dialect == "postgresql":
        near = "ORDER BY similarity(n.folded, ?) DESC LIMIT ?"
        like = f"{_NAMES}WHERE n.kind = 'product' AND n.folded %% ?{conditions} {near}"
        return _rows(reader, like, asked, *values, asked, _SHARED)
    weights: dict[int, float] = {}
    for gram in _grams(asked):
        if gram in reader.common:
            continue
        rows = reader.rows(f"SELECT rowid FROM {FTS_TABLE} WHERE folded MATCH ? LIMIT ?", _phrase(gram), _RARE)
        if len(rows) < _RARE:
            weight = 1.0 / (1.0 + len(rows)) ** 0.25
            for (row,) in rows:
                weights[row] = weights.get(row, 0.0) + weight
        else:
            reader.common.add(gram)
    likely = nlargest(_SHARED, weights, key=weights.__getitem__)
    keys = [row & _KEY for row in likely]
    marks = ", ".join("?" * len(keys))
    return _rows(reader, f"{_NAMES}WHERE n.key IN ({marks}){conditions}", *keys, *values) if keys else {}


def _parts(asked: str) -> list[str]:
    """A query, and every run of its words."""
    words = asked.split()[:_MOST_WORDS]
    runs = (" ".join(words[i:j]) for i in range(len(words)) for j in range(i + 1, len(words) + 1))
    return list(dict.fromkeys((asked, *runs)))


def _grams(asked: str) -> list[str]:
    """Every four letters in a row of its words, of short words every three; and a grade as it is."""
    found = [match[0] for match in GRADE.finditer(asked)]
    for word in words_of(asked):
        size = 4 if len(word) > 5 else 3
        found += [word[i : i + size] for i in range(max(0, len(word) - size + 1))]
    return list(dict.fromkeys(found))[:_MOST_GRAMS]


#: The part of a row id that is the key of a name.
_KEY = (1 << KEY_BITS) - 1
_INDEX = {
    "sqlite": "SELECT 1 FROM sqlite_master WHERE name = ?",
    "postgresql": "SELECT 1 FROM pg_indexes WHERE indexname = ?",
}
_NAMES = "SELECT n.id, n.folded FROM record_name AS n "


def _rows(reader: Reader, statement: str, *values: object) -> dict[tuple[str, str], str]:
    """Folded names by the id of their product and themselves."""
    return {(id_, folded): folded for id_, folded in reader.rows(statement, *values)}


def _chunks(word: str) -> list[str]:
    """Letters in a row of a word, of which a typing error leaves one as it is."""
    if len(word) < 3:
        return []
    half, third = max(3, (len(word) - 1) // 2), max(3, len(word) // 3)
    start = (len(word) - third) // 2
    return list(dict.fromkeys((word[:half], word[-half:], word[start : start + third])))


def _holding(
    reader: Reader, words: Sequence[Sequence[str]], size: int, wanted: Wanted, most: int, *, longer: bool = True
) -> dict[tuple[str, str], str]:
    """Names that hold, of every word, one of its chunks; those of the nearest length above `size`, and below it."""
    conditions, values = wanted.conditions("n.id")
    found: dict[tuple[str, str], str] = {}
    ways = [("<", "DESC"), *([(">=", "ASC")] if longer else [])]
    if reader.place.dialect == "sqlite":
        match = " AND ".join("(" + " OR ".join(map(_phrase, chunks)) + ")" for chunks in words)
        for sign, order in ways:
            statement = (
                f"SELECT n.id, n.folded FROM {FTS_TABLE} AS f "
                f"JOIN record_name AS n ON n.key = f.rowid & {_KEY} "
                f"WHERE f.folded MATCH ? AND f.rowid {sign} ?{conditions} ORDER BY f.rowid {order} LIMIT ?"
            )
            found |= _rows(reader, statement, match, size << KEY_BITS, *values, most)
        return found
    holds = " AND ".join("(" + " OR ".join("n.folded LIKE ? ESCAPE '!'" for _ in chunks) + ")" for chunks in words)
    likes = [f"%{_escaped(chunk)}%" for chunks in words for chunk in chunks]
    for sign, order in ways:
        statement = (
            f"{_NAMES}WHERE n.kind = 'product' AND {holds} AND n.size {sign} ?{conditions} "
            f"ORDER BY n.size {order}, n.key {order} LIMIT ?"
        )
        found |= _rows(reader, statement, *likes, size, *values, most)
    return found


def _has_index(reader: Reader) -> bool:
    """Whether there is an index of letters in a row (see `name_search`)."""
    if reader.name_search is None:
        reader.name_search = bool(reader.rows(_INDEX[reader.place.dialect], FTS_TABLE))
    return reader.name_search


def _phrase(chunk: str) -> str:
    return '"' + chunk.replace('"', '""') + '"'


def _escaped(chunk: str) -> str:
    return "".join(f"!{sign}" if sign in "!%_" else sign for sign in chunk)
