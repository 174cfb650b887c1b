"""How many checks a second a server answers, over the twelve pours of answers.py, none of them asked before.

    python tests/benchmarks/requests.py [--seconds 10] [--rounds 3] [--workers 2] [--clients 4] [--depth numbers]
    python tests/benchmarks/requests.py --minutes 10

Clients are threads of this process, each with a connection of its own, and take their share of the same cores. With
--minutes a line is printed for each: checks a second, answers other than 200, and the memory of the server's processes.
Else `check_each` answers the same pours at the same depth in as many processes, in turn with the server, so that both
meet the same other work; the processor time of both, per answer, tells what HTTP costs beside the check. Not a test:
figures depend on the machine. Exit code 1 where an answer was another than 200.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import itertools
import json
import os
import re
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from pourcheck import Catalog, check_each
from pourcheck.rules.answer.verdict import Depth

sys.path.insert(0, str(Path(__file__).parent))
from answers import one_of_many


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


def processor_ms(pid: int) -> dict[int, float]:
    """Processor time of a process and of those below it, since each began [ms]."""
    used = {}
    for one in resident_mb(pid):
        with contextlib.suppress(OSError):
            fields = Path(f"/proc/{one}/stat").read_text().rpartition(")")[2].split()
            used[one] = 1000.0 * (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return used


def since(before: dict[int, float], after: dict[int, float]) -> Counter[int]:
    """Processor time of each process between two moments [ms]."""
    return Counter({pid: ms - before.get(pid, 0.0) for pid, ms in after.items()})


class Asking:
    """Clients that ask a server again and again."""

    def __init__(self, url: str, depth: str, clients: int) -> None:
        self._address, self._depth, self._clients = urlsplit(url).netloc, depth, clients
        self._numbers = itertools.count()

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
        to_server = http.client.HTTPConnection(self._address, timeout=60)
        headers = {"Content-Type": "application/json"}
        while time.monotonic() < until:
            body = json.dumps(one_of_many(next(self._numbers)))
            start = time.monotonic()
            try:
                to_server.request("POST", f"/check?depth={self._depth}", body, headers)
                answer = to_server.getresponse()
                answer.read()
                got = str(answer.status)
            except (OSError, http.client.HTTPException) as error:
                got = type(error).__name__
                to_server.close()
            times.append(time.monotonic() - start)
            seen[got] += 1
        to_server.close()


def each(seconds: float, depth: Depth, workers: int, place: str) -> tuple[int, float, float]:
    """How many verdicts `check_each` gives in about so many seconds, how long they took [s], and the processor time of
    all of them [ms]."""
    end = float("inf")

    def many() -> Iterator[dict[str, Any]]:
        for i in itertools.count():
            if time.monotonic() > end:
                return
            yield one_of_many(i)

    with Catalog.open(place) as catalog:
        answers = check_each(many(), catalog, depth=depth, workers=workers)
        for _ in range(60):  # imports, tables
            next(answers)
        start, before, count = time.monotonic(), processor_ms(os.getpid()), 0
        end = start + seconds
        while time.monotonic() < end:
            next(answers)
            count += 1
        took, used = time.monotonic() - start, since(before, processor_ms(os.getpid()))
        for _ in answers:
            pass
    return count, took, used.total()


def told(times: list[float], seconds: float) -> str:
    """Figures of some answers."""
    median, late, longest = (1000 * one for one in (statistics.median(times), times[int(0.95 * len(times))], times[-1]))
    return f"{len(times) / seconds:4.0f} a second; ms: {median:.0f} (median), {late:.0f} (95 %), {longest:.0f} at most"


def main() -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--minutes", type=int, default=0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--clients", type=int, default=4)
    parser.add_argument("--depth", default="numbers")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        place = f"{folder}/catalog.sqlite3"
        command = [sys.executable, "-c", "from pourcheck.rules.cli import main; main()", "serve", "--port", "0"]
        command += ["--workers", str(options.workers), "--rate", "none", "--db", place, "--new"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
            assert server.stdout is not None
            asking = Asking(server.stdout.readline().split()[2].rstrip("."), options.depth, options.clients)
            asking.go_on(6.0)  # imports, tables
            at_first = resident_mb(server.pid)
            all_times: list[float] = []
            answers: Counter[str] = Counter()
            served_ms: Counter[int] = Counter()
            took, clients_ms = 0.0, 0.0
            each_count, each_s, each_ms = 0, 0.0, 0.0
            for turn in range(1, 1 + (options.minutes or options.rounds)):
                before, own = processor_ms(server.pid), time.process_time()
                times, seen, seconds = asking.go_on(60.0 if options.minutes else options.seconds)
                served_ms += since(before, processor_ms(server.pid))
                clients_ms += 1000.0 * (time.process_time() - own)
                all_times, answers, took = sorted(all_times + times), answers + seen, took + seconds
                if options.minutes:
                    other = {status: count for status, count in seen.items() if status != "200"}
                    shown = f"{told(times, seconds)}; other than 200: {other or 'none'}"
                    print(f"minute {turn:3}: {shown}; {sum(resident_mb(server.pid).values()):.0f} MB", flush=True)
                else:
                    count, seconds, used = each(options.seconds, options.depth, options.workers, place)
                    each_count, each_s, each_ms = each_count + count, each_s + seconds, each_ms + used
            at_last = resident_mb(server.pid)
            server.terminate()
    print(f"{told(all_times, took)}; answers: {dict(answers)}")
    print(
        "memory [MB], then and now:",
        ", ".join(f"{at_first.get(pid, 0):.0f} to {mb:.0f}" for pid, mb in at_last.items()),
    )
    workers_ms = sum(ms for _, ms in served_ms.most_common(options.workers))
    workers, others, clients = (ms / len(all_times) for ms in (workers_ms, served_ms.total() - workers_ms, clients_ms))
    print(f"processor time of an answer [ms]: workers {workers:.1f}, what listens {others:.2f}, clients {clients:.2f}")
    if each_count:
        print(
            f"check_each in {options.workers} processes: {each_count / each_s:.0f} a second; "
            f"processor time of an answer [ms]: {each_ms / each_count:.1f}"
        )
    return int(set(answers) != {"200"})


if __name__ == "__main__":
    sys.exit(main())
