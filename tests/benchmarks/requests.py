"""How many checks a second a server answers, over the twelve pours of answers.py at ratios of their own.

    python tests/benchmarks/requests.py [--seconds 30] [--workers 2] [--clients 4] [--depth numbers]

Clients are threads of this process, each with a connection of its own, and take their share of the same cores. Not a
test: figures depend on the machine.
"""

from __future__ import annotations

import argparse
import itertools
import re
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path

import httpx

sys.path.insert(0, str(Path(__file__).parent))
from answers import pours


def resident_mb(pid: int) -> dict[int, float]:
    """Memory of a process and of those that it started [MB]."""
    found = {}
    for status in Path("/proc").glob("[0-9]*/status"):
        try:
            facts = dict(re.findall(r"^(Pid|PPid|VmRSS):\s+(\d+)", status.read_text(), re.MULTILINE))
        except OSError:
            continue
        if str(pid) in {facts.get("Pid"), facts.get("PPid")}:
            found[int(facts["Pid"])] = int(facts.get("VmRSS", 0)) / 1024
    return found


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--clients", type=int, default=4)
    parser.add_argument("--depth", default="numbers")
    told = parser.parse_args()
    kinds, numbers = list(pours().values()), itertools.count()
    answers: Counter[str] = Counter()
    took: list[float] = []
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-c", "from pourcheck.rules.cli import main; main()", "serve", "--port", "0"]
        command += ["--workers", str(told.workers), "--rate", "none", "--db", f"{folder}/catalog.sqlite3", "--new"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
            assert server.stdout is not None
            url = server.stdout.readline().split()[2].rstrip(".")

            def ask(until: float, times: list[float], seen: Counter[str]) -> None:
                with httpx.Client(base_url=url, timeout=60) as http:
                    while time.monotonic() < until:
                        i = next(numbers)
                        pour = {**kinds[i % len(kinds)], "injection": {"ratio": f"1:{90 + i % 9000 / 17:.4f}"}}
                        start = time.monotonic()
                        try:
                            got = str(http.post("/check", params={"depth": told.depth}, json=pour).status_code)
                        except httpx.TransportError as error:
                            got = type(error).__name__
                        times.append(time.monotonic() - start)
                        seen[got] += 1

            def clients(seconds: float, times: list[float], seen: Counter[str]) -> float:
                start = time.monotonic()
                threads = [
                    threading.Thread(target=ask, args=(start + seconds, times, seen)) for _ in range(told.clients)
                ]
                for one in threads:
                    one.start()
                for one in threads:
                    one.join()
                return time.monotonic() - start

            clients(5.0, [], Counter())  # imports, tables
            before = resident_mb(server.pid)
            seconds = clients(told.seconds, took, answers)
            after = resident_mb(server.pid)
            server.terminate()
    times = sorted(took)
    print(f"{len(times) / seconds:.0f} a second over {seconds:.0f} s; answers: {dict(answers)}")
    median, late = 1000 * statistics.median(times), 1000 * times[int(0.95 * len(times))]
    print(f"ms: {median:.0f} (median), {late:.0f} (95 % within), {1000 * times[-1]:.0f} (longest)")
    print("memory [MB], then and now:", ", ".join(f"{before.get(pid, 0):.0f} to {mb:.0f}" for pid, mb in after.items()))


if __name__ == "__main__":
    main()
