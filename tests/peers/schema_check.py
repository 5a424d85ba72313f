"""Holds TOML files against a JSON Schema by the jsonschema library of other people's, for the tests.

schema_check.py SCHEMA FILE...; one JSON object on standard output: for each file the list of what is wrong.
"""

import json
import sys
import tomllib

from jsonschema import Draft202012Validator

with open(sys.argv[1], encoding="utf-8") as file:
    schema = json.load(file)
Draft202012Validator.check_schema(schema)
validator = Draft202012Validator(schema)
found = {}
for path in sys.argv[2:]:
    with open(path, "rb") as file:
        found[path] = [error.message for error in validator.iter_errors(tomllib.load(file))]
print(json.dumps(found))
