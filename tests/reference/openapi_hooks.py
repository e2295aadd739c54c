"""How schemathesis writes a body of lines: what it made up, a line each, between true first lines.

Run by tests/tests/outside_openapi.rs through SCHEMATHESIS_HOOKS.
"""

import json
import os

import schemathesis


@schemathesis.serializer("application/x-ndjson")
def lines(ctx, value):
    text = value if isinstance(value, str) else json.dumps(value)
    if len(text) % 2 == 0:
        # Every second body begins as an exchange does, so that what follows is reached.
        book = os.environ["BOLEBOOK_TEST_BOOK"]
        start = json.dumps({"exchange": 1, "now": 0})
        opened = json.dumps({"book": book, "server": None, "position": 0, "chain": "0" * 64})
        text = "\n".join([start, opened, text, ""])
    return text.encode("utf-8", errors="surrogatepass")
