"""Endpoints that read and answer JSON: one declaration serves each, and writes its part of the OpenAPI document.

The JSON doors declare themselves here. It must not know a use case; who may ask, it reads from the rules.
Source: OpenAPI Specification 3.1.1; RFC 8259 (JSON); RFC 6750 (bearer tokens).
"""

import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache, wraps
from http import HTTPStatus
from typing import Any, BinaryIO, Literal, TypeVar

from flask import Blueprint, jsonify, request
from pydantic import BaseModel, Field, TypeAdapter, ValidationError
from pydantic.json_schema import GenerateJsonSchema
from werkzeug.wrappers import Response

import spoolkeep
from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.domain.words import Scope
from spoolkeep.web.rules import RULES

Answer = TypeVar("Answer")
Method = Literal["get", "post"]

OPENAPI = "3.1.1"
JSON = "application/json"
_REFS = "#/components/schemas/{model}"
_LONGEST_NAME = 60
_IN_MEMORY = 1 << 20
OWN_CODE = "spoolkeep."
"""Before a code of our own in a model's error; pydantic's own codes become `bad_body`."""

WHY = {
    HTTPStatus.BAD_REQUEST: "The body is no JSON.",
    HTTPStatus.UNAUTHORIZED: "Nobody is signed in and no token was sent, or the token is not known or was revoked.",
    HTTPStatus.FORBIDDEN: "Whoever asks may not: the token lacks the scope, or the request comes from elsewhere.",
    HTTPStatus.NOT_FOUND: "What a code names is not in the books.",
    HTTPStatus.CONFLICT: "The key was used before for another request, or a later act is in the way.",
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE: "The body is too large.",
    HTTPStatus.UNSUPPORTED_MEDIA_TYPE: f"The body was not sent as {JSON}.",
    HTTPStatus.UNPROCESSABLE_ENTITY: "The body is JSON, and something in it cannot be. Nothing was booked.",
    HTTPStatus.SERVICE_UNAVAILABLE: "The database is held by another program, or too much is asked for. Send it again.",
}
_ALWAYS = (HTTPStatus.UNAUTHORIZED, HTTPStatus.FORBIDDEN, HTTPStatus.SERVICE_UNAVAILABLE)
_WITH_BODY = (
    HTTPStatus.BAD_REQUEST,
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
    HTTPStatus.UNPROCESSABLE_ENTITY,
)
_WITH_FILE = (
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
    HTTPStatus.UNPROCESSABLE_ENTITY,
)
FILE = "application/octet-stream"


class Refused(BaseModel):
    """Why it was not done."""

    code: str = Field(description="Stable, for programs.")
    words: str = Field(description="What to do next, for people.")


class Unread(Refusal):
    """The body could not be read at all; the status says why."""

    def __init__(self, code: str, words: str, status: HTTPStatus) -> None:
        super().__init__(code, words)
        self.status = status


@dataclass(frozen=True)
class Declared:
    """One endpoint as it was declared."""

    endpoint: str
    """Its name in the routing map and in the rules, such as `api.scan`."""
    method: Method
    path: str
    body: type[BaseModel] | None
    query: type[BaseModel] | None
    """What stands in the address of an endpoint whose body is a file."""
    answers: TypeAdapter[Any]
    refusals: tuple[HTTPStatus, ...]
    says: str

    @property
    def statuses(self) -> tuple[HTTPStatus, ...]:
        """Give every status with which it may refuse, in order."""
        of_body = _WITH_BODY if self.body else _WITH_FILE if self.query else ()
        return tuple(sorted({*_ALWAYS, *of_body, *self.refusals}))


class JsonEndpoints:
    """The endpoints of one blueprint, and the document that programs read."""

    def __init__(self, pages: Blueprint, *, title: str, says: str) -> None:
        self._pages, self._title, self._says = pages, title, says
        self._declared: list[Declared] = []
        self.document = cache(self._document)
        pages.register_error_handler(Unread, _unread)

    def declare(
        self,
        method: Method,
        path: str,
        *,
        answers: type[Answer],
        body: type[BaseModel] | None = None,
        query: type[BaseModel] | None = None,
        refusals: tuple[HTTPStatus, ...] = (),
    ) -> Callable[[Callable[..., Answer]], Callable[..., Answer]]:
        """Declare an endpoint: its view takes the body that was read, where there is one, and gives what it answers.

        With `query` the body is a file: the view takes what stands in the address, and the stream of the file.
        `answers` is the type of that; `refusals` are the statuses that the view's own rules lead to.
        """

        def keep(view: Callable[..., Answer]) -> Callable[..., Answer]:
            name, says = view.__name__, (view.__doc__ or "").strip()
            endpoint = f"{self._pages.name}.{name}"
            one = Declared(endpoint, method, path, body, query, TypeAdapter(answers), refusals, says)
            self._declared.append(one)
            self._pages.add_url_rule(path, name, _served(one, view), methods=[method.upper()])
            return view

        return keep

    def _document(self) -> dict[str, Any]:
        """Give the OpenAPI document of what was declared."""
        schemas, definitions = _schemas(self._declared)
        paths: dict[str, dict[str, Any]] = {}
        for one in self._declared:
            path = f"{self._pages.url_prefix or ''}{one.path}"
            paths.setdefault(path, {})[one.method] = _operation(one, schemas)
        return {
            "openapi": OPENAPI,
            "info": {"title": self._title, "version": spoolkeep.__version__, "description": self._says},
            "paths": paths,
            "components": {
                "schemas": definitions,
                "responses": {_named(status): _refusal(status) for status in _used(self._declared)},
                "securitySchemes": {"bearer": _bearer(self._declared)},
            },
        }


def _served(one: Declared, view: Callable[..., object]) -> Callable[[], Response]:
    """Give the view as Flask calls it: the body is read before, and what it gives is written down as declared."""

    @wraps(view)
    def serve() -> Response:
        if one.query:
            asked = read_query(one.query)
            with _file() as stream:
                answer = view(asked, stream)
        else:
            answer = view(read_body(one.body)) if one.body else view()
        return jsonify(one.answers.dump_python(answer, mode="json"))

    return serve


Body = TypeVar("Body", bound=BaseModel)


def read_body(model: type[Body]) -> Body:
    """Give the request's body. Errors: Unread where it is not JSON; BadInput where it is, and something cannot be.

    The text is read by the models' own reader, which refuses what RFC 8259 does: half of a surrogate pair, text that
    is not UTF-8, a second value after the first; and nesting and numbers without end.
    """
    if request.mimetype != JSON:
        words = f"Only JSON can be read here. Send the body with the header Content-Type: {JSON}."
        raise Unread("not_json", words, HTTPStatus.UNSUPPORTED_MEDIA_TYPE)
    try:
        return model.model_validate_json(request.get_data())
    except ValidationError as error:
        raise _unfit(error) from None


def read_query(model: type[Body]) -> Body:
    """Give what stands in the request's address. Errors: BadInput where something in it cannot be."""
    try:
        return model.model_validate_strings(request.args.to_dict())
    except ValidationError as error:
        raise _unfit(error) from None


@contextmanager
def _file() -> Iterator[BinaryIO]:
    """Give the request's body as a file that can be read again. Errors: Unread where it was not sent as one."""
    if request.mimetype != FILE:
        words = f"Send the file itself, with the header Content-Type: {FILE}."
        raise Unread("not_a_file", words, HTTPStatus.UNSUPPORTED_MEDIA_TYPE)
    with tempfile.SpooledTemporaryFile(max_size=_IN_MEMORY) as kept:
        shutil.copyfileobj(request.stream, kept)
        kept.seek(0)
        yield kept  # type: ignore[misc] # it reads as one


def _unfit(error: ValidationError) -> Refusal:
    """Give the first thing that is wrong with a body, in a sentence."""
    first = error.errors(include_url=False, include_context=False, include_input=False)[0]
    if first["type"] == "json_invalid":
        words = f"The body is not JSON that can be read ({first['msg']}). Mend it and send it again."
        return Unread("bad_json", words, HTTPStatus.BAD_REQUEST)
    where = ".".join(str(part)[:_LONGEST_NAME] for part in first["loc"]) or "body"
    code = first["type"].removeprefix(OWN_CODE) if first["type"].startswith(OWN_CODE) else "bad_body"
    return BadInput(code, f"{where}: {first['msg'].rstrip('.')}. Mend it and send it again.")


def _unread(error: Unread) -> tuple[Response, int]:
    return jsonify(code=error.code, words=error.words), error.status


class _Schemas(GenerateJsonSchema):
    """Schemas as the document has them: an answer is always whole, and a field's name needs no title beside it."""

    def field_is_required(self, field: Any, total: bool) -> bool:  # noqa: ANN401, FBT001 - pydantic's own
        """Give whether a field is always there."""
        return self.mode == "serialization" or super().field_is_required(field, total)

    def field_title_should_be_set(self, schema: Any) -> bool:  # noqa: ANN401 - pydantic's own
        """Give whether a field gets a title made from its name."""
        del schema
        return False


Schemas = Mapping[tuple[str, str], dict[str, Any]]


def _schemas(declared: list[Declared]) -> tuple[Schemas, dict[str, Any]]:
    """Give the schema of each body and answer by (endpoint, what), and the definitions to which they refer."""
    wanted: list[tuple[Any, Any, TypeAdapter[Any]]] = [("", "validation", TypeAdapter(Refused))]
    for one in declared:
        wanted.append((one.endpoint, "serialization", one.answers))
        wanted += [(one.endpoint, "validation", TypeAdapter(sent)) for sent in (one.body, one.query) if sent]
    found, rest = TypeAdapter.json_schemas(wanted, ref_template=_REFS, schema_generator=_Schemas)
    return {(name, mode): schema for (name, mode), schema in found.items()}, rest.get("$defs", {})


def _operation(one: Declared, schemas: Schemas) -> dict[str, Any]:
    scopes = _scopes(one)
    needs = "Needs a token with the scope " + " or ".join(f"`{scope}`" for scope in scopes)
    summary, _, more = one.says.partition("\n")
    told = {
        "operationId": one.endpoint.rpartition(".")[2],
        "summary": summary.rstrip("."),
        "description": "\n\n".join(part for part in (more.strip(), f"{needs}, or a person who is signed in.") if part),
        "security": [{"bearer": [scope]} for scope in scopes],
        "responses": {
            "200": {"description": "Done.", "content": _json(schemas[one.endpoint, "serialization"])},
            **{str(status.value): {"$ref": f"#/components/responses/{_named(status)}"} for status in one.statuses},
        },
    }
    if one.body:
        told["requestBody"] = {"required": True, "content": _json(schemas[one.endpoint, "validation"])}
    if one.query:
        told["parameters"] = _parameters(one.query)
        told["requestBody"] = {"required": True, "content": {FILE: {"schema": {"type": "string", "format": "binary"}}}}
    return told


def _parameters(query: type[BaseModel]) -> list[dict[str, Any]]:
    """Give what may stand in an address."""
    schema = TypeAdapter(query).json_schema(ref_template=_REFS, schema_generator=_Schemas)
    needed = set(schema.get("required", ()))
    return [
        {"name": name, "in": "query", "required": name in needed, "schema": one}
        for name, one in schema["properties"].items()
    ]


def _scopes(one: Declared) -> list[Scope]:
    return sorted(RULES[one.endpoint].scopes)


def _json(schema: dict[str, Any]) -> dict[str, Any]:
    return {JSON: {"schema": schema}}


def _used(declared: list[Declared]) -> list[HTTPStatus]:
    return sorted({status for one in declared for status in one.statuses})


def _named(status: HTTPStatus) -> str:
    return f"refused_{status.value}"  # the statuses' own names differ from one Python to the next


def _refusal(status: HTTPStatus) -> dict[str, Any]:
    return {"description": WHY[status], "content": _json({"$ref": _REFS.format(model=Refused.__name__)})}


def _bearer(declared: list[Declared]) -> dict[str, str]:
    names = ", ".join(f"`{scope}`" for scope in sorted({scope for one in declared for scope in _scopes(one)}))
    says = f"A token that the owner made under Setup, sent as `Authorization: Bearer …`. Its scopes: {names}."
    return {"type": "http", "scheme": "bearer", "description": says}
