"""Checks schemas and example records with implementations that are not Bolebook's.

Schemas are valid JSON Schema 2020-12; accepted examples fit theirs and are byte for byte what
RFC 8785 gives; examples whose name begins with 'schema-' do not fit. Prints how many of each.
"""

import json
import pathlib
import sys

import jsonschema
import rfc8785

folder = pathlib.Path(sys.argv[1])
validators = {}
for path in sorted((folder / "record").glob("*.json")):
    schema = json.loads(path.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    validators[path.stem] = jsonschema.Draft202012Validator(schema)

wrong = []
accepted = sorted((folder / "examples" / "accepted").glob("*.json"))
for path in accepted:
    text = path.read_bytes().removesuffix(b"\n")
    record = json.loads(text)
    wrong += [f"{path.name}: {e.message}" for e in validators[record["kind"]].iter_errors(record)]
    if rfc8785.dumps(record) != text:
        wrong.append(f"{path.name}: RFC 8785 gives other bytes")

refused = sorted((folder / "examples" / "refused").glob("schema-*.json"))
for path in refused:
    record = json.loads(path.read_text(encoding="utf-8"))
    if validators[record["kind"]].is_valid(record):
        wrong.append(f"{path.name}: fits its schema")

print(f"{len(validators)} schemas, {len(accepted)} accepted, {len(refused)} refused")
if wrong:
    sys.exit("\n".join(wrong))
