"""How fast and how well `find` answers over many invented products, against ranking every name.

python tests/benchmarks/search.py [--products 100000] [--place postgresql://...]
"""

from __future__ import annotations

import argparse
import random
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from pourcheck import Catalog
from pourcheck.catalog.store.search import find

sys.path.insert(0, str(Path(__file__).parent.parent / "evidence"))
from made_products import made_products

#: As people type: straights, half names, run together, with errors; grades and nutrients.
TYPED = (
    "calcium nitrate", "potasium nitrat", "urea", "uera", "Quinquinspring berry acidifier", "denjunen lawn",
    "quinquinsprng bery acidifer 25-0-0", "hollormax pasture liqid", "junjuno blom premium", "10-34-0", "20-0-20",
    "potash", "nitrogen", "magnesium sulfat gold", "epsom salt", "epsom slat", "MAP", "map technical", "tomato feed",
    "tomatofeed", "drip starter blue", "corveren", "corverin", "alalmix drip", "lawn feed 26-0-10", "nitrate",
    "premium", "kcl", "guano", "calcuim", "ammonium sulphate", "rosmardale", "rosmar dale bloom", "fertilizer",
    "urea fertilizer bag", "chelated iron", "zinc", "iron edta", "liquid", "UAN 33", "mono ammonium phosphate",
    "phosphoric", "nitric acid", "bloom 8-27-30", "seedling plus marvero",
)  # fmt: skip

#: The first search of a process.
COLD = """
import sys, time
start = time.perf_counter()
from pourcheck import Catalog
Catalog.open(sys.argv[1]).find(sys.argv[2])
print(time.perf_counter() - start)
"""


def mistyped(name: str, draw: random.Random) -> str:
    """A name with two letters left out, put in, changed or turned round."""
    letters = list(name)
    for _ in range(2):
        i = draw.randrange(1, len(letters) - 1)
        match draw.choice("drit"):
            case "d":
                del letters[i]
            case "r":
                letters[i] = draw.choice("abcdefghijklmnopqrstuvwxyz")
            case "i":
                letters.insert(i, draw.choice("abcdefghijklmnopqrstuvwxyz"))
            case _:
                letters[i - 1], letters[i] = letters[i], letters[i - 1]
    return "".join(letters)


def main() -> None:
    """Print times, and how often the first score is the best of all names."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--products", type=int, default=100_000)
    parser.add_argument("--place", help="an empty PostgreSQL database; SQLite where left out")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        place = asked.place or str(Path(folder) / "catalog.sqlite3")
        with Catalog.open(place, new=True) as catalog:
            catalog.save_all(made_products(asked.products))
        with Catalog.open(place) as catalog:
            draw = random.Random(5)
            picked = [f"made-{draw.randint(1, asked.products)}" for _ in range(40)]
            queries = [*TYPED, *(mistyped(catalog.product(id_).name, draw) for id_ in picked)]
            first, again, found = [], [], {}
            for query in queries:
                for times in (first, again):
                    start = time.perf_counter()
                    found[query] = catalog.find(query, 5)
                    times.append(1000 * (time.perf_counter() - start))
            for what, times in (("asked first", first), ("asked again", again)):
                middle, late = statistics.median(times), sorted(times)[int(0.95 * len(times))]
                print(f"{what}: median {middle:.0f} ms, 95 % within {late:.0f} ms")
            cold = [float(subprocess.check_output([sys.executable, "-c", COLD, place, one])) for one in queries[:5]]
            print(f"the first of a process: {statistics.median(cold):.2f} s, imports included")
            everything, same = catalog.products(), 0
            for query in queries:
                best = find(everything, query, 1, resolve=catalog.product)
                is_same = [match.score for match in best] == [match.score for match in found[query][:1]]
                same += is_same
                if not is_same:
                    told = [f"{match.product.name} ({match.score:.1f})" for match in (*best, *found[query][:1])]
                    print(f"  {query!r}: of all {told[0]}, found {', '.join(told[1:]) or 'nothing'}")
            print(f"best score of all names: {same} of {len(queries)} queries")


if __name__ == "__main__":
    main()
