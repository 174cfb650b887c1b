"""How many checks a second a server answers, over the twelve pours of answers.py at ratios of their own.

    python tests/benchmarks/requests.py [--seconds 30 | --minutes 10] [--workers 2] [--clients 4] [--depth numbers]

Clients are threads of this process, each with a connection of its own, and take their share of the same cores. With
--minutes a line is printed for each: checks a second, answers other than 200, and the memory of the server's processes.
Not a test: figures depend on the machine. Exit code 1 where an answer was another than 200.
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
    """Memory of a process and of those below it [MB]."""
    parents: dict[int, int] = {}
    sizes: dict[int, float] = {}
    for status in Path("/proc").glob("[0-9]*/status"):
        try:
            facts = dict(re.findall(r"^(Pid|PPid|VmRSS):\s+(\d+)", status.read_text(), re.MULTILINE))
        except OSError:
            continue
        parents[int(facts["Pid"])], sizes[int(facts["Pid"])] = int(facts["PPid"]), int(facts.get("VmRSS", 0)) / 1024
    found = {pid}
    while more := {one for one, parent in parents.items() if parent in found} - found:
        found |= more
    return {one: sizes[one] for one in sorted(found) if one in sizes}


class Asking:
    """Clients that ask a server again and again."""

    def __init__(self, url: str, depth: str, clients: int) -> None:
        self._url, self._depth, self._clients = url, depth, clients
        self._kinds, self._numbers = list(pours().values()), itertools.count()

    def go_on(self, seconds: float) -> tuple[list[float], Counter[str], float]:
        """Ask so long: seconds of each answer, counts of statuses, and how long it took."""
        times: list[float] = []
        seen: Counter[str] = Counter()
        start = time.monotonic()
        threads = [
            threading.Thread(target=self._ask, args=(start + seconds, times, seen)) for _ in range(self._clients)
        ]
        for one in threads:
            one.start()
        for one in threads:
            one.join()
        return sorted(times), seen, time.monotonic() - start

    def _ask(self, until: float, times: list[float], seen: Counter[str]) -> None:
        with httpx.Client(base_url=self._url, timeout=60) as http:
            while time.monotonic() < until:
                i = next(self._numbers)
                pour = {**self._kinds[i % len(self._kinds)], "injection": {"ratio": f"1:{90 + i % 9000 / 17:.4f}"}}
                start = time.monotonic()
                try:
                    got = str(http.post("/check", params={"depth": self._depth}, json=pour).status_code)
                except httpx.TransportError as error:
                    got = type(error).__name__
                times.append(time.monotonic() - start)
                seen[got] += 1


def told(times: list[float], seconds: float) -> str:
    """Figures of some answers."""
    median, late, longest = (1000 * one for one in (statistics.median(times), times[int(0.95 * len(times))], times[-1]))
    return f"{len(times) / seconds:4.0f} a second; ms: {median:.0f} (median), {late:.0f} (95 %), {longest:.0f} at most"


def main() -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--minutes", type=int, default=0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--clients", type=int, default=4)
    parser.add_argument("--depth", default="numbers")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-c", "from pourcheck.rules.cli import main; main()", "serve", "--port", "0"]
        command += ["--workers", str(options.workers), "--rate", "none", "--db", f"{folder}/catalog.sqlite3", "--new"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
            assert server.stdout is not None
            url = server.stdout.readline().split()[2].rstrip(".")
            asking = Asking(url, options.depth, options.clients)
            asking.go_on(5.0)  # imports, tables
            before = resident_mb(server.pid)
            all_times: list[float] = []
            answers: Counter[str] = Counter()
            took = 0.0
            for minute in range(1, options.minutes + 1) or [0]:
                times, seen, seconds = asking.go_on(60.0 if options.minutes else options.seconds)
                all_times, answers, took = sorted(all_times + times), answers + seen, took + seconds
                if minute:
                    other = {status: count for status, count in seen.items() if status != "200"}
                    shown = f"{told(times, seconds)}; other than 200: {other or 'none'}"
                    print(f"minute {minute:3}: {shown}; {sum(resident_mb(server.pid).values()):.0f} MB", flush=True)
            after = resident_mb(server.pid)
            server.terminate()
    print(f"{told(all_times, took)}; answers: {dict(answers)}")
    print("memory [MB], then and now:", ", ".join(f"{before.get(pid, 0):.0f} to {mb:.0f}" for pid, mb in after.items()))
    return int(set(answers) != {"200"})


if __name__ == "__main__":
    sys.exit(main())
