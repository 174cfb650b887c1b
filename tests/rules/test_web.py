"""Over HTTP: real server processes on a free port, asked as any client asks."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, NamedTuple

import httpx
import jsonschema
import pytest

from pourcheck import Catalog, acid, check, remedy, split, swap
from pourcheck.rules.answer.verdict import Depth

COMMAND = (sys.executable, "-c", "from pourcheck.rules.cli import main; main()", "serve", "--port", "0")
TOKEN = "0123456789abcdef0123456789abcdef"


def pour(name: str = "urea", amount: str = "1 lb", **more: Any) -> dict[str, Any]:
    """One product in a known water."""
    return {
        "product": [{"name": name, "amount": amount}],
        "bucket": {"volume": "5 gal"},
        "water": {"name": "ridge-well"},
        "injection": {"ratio": "1:100"},
        **more,
    }


class Server(NamedTuple):
    """A server that runs, and a client for it."""

    process: subprocess.Popen[str]
    http: httpx.Client


@contextmanager
def served(*options: str) -> Iterator[Server]:
    """A server on a free port, until the end of the block."""
    # Faults of the program are answered here as they are at a user's.
    env = {name: value for name, value in os.environ.items() if name != "POURCHECK_DEBUG"}
    process = subprocess.Popen([*COMMAND, *options], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=env)
    try:
        assert process.stdout is not None
        found = re.search(r"http://\S+:\d+", process.stdout.readline())
        assert found, process.stderr and process.stderr.read()
        with httpx.Client(base_url=found[0], timeout=60) as http:
            yield Server(process, http)
    finally:
        process.terminate()
        process.communicate(timeout=40)


@pytest.fixture(scope="module")
def reading(catalog: Catalog) -> Iterator[Server]:
    """One worker that only reads the seed catalog."""
    with served("--workers", "1", "--rate", "none", "--db", catalog.database) as server:
        yield server


# --- the same answers as in the library -----------------------------------------------------------


@pytest.mark.parametrize("depth", ["verdict", "numbers", "edges"])
def test_check_answers_as_the_library(reading: Server, catalog: Catalog, depth: Depth) -> None:
    got = reading.http.post("/check", params={"depth": depth}, json=pour("technical MAP"))
    assert got.status_code == 200
    assert got.json() == json.loads(check(pour("technical MAP"), catalog, depth=depth).to_json())


def test_swap_split_and_remedy_answer_as_the_library(reading: Server, catalog: Catalog) -> None:
    fed = pour("technical MAP")
    assert reading.http.post("/swap", json=fed).json() == json.loads(swap(fed, catalog).model_dump_json())
    potash = pour("potassium chloride")
    assert reading.http.post("/swap", params={"without": "chloride"}, json=potash).json() == json.loads(
        swap(potash, catalog, without=["chloride"]).model_dump_json()
    )
    two = pour() | {"product": [{"name": n, "amount": "1 lb"} for n in ("calcium nitrate", "magnesium sulfate")]}
    assert reading.http.post("/split", json=two).json() == json.loads(split(two, catalog).model_dump_json())
    assert reading.http.post("/remedy", json=two).json() == json.loads(remedy(two, catalog).model_dump_json())
    soured = reading.http.post("/remedy", params={"to_ph": 6.0}, json=fed).json()
    assert soured == json.loads(remedy(fed, catalog, target_ph=6.0).model_dump_json())
    for body in (fed, {**fed, "product": []}):
        got = reading.http.post("/acid", params={"to_ph": 6.0, "acid": "nitric acid"}, json=body).json()
        assert got == json.loads(acid(body, catalog, target_ph=6.0, acids=["nitric acid"]).model_dump_json())


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("/products?query=uera&limit=1", "urea"),
        ("/products?query=no phosphorus&limit=500", "potassium-nitrate"),
        ("/products/urea", "urea"),
        ("/products/UREA", "urea"),
        ("/wells", "ridge-well"),
        ("/wells/ridge-well", "ridge-well"),
        ("/rules", "phosphate-meets-hard-water"),
        ("/rules/lime-in-line", "lime-in-line"),
        ("/health", "ok"),
    ],
)
def test_what_is_looked_up(reading: Server, path: str, expected: str) -> None:
    got = reading.http.get(path)
    assert got.status_code == 200
    rows = got.json() if isinstance(got.json(), list) else [got.json()]
    assert expected in [row.get("id", row.get("name", row.get("status"))) for row in rows]


def test_the_region_narrows_a_search_to_its_list(reading: Server) -> None:
    assert reading.http.get("/products", params={"query": "urea", "region": "aldervane"}).json() == []


def test_answers_fit_the_description(reading: Server) -> None:
    """OpenAPI 3.1 is JSON Schema: what is sent and what comes back fit it."""
    described = reading.http.get("/openapi.json").json()

    def schema(path: str, method: str) -> dict[str, Any]:
        content = described["paths"][path][method]["responses"]["200"]["content"]["application/json"]
        return {**content["schema"], "components": described["components"]}

    edges = reading.http.post("/check", params={"depth": "edges"}, json=pour("technical MAP")).json()
    jsonschema.validate(edges, schema("/check", "post"))
    for path in ("/wells", "/rules", "/health"):
        jsonschema.validate(reading.http.get(path).json(), schema(path, "get"))
    for path, name in (("/products/{name}", "urea"), ("/wells/{name}", "ridge-well"), ("/rules/{name}", "caustic")):
        jsonschema.validate(reading.http.get(path.format(name=name)).json(), schema(path, "get"))
    body = {"$ref": "#/components/schemas/Pour", "components": described["components"]}
    jsonschema.validate(pour(), body)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"product": []}, body)
    assert set(described["paths"]) == {
        "/check", "/swap", "/split", "/remedy", "/acid", "/products", "/products/{name}", "/wells", "/wells/{name}",
        "/wells/{name}/tests", "/rules", "/rules/{name}", "/health",
    }  # fmt: skip


# --- faults ---------------------------------------------------------------------------------------

BOTH = "\u202e\x1b[31m"
FAULTS: dict[str, tuple[str, str, bytes | dict[str, Any] | None, int, str, str]] = {
    "unknown product": ("POST", "/check", pour("uera"), 422, "unknown-name", ""),
    "bad unit": ("POST", "/check", pour(amount="1 furlong"), 422, "input", "pour, product 1, amount"),
    "no field": ("POST", "/check", {}, 422, "input", "pour"),
    "no JSON": ("POST", "/check", b"nope", 422, "input", "pour"),
    "a list": ("POST", "/swap", b"[1]", 422, "input", "pour"),
    "nothing": ("POST", "/split", b"", 422, "input", "pour"),
    "not UTF-8": ("POST", "/check", b"\xff\xfe", 422, "input", "body"),
    "a key twice": ("POST", "/check", b'{"product": [], "product": []}', 422, "input", "pour"),
    "nested deeply": ("POST", "/check", b'{"a":' * 50_000, 422, "input", "pour"),
    "control characters": ("POST", "/check", pour(BOTH), 422, "input", "pour, product 1"),
    "a number without end": ("POST", "/check", pour(water={"ph": 10**400}), 422, "input", "pour, water.ph"),
    "a file of the server": ("POST", "/check", pour(region="/etc/secrets.toml"), 422, "input", "pour, region"),
    "a region that is not there": ("POST", "/check", pour(region="nowhere"), 422, "input", "region"),
    "no such depth": ("POST", "/check?depth=deep", pour(), 422, "input", "query, depth"),
    "no such limit": ("GET", "/products?query=urea&limit=0", None, 422, "input", "query, limit"),
    "nothing to find": ("GET", "/products", None, 422, "input", "query"),
    "no such product": ("GET", "/products/uera", None, 404, "not-found", ""),
    "hidden in the address": ("GET", "/products/a%1b%5b31m%e2%80%ae", None, 404, "not-found", ""),
    "no such well": ("GET", "/wells/deep-well", None, 404, "not-found", ""),
    "no such rule": ("GET", "/rules/fire", None, 404, "not-found", ""),
    "no such path": ("GET", "/nowhere", None, 404, "not-found", ""),
    "no such method": ("DELETE", "/products/urea", None, 405, "not-found", ""),
    "too large": ("POST", "/check", b" " * (256 * 1024 + 1), 413, "too-large", ""),
    "writing a product": ("PUT", "/products/urea", {}, 403, "not-allowed", ""),
    "writing a test": ("POST", "/wells/ridge-well/tests", {}, 403, "not-allowed", ""),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_tells_what_where_and_its_cure(reading: Server, name: str) -> None:
    method, path, sent, status, code, where = FAULTS[name]
    content = json.dumps(sent).encode() if isinstance(sent, dict) else sent
    got = reading.http.request(method, path, content=content)
    assert got.status_code == status
    fault = got.json()
    assert set(fault) == {"code", "path", "what", "cure"}
    assert (fault["code"], fault["path"]) == (code, where)
    assert fault["what"]
    assert fault["cure"]
    assert got.text.isprintable()
    assert "Traceback" not in got.text


def test_a_body_of_unknown_length_is_limited_too(reading: Server) -> None:
    """What comes in pieces is counted as it comes; who sends without end is cut off."""
    got = reading.http.post("/check", content=(b" " * 4096 for _ in range(80)))
    assert (got.status_code, got.json()["code"]) == (413, "too-large")
    sent = 0

    def endless() -> Iterator[bytes]:
        nonlocal sent
        while True:
            sent += 65536
            yield b" " * 65536

    with suppress(httpx.TransportError):  # cut off while it is still sending
        assert httpx.post(f"{reading.http.base_url}/check", content=endless(), timeout=20).status_code == 413
    assert sent < 50_000_000


def test_faults_are_those_of_the_library(reading: Server, catalog: Catalog) -> None:
    with pytest.raises(Exception, match="furlong") as raised:
        check(pour(amount="1 furlong"), catalog)
    fault = reading.http.post("/check", json=pour(amount="1 furlong")).json()
    assert str(raised.value) == f"{fault['path']}: {fault['what']}; {fault['cure']}"


# --- limits ---------------------------------------------------------------------------------------


def test_rate_and_time_are_limited(catalog: Catalog) -> None:
    """Both answer with when to try again, and the server goes on."""
    options = ("--workers", "1", "--db", catalog.database, "--rate", "4/s", "--time-limit", "0.1")
    with served(*options) as server:
        # The first answer takes longer than later ones: imports, tables.
        slow = server.http.post("/check", json={**pour(), "product": FEEDS[:120], "bucket": {"volume": "1000 gal"}})
        assert (slow.status_code, slow.json()["code"]) == (503, "unavailable")
        time.sleep(1.2)
        got = [server.http.get("/rules") for _ in range(6)]
        assert [one.status_code for one in got] == [200] * 4 + [429] * 2
        assert got[-1].json()["code"] == "too-many"
        time.sleep(float(got[-1].headers["retry-after"]))
        assert server.http.get("/rules").status_code == 200


def test_a_rate_holds_for_all_that_listen_together(catalog: Catalog, tmp_path: Path) -> None:
    """Of 60 requests at once, each on a connection of its own, no more get through than one process would let."""
    with called(tmp_path / "server.py", catalog.database, "rate_per_s=6.0", "2, of_one=1") as port:
        url = f"http://127.0.0.1:{port}/rules"
        time.sleep(1.2)
        start = time.monotonic()
        with ThreadPoolExecutor(8) as clients:
            codes = list(clients.map(lambda _: httpx.get(url).status_code, range(60)))
        took = time.monotonic() - start
        assert set(codes) == {200, 429}
        # Two that are asked at the same instant may count as one, now and then.
        assert 6 <= codes.count(200) <= 6 + 6 * took + 2


#: Labels without sources: each is a search among all materials.
FEEDS = [
    {"name": f"feed {k}", "grade": f"{5 + k % 20}-{3 + k % 7}-{4 + k % 11}", "form": "dry", "amount": "1 lb"}
    for k in range(400)
]


def children_of(pid: int) -> list[int]:
    """Of a server's process: what listens; of what listens: its workers."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            parent = int(stat.read_text().rpartition(")")[2].split()[1])
            command = (stat.parent / "cmdline").read_text()
        except OSError:
            continue
        if parent == pid and "spawn_main" in command:
            found.append(int(stat.parent.name))
    return sorted(found)


def soon(there: Callable[[], Any], within_s: float = 15.0) -> Any:
    """What is there within some time, or what is there then."""
    end = time.monotonic() + within_s
    while not (found := there()) and time.monotonic() < end:
        time.sleep(0.05)
    return found


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are found by /proc")
def test_what_takes_too_long_is_ended(catalog: Catalog) -> None:
    """The worker is gone as soon as the client is told; another takes its place."""
    with served("--workers", "1", "--db", catalog.database, "--rate", "none", "--time-limit", "2.5") as server:
        (listener,) = children_of(server.process.pid)
        assert soon(lambda: server.http.post("/check", json=pour()).status_code == 200)
        (before,) = children_of(listener)
        large = {**pour(), "product": FEEDS, "bucket": {"volume": "3000 gal"}}
        start = time.monotonic()
        slow = server.http.post("/check", json=large)
        assert (slow.status_code, slow.json()["code"]) == (503, "unavailable")
        assert 2.0 < time.monotonic() - start < 4.0
        assert soon(lambda: not lives(before), within_s=1.0)
        assert server.http.get("/products/urea").status_code == 200  # meanwhile
        assert soon(lambda: server.http.post("/check", json=pour()).status_code == 200)
        assert children_of(server.process.pid) == [listener]
        (after,) = children_of(listener)
        assert after != before


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are found by /proc")
def test_a_worker_that_is_killed_at_its_work_loses_nothing(catalog: Catalog) -> None:
    """What it was at is done once more, by the next."""
    with served("--workers", "1", "--db", catalog.database) as server:
        (listener,) = children_of(server.process.pid)
        assert server.http.post("/check", json=pour()).status_code == 200
        (before,) = children_of(listener)
        with ThreadPoolExecutor(1) as client:
            url = f"{server.http.base_url}/check"
            large = {**pour(), "product": FEEDS[:120], "bucket": {"volume": "1000 gal"}}
            asked = client.submit(httpx.post, url, json=large, timeout=60)
            time.sleep(0.3)
            os.kill(before, signal.SIGKILL)
            assert asked.result().status_code == 200
        (after,) = children_of(listener)
        assert after != before
        os.kill(after, signal.SIGKILL)  # while nothing is asked
        assert server.http.post("/check", json=pour()).status_code == 200


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are found by /proc")
def test_no_worker_is_idle_while_something_waits(catalog: Catalog) -> None:
    """While one of two is long at something, the other answers all the rest, whatever connection it came by."""
    with served("--workers", "2", "--db", catalog.database, "--rate", "none") as server:
        (listener,) = children_of(server.process.pid)
        assert soon(lambda: len(children_of(listener)) == 2)
        url = f"{server.http.base_url}/check"
        with ThreadPoolExecutor(9) as clients:
            list(clients.map(lambda _: httpx.post(url, json=pour(), timeout=60), range(8)))  # imports, tables
            large = {**pour(), "product": FEEDS[:120], "bucket": {"volume": "1000 gal"}}
            long = clients.submit(httpx.post, url, json=large, timeout=60)
            time.sleep(0.2)
            codes = list(clients.map(lambda _: httpx.post(url, json=pour(), timeout=60).status_code, range(8)))
            assert not long.done()
            assert (codes, long.result().status_code) == ([200] * 8, 200)


#: A server that is called from Python, with some settings of its own.
OWN = """
from pourcheck.catalog.store.place import Place
from pourcheck.rules.serve.web import Settings
from pourcheck.rules.serve.workers import listening, run
if __name__ == "__main__":
    listener = listening("127.0.0.1", 0)
    print(listener.getsockname()[1], flush=True)
    place = Place.named({place!r})
    run(Settings(place, {settings}), listener, {run})
"""
IMPATIENT = "rate_per_s=None, headers_s=0.8, most_connections=12, patience_s=2.0"


@contextmanager
def called(script: Path, place: str, settings: str, run: str) -> Iterator[int]:
    """The port of such a server, until the end of the block. run: its workers, and how many of them listen together."""
    script.write_text(OWN.format(place=place, settings=settings, run=run), "utf-8")
    with subprocess.Popen([sys.executable, script], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        port = int(process.stdout.readline())
        assert soon(lambda: _answers(port))
        yield port
        process.terminate()


@pytest.fixture(scope="module")
def impatient(catalog: Catalog, tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    """The port of a server whose patience with connections is short."""
    script = tmp_path_factory.mktemp("impatient") / "server.py"
    with called(script, catalog.database, IMPATIENT, "1") as port:
        yield port


def _answers(port: int) -> bool:
    try:
        return httpx.get(f"http://127.0.0.1:{port}/rules").status_code == 200
    except httpx.TransportError:
        return False


HEAD = b"POST /check HTTP/1.1\r\nHost: here\r\nX-Slow: "
WHOLE = b"GET /rules/lime-in-line HTTP/1.1\r\nHost: here\r\n\r\n"


def cut_off_after(connection: socket.socket, drip: bytes, most_s: float = 6.0) -> float:
    """Seconds until the other end closes, while something is sent every tenth of a second; `most_s` where it does
    not."""
    start = time.monotonic()
    connection.settimeout(0.1)
    while time.monotonic() - start < most_s:
        try:
            if drip:
                connection.sendall(drip)
            if not connection.recv(65536):
                break
        except TimeoutError:
            continue
        except OSError:
            break
    return time.monotonic() - start


@pytest.mark.parametrize(
    ("before", "drip"),
    [
        (b"", b""),  # says nothing
        (b"", b"X"),
        (HEAD, b"X"),  # headers without end
        (WHOLE + HEAD, b"X"),  # the same after a request that was answered
        (b"POST /nowhere HTTP/1.1\r\nHost: here\r\nContent-Length: 100000\r\n\r\n", b"X"),  # a body nobody reads
    ],
    ids=["silent", "no line", "headers", "later headers", "body"],
)
def test_who_never_makes_a_request_is_cut_off(impatient: int, before: bytes, drip: bytes) -> None:
    with socket.create_connection(("127.0.0.1", impatient)) as connection:
        connection.sendall(before)
        assert 0.5 < cut_off_after(connection, drip) < 3.0
    assert _answers(impatient)


def test_a_slow_body_is_told_so(impatient: int) -> None:
    """Whoever is asked for a body waits for it as long as for an answer."""
    with socket.create_connection(("127.0.0.1", impatient)) as connection:
        connection.sendall(b"POST /check HTTP/1.1\r\nHost: here\r\nContent-Length: 1000\r\n\r\n{")
        connection.settimeout(6.0)
        start = time.monotonic()
        assert connection.recv(65536).startswith(b"HTTP/1.1 408 ")
        assert 1.5 < time.monotonic() - start < 4.0


def test_a_connection_is_kept_between_requests(impatient: int) -> None:
    """Longer than headers may take: the time begins with the first byte of a request."""
    with httpx.Client(base_url=f"http://127.0.0.1:{impatient}") as http:
        for pause in (1.5, 1.5, 0.0):
            assert http.get("/rules").status_code == 200
            time.sleep(pause)


def test_connections_are_not_without_number(impatient: int) -> None:
    """Those beyond are closed at once, and as soon as others are gone there is room again."""
    held = [socket.create_connection(("127.0.0.1", impatient)) for _ in range(40)]
    try:
        left = 0
        for one in held:
            one.settimeout(0.02)
            try:
                left += bool(one.recv(1))
            except TimeoutError:
                left += 1
            except OSError:
                pass
        assert left <= 12
    finally:
        for one in held:
            one.close()
    assert soon(lambda: _answers(impatient), within_s=5.0)


def test_who_reads_no_answers_is_cut_off(impatient: int) -> None:
    """As many as there may be ask for more than fits on the way and read nothing: soon there is room for others."""
    held = []
    try:
        for _ in range(12):
            one = socket.socket()
            one.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            one.connect(("127.0.0.1", impatient))
            one.sendall(b"GET /rules HTTP/1.1\r\nHost: here\r\n\r\n" * 400)
            held.append(one)
        assert not _answers(impatient)
        assert soon(lambda: _answers(impatient), within_s=15.0)
    finally:
        for one in held:
            one.close()


MANY = [
    {"name": name, "amount": "1 lb"}
    for name in ("calcium nitrate", "technical MAP", "magnesium sulfate", "potassium sulfate", "urea")
]


# --- writing --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def writing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """Two workers and a catalog of their own that whoever has the token may change."""
    folder = tmp_path_factory.mktemp("served")
    (folder / "token").write_text(TOKEN + "\n")
    options = ("--rate", "none", "--token-file", str(folder / "token"), "--db", str(folder / "own.sqlite3"), "--new")
    with served(*options) as server:
        yield server


def bearer(**headers: str) -> dict[str, str]:
    """Headers of who has the token."""
    return {"Authorization": f"Bearer {TOKEN}", **{name.replace("_", "-"): value for name, value in headers.items()}}


FEED = {
    "name": "Feed 9-0-12",
    "form": "liquid",
    "grade": "9-0-12",
    "density": "10.1 lb/gal",
    "derived_from": "urea, potassium nitrate",
    "source": "label read 2026-05-02",
}


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 401),
        ({"Authorization": "Bearer wrong"}, 401),
        ({"Authorization": f"Basic {TOKEN}"}, 401),
        (bearer(), 428),
        (bearer(If_Match="many"), 422),
        (bearer(If_Match='"7"'), 422),
    ],
)
def test_who_may_not_write_changes_nothing(writing: Server, headers: dict[str, str], status: int) -> None:
    before = writing.http.get("/wells/ridge-well")
    got = writing.http.post("/wells/ridge-well/tests", json={"ph": 7.7, "tested_on": "2026-06-01"}, headers=headers)
    assert got.status_code == status
    assert got.json()["cure"]
    after = writing.http.get("/wells/ridge-well")
    assert (after.headers["etag"], after.json()) == (before.headers["etag"], before.json())


def test_a_product_is_added_read_changed_and_checked(writing: Server) -> None:
    http = writing.http
    new = bearer(If_None_Match="*")
    added = http.put("/products/feed-9-0-12", params={"by": "A. Grower", "anyway": True}, json=FEED, headers=new)
    assert (added.status_code, added.json()["revision"], added.headers["etag"]) == (200, 1, '"1"')
    assert http.put("/products/feed-9-0-12", json=FEED, headers=new).status_code == 422  # it is there now
    read = http.get("/products/feed-9-0-12")
    changed = {**read.json(), "notes": "Shake well."}
    for revision, status in (("1", 200), ("1", 409)):
        got = http.put(
            "/products/feed-9-0-12",
            params={"anyway": True, "by": "B. Adviser"},
            json={**changed, "notes": changed["notes"] + "!" * (status == 409)},
            headers=bearer(If_Match=f'"{revision}"'),
        )
        assert got.status_code == status
    assert got.json()["code"] == "changed-meanwhile"
    assert "B. Adviser" in got.json()["what"]
    assert http.get("/products/feed-9-0-12").json()["notes"] == "Shake well."
    for _ in range(6):  # whichever worker answers sees it
        assert httpx.post(f"{http.base_url}/check", json=pour("Feed 9-0-12", "1 gal")).status_code == 200


@pytest.mark.parametrize(
    ("sent", "where"),
    [
        ({**FEED, "id": "other"}, "product, id"),
        ({**FEED, "grade": "nine"}, "product"),
        ({**FEED, "source": ""}, "product"),
        ({**FEED, "guaranteed": "iron"}, "product"),
        ({**FEED, "numbers": 7}, "product"),
        ({**FEED, "density": 1.2}, "product"),
        ({**FEED, "name": f"Feed{BOTH}"}, ""),
        ({"name": "Doubtful", "form": "liquid", "grade": "9-0-12", "source": "label"}, "product doubtful, density"),
    ],
)
def test_a_product_that_is_not_sound_is_not_saved(writing: Server, sent: dict[str, Any], where: str) -> None:
    got = writing.http.put("/products/doubtful", json=sent, headers=bearer(If_None_Match="*"))
    assert (got.status_code, got.json()["code"]) == (422, "input")
    assert got.json()["path"].startswith(where)
    assert got.text.isprintable()
    assert writing.http.get("/products/doubtful").status_code == 404


def test_a_water_test_is_added_once(writing: Server) -> None:
    http = writing.http
    start = http.get("/wells/brook-well").headers["etag"]
    test = {"ph": 7.1, "calcium": "21 mg/L", "tested_on": "2026-06-01", "source": "strip"}
    for status in (200, 409):
        got = http.post(
            "/wells/brook-well/tests",
            params={"anyway": True},
            json={**test, "ph": 7.1 if status == 200 else 7.2},
            headers=bearer(If_Match=start),
        )
        assert got.status_code == status
    assert http.get("/wells/brook-well").json()["test"][-1]["ph"] == 7.1
    gone = http.post("/wells/deep-well/tests", json=test, headers=bearer(If_Match='"1"'))
    assert (gone.status_code, gone.json()["code"]) == (404, "not-found")


# --- processes ------------------------------------------------------------------------------------


def lives(pid: int) -> bool:
    """Whether a process runs; one that ended and was not asked for its end does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are found by /proc")
@pytest.mark.parametrize(("which", "tries"), [("a worker", 1), ("what listens", 2)])
def test_what_is_killed_loses_no_request(writing: Server, which: str, tries: int) -> None:
    """Requests go on while a process is killed: each is answered, where it was not what listens at the first try; then
    there are as many as before."""

    def processes() -> list[int]:
        listen = children_of(writing.process.pid)
        return [*listen, *(worker for one in listen for worker in children_of(one))]

    assert writing.http.post("/check", json=pour()).status_code == 200
    before = processes()
    assert len(before) == 3
    victim = before[0] if which == "what listens" else before[1]
    killed = threading.Event()

    def ask(number: int) -> float:
        for _ in range(tries):
            try:
                got = httpx.post(
                    f"{writing.http.base_url}/check",
                    params={"depth": "verdict"},
                    json=pour(injection={"ratio": f"1:{100 + number}"}),
                    timeout=60,
                )
            except httpx.TransportError:
                continue  # the next waits for it
            assert got.status_code == 200
            if number == 10:
                os.kill(victim, signal.SIGKILL)
                killed.set()
            return float(got.json()["pour"]["quantities"]["injection_ratio"]["value"])
        raise AssertionError(f"request {number} was lost")

    with ThreadPoolExecutor(4) as clients:
        answers = list(clients.map(ask, range(60)))
    assert killed.is_set()
    assert answers == [100.0 + number for number in range(60)]
    assert soon(lambda: len(processes()) == 3 and victim not in processes())


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are found by /proc")
def test_no_worker_is_left_behind(catalog: Catalog) -> None:
    """Where the process that watches over them is killed, workers stop by themselves."""
    with served("--workers", "1", "--db", catalog.database) as server:
        server.http.get("/health")
        (listener,) = children_of(server.process.pid)
        server.process.kill()
        end = time.monotonic() + 15
        while (left := lives(listener)) and time.monotonic() < end:
            time.sleep(0.05)
        assert not left


def test_it_stops_when_told_and_answers_what_was_asked(catalog: Catalog) -> None:
    with served("--workers", "1", "--db", catalog.database) as server:
        server.http.get("/health")
        with ThreadPoolExecutor(1) as client:
            url = f"{server.http.base_url}/split"
            asked = client.submit(httpx.post, url, json={**pour(), "product": MANY}, timeout=60)
            time.sleep(0.15)
            server.process.send_signal(signal.SIGTERM)
            assert asked.result().status_code == 200
        assert server.process.wait(20) == 0
        assert children_of(server.process.pid) == []
        with pytest.raises(httpx.TransportError):
            server.http.get("/health")


# --- what the command refuses ---------------------------------------------------------------------

SHORT = "short"
REFUSED: dict[str, tuple[tuple[str, ...], str]] = {
    "no rate": (("--rate", "fast"), '--rate: "fast" is no rate; write "50/s", "600/min" or "none"'),
    "no token": (("--token-file", "{folder}/none"), "cannot be read"),
    "a short token": (("--token-file", "{folder}/short"), "holds no token of 16 signs or more"),
    "writing in memory": (("--token-file", "{folder}/token", "--db", "sqlite://"), "--db: is in memory"),
    "no catalog": (("--db", "{folder}/none.sqlite3"), "is not there"),
    "another's address": (("--host", "192.0.2.1"), "192.0.2.1:8377: cannot be listened to"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_it_does_not_start(call: Any, tmp_path: Path, catalog: Catalog, name: str) -> None:
    del catalog  # it is there
    (tmp_path / "short").write_text(SHORT)
    (tmp_path / "token").write_text(TOKEN)
    words, expected = REFUSED[name]
    ran = call("serve", *(word.format(folder=tmp_path) for word in words))
    assert (ran.code, ran.out) == (2, "")
    assert expected in ran.err
    assert ran.err.count("\n") == 1


def test_without_its_packages_it_says_how_to_install_them(call: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "fastapi", None)
    ran = call("serve")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.endswith('not installed; install it: pip install "pourcheck[web]"\n')


def test_it_says_that_the_network_can_reach_it(catalog: Catalog) -> None:
    command = [*COMMAND, "--host", "0.0.0.0", "--workers", "1", "--db", catalog.database]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        assert "the network can reach 0.0.0.0" in process.stderr.readline()
        process.terminate()
