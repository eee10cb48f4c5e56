"""Recordings as no one should write them: a corpus for whatever reads files of others."""

import gzip
import itertools
import json
import random

T0 = 1_750_000_000
HEADER = ("time", "voltage_v", "current_a", "state", "runtime_h")
MAGIC = [
    b"PAR1", b"SQLite format 3\0", b"PK\x03\x04", b"BZh91AY", b"\xfd7zXZ\0", b"\x28\xb5\x2f\xfd",
    b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", b"%PDF-1.7", b"\x7fELF", b"\x1f\x8b", b"\x89PNG\r\n\x1a\n",
    b"GIF89a", b"\xff\xd8\xff\xe0", b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff", b"\0" * 16,
]  # fmt: skip
ODD_NUMBERS = [
    "inf", "nan", "1_3.2", "1e999", "0x1p4", "\uff11\uff13", "13,2", "1.234,5", "1 300", "--1",
    "+-1",
    "9" * 400, "1e-400", "NaN", "True", "=1+1", "13.2V", "\u221213", "1/3",
    "",
]  # fmt: skip
ODD_TIMES = [
    "9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00", "2025-02-30T00:00:00Z",
    str(T0 * 1000),
    str(T0 * 10**6), str(T0 * 10**9), "-1", "0", "1e308", "45000.5", "12:30", "2025-06-15",
    "2025-06-15T15:06:40", "2025-06-15T15:06:60Z", "2025-06-15T15:06:40+99:00", "T", "Z", "\0",
]  # fmt: skip
ODD_JSON = [
    "[]", "{}", "null", "1", '"text"', "[" * 5_000,
    '{"a":' * 2_000, '{"time": 1' + "0" * 6_000 + "}",
    '{"time": NaN, "voltage_v": Infinity}', '{"time": [], "voltage_v": {}}', "{'time': 1}", "{",
    json.dumps(dict.fromkeys(map(str, range(2_000)), 1)), '{"time": 1e400}', '{"\\ud800": 1}', "\0",
    json.dumps({"time": T0 + 5.5, "voltage_v": True, "state": ["x"] * 50}), "[{}]\n[{}]", "{}{}",
]  # fmt: skip


def table(rows=40, delimiter=",", decimal=".", begin=0):
    """Return a sound recording as text."""
    lines = [delimiter.join(HEADER)]
    for k in range(begin, begin + rows):
        values = (T0 + k, f"13.{k % 10}", "8.0", "running", f"{100 + k / 3600:.4f}")
        lines.append(delimiter.join(str(v).replace(".", decimal) for v in values))
    return "\n".join(lines) + "\n"


def objects(rows=40):
    """Return a sound recording as JSON Lines."""
    return "".join(
        json.dumps({"time": T0 + k, "voltage_v": 13.5, "current_a": 8.0}) + "\n"
        for k in range(rows)
    )


def bad_files(seed):
    """Yield name and content of some 300 files, from sound to hopeless; the seed varies them."""
    yield from _written_elsewhere()
    yield from _packed()
    yield from _odd_rows()
    yield from _damaged(random.Random(seed))


def _written_elsewhere():
    codecs = (
        "utf-8-sig",
        "utf-16",
        "utf-16-le",
        "utf-16-be",
        "utf-32",
        "utf-7",
        "cp037",
        "latin-1",
    )
    for codec, ends in itertools.product(codecs, ("\n", "\r\n", "\r")):
        yield f"{codec}-{ends.encode().hex()}.csv", table().replace("\n", ends).encode(codec)
        yield f"{codec}-{ends.encode().hex()}.jsonl", objects().replace("\n", ends).encode(codec)
    for ends in ("\n\r", "\r\r\n", "\x85", "\u2028", "\x0b", "\x0c", "\0", "", ";\n", ",\n"):
        yield f"ends-{ends.encode().hex()}.csv", table().replace("\n", ends).encode()
    for delimiter, decimal in itertools.product((",", ";", "\t", "|", " ", ":", ";;"), (".", ",")):
        name = f"delimiter-{delimiter.encode().hex()}-{decimal.encode().hex()}.csv"
        yield name, table(delimiter=delimiter, decimal=decimal).encode()


def _packed():
    for magic in MAGIC:
        yield f"magic-{magic[:6].hex()}.csv", magic + table().encode()
        yield f"magic-{magic[:6].hex()}.jsonl", magic
    whole = gzip.compress(table(400).encode())
    for name, content in {
        "cut": whole[:-20], "half": whole[: len(whole) // 2], "sum": whole[:-8] + b"\0" * 8,
        "twice": whole + whole, "tail": whole + b"tail", "nested": gzip.compress(whole),
        "head": whole[:10], "two": whole[:2], "empty": gzip.compress(b""),
        "plain": table().encode(),
        "zeros": gzip.compress(b"\0" * 5_000_000), "long": gzip.compress(b"7" * 5_000_000),
        "rows": gzip.compress(table().encode() + b"9" * 5_000_000),
        "jsonl": gzip.compress(objects().encode()),
    }.items():  # fmt: skip
        yield f"packed-{name}.csv.gz", content
        yield f"packed-{name}.csv", content


def _odd_rows():
    lines = table().splitlines()

    def among(row):
        return "\n".join([*lines[:20], row, *lines[20:]]).encode()

    for k, odd in enumerate(ODD_NUMBERS):
        yield (
            f"number-{k}.csv",
            among(f"{T0 + 18.5},{odd},8,running,1"),
        )
    for k, odd in enumerate(ODD_TIMES):
        yield (
            f"time-{k}.csv",
            among(f"{odd},13,8,running,1"),
        )
        yield f"times-{k}.csv", "\n".join([lines[0], *[f"{odd},13,8,running,1"] * 9]).encode()
    for k, odd in enumerate(ODD_JSON):
        yield f"json-{k}.jsonl", (objects(20) + odd + "\n" + objects(40)).encode("utf-8", "replace")
        yield f"json-{k}.json", odd.encode("utf-8", "replace")
    for k, odd in enumerate(
        ('"', '"13', '13"', '""', '"1""3"', '"13\n"', '"13\r"', "'13'", '"' * 99)
    ):
        yield (
            f"quote-{k}.csv",
            among(f"{T0 + 18.5},{odd},8,running,1"),
        )
        yield f"quote-{k}-header.csv", (lines[0] + "," + odd + "\n" + lines[1] + ",\n").encode()
    for k, header in enumerate(
        ("", "\n", "\r", ",", "time", "time,time", "TIME,voltage_v", "zeit,spannung",
         "time" * 40_000,
         "time," + "x" * 200_000, "time," + ",".join(map(str, range(80_000))), "time," + "," * 900)
    ):  # fmt: skip
        yield f"header-{k}.csv", (header + "\n" + "\n".join(lines[1:]) + "\n").encode()
        yield f"header-{k}-only.csv", header.encode()


def _damaged(random_):
    for k in range(60):
        content = bytearray((table() if k % 3 else objects()).encode())
        for _ in range(random_.choice((1, 3, 30))):
            begin = random_.randrange(len(content))
            length = random_.choice((1, 1, 5, 200))
            action = random_.randrange(4)
            if action == 0:
                content[begin : begin + length] = random_.randbytes(length)
            elif action == 1:
                del content[begin : begin + length]
                content += b" " * (not content)
            elif action == 2:
                content[begin:begin] = content[begin : begin + length]
            else:
                content[begin:begin] = random_.choice(
                    (b"\0", b"\r", b'"', b";", b",", b"\n\n", b"\x1b[2J")
                )
        yield f"damaged-{k}.{'csv' if k % 3 else 'jsonl'}", bytes(content)
    for k in range(10):
        yield f"random-{k}.csv", random_.randbytes(5_000)
        yield f"random-{k}.jsonl", random_.randbytes(5_000)
