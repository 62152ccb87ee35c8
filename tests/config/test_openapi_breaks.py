"""Which changes of an OpenAPI document are found to break somebody, and which are not."""

import copy
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis.strategies import sampled_from

from config.local.openapi_breaks import breaking_changes
from config.local.openapi_shapes import METHODS

ROOT = Path(__file__).resolve().parents[2]
Json = dict[str, Any]
Change = Callable[[Json], Any]

DOCUMENT = """
openapi: 3.1.1
security: [{token: []}, {session: []}]
servers: [{url: https://flow.example.org}]
paths:
  /jobs/{job_id}:
    parameters: [{in: path, name: job_id, required: true, schema: {type: string, format: uuid}}]
    get:
      operationId: job_get
      security: [{token: []}, {session: []}]
      parameters:
      - {in: query, name: fields, schema: {type: string, maxLength: 80}}
      - {in: query, name: state, schema: {$ref: '#/components/schemas/State'}}
      - in: query
        name: filter
        content: {application/json: {schema: {type: object, properties: {site: {type: string}}}}}
      - {in: header, name: If-None-Match, schema: {type: string}}
      responses:
        '200':
          headers: {ETag: {required: true, schema: {type: string}}}
          content:
            application/json: {schema: {$ref: '#/components/schemas/JobOut'}}
            application/x-ndjson: {schema: {$ref: '#/components/schemas/JobOut'}}
        '304': {description: The same}
        '404': {content: {application/problem+json: {schema: {$ref: '#/components/schemas/Problem'}}}}
    patch:
      operationId: job_change
      security: [{token: [plan]}]
      requestBody:
        content:
          application/json: {schema: {$ref: '#/components/schemas/JobIn'}}
          text/csv: {schema: {type: string}}
          multipart/form-data: {schema: {type: object}, encoding: {file: {contentType: text/csv}}}
      responses:
        '200': {content: {application/json: {schema: {$ref: '#/components/schemas/JobOut'}}}}
webhooks:
  event:
    post:
      parameters: [{in: header, name: webhook-id, required: true, schema: {type: string}}]
      requestBody:
        required: true
        content: {application/json: {schema: {$ref: '#/components/schemas/Event'}}}
      responses: {2XX: {description: Taken}}
components:
  securitySchemes: {token: {type: http, scheme: bearer}, session: {type: apiKey, in: cookie, name: sessionid}}
  schemas:
    State: {enum: [open, issued], type: string, description: '* `open` - Open'}
    Blank: {enum: ['']}
    Problem:
      type: object
      properties: {title: {type: string}}
      required: [title]
    JobIn:
      type: object
      additionalProperties: false
      required: [title, readings]
      properties:
        id: {type: string, readOnly: true}
        title: {type: string, minLength: 1, maxLength: 80}
        state: {oneOf: [{$ref: '#/components/schemas/State'}, {$ref: '#/components/schemas/Blank'}]}
        paper: {enum: [A4, Letter], type: string, default: A4}
        note: {type: [string, 'null']}
        count: {type: number, minimum: 0}
        step: {type: number, multipleOf: 0.5}
        draft: {enum: [false]}
        tags: {type: array}
        extra: {type: object}
        marks: {type: object, additionalProperties: {type: string}}
        readings:
          type: array
          minItems: 1
          maxItems: 50
          items: {$ref: '#/components/schemas/ReadingIn'}
    ReadingIn:
      oneOf: [{$ref: '#/components/schemas/HoodIn'}, {$ref: '#/components/schemas/PitotIn'}]
      discriminator:
        propertyName: method
        mapping: {hood: '#/components/schemas/HoodIn', pitot: '#/components/schemas/PitotIn'}
    HoodIn:
      type: object
      required: [method, flow]
      properties: {method: {type: string}, flow: {type: number}, unit: {type: string}}
    PitotIn:
      type: object
      required: [method, pressures]
      properties:
        method: {type: string}
        pressures: {type: array, items: {oneOf: [{type: string}, {type: number}]}}
    JobOut:
      allOf:
      - $ref: '#/components/schemas/Dated'
      - type: object
        required: [id, state, site]
        properties:
          id: {type: string, format: uuid, readOnly: true}
          state: {allOf: [{$ref: '#/components/schemas/State'}], readOnly: true}
          site:
            type: object
            required: [name]
            properties: {name: {type: string, maxLength: 80}, height: {type: [number, 'null']}}
          secret: {type: string, writeOnly: true}
          parts: {type: array, items: {$ref: '#/components/schemas/JobOut'}}
          whole: {$ref: '#/components/schemas/JobOut', default: {}, description: What it is a part of}
          labels: {type: object, additionalProperties: {type: string}}
          found: {oneOf: [{$ref: '#/components/schemas/Flow'}, {$ref: '#/components/schemas/Refused'}]}
    Flow: {type: object, required: [kind, value], properties: {kind: {const: flow}, value: {type: number}}}
    Refused: {type: object, required: [kind, why], properties: {kind: {const: refused}, why: {type: string}}}
    Dated: {type: object, required: [at], properties: {at: {type: string, format: date-time}}}
    Event: {type: object, required: [verb], properties: {verb: {type: string}, data: {type: object}}}
"""
GET, PATCH, HOOK = "GET /jobs/{job_id}", "PATCH /jobs/{job_id}", "webhook POST event"
FLOW = {"type": "object", "required": ["kind"], "properties": {"kind": {"const": "pressure"}}}


@cache
def _document() -> Json:
    made: Json = yaml.safe_load(DOCUMENT)
    return made


def at(document: Json, *steps: Any) -> Any:
    for step in steps:
        document = document[step]
    return document


def changed(change: Change) -> Json:
    made = copy.deepcopy(_document())
    change(made)
    assert made != _document()
    return made


def get(d: Json) -> Json:
    found: Json = d["paths"]["/jobs/{job_id}"]["get"]
    return found


def patch(d: Json) -> Json:
    found: Json = d["paths"]["/jobs/{job_id}"]["patch"]
    return found


def schema(d: Json, name: str, *steps: Any) -> Any:
    return at(d["components"]["schemas"], name, *steps)


def job_in(d: Json, *steps: Any) -> Any:
    return schema(d, "JobIn", *steps)


def job_out(d: Json, *steps: Any) -> Any:
    return schema(d, "JobOut", "allOf", 1, *steps)


def add_required(d: Json) -> None:
    job_in(d, "properties")["site"] = {"type": "string"}
    job_in(d, "required").append("site")


def part(d: Json) -> Any:
    return schema(d, "PitotIn", "properties", "pressures", "items", "oneOf")


def mapped(d: Json, taken: str) -> None:
    del schema(d, "ReadingIn", "discriminator", "mapping")[taken]
    schema(d, "ReadingIn", "oneOf").pop(0 if taken == "hood" else 1)


def third(d: Json, name: str) -> None:
    schema(d, "ReadingIn", "oneOf").append({"$ref": f"#/components/schemas/{name}"})
    schema(d, "ReadingIn", "discriminator", "mapping")[name] = f"#/components/schemas/{name}"
    d["components"]["schemas"][name] = {"type": "object", "properties": {"method": {"type": "string"}}}


BREAKS: list[tuple[str, Change]] = [
    # operations
    (f"{GET}: gone", lambda d: d["paths"]["/jobs/{job_id}"].pop("get")),
    (f"{PATCH}: gone", lambda d: d["paths"].pop("/jobs/{job_id}")),
    (f"{GET}: operationId is no longer job_get", lambda d: get(d).update(operationId="job_read")),
    # security
    (f"{GET}: security session is no longer enough", lambda d: get(d)["security"].pop()),
    (f"{GET}: security token is no longer enough",
     lambda d: get(d).update(security=[{"token": [], "session": []}])),
    (f"{PATCH}: security token is no longer enough",
     lambda d: patch(d)["security"][0]["token"].append("own")),
    ("security session: gone", lambda d: d["components"]["securitySchemes"].pop("session")),
    ("security token: asks for something else",
     lambda d: d["components"]["securitySchemes"]["token"].update(scheme="basic")),
    ("server https://flow.example.org: gone", lambda d: d["servers"].clear()),
    # parameters
    (f"request {GET} query filter application/json/site: gone",
     lambda d: get(d)["parameters"][2]["content"]["application/json"]["schema"]["properties"].pop("site")),
    (f"request {GET} query fields: gone", lambda d: get(d)["parameters"].pop(0)),
    (f"request {GET} query fields: required now", lambda d: get(d)["parameters"][0].update(required=True)),
    (f"request {GET} query page: required now",
     lambda d: get(d)["parameters"].append({"in": "query", "name": "page", "required": True, "schema": {}})),
    (f"request {GET} query fields: maxLength is 40 now",
     lambda d: get(d)["parameters"][0]["schema"].update(maxLength=40)),
    (f"request {GET} query fields: string is no longer taken",
     lambda d: get(d)["parameters"][0].update(schema={"type": "integer"})),
    (f"request {GET} query fields: is written in another way",
     lambda d: get(d)["parameters"][0].update(explode=False)),
    (f"request {GET} header if-none-match: gone", lambda d: get(d)["parameters"].pop()),
    (f"request {GET} path 1: format is \"int32\" now",
     lambda d: d["paths"]["/jobs/{job_id}"]["parameters"][0]["schema"].update(format="int32")),
    ("request State: value \"issued\" is no longer taken", lambda d: schema(d, "State", "enum").pop()),
    # bodies
    (f"request {PATCH} body: gone", lambda d: patch(d).pop("requestBody")),
    (f"request {PATCH} body: required now", lambda d: patch(d)["requestBody"].update(required=True)),
    (f"request {PATCH} body text/csv: gone", lambda d: patch(d)["requestBody"]["content"].pop("text/csv")),
    (f"request {PATCH} body multipart/form-data: is written in another way",
     lambda d: patch(d)["requestBody"]["content"]["multipart/form-data"].pop("encoding")),
    ("request JobIn/title: gone", lambda d: job_in(d, "properties").pop("title")),
    ("request JobIn/note: string is no longer taken", lambda d: job_in(d, "properties").update(note=False)),
    ("request JobIn/step: multipleOf is 1 now",
     lambda d: job_in(d, "properties", "step").update(multipleOf=1)),
    ("request JobIn/tags/*: any value is no longer taken",
     lambda d: job_in(d, "properties", "tags").update(items={"type": "string"})),
    ("request JobIn/extra/{}: any value is no longer taken",
     lambda d: job_in(d, "properties", "extra").update(additionalProperties={"type": "string"})),
    ("request JobIn/marks/{}: string is no longer taken",
     lambda d: job_in(d, "properties", "marks").update(additionalProperties={"type": "integer"})),
    ("request JobIn/title: gone", lambda d: job_in(d, "properties", "title").update(readOnly=True)),
    ("request JobIn/note: required now", lambda d: job_in(d, "required").append("note")),
    ("request JobIn/site: required now", add_required),
    ("request JobIn/title: maxLength is 40 now",
     lambda d: job_in(d, "properties", "title").update(maxLength=40)),
    ("request JobIn/title: minLength is 2 now",
     lambda d: job_in(d, "properties", "title").update(minLength=2)),
    ("request JobIn/title: pattern is \"^A\" now",
     lambda d: job_in(d, "properties", "title").update(pattern="^A")),
    ("request JobIn/title: is now one of a list",
     lambda d: job_in(d, "properties", "title").update(enum=["A"])),
    ("request JobIn/title: string is no longer taken",
     lambda d: job_in(d, "properties").update(title={"type": "integer"})),
    ("request JobIn/note: null is no longer taken",
     lambda d: job_in(d, "properties", "note").update(type="string")),
    ("request JobIn/count: number is no longer taken",
     lambda d: job_in(d, "properties", "count").update(type="integer")),
    ("request JobIn/count: minimum is 1 now", lambda d: job_in(d, "properties", "count").update(minimum=1)),
    ("request JobIn/state: value \"\" is no longer taken",
     lambda d: job_in(d, "properties", "state", "oneOf").pop()),
    ("request JobIn/paper: value \"Letter\" is no longer taken",
     lambda d: job_in(d, "properties", "paper", "enum").pop()),
    ("request JobIn/paper: default is no longer \"A4\"",
     lambda d: job_in(d, "properties", "paper").update(default="Letter")),
    ("request JobIn/readings: maxItems is 20 now",
     lambda d: job_in(d, "properties", "readings").update(maxItems=20)),
    ("request HoodIn: further properties are no longer taken",
     lambda d: schema(d, "HoodIn").update(additionalProperties=False)),
    # nested, by discriminator
    ("request HoodIn/unit: gone", lambda d: schema(d, "HoodIn", "properties").pop("unit")),
    ("request HoodIn/unit: required now", lambda d: schema(d, "HoodIn", "required").append("unit")),
    ("request PitotIn/pressures/*: number is no longer taken", lambda d: part(d).pop()),
    ("request ReadingIn: PitotIn is no longer taken", lambda d: mapped(d, "pitot")),
    ("request ReadingIn: HoodIn is no longer taken", lambda d: mapped(d, "hood")),
    # answers
    (f"answer {GET} 200: gone", lambda d: get(d)["responses"].pop("200")),
    (f"answer {GET} 304: gone", lambda d: get(d)["responses"].pop("304")),
    (f"answer {GET} 200 application/x-ndjson: gone",
     lambda d: get(d)["responses"]["200"]["content"].pop("application/x-ndjson")),
    (f"answer {GET} 200 ETag: gone", lambda d: get(d)["responses"]["200"]["headers"].pop("ETag")),
    (f"answer {GET} 200 ETag: may be missing now",
     lambda d: get(d)["responses"]["200"]["headers"]["ETag"].update(required=False)),
    ("answer Problem/title: gone", lambda d: schema(d, "Problem", "properties").pop("title")),
    ("answer JobOut/site: gone", lambda d: job_out(d, "properties").pop("site")),
    ("answer JobOut/site: gone", lambda d: job_out(d, "properties", "site").update(writeOnly=True)),
    ("answer JobOut/site/name: gone", lambda d: job_out(d, "properties", "site", "properties").pop("name")),
    ("answer JobOut/at: gone", lambda d: schema(d, "Dated", "properties").pop("at")),
    ("answer JobOut/at: may be missing now", lambda d: schema(d, "Dated").pop("required")),
    ("answer JobOut/id: may be missing now", lambda d: job_out(d, "required").remove("id")),
    ("answer JobOut/id: integer is new", lambda d: job_out(d, "properties").update(id={"type": "integer"})),
    ("answer JobOut/id: format is no longer \"uuid\"",
     lambda d: job_out(d, "properties", "id").pop("format")),
    ("answer JobOut/site/name: null is new",
     lambda d: job_out(d, "properties", "site", "properties", "name").update(type=["string", "null"])),
    ("answer JobOut/site/name: maxLength is no longer 80",
     lambda d: job_out(d, "properties", "site", "properties", "name").update(maxLength=90)),
    ("answer JobOut/labels/{}: any value is new",
     lambda d: job_out(d, "properties", "labels").pop("additionalProperties")),
    ("answer JobOut: any value is new", lambda d: job_out(d, "properties", "parts").pop("items")),
    ("answer State: value \"void\" is new", lambda d: schema(d, "State", "enum").append("void")),
    ("answer State: further values may come now",
     lambda d: schema(d, "State").update({"x-may-grow": True})),
    ("answer State: is no longer one of a list", lambda d: schema(d, "State").pop("enum")),
    ("answer Flow/value: gone", lambda d: schema(d, "Flow", "properties").pop("value")),
    ("answer JobOut/found: object is new", lambda d: job_out(d, "properties", "found", "oneOf").append(FLOW)),
    # webhooks: what the service sends is an answer, what it takes back a request
    (f"{HOOK}: gone", lambda d: d["webhooks"].pop("event")),
    ("answer Event/verb: gone", lambda d: schema(d, "Event", "properties").pop("verb")),
    (f"answer {HOOK} header webhook-id: gone", lambda d: d["webhooks"]["event"]["post"]["parameters"].pop()),
    (f"answer {HOOK} header webhook-id: may be missing now",
     lambda d: d["webhooks"]["event"]["post"]["parameters"][0].update(required=False)),
    (f"answer {HOOK} body: may be missing now",
     lambda d: d["webhooks"]["event"]["post"]["requestBody"].update(required=False)),
    (f"request {HOOK} 2XX: gone",
     lambda d: d["webhooks"]["event"]["post"].update(responses={"204": {"description": "Taken"}})),
]  # fmt: skip


@pytest.mark.parametrize(
    ("line", "change"), BREAKS, ids=[f"{n} {line}" for n, (line, _) in enumerate(BREAKS)]
)
def test_a_break_is_found_and_named(line: str, change: Change) -> None:
    assert line in breaking_changes(_document(), changed(change))


# Each the other way round of a break above, or another form of the same.
HARMLESS: list[tuple[str, Change, bool]] = [
    # name, change, whether the way back is harmless too
    ("another operation", lambda d: d["paths"].update({"/sites": {"get": get(d)}}), False),
    ("names in the address", lambda d: (
        d["paths"].update({"/jobs/{id}": d["paths"].pop("/jobs/{job_id}")}),
        d["paths"]["/jobs/{id}"]["parameters"][0].update(name="id")), True),
    ("another way to prove oneself", lambda d: patch(d)["security"].append({"session": []}), False),
    ("no proof asked", lambda d: get(d).update(security=[]), False),
    ("security said for the document", lambda d: get(d).pop("security"), True),
    ("words of a scheme",
     lambda d: d["components"]["securitySchemes"]["token"].update(description="A"), True),
    ("another parameter", lambda d: get(d)["parameters"].append(
        {"in": "query", "name": "page", "schema": {"type": "integer"}}), False),
    ("longer parameter", lambda d: get(d)["parameters"][0]["schema"].update(maxLength=99), False),
    ("order of parameters", lambda d: get(d)["parameters"].reverse(), True),
    ("a header's letters", lambda d: get(d)["parameters"][3].update(name="if-none-match"), True),
    ("another kind of body", lambda d: patch(d)["requestBody"]["content"].update({"text/xml": {}}), False),
    ("another property taken", lambda d: job_in(d, "properties").update(x={"type": "string"}), False),
    ("no longer required", lambda d: job_in(d, "required").remove("title"), False),
    ("longer text taken", lambda d: job_in(d, "properties", "title").update(maxLength=99), False),
    ("no limit", lambda d: job_in(d, "properties", "count").pop("minimum"), False),
    ("shorter text taken", lambda d: job_in(d, "properties", "title").update(minLength=0), False),
    ("a finer step", lambda d: job_in(d, "properties", "step").update(multipleOf=0.25), False),
    ("a list with its longest value", lambda d: job_in(d, "properties", "paper").update(maxLength=9), True),
    ("limits in two parts", lambda d: job_in(d, "properties").update(
        title={"allOf": [{"type": "string", "maxLength": 80}, {"minLength": 1, "maxLength": 90}]}), True),
    ("one value as a constant", lambda d: job_in(d, "properties").update(draft={"const": False}), True),
    ("an object without its type", lambda d: schema(d, "Event").pop("type"), True),
    ("more parts", lambda d: job_out(d, "properties", "parts").update(minItems=1), False),
    ("shorter labels", lambda d: job_out(d, "properties", "labels").update(
        additionalProperties={"type": "string", "maxLength": 5}), False),
    ("null taken too", lambda d: job_in(d, "properties", "title").update(type=["string", "null"]), False),
    ("another value taken", lambda d: job_in(d, "properties", "paper", "enum").append("A3"), False),
    ("further properties taken", lambda d: job_in(d).pop("additionalProperties"), False),
    ("null in another form", lambda d: job_in(d, "properties").update(
        note={"anyOf": [{"type": "string"}, {"type": "null"}]}), True),
    ("an enumeration in one", lambda d: job_in(d, "properties").update(
        state={"enum": ["", "issued", "open"], "type": "string"}), True),
    ("a reference in allOf", lambda d: job_in(d, "properties", "readings").update(
        items={"allOf": [{"$ref": "#/components/schemas/ReadingIn"}], "description": "One."}), True),
    ("another alternative taken", lambda d: third(d, "StationIn"), False),
    ("another success", lambda d: patch(d)["responses"].update({"202": {"description": "Later"}}), False),
    ("a problem no longer told", lambda d: get(d)["responses"].pop("404"), True),
    ("another form of answer",
     lambda d: patch(d)["responses"]["200"]["content"].update({"text/csv": {}}), False),
    ("another property answered", lambda d: job_out(d, "properties").update(x={"type": "string"}), False),
    ("required in an answer", lambda d: job_out(d, "required").append("parts"), False),
    ("a value no longer answered",
     lambda d: job_out(d, "properties").update(state={"enum": ["open"]}), False),
    ("shorter answer",
     lambda d: job_out(d, "properties", "site", "properties", "name").update(maxLength=9), False),
    ("never null",
     lambda d: job_out(d, "properties", "site", "properties", "height").update(type="number"), False),
    ("whole numbers only", lambda d: schema(d, "Flow", "properties", "value").update(type="integer"), False),
    ("an alternative never answered", lambda d: job_out(d, "properties", "found", "oneOf").pop(), False),
    ("allOf as one", lambda d: d["components"]["schemas"].update(
        JobOut=job_out(d) | {
            "required": [*job_out(d, "required"), "at"],
            "properties": job_out(d, "properties") | schema(d, "Dated", "properties")}), True),
    ("a component's name", lambda d: (
        d["components"]["schemas"].update(Blow=d["components"]["schemas"].pop("Flow")),
        job_out(d, "properties", "found", "oneOf", 0).update({"$ref": "#/components/schemas/Blow"})), True),
    ("what only answers leave out", lambda d: job_out(d, "properties").pop("secret"), True),
    ("what only requests leave out", lambda d: job_in(d, "properties").pop("id"), True),
    ("words", lambda d: job_out(d, "properties", "id").update(description="Its id.", examples=["1"]), True),
    ("another webhook", lambda d: d["webhooks"].update(news=d["webhooks"]["event"]), False),
    ("another header of a webhook", lambda d: d["webhooks"]["event"]["post"]["parameters"].append(
        {"in": "header", "name": "webhook-try", "required": True, "schema": {"type": "string"}}), False),
    ("an unused component", lambda d: d["components"]["schemas"].update(Unused={"type": "string"}), True),
]  # fmt: skip


@pytest.mark.parametrize(("change", "both"), [h[1:] for h in HARMLESS], ids=[h[0] for h in HARMLESS])
def test_a_harmless_change_passes_and_its_way_back_is_judged_too(change: Change, both: bool) -> None:
    new = changed(change)
    assert breaking_changes(_document(), new) == []
    assert (breaking_changes(new, _document()) == []) is both


@pytest.mark.parametrize("wrong", ["https://elsewhere.example/schema", "#/components/schemas/Flow"])
def test_a_reference_that_leads_nowhere_is_refused(wrong: str) -> None:
    new = changed(lambda d: schema(d, "Flow").update({"$ref": wrong}))
    with pytest.raises(ValueError, match=r"outside|nothing but itself"):
        breaking_changes(_document(), new)


def test_nothing_changed_breaks_nothing() -> None:
    assert breaking_changes(_document(), copy.deepcopy(_document())) == []


# The document of the service


def test_an_enumeration_that_may_grow_grows() -> None:
    old = changed(lambda d: schema(d, "State").update({"x-may-grow": True}))
    new = copy.deepcopy(old)
    schema(new, "State", "enum").append("void")
    assert breaking_changes(old, new) == []
    schema(new, "State", "enum").remove("open")
    lines = breaking_changes(old, new)
    assert 'request State: value "open" is no longer taken' in lines
    assert all(line.startswith("request ") for line in lines)


@cache
def real() -> Json:
    made: Json = yaml.load((ROOT / "openapi.yaml").read_text(), Loader=yaml.CSafeLoader)
    return made


def test_the_service_against_itself_breaks_nothing() -> None:
    assert breaking_changes(real(), copy.deepcopy(real())) == []


def places(node: Any, steps: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Where each schema's properties stand."""
    if isinstance(node, dict):
        if isinstance(node.get("properties"), dict) and "name" not in node.get("parameters", {}):
            yield from ((*steps, "properties", name) for name in node["properties"])
        for key, value in node.items():
            yield from places(value, (*steps, key))
    elif isinstance(node, list):
        for number, value in enumerate(node):
            yield from places(value, (*steps, number))


def without(document: Json, steps: tuple[Any, ...]) -> Json:
    """The document without what stands there; the rest is shared."""
    made: Any = dict(document)
    place = made
    for step in steps[:-1]:
        place[step] = copy.copy(place[step])
        place = place[step]
    del place[steps[-1]]
    return made


def test_each_operation_that_goes_is_found() -> None:
    all_of_them = [(p, m) for p, entry in real()["paths"].items() for m in METHODS if m in entry]
    assert len(all_of_them) > 150
    for path, method in all_of_them:
        gone = breaking_changes(real(), without(real(), ("paths", path, method)))
        assert gone == [f"{method.upper()} {path}: gone"]


def parts_of_operations() -> Iterator[tuple[tuple[Any, ...], str]]:
    """Parameters, kinds of body and successes: where each stands, and what its loss is called."""
    for path, entry in real()["paths"].items():
        for method, operation in entry.items():
            start, place = ("paths", path, method), f"{method.upper()} {path}"
            for number, parameter in enumerate(operation.get("parameters", ())):
                name = parameter["name"].lower() if parameter["in"] == "header" else parameter["name"]
                if parameter["in"] != "path":
                    said = f"request {place} {parameter['in']} {name}: gone"
                    yield (*start, "parameters", number), said
            for kind in operation.get("requestBody", {}).get("content", ()):
                yield (*start, "requestBody", "content", kind), f"request {place} body {kind}: gone"
            for status in (one for one in operation["responses"] if one < "4"):
                yield (*start, "responses", status), f"answer {place} {status}: gone"
                for kind in operation["responses"][status].get("content", ()):
                    where = (*start, "responses", status, "content", kind)
                    yield where, f"answer {place} {status} {kind}: gone"


PARTS = [*parts_of_operations()]
PROPERTIES = [*places(real())]


@cache
def told_twice() -> set[str]:
    """Names of properties that another part of an allOf, or a discriminator, tells as well."""
    found = set()
    for name, shape in real()["components"]["schemas"].items():
        found |= {steps[-1] for steps in places(shape, (name,)) if "allOf" in steps}
        found.add(shape.get("discriminator", {}).get("propertyName"))
    return found


@given(sampled_from(PARTS))
def test_each_parameter_status_and_kind_of_body_that_goes_is_found(part: tuple[tuple[Any, ...], str]) -> None:
    steps, said = part
    assert breaking_changes(real(), without(real(), steps)) == [said]


@given(sampled_from(PROPERTIES))
def test_each_property_that_goes_is_found(steps: tuple[Any, ...]) -> None:
    found = breaking_changes(real(), without(real(), steps))
    assert any(line.endswith(f"/{steps[-1]}: gone") for line in found) or steps[-1] in told_twice()


@given(sampled_from(PROPERTIES))
def test_a_further_property_beside_any_breaks_nobody(steps: tuple[Any, ...]) -> None:
    more = with_another(real(), steps[:-1])
    assert breaking_changes(real(), more) == []
    assert any(line.endswith("/further: gone") for line in breaking_changes(more, real()))


def with_another(document: Json, steps: tuple[Any, ...]) -> Json:
    """The document with one property more there; the rest is shared."""
    made: Any = dict(document)
    place = made
    for step in steps:
        place[step] = copy.copy(place[step])
        place = place[step]
    place["further"] = {"type": "string"}
    return made


def test_the_real_document_gives_enough_to_take_away() -> None:
    assert len(PARTS) > 500
    assert len(PROPERTIES) > 1500
    assert len([steps for steps in PROPERTIES if steps[-1] not in told_twice()]) > 1400
