"""The HTTP face: the same questions and answers as everywhere else, one request each. Needs the extra `web`."""

# Annotations are not put off here: the framework reads those of the functions inside `application`.

import hmac
import logging
from asyncio import timeout
from collections.abc import AsyncIterator, Awaitable, Callable, MutableMapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from math import ceil
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeVar, cast

from pydantic import BaseModel

from ...catalog import Catalog, InputError, Product, WaterTest, Well
from ...catalog.store.parse import faults_in
from ...catalog.store.place import Place
from ...catalog.text import one_line, quoted
from ..answer.echo import program
from ..answer.fault import Fault
from ..answer.schemas import with_rule_names
from ..answer.verdict import Acids, Depth, Program, Remedies, Result, Splits, Swaps, Verdict
from ..ask.pour import Pour
from ..families.registry import rule_named, rules
from ..instead.acid import TARGET_PH
from . import work
from .limits import Rates
from .refused import Refused
from .room import Room
from .rows import FoundProduct, RuleRow, RuleText, WellRow
from .saving import Saved
from .work import as_text, named_by_the_address
from .workroom import Workroom

if TYPE_CHECKING:
    from fastapi import FastAPI, Request, Response

_log = logging.getLogger(__name__)
Answer = TypeVar("Answer")

_Scope = MutableMapping[str, Any]
_Receive = Callable[[], Awaitable[_Scope]]
_Send = Callable[[_Scope], Awaitable[None]]
_App = Callable[[_Scope, _Receive, _Send], Awaitable[None]]


@dataclass(frozen=True)
class Settings:
    """What a server goes by.

    place: of the catalog, which is there. token: whoever sends it may write; None: nobody may. rate_per_s: requests per
    second and client, of all workers together; None: any. largest_body: bytes. patience_s: longer no answer is waited
    for nor worked on. most_waiting: requests that wait for an answer, for each worker; more are not taken. headers_s:
    within which the headers of a request come. most_connections: for each worker; those beyond are closed.
    """

    place: Place
    token: str | None = field(default=None, repr=False)
    rate_per_s: float | None = 50.0
    largest_body: int = 256 * 1024
    patience_s: float = 20.0
    most_waiting: int = 64
    headers_s: float = 10.0
    most_connections: int = 400


class Health(Result):
    """The server answers, and its catalog can be read."""

    status: Literal["ok"]
    program: Program


# --- the door -------------------------------------------------------------------------------------


class _Door:
    """What stands before every request: the rate of its client, and that whatever fails is a fault in JSON."""

    def __init__(self, app: _App, rates: Rates | None) -> None:
        self._app, self._rates = app, rates

    async def __call__(self, scope: _Scope, receive: _Receive, send: _Send) -> None:
        """One request, or the start and end of the server."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        begun = False

        async def noted(message: _Scope) -> None:
            nonlocal begun
            begun = True
            await send(message)

        try:
            client = scope.get("client")
            if self._rates and (wait_s := self._rates.wait_s(client[0] if client else "")):
                cure = f"wait {wait_s:.2g} s"
                raise Refused(429, "too-many", "too many requests", cure, Retry_After=str(ceil(wait_s)))
            await self._app(scope, receive, noted)
        except Exception as error:
            from starlette.requests import ClientDisconnect

            if isinstance(error, ClientDisconnect):
                return
            refused = Refused.of(error)
            if not begun:
                await _refusal(refused)(scope, receive, send)


def _answer(text: str, status: int = 200, **headers: str) -> "Response":
    from fastapi import Response

    made = {name.replace("_", "-"): value for name, value in headers.items()}
    return Response(text, status, made, "application/json")


def _refusal(refused: Refused) -> "Response":
    return _answer(as_text(refused.fault), refused.status, **refused.headers)


#: Of a body that is too large, so many times what is allowed is read and thrown away: who is cut off while sending may
#: never see why.
_READ_AWAY = 8


async def _body(request: "Request", settings: Settings) -> str:
    """The body as text. Raises: Refused: it is too large, too slow or no text."""
    most = settings.largest_body
    too_large = Refused(
        413, "too-large", f"the body is over {most} bytes", "send less in one request", Connection="close"
    )
    stated = request.headers.get("content-length", "")
    if stated.isdecimal() and int(stated) > _READ_AWAY * most:
        raise too_large
    parts, size = bytearray(), 0
    try:
        async with timeout(settings.patience_s):
            async for part in request.stream():
                size += len(part)
                if size <= most:
                    parts += part
                elif size > _READ_AWAY * most:
                    raise too_large
    except TimeoutError:
        raise Refused(408, "input", "the body did not come in time", "send it again", Connection="close") from None
    if size > most:
        raise too_large
    try:
        return parts.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise Refused(422, "input", "is not UTF-8 text", "send UTF-8", "body") from None


def _may_write(request: "Request", settings: Settings) -> None:
    """Raises: Refused: the request does not carry the token of the server."""
    if settings.token is None:
        raise Refused(403, "not-allowed", "this server only reads", "start it with --token-file")
    scheme, _, given = request.headers.get("authorization", "").partition(" ")
    # Compared in constant time, so that its time tells nothing of the token.
    same = hmac.compare_digest(given.strip().encode("utf-8", "replace"), settings.token.encode())
    if scheme.lower() != "bearer" or not same:
        raise Refused(
            401, "not-allowed", "the token is missing or wrong", "send Authorization: Bearer TOKEN",
            WWW_Authenticate="Bearer",
        )  # fmt: skip


def _revision(request: "Request") -> int:
    """The revision that a change starts from; 0 for a new record. Raises: Refused: it is not told."""
    if request.headers.get("if-none-match", "").strip() == "*":
        return 0
    told = request.headers.get("if-match")
    if told is None:
        cure = 'send If-Match: "3" (the ETag of what you read), or If-None-Match: * for a new one'
        raise Refused(428, "input", "the revision that the change starts from is missing", cure)
    number = told.strip().removeprefix("W/").strip('"')
    if not (number.isascii() and number.isdecimal() and len(number) < 10):
        raise Refused(422, "input", f"If-Match {quoted(told)} is no revision", 'send If-Match: "3"')
    return int(number)


# --- what is described ------------------------------------------------------------------------------

#: Bodies of requests: their model, and how it is called in the description.
_BODIES: dict[str, type[BaseModel]] = {"Pour": Pour, "ProductEntry": Product, "WaterTestEntry": WaterTest}


def _described(app: "FastAPI") -> dict[str, Any]:
    """The OpenAPI description; bodies are read by the models themselves, so that their schemas are put in here."""
    from fastapi.openapi.utils import get_openapi

    made = get_openapi(title=app.title, version=app.version, description=app.description, routes=app.routes)
    made["components"] = with_rule_names(made["components"], "schemas")
    schemas = made["components"]["schemas"]
    for name, model in _BODIES.items():
        schema = model.model_json_schema(mode="validation", ref_template="#/components/schemas/{model}-Entry")
        for inner, part in schema.pop("$defs", {}).items():
            schemas[f"{inner}-Entry"] = part
        if name == "ProductEntry":  # the address tells it
            schema["required"] = [one for one in schema.get("required", ()) if one != "id"]
        schemas[name] = schema
    made["components"]["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
    return made


def _takes(name: str, **more: Any) -> dict[str, Any]:
    schema = {"$ref": f"#/components/schemas/{name}"}
    return {"requestBody": {"required": True, "content": {"application/json": {"schema": schema}}}, **more}


def _writes(name: str) -> dict[str, Any]:
    """As `_takes`, for who has the token; the revision stands in a header."""
    start = {"name": "If-Match", "in": "header", "schema": {"type": "string"}}
    start["description"] = 'revision that the change starts from, "3"; or If-None-Match: * for a new record'
    return _takes(name, security=[{"token": []}], parameters=[start])


_FAULTS = {
    404: "not there",
    422: "input that makes no sense, where, and how to mend it",
    429: "too many requests",
    503: "it takes too long, or the catalog cannot be used now",
}
_OF_BODIES = {413: "the body is too large"}
_OF_WRITING = {
    401: "the token is missing or wrong", 403: "this server only reads", 409: "somebody else changed it meanwhile",
    428: "the revision is not told",
}  # fmt: skip


def _gives(model: Any, told: str, *more: dict[int, str]) -> dict[int | str, dict[str, Any]]:
    faults = {status: text for group in (_FAULTS, *more) for status, text in group.items()}
    answers: dict[int | str, dict[str, Any]] = {200: {"model": model, "description": told}}
    return answers | {status: {"model": Fault, "description": text} for status, text in sorted(faults.items())}


# --- the application --------------------------------------------------------------------------------


def application(settings: Settings, rates: Rates | None, workers: int = 1) -> "FastAPI":
    """The ASGI application of a process that listens.

    What needs the chemistry, searches or writes is done by so many workers, processes of their own, where what takes
    too long is ended; records are read in a thread here, so that they do not wait for a check. Each has a catalog of
    its own. rates: None: any number of requests is taken.
    """
    from fastapi import FastAPI, Query, Request, Response
    from fastapi.exceptions import RequestValidationError
    from starlette.exceptions import HTTPException

    room = Workroom(settings.place, workers, settings.most_waiting, settings.patience_s)
    reads = Room(settings.place, workers * settings.most_waiting)

    @asynccontextmanager
    async def life(_: FastAPI) -> AsyncIterator[None]:
        room.open()
        yield
        room.close()
        reads.close()

    app = FastAPI(
        title="pourcheck",
        version=program().version,
        description="May this fertilizer go through the drip, with this water, at this rate? If not, what instead?",
        lifespan=life,
        generate_unique_id_function=lambda route: route.name,
        # Their pages load programs from elsewhere.
        docs_url=None,
        redoc_url=None,
    )
    app.openapi = lambda: _schema_once(app)  # type: ignore[method-assign]
    app.add_middleware(cast(Any, _Door), rates=rates)

    @app.exception_handler(HTTPException)
    async def _no_such_request(_: Request, error: HTTPException) -> Response:
        what = "no such request" if error.status_code in {404, 405} else one_line(str(error.detail))
        return _refusal(Refused(error.status_code, "not-found", what, "see /openapi.json", **dict(error.headers or {})))

    @app.exception_handler(RequestValidationError)
    async def _bad_query(_: Request, error: RequestValidationError) -> Response:
        loc, what, cure = faults_in(error.errors())[0]
        path = one_line(", ".join(str(part) for part in loc))
        return _refusal(Refused(422, "input", one_line(what, 200), one_line(cure, 200), path))

    async def read(work: Callable[[Catalog], Answer]) -> Answer:
        return await reads.ask(work, settings.patience_s)

    @app.post(
        "/check", name="check", responses=_gives(Verdict, "the verdict", _OF_BODIES), openapi_extra=_takes("Pour")
    )
    async def check_(request: Request, depth: Depth = "numbers") -> Response:
        """May this pour go through the drip?"""
        text = await _body(request, settings)
        return _answer(await room.ask(work.checked, text, depth))

    @app.post(
        "/swap",
        name="swap",
        responses=_gives(Swaps, "swaps, best first", _OF_BODIES),
        openapi_extra=_takes("Pour"),
    )
    async def swap_(
        request: Request,
        without: Annotated[list[str], Query(max_length=20)] = ["phosphorus"],  # noqa: B006
        replace: Annotated[list[str], Query(max_length=20)] = [],  # noqa: B006
    ) -> Response:
        """Other products for the same nitrogen and potassium, without phosphorus, each checked in the same pour."""
        text = await _body(request, settings)
        return _answer(await room.ask(work.swapped, text, without, replace))

    @app.post(
        "/split", name="split", responses=_gives(Splits, "splits, best first", _OF_BODIES), openapi_extra=_takes("Pour")
    )
    async def split_(request: Request) -> Response:
        """The fewest buckets that a pour goes into, each checked: which product where, in which order."""
        text = await _body(request, settings)
        return _answer(await room.ask(work.parted, text))

    @app.post(
        "/remedy",
        name="remedy",
        responses=_gives(Remedies, "changes that mend it, best first", _OF_BODIES),
        openapi_extra=_takes("Pour"),
    )
    async def remedy_(request: Request, to_ph: Annotated[float, Query(ge=4.0, le=8.5)] = TARGET_PH) -> Response:
        """The smallest changes that clear a pour, each checked: less, weaker, warmer, softer, apart, other, acid."""
        text = await _body(request, settings)
        return _answer(await room.ask(work.mended, text, to_ph))

    @app.post(
        "/acid",
        name="acid",
        responses=_gives(Acids, "acids, the better verdict first", _OF_BODIES),
        openapi_extra=_takes("Pour"),
    )
    async def acid_(
        request: Request,
        to_ph: Annotated[float, Query(ge=4.0, le=8.5)] = TARGET_PH,
        acids: Annotated[list[str], Query(max_length=20, alias="acid")] = [],  # noqa: B006
    ) -> Response:
        """How much acid brings the line to a pH, beside a pour or, without products, in the water alone."""
        text = await _body(request, settings)
        return _answer(await room.ask(work.soured, text, to_ph, acids))

    @app.get("/products", responses=_gives(list[FoundProduct], "products, best first"))
    async def products(
        query: Annotated[str, Query(max_length=400)] = "",
        limit: Annotated[int, Query(ge=1, le=500)] = 10,
        region: Annotated[str, Query(max_length=200, description="only what is on the list of a region")] = "",
    ) -> Response:
        """Find products by name (typing errors are forgiven), grade or nutrient, or without one."""
        if not query.strip() and not region.strip():
            raise Refused(422, "input", "names nothing to find", "write a name, a grade or a nutrient", "query")
        return _answer(await room.ask(work.found, query, limit, region))

    @app.get("/products/{name}", responses=_gives(Product, "the product, its revision as ETag"))
    async def product(name: str) -> Response:
        """A product by its id, name or another name of it."""

        def found(catalog: Catalog) -> tuple[str, int]:
            with named_by_the_address(), catalog.snapshot():
                record = catalog.product(name)
                return as_text(record), catalog.current("product", record.id).number

        text, number = await read(found)
        return _answer(text, ETag=f'"{number}"')

    @app.put(
        "/products/{name}",
        responses=_gives(Saved, "the new revision", _OF_BODIES, _OF_WRITING),
        openapi_extra=_writes("ProductEntry"),
    )
    async def put_product(request: Request, name: str, by: str = "", why: str = "", anyway: bool = False) -> Response:
        """Save a product under an id, as a new revision. anyway: in spite of doubts."""
        _may_write(request, settings)
        start, text = _revision(request), await _body(request, settings)
        saved = await room.ask_once(work.product_saved, name, text, start, by, why, anyway)
        return _answer(as_text(saved), ETag=f'"{saved.revision}"')

    @app.get("/wells", responses=_gives(list[WellRow], "wells, by id"))
    async def wells(limit: Annotated[int, Query(ge=1, le=1000)] = 100) -> Response:
        """Wells, with the day of their newest test."""
        return _answer(await read(lambda catalog: as_text([WellRow.of(one) for one in catalog.wells()[:limit]])))

    @app.get("/wells/{name}", responses=_gives(Well, "the well with its tests, its revision as ETag"))
    async def well(name: str) -> Response:
        """A well by its id or name."""

        def found(catalog: Catalog) -> tuple[str, int]:
            with named_by_the_address(), catalog.snapshot():
                record = cast(Well, catalog.record("well", name))
                return as_text(record.model_dump(mode="json", exclude_none=True)), catalog.current(
                    "well", record.id
                ).number

        text, number = await read(found)
        return _answer(text, ETag=f'"{number}"')

    @app.post(
        "/wells/{name}/tests",
        responses=_gives(Saved, "the new revision", _OF_BODIES, _OF_WRITING),
        openapi_extra=_writes("WaterTestEntry"),
    )
    async def add_test(
        request: Request, name: str, replace: bool = False, by: str = "", why: str = "", anyway: bool = False
    ) -> Response:
        """Add a water test to a well. replace: in place of the test of the same day; anyway: in spite of doubts."""
        _may_write(request, settings)
        start, text = _revision(request), await _body(request, settings)
        saved = await room.ask_once(work.water_test_saved, name, text, start, replace, by, why, anyway)
        return _answer(as_text(saved), ETag=f'"{saved.revision}"')

    @app.get("/rules", name="rules", responses=_gives(list[RuleRow], "all rules"))
    async def rules_() -> Response:
        """The rules that every pour is held against."""
        return _answer(as_text([RuleRow.of(one) for one in rules()]))

    @app.get("/rules/{name}", responses=_gives(RuleText, "the rule"))
    async def rule(name: str) -> Response:
        """A rule explained: for a grower, for a chemist, what mends it, its sources."""
        try:
            return _answer(as_text(RuleText.of(rule_named(name))))
        except InputError as error:
            raise Refused(404, "not-found", error.what, error.mend) from None

    @app.get("/health", responses=_gives(Health, "it answers"))
    async def health() -> Response:
        """Whether the server answers and its catalog can be read."""
        await read(lambda catalog: catalog.owners("product", ["urea"]))
        return _answer(as_text(Health(status="ok", program=program())))

    return app


def _schema_once(app: "FastAPI") -> dict[str, Any]:
    if app.openapi_schema is None:
        app.openapi_schema = _described(app)
    return app.openapi_schema
