"""What schemathesis must know of FHIR that OpenAPI can't say.

Identifiers of what is really stored take the place of made-up ones in half of the cases, so
that not everything is 404; and what is no success must be an OperationOutcome that tells
nothing of the inside. Each such answer is kept, a line each, for the validator to judge:

    FHIRSVC_URL=http://127.0.0.1:8080 FHIRSVC_REFUSALS=out.ndjson schemathesis run openapi.yaml …
"""

import json
import os
import urllib.parse
import urllib.request

import schemathesis

BASE = os.environ["FHIRSVC_URL"]
REFUSALS = os.environ["FHIRSVC_REFUSALS"]
FHIR_JSON = "application/fhir+json; charset=utf-8"
stored: dict[str, list[str]] = {}


def ids(resource_type: str) -> list[str]:
    """The ids of some resources of a type that are stored, in order."""
    if resource_type not in stored:
        with urllib.request.urlopen(f"{BASE}/fhir/{resource_type}?_count=20", timeout=10) as answer:
            bundle = json.load(answer)
        stored[resource_type] = [e["resource"]["id"] for e in bundle.get("entry", [])]
    return stored[resource_type]


@schemathesis.hook
def map_path_parameters(context, path_parameters):
    """Puts an id of something stored in the place of every other one."""
    if not path_parameters or "id" not in path_parameters:
        return path_parameters
    known = ids(context.operation.path.split("/")[2])
    made_up = str(path_parameters["id"])
    n = sum(map(ord, made_up))
    if known and n % 2:
        path_parameters["id"] = known[n % len(known)]
        if "version" in path_parameters and n % 3:
            path_parameters["version"] = "1"
    return path_parameters


@schemathesis.hook
def before_call(context, case, kwargs):
    """Gives an update the id of its address, as R4 wants it."""
    address = case.path_parameters or {}
    if "id" in address and isinstance(case.body, dict) and len(case.body) % 3:
        case.body = {**case.body, "id": address["id"]}


@schemathesis.check
def refusal_is_an_operation_outcome(ctx, response, case):
    """Every answer that is no success says why in FHIR, and never how the service is made."""
    if response.status_code < 400:
        return
    text = response.content.decode("utf-8")
    if case.method.upper() == "HEAD":
        return
    assert response.headers["content-type"] == [FHIR_JSON], response.headers["content-type"]
    outcome = json.loads(text)
    assert outcome["resourceType"] == "OperationOutcome", text
    assert outcome["issue"][0]["code"] and outcome["issue"][0]["details"]["text"], text
    sent = urllib.parse.unquote_plus(response.request.url) + str(response.request.body)
    for inside in ("goroutine ", ".go:", "runtime error", "SQLSTATE", "sqlite: "):
        assert inside in sent or inside not in text, text
    with open(REFUSALS, "a", encoding="utf-8") as out:
        out.write(text + "\n")
