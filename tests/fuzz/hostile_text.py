"""Text bent out of shape: bytes, cells of tables, TOML values, words of a command line.

In: valid text and a random.Random.  Out: text that a reader has to accept or to refuse in one message.
Nothing here knows what is right; the entrances judge.
"""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from datetime import date, datetime, time
from typing import Any

CELLS = (
    "", " ", "\u00a0", "-", "+", ".", ",", "0", "-0", "00", "1", "0.4", "0,4", "1.234", "1,234", "1.234,5",
    "1,234.5", "1 234", "1'234", "1_000", "1e5", "1E-400", "1e999", "-1e999", "nan", "NaN", "inf", "-Infinity",
    "1e308", "5e-324", "0x1F", "1/2", "½", "٣", "１２", "৪", "²", "−0.4", "–0.4", "0.4 ", "+0.4", "--1", "1-", "4%",
    "12:30", "true", "None", "null", "#DIV/0!", "#N/A", "9" * 30, "9" * 400, "9" * 5000, "0." + "3" * 400,
    "2026-03-31", "31.03.2026", "2026-02-30", "0000-00-00", "99999-01-01", "1900-02-29", "2026-03-31T25:00",
    "2026-03-31 10:00+25:00", "1.1.1", "45000", "1e18", "=1+1", "=cmd|' /C calc'!A0", "@SUM(A1)", "+1-1", "\t=1",
    "\r=1", "<script>alert(1)</script>", "]]>", "&amp;", "&x;", "'", '"', '""', '"""', 'a"b', "a\nb", "a\rb",
    "\x0b", "\x1b[31m", "\x7f", "\ufeff", "\u2028", "\u202e", "\ufffe", "\U0001f697", "e\u0301", "ﬁ", "İ", "ß",
    "../../etc/passwd", "C:\\con", "%s%n", "{0}", "{{ 7*7 }}", "$(id)", "__proto__", "R1", "r1", "R 1", "cold",
    "fade 1", "S1", "x" * 300, "x" * 40_000, "long " * 30_000,
)  # fmt: skip
"""What a cell may hold, from ordinary to absurd."""

BYTES = (
    b"\x00", b"\xff", b"\xfe\xff", b"\xff\xfe", b"\xef\xbb\xbf", b"\xc3", b"\xed\xa0\x80", b"\xc0\xaf",
    b"\xf4\x90\x80\x80", b"\x80", b"\r", b"\n", b"\r\n", b"\n\n", b"\x0b", b"\x0c", b"\x1a", b"\x85", b",", b";",
    b"\t", b'"', b"'", b"=", b"#", b"[", b"]", b"{", b"}", b"\\", b"\xb5", b"\xe2\x80\xa8", b"1e999", b"-",
    b"0" * 40,
)  # fmt: skip


def bent_bytes(raw: bytes, chance: random.Random) -> bytes:
    """A few changes anywhere in the bytes."""
    body = bytearray(raw)
    for _ in range(chance.choice((1, 1, 1, 2, 3, 8))):
        at = chance.randint(0, len(body))
        much = min(len(body) - at, int(chance.expovariate(1 / 12)) + 1)
        match chance.randrange(8):
            case 0 if at < len(body):
                body[at] ^= 1 << chance.randrange(8)
            case 1 if at < len(body):
                body[at] = chance.randrange(256)
            case 2:
                body[at:at] = chance.choice(BYTES)
            case 3:
                del body[at : at + much]
            case 4:
                body[at:at] = body[at : at + much] * chance.choice((1, 2, 40))
            case 5:
                del body[at:]
            case 6:
                body[at : at + much] = bytes(chance.randrange(256) for _ in range(much))
            case _:
                source = chance.randint(0, len(body))
                body[at:at] = body[source : source + 4 * much]
    return bytes(body)


def bent_encoding(raw: bytes, chance: random.Random) -> bytes:
    """The same text in another encoding, with another mark or other line ends."""
    text = raw.decode("utf-8", "replace")
    match chance.randrange(8):
        case 0:
            return text.encode("utf-16")
        case 1:
            return text.encode("utf-16-be")
        case 2:
            return b"\xef\xbb\xbf" + raw
        case 3:
            return text.encode("cp1252", "replace")
        case 4:
            return raw.replace(b"\r\n", b"\n").replace(
                b"\n", chance.choice((b"\r", b"\r\n", b"\n\r", b"\n\n"))
            )
        case 5:
            return text.encode("utf-32")
        case 6:
            return b"\xef\xbb\xbf\xef\xbb\xbf" + raw
        case _:
            return text.encode("utf-16") + chance.choice((b"\x00", b"\xd8", b"\x00\xd8"))


def bent_table(raw: bytes, chance: random.Random) -> bytes:
    """Rows and cells of a text table moved, doubled, dropped, replaced."""
    text = raw.decode("utf-8", "surrogateescape")
    mark = max((",", ";", "\t"), key=text.count)
    rows = [line.split(mark) for line in text.split("\n")]
    for _ in range(chance.choice((1, 1, 2, 3, 10))):
        row = chance.choice(rows)
        column = chance.randrange(len(row))
        match chance.randrange(16):
            case 0 | 1 | 2 | 3:
                row[column] = chance.choice(CELLS)
            case 4:
                row[column] = f'"{row[column]}'
            case 5:
                row[column] = '"' + chance.choice(CELLS).replace('"', '""') + '"'
            case 6:
                row.insert(column, chance.choice(CELLS))
            case 7:
                del row[column]
                row[:] = row or [""]
            case 8:
                rows.insert(chance.randrange(len(rows) + 1), list(row))
            case 9:
                rows.remove(row)
                rows[:] = rows or [[""]]
            case 10:
                # A whole column.
                cell = chance.choice(CELLS[:60])
                for other in rows[1:]:
                    if len(other) > column:
                        other[column] = cell
            case 11:
                mark = chance.choice((",", ";", "\t", " ", "|", mark))
            case 12:
                rows[1:1] = [list(row) for _ in range(chance.choice((2, 300)))]
            case 13:
                rows[:0] = [[chance.choice(CELLS[:100])] for _ in range(chance.choice((1, 3, 220)))]
            case 14:
                rows[0][column % len(rows[0])] = chance.choice((*rows[0], *CELLS[:100]))
            case _:
                row += [chance.choice(CELLS[:60])] * chance.choice((1, 3, 400))
    return "\n".join(mark.join(row) for row in rows).encode("utf-8", "surrogateescape")


def bent_text_file(raw: bytes, chance: random.Random) -> bytes:
    """Any of the ways, one after the other."""
    for _ in range(chance.choice((1, 1, 1, 2))):
        raw = chance.choices((bent_table, bent_bytes, bent_encoding), (6, 3, 1))[0](raw, chance)
    return raw[:400_000]


def odd_value(chance: random.Random, depth: int = 0) -> Any:
    """A TOML value of any type."""
    match chance.randrange(14 if depth < 3 else 10):
        case 0 | 1:
            return chance.choice(CELLS)
        case 2:
            return chance.choice((0, 1, -1, 2, 7, 10**6, 2**31, 2**63 - 1, -(2**63), 10**30))
        case 3:
            return chance.choice(
                (0.0, -0.0, 0.5, 1.0, -1.5, 1e308, 5e-324, 100.0, float("nan"), float("inf"))
            )
        case 4:
            return chance.random() < 0.5
        case 5:
            return chance.choice((date(2026, 3, 31), date(1, 1, 1), datetime(2026, 3, 31, 10), time(10, 30)))
        case 6:
            return chance.choice(
                (
                    "5 %",
                    "± 5 %",
                    "0 %",
                    "-5 %",
                    "1e999 %",
                    "5,0 %",
                    "mean",
                    "last 0 stops",
                    "last 99999999999 stops",
                )
            )
        case 7:
            return []
        case 8:
            return {}
        case 9:
            return [chance.choice(CELLS[:60])] * chance.choice((1, 2, 5000))
        case 10 | 11:
            return [odd_value(chance, depth + 1) for _ in range(chance.randint(0, 4))]
        case _:
            return {
                chance.choice(CELLS[:120]): odd_value(chance, depth + 1) for _ in range(chance.randint(0, 4))
            }


def bent_content(content: dict[str, Any], chance: random.Random) -> dict[str, Any]:
    """Parsed TOML with values, keys and tables changed anywhere."""
    content = json.loads(json.dumps(content, default=str))
    for _ in range(chance.choice((1, 1, 1, 2, 4))):
        table = chance.choice(list(_tables(content)))
        key = chance.choice(list(table) or [""])
        match chance.randrange(9):
            case 0 | 1 | 2 | 3:
                table[key] = odd_value(chance)
            case 4:
                table.pop(key, None)
            case 5:
                table[chance.choice((*CELLS[:130], f"{key}s", key.upper(), f" {key}"))] = table.get(
                    key, odd_value(chance)
                )
            case 6:
                table[key] = json.loads(json.dumps(chance.choice(list(_values(content))), default=str))
            case 7:
                table[chance.choice(_KEYS)] = odd_value(chance)
            case _:
                nest: Any = odd_value(chance)
                for _ in range(chance.choice((2, 30, 400))):
                    nest = [nest] if chance.random() < 0.5 else {"a": nest}
                table[key] = nest
    return content


_KEYS = (
    "job", "title", "as_of", "rig", "reference_rig", "confidence", "seed", "looks", "covariates", "exclude",
    "aliases", "history", "plan", "cost", "sections", "results", "columns", "analysis", "files", "quantity",
    "shape", "section_columns", "header_row", "header_values", "name_pattern", "factors", "sheet", "ledger",
    "margin", "statistic", "decides", "where", "reason", "lots", "base", "events", "travelling", "scores",
    "checklist", "tolerance", "bands", "process", "guard_band", "participants", "burdens",
)  # fmt: skip


def _tables(value: Any) -> Any:
    if isinstance(value, dict):
        yield value
        for inner in value.values():
            yield from _tables(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _tables(inner)


def _values(value: Any) -> Any:
    if isinstance(value, dict):
        for inner in value.values():
            yield from _values(inner)
    yield value


def toml_bytes(content: dict[str, Any]) -> bytes:
    """A table as TOML: the keys of the file one by line, everything below them inline."""
    return "\n".join(f"{_toml(str(key))} = {_toml(value)}" for key, value in content.items()).encode(
        "utf-8", "surrogatepass"
    )


def _toml(value: Any) -> str:
    match value:
        case bool():
            return str(value).lower()
        case str():
            return json.dumps(value).replace("\x7f", "\\u007f")
        case dict():
            return (
                "{" + ", ".join(f"{_toml(str(key))} = {_toml(inner)}" for key, inner in value.items()) + "}"
            )
        case list() | tuple():
            return "[" + ", ".join(_toml(inner) for inner in value) + "]"
        case float():
            return repr(value)
        case _:
            return str(value)


def bent_words(words: Sequence[str], chance: random.Random) -> list[str]:
    """The words of a command with some replaced, dropped, doubled or put elsewhere."""
    found = list(words)
    for _ in range(chance.choice((1, 1, 2, 3))):
        at = chance.randrange(len(found)) if found else 0
        match chance.randrange(7):
            case 0 | 1 if found:
                found[at] = chance.choice(
                    (
                        *CELLS[:140],
                        "-",
                        "--",
                        "-x",
                        "--help",
                        ".",
                        "..",
                        "/",
                        "~",
                        "*",
                        "[",
                        "**/*",
                        "a" * 5000,
                    )
                )
            case 2 if found:
                del found[at]
            case 3 if found:
                found.insert(at, found[at])
            case 4:
                found.insert(at, chance.choice(_OPTIONS))
            case 5 if found:
                head, _, tail = found[at].partition("=")
                found[at] = f"{tail}={head}" if tail else f"{head}={chance.choice(CELLS[:60])}"
            case _:
                found += [chance.choice(_OPTIONS), chance.choice(CELLS[:140])]
    # A command line cannot hold a NUL; the system refuses it before any program sees it.
    return [word.replace("\x00", "") for word in found]


_OPTIONS = (
    "--column", "--separator", "--decimal", "--thousands", "--encoding", "--sheet", "--quantity", "--to", "--by",
    "--laboratory", "--ledger", "--traceback", "--version", "--kind", "--what", "--events", "--section",
    "--statistic", "--supersedes", "--noted",
)  # fmt: skip
