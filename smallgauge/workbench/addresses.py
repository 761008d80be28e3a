"""The addresses of the bench, each with what it takes and what it answers: one list makes both the routes and their description.

Address     one address: a sentence, parameters, the body of a change, and the answer
Asked, body_of   what a query and a change may hold; checked here before any page is asked
describe    the list as an OpenAPI 3.1 document

Source: OpenAPI Specification 3.1.0 (the fields used: openapi, info, paths, parameters, requestBody, responses); schemas are the
subset of JSON Schema 2020-12 that `unfit` knows: type, enum, minimum, maximum, maxLength, items, maxItems, required, properties.
"""

import json
import re
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from smallgauge import __version__
from smallgauge.errors import CallerError

Answer = Callable[[Request], Awaitable[Response]]
Schema = Mapping[str, Any]

JPEG, BYTES, PAGE, EVENTS = "image/jpeg", "application/octet-stream", "text/html", "text/event-stream"
PNG = "image/png"
TEXT: Schema = {"type": "string", "maxLength": 2000}
WHOLE: Schema = {"type": "integer", "minimum": 0, "maximum": 999_999_999}
YES_NO: Schema = {"type": "boolean"}
MOST_BODY = 64 * 1024  # bytes of a change
REFUSALS = {
    "400": "Nonsense was asked.",
    "404": "There is nothing under this address.",
    "409": "Somebody decided meanwhile, or works on the reel.",
    "422": "The reel is not what it should be.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One word of an address's query: a number unless `schema` says otherwise; `without` stands where it is left out."""

    name: str
    says: str
    schema: Schema = field(default_factory=lambda: WHOLE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """One address of the bench.

    `gives` is the media type of the answer, or, for a JSON twin, its entries and their JSON types ("string", "array" ...).
    `takes` is the JSON Schema of a change's body: an address with one is asked by POST, any other by GET.
    """

    path: str
    says: str
    answer: Answer
    gives: str | Mapping[str, str]
    asks: tuple[Asked, ...] = ()
    takes: Schema | None = None

    @property
    def method(self) -> str:
        """GET, or POST for a change."""
        return "GET" if self.takes is None else "POST"

    def route(self) -> Route:
        """The address as a route; a query or a body that is not as described never gets to its page."""

        async def checked(request: Request) -> Response:
            _check_query(request, self.asks)
            if self.takes is not None:
                request.state.body = await body_of(request, self.takes)
                if operator_of(request) and "by" in self.takes["properties"]:
                    request.state.body["by"] = operator_of(
                        request
                    )  # who came in decides, whatever the page says
            return await self.answer(request)

        return Route(self.path, checked, methods=[self.method])


def operator_of(request: Request) -> str:
    """Whose account the request came in under; "" on a bench of one machine, which has none."""
    return str(request.scope.get("operator", ""))


def change(needed: Sequence[str] = (), **entries: Schema) -> Schema:
    """The schema of a change: an object of these entries and no others."""
    return {
        "type": "object",
        "properties": dict(entries),
        "required": list(needed),
        "additionalProperties": False,
    }


def or_nothing(schema: Schema) -> Schema:
    """The same, or null."""
    return {**schema, "type": [schema["type"], "null"]}


def _check_query(request: Request, asks: tuple[Asked, ...]) -> None:
    known = {each.name: each for each in asks}
    for name, text in request.query_params.multi_items():
        if name not in known:
            raise CallerError(
                f"This address knows no '{_short(name)}'; it takes {', '.join(known) or 'nothing'}."
            )
        schema = known[name].schema
        if schema["type"] != "integer":
            wrong = unfit(text, schema)
        elif re.fullmatch(r"-?[0-9]{1,12}", text):
            wrong = unfit(int(text), schema)
        else:
            wrong = "a whole number"
        if wrong:
            raise CallerError(f"{name} needs {wrong}, found '{_short(text)}'.")
        if len(request.query_params.getlist(name)) > 1:
            raise CallerError(f"{name} is given once, found it more than once.")


def number(request: Request, name: str, without: int) -> int:
    """A whole number of the query."""
    text = request.query_params.get(name)
    return without if text is None else int(text)


async def body_of(request: Request, takes: Schema) -> dict[str, Any]:
    """The body of a change, as its schema wants it."""
    data = b""
    async for part in request.stream():
        data += part
        if len(data) > MOST_BODY:
            raise CallerError("A change is small, and this one is not.")
    try:
        body = json.loads(data, parse_constant=_no_number)
        json.dumps(body, ensure_ascii=False).encode()  # half of a surrogate pair is no text
    except (ValueError, RecursionError):
        body = None
    if not isinstance(body, dict):
        raise CallerError("A change is one JSON object.")
    for name in body:
        if name not in takes["properties"]:
            raise CallerError(
                f"A change here has no '{_short(name)}'; it takes {', '.join(takes['properties']) or 'nothing'}."
            )
    for name, schema in takes["properties"].items():
        if name in body and (wrong := unfit(body[name], schema)):
            raise CallerError(f"{name} needs {wrong}.")
        if name not in body and name in takes["required"]:
            raise CallerError(f"A change here needs {', '.join(takes['required'])}, and {name} is missing.")
    return body


def _no_number(text: str) -> float:
    raise ValueError(text)


KINDS: dict[str, tuple[tuple[type, ...], str]] = {
    "string": ((str,), "text"),
    "integer": ((int,), "a whole number"),
    "number": ((int, float), "a number"),
    "boolean": ((bool,), "yes or no (true, false)"),
    "null": ((type(None),), "nothing (null)"),
    "array": ((list,), "a list"),
    "object": ((dict,), "an object"),
}


def unfit(value: Any, schema: Schema) -> str:
    """What a value would have to be, in words; empty where it fits its schema.

    Examples
    --------
    >>> unfit("x", {"type": "integer", "minimum": 0, "maximum": 9}), unfit(3, {"type": "integer"})
    ('a whole number from 0 to 9', '')
    """
    wanted = schema["type"] if isinstance(schema["type"], list) else [schema["type"]]
    fits = any(
        isinstance(value, KINDS[kind][0]) and isinstance(value, bool) == (kind == "boolean")
        for kind in wanted
    )
    words = " or ".join(KINDS[kind][1] for kind in wanted)
    if "enum" in schema:
        return "" if fits and value in schema["enum"] else "one of " + ", ".join(map(str, schema["enum"]))
    if "minimum" in schema or "maximum" in schema:
        low, high = schema.get("minimum", "any"), schema.get("maximum", "any")
        within = not fits or value is None or isinstance(value, str) or _within(value, schema)
        return "" if fits and within else f"{words} from {low} to {high}"
    if not fits:
        return words
    if isinstance(value, str):
        return _unfit_text(value, schema)
    if isinstance(value, list):
        most = schema.get("maxItems", 1000)
        if len(value) > most:
            return f"a list of at most {most}"
        return next((f"a list in which each is {w}" for v in value if (w := unfit(v, schema["items"]))), "")
    return ""


def _within(value: Any, schema: Schema) -> bool:
    return bool(schema.get("minimum", value) <= value <= schema.get("maximum", value))


def _unfit_text(value: str, schema: Schema) -> str:
    if len(value) > schema.get("maxLength", 2000):
        return f"text of at most {schema.get('maxLength', 2000)} characters"
    return ""


def _short(text: str) -> str:
    return text[:40].encode("utf-8", "replace").decode()


def describe(addresses: Sequence[Address]) -> dict[str, Any]:
    """The addresses as an OpenAPI 3.1 document."""
    paths: dict[str, dict[str, Any]] = {}
    for each in addresses:
        path = re.sub(r"\{(\w+):\w+\}", r"{\1}", each.path)
        paths.setdefault(path, {})[each.method.lower()] = _operation(each)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "The operator's bench of smallgauge",
            "version": __version__,
            "summary": "What the page asks. Every refusal is one sentence.",
        },
        "paths": paths,
        "components": {
            "schemas": {
                "refusal": {
                    "type": "object",
                    "properties": {"error": {"type": "string"}},
                    "required": ["error"],
                }
            }
        },
    }


def _operation(address: Address) -> dict[str, Any]:
    parameters = [
        {
            "name": name,
            "in": "path",
            "required": True,
            "schema": WHOLE if kind == "int" else {"type": "string", "minLength": 1},
        }
        for name, kind in re.findall(r"\{(\w+)(?::(\w+))?\}", address.path)
    ]
    parameters += [
        {
            "name": each.name,
            "in": "query",
            "required": False,
            "description": each.says,
            "schema": dict(each.schema),
        }
        for each in address.asks
    ]
    refused = {"application/json": {"schema": {"$ref": "#/components/schemas/refusal"}}}
    responses = {status: {"description": words, "content": refused} for status, words in REFUSALS.items()}
    told: dict[str, Any] = {
        "summary": address.says,
        "parameters": parameters,
        "responses": {"200": {"description": address.says, "content": _content(address)}, **responses},
    }
    if address.takes is not None:
        told["requestBody"] = {
            "required": True,
            "content": {"application/json": {"schema": dict(address.takes)}},
        }
    return told


def _content(address: Address) -> dict[str, Any]:
    if isinstance(address.gives, str):
        return {address.gives: {"schema": {}}}
    entries = {name: {"type": kind.split(" or ")} for name, kind in address.gives.items()}
    return {
        "application/json": {"schema": {"type": "object", "properties": entries, "required": list(entries)}}
    }
