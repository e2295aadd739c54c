"""Computes commit hashes from commit lines, following docs/record-format.md and the published
Automerge binary format (change chunks), with nothing but the standard library.

Reads lines from standard input; prints 'hash' for a commit, the SHA-256 of the line for any other,
and at the end the log's chain over all of them.
"""

import hashlib
import json
import sys


def uleb(n):
    out = bytearray()
    while True:
        n, low = n >> 7, n & 0x7F
        out.append(low | (0x80 if n else 0))
        if not n:
            return bytes(out)


def sleb(n):
    out = bytearray()
    while True:
        low = n & 0x7F
        n >>= 7
        done = n == (-1 if low & 0x40 else 0)
        out.append(low | (0 if done else 0x80))
        if done:
            return bytes(out)


def run_length(values, encode):
    """Runs of equal values as (count, value); values that stand alone as (-count, values...)."""
    runs = []
    for value in values:
        if runs and runs[-1][1] == value:
            runs[-1][0] += 1
        else:
            runs.append([1, value])
    out, alone = b"", []

    def flush():
        text = sleb(-len(alone)) + b"".join(encode(v) for v in alone) if alone else b""
        alone.clear()
        return text

    for count, value in runs:
        if count == 1:
            alone.append(value)
        else:
            out += flush() + sleb(count) + encode(value)
    return out + flush()


def text(value):
    data = value.encode("utf-8")
    return uleb(len(data)) + data


def commit_hash(line):
    commit = json.loads(line)
    # The line is canonical, so its parts written canonically again are the parts as they stood.
    canonical = [json.dumps(r, sort_keys=True, separators=(",", ":"), ensure_ascii=False) for r in commit["records"]]
    values = [c.encode("utf-8") for c in canonical]
    count = len(values)
    columns = [
        (0x15, run_length([r["id"] for r in commit["records"]], text)),  # key
        (0x34, uleb(count)),  # insert: false, count times
        (0x42, run_length([1] * count, uleb)),  # action: put
        (0x56, run_length([len(v) << 4 | 6 for v in values], uleb)),  # value: length and type 6, UTF-8
        (0x57, b"".join(values)),
        (0x70, run_length([0] * count, uleb)),  # no predecessors
    ]
    actor = bytes.fromhex(commit["actor"])
    body = uleb(len(commit["deps"])) + b"".join(bytes.fromhex(d) for d in commit["deps"])
    body += uleb(len(actor)) + actor
    body += uleb(commit["seq"]) + uleb(commit["start_op"]) + sleb(commit["time"])
    body += uleb(0)  # no message
    body += uleb(0)  # no other actors
    body += uleb(len(columns)) + b"".join(uleb(c) + uleb(len(data)) for c, data in columns)
    body += b"".join(data for _, data in columns)
    return hashlib.sha256(b"\x01" + uleb(len(body)) + body).hexdigest()


chain = bytes(32)
for line in sys.stdin.buffer.read().decode("utf-8").splitlines():
    entry = commit_hash(line) if '"records":' in line else hashlib.sha256(line.encode("utf-8")).hexdigest()
    chain = hashlib.sha256(chain + bytes.fromhex(entry)).digest()
    print(entry)
print(chain.hex())
