"""Workbooks and Parquet files bent out of shape, inside and out.

In: the bytes of a valid file and a random.Random.  Out: bytes that a reader has to accept or refuse in one message.
"""

from __future__ import annotations

import io
import random
import re
import struct
import zipfile
from collections.abc import Mapping
from typing import Any

from hostile_text import CELLS, bent_bytes

# What the XML of a workbook says, and what it had better not say.
_XML = (
    b"<!DOCTYPE a [<!ENTITY b 'c'>]>", b"&b;", b"&#0;", b"&#x1F697;", b"<v>1e999</v>", b"<v>nan</v>",
    b"<v>99999999</v>", b"<v/>", b"<v>-1</v>", b"<v></v>", b't="s"', b't="inlineStr"', b't="d"', b't="b"', b't="e"',
    b't="n"', b't="str"', b't="xx"', b'r="A1"', b'r="XFD1048576"', b'r="AAAAAAA1"', b'r="A0"', b'r="A99999999999"',
    b'r="1"', b'r=""', b's="99999"', b's="-1"', b's="x"', b'ref="A1:XFD1048576"', b'ref="B2:A1"', b'ref=""',
    b"<f>1+1</f>", b'<f t="shared" si="9"/>', b"<is><t>x</t></is>", b"<c/>", b"<row/>", b'<row r="1048577">',
    b'<row r="-1">', b"</row>", b"</sheetData>", b"<mergeCell ref='A1:C3'/>", b"\x00", b"]]>", b"<![CDATA[x]]>",
    b"<?x y?>", b'date1904="1"', b'encoding="utf-16"', b'standalone="yes"', b'TargetMode="External"',
)  # fmt: skip
_PLACES = re.compile(rb'(?<=[="> ])[^<>"=]{1,30}(?=[<"])')


def bent_workbook(raw: bytes, chance: random.Random) -> bytes:
    """The archive's members changed and packed again, or the archive itself."""
    if chance.random() < 0.2:
        return bent_bytes(raw, chance)
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            members = {name: archive.read(name) for name in archive.namelist()}
    except Exception:  # bent before
        return bent_bytes(raw, chance)
    for _ in range(chance.choice((1, 1, 2, 3))):
        if not members:
            break
        name = _member(members, chance)
        match chance.randrange(12):
            case 0:
                members[name] = bent_bytes(members[name], chance)
            case 1:
                del members[name]
            case 2:
                members[
                    chance.choice((name.upper(), f"/{name}", f"../{name}", name.replace("xl/", "xl//"), "x"))
                ] = members[name]
            case 3:
                members[chance.choice(list(members))] = members[name]
            case 4 | 5 | 6:
                members[name] = _bent_xml(members[name], chance, _XML)
            case 7:
                members[name] = (
                    members[name]
                    .decode("utf-8", "replace")
                    .encode(chance.choice(("utf-16", "latin-1", "utf-7")), "replace")
                )
            case _:
                tokens = tuple(cell.encode("utf-8", "surrogatepass") for cell in CELLS)
                members[name] = _bent_xml(members[name], chance, tokens)
    return packed(members, compressed=chance.random() < 0.5)


def _member(members: Mapping[str, bytes], chance: random.Random) -> str:
    sheets = [name for name in members if "sheet" in name or "shared" in name.lower()]
    return chance.choice(sheets or list(members)) if chance.random() < 0.7 else chance.choice(list(members))


def _bent_xml(raw: bytes, chance: random.Random, tokens: tuple[bytes, ...]) -> bytes:
    """Values between tags or in attributes replaced, or something put where it does not belong."""
    places = [match.span() for match in _PLACES.finditer(raw)]
    token = chance.choice(tokens)
    if not places or chance.random() < 0.3:
        at = raw.find(b"<", chance.randrange(len(raw) or 1))
        return raw[:at] + token + raw[at:]
    start, end = chance.choice(places)
    return raw[:start] + token + raw[end:]


def packed(members: Mapping[str, bytes], *, compressed: bool = True) -> bytes:
    """An archive of these members."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED if compressed else zipfile.ZIP_STORED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return stream.getvalue()


def bent_parquet(raw: bytes, chance: random.Random) -> bytes:
    """Bytes of the footer, which says where everything is, more often than those of the data; or other columns."""
    kind = chance.randrange(4)
    if kind == 0:
        return odd_parquet(chance)
    if kind == 1 or len(raw) < 12:
        return bent_bytes(raw, chance)
    length = struct.unpack("<I", raw[-8:-4])[0]
    start = max(4, len(raw) - 8 - length)
    footer = bent_bytes(raw[start:-8], chance) if chance.random() < 0.8 else raw[start:-8]
    size = len(footer) if chance.random() < 0.9 else chance.choice((0, 1, 2**31 - 1, 2**32 - 1, len(raw)))
    return raw[:start] + footer + struct.pack("<I", size) + raw[-4:]


def odd_parquet(chance: random.Random) -> bytes:
    """A valid file whose columns are of kinds that no results have, or hold what no results hold."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    rows = chance.choice((0, 1, 4, 30))
    columns = {name: _odd_column(rows, chance) for name in ("Rig", "Set", "Section", "Stop", "mu", "When")}
    if chance.random() < 0.5:
        columns["mu"] = pa.array([0.4 + 0.001 * at for at in range(rows)])
    stream = io.BytesIO()
    try:
        table = pa.table(columns)
        if chance.random() < 0.3:
            table = table.replace_schema_metadata({"pandas": chance.choice(CELLS).encode("utf-8", "replace")})
        pq.write_table(table, stream, compression=chance.choice(("snappy", "zstd", "none")))
    except pa.ArrowException:
        return b"PAR1"
    return stream.getvalue()


def _odd_column(rows: int, chance: random.Random) -> Any:
    import datetime
    from decimal import Decimal

    import pyarrow as pa

    labels = [chance.choice(("R1", "R2", "S1", "cold")) for _ in range(rows)]
    floats = [chance.choice((0.4, 0.41, None, float("nan"), float("inf"), 1e308, -0.0)) for _ in range(rows)]
    match chance.randrange(16):
        case 0 | 1 | 2:
            return pa.array(labels)
        case 3:
            return pa.array(floats)
        case 4:
            return pa.array(floats, pa.float32())
        case 5:
            return pa.array([chance.choice((1, -1, None, 2**63 - 1)) for _ in range(rows)], pa.int64())
        case 6:
            return pa.array([2**64 - 1] * rows, pa.uint64())
        case 7:
            return pa.array([Decimal("0.40")] * rows, pa.decimal128(38, 2))
        case 8:
            return pa.array(
                [datetime.datetime(2026, 3, 31)] * rows,
                pa.timestamp(chance.choice(("s", "ns")), tz=chance.choice((None, "UTC", "Asia/Tokyo"))),
            )
        case 9:
            return pa.array([datetime.date(1, 1, 1)] * rows)
        case 10:
            return pa.array([b"\xff\xfe"] * rows, pa.binary())
        case 11:
            return pa.nulls(rows)
        case 12:
            return pa.array([[0.4]] * rows)
        case 13:
            return pa.array([{"a": 1}] * rows, pa.struct({"a": pa.int8()}))
        case 14:
            return pa.array(labels).dictionary_encode()
        case _:
            return pa.array([chance.random() < 0.5 for _ in range(rows)])
