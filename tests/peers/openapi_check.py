"""Holds answers of the API against its OpenAPI document by the jsonschema library of other people's, for the tests.

openapi_check.py check FOLDER: openapi.json and SCHEMA.json files, each an answer of that schema of the document's. One JSON
object on standard output: for each answer the list of what is wrong with it.
"""

import json
import pathlib
import sys

from jsonschema import Draft202012Validator

folder = pathlib.Path(sys.argv[2])
document = json.loads((folder / "openapi.json").read_text(encoding="utf-8"))
found = {}
for path in sorted(folder.glob("*.json")):
    if path.name == "openapi.json":
        continue
    schema = {"$ref": f"#/components/schemas/{path.stem}", "components": document["components"]}
    Draft202012Validator.check_schema(schema)
    answer = json.loads(path.read_text(encoding="utf-8"))
    found[path.stem] = [error.message for error in Draft202012Validator(schema).iter_errors(answer)]
print(json.dumps(found))
