"""A data package validated by frictionless; prints what it found in it.

Run by tests/tests/outside_exports.rs. Argument: the folder of an unpacked package.
"""

import json
import os
import sys

import frictionless

os.chdir(sys.argv[1])
package = frictionless.Package("datapackage.json")
report = package.validate()
errors = [[error.type, error.note] for task in report.tasks for error in task.errors]
errors += [[error.type, error.note] for error in report.errors]
tables = [resource for resource in package.resources if resource.format == "csv"]
rows = {resource.name: len(resource.read_rows()) for resource in tables}
keys = {r.name: len(r.schema.foreign_keys) for r in tables}
print(json.dumps({"valid": report.valid, "errors": errors, "rows": rows, "keys": keys}))
