"""Samples made by hand, each for a way in which readers are known to be hurt."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable, Sequence
from io import BytesIO
from typing import Any

import mutations as m

DEEP = 100_000


Attack = bytes | Callable[[], bytes]


def of(form: str, name: str, sound: bytes) -> list[Attack]:
    """All attacks on a kind of file; one that takes long to make is made when it is asked for."""
    everywhere = [
        b"",
        b"\0" * 1000,
        b"\xff\xfe\x00\x00",
        b"\n" * 10_000,
        b"#" * 10_000,
        b"PK\x03\x04",
        "é".encode("latin-1"),
    ]
    return everywhere + ATTACKS[form](name, sound)


def _toml(_: str, sound: bytes) -> list[bytes]:
    text = sound.decode()
    keys = [line.split("=")[0].strip() for line in text.splitlines() if "=" in line and not line.startswith("#")]
    first = keys[0]
    bad = [
        "9" * 5000,
        "1" + "0" * 400,
        "nan",
        "inf",
        '"' + "9" * 5000 + ' mm"',
        "[" * 2000 + "]" * 2000,
        "{a=" * 500 + "1" + "}" * 500,
        '"\\u0000"',
        '"' + "a" * 100_000 + '"',
        "[" + "1," * 50_000 + "]",
        "0xffffffffffffffffffff",
        "1979-05-27T07:32:00Z",
        "07:32:00",
    ]
    changed = [text.replace(f"{key} =", f"{key} = {value} #", 1) for key in dict.fromkeys(keys) for value in bad[:6]]
    added = [f"{text}\n{first} = {value}" for value in bad] + [f"x = {value}" for value in bad]
    deep = [
        "a." * DEEP + "b = 1",
        "[" + "a." * 20_000 + "b]",
        "\n".join(f"[[a{'.a' * 50}]]" for _ in range(2000)),
        "x = " + "[" * DEEP,
    ]
    lines = [
        'x = """' + "\n" * DEEP,
        "\n".join(f"k{k} = {k}" for k in range(30_000)),
        f'"{"k" * 100_000}" = 1',
        '"\\u001b[31m" = 1',
        '"a\\nb" = 1',
    ]
    return [sample.encode() for sample in (*changed, *added, *deep, *lines)]


def _csv(_: str, sound: bytes) -> list[bytes]:
    lines = [line for line in sound.decode().split("\n") if line and not line.startswith("#")]
    head, row = lines[0], lines[1]
    width = head.count(",")
    many = head + "\n" + "\n".join([row] * 3000)
    return [
        s.encode("utf-8", "surrogatepass")
        for s in (
            head,
            head + "\n" + "," * width,
            many,
            head + "\n" + '"' + "a" * 200_000,
            head + "\n" + '"' + "a\n" * 50_000 + '"' + "," * width,
            ",".join(f"c{k}" for k in range(30_000)) + "\n" + "," * 29_999,
            ",".join(["id"] * 3000) + "\n" + "," * 2999,
            head + ",\x1b[31m\n" + row + ",",
            head + ',"a\nb"\n' + row + ",",
            *(head + "\n" + ",".join([value.replace(",", ";")] * (width + 1)) for value in (*m.NUMBERS, *m.TEXTS)),
            head.replace(",", ";") + "\n" + row.replace(",", ";").replace(".", ","),
            "\r".join(lines),
            "\x0c".join(lines),
            "\u2028".join(lines),
        )
    ]


def _json(_: str, sound: bytes) -> list[bytes]:
    text = sound.decode()
    deep = [
        "[" * DEEP,
        '{"a":' * DEEP,
        "[" * 900 + "]" * 900,
        text[:-1] + ', "note": ' + "[" * 900 + "]" * 900 + "}",
        text[:-1] + ', "note": ' + "[" * 20_000 + "]" * 20_000 + "}",
    ]
    numbers = [
        text[:-1] + f', "kerf_mm": {v}, "seed": {v}, "day": {v}}}'
        for v in ("1e999", "NaN", "9" * 5000, "9" * 400, "-0", "1e-999")
    ]
    made = []
    tree = json.loads(text)
    for holder, key in list(m.places_in(tree)):
        kept = holder[key]
        for value in (None, 10**400, 1e308, -1, 10**9, "", "\ud800", [], {}, True, float("nan"), "a" * 3000):
            holder[key] = value
            made.append(json.dumps(tree))
        holder[key] = kept
    return [
        s.encode("utf-8", "surrogatepass")
        for s in (
            *deep,
            *numbers,
            *made,
            "null",
            "1",
            '"x"',
            "[]",
            "{}",
            '{"format": []}',
            '{"format": {}}',
            "\ufeff" + text,
        )
    ]


def _tdb(_: str, sound: bytes) -> list[bytes]:
    lines = [
        "ELEMENT",
        "ELEMENT PB",
        "ELEMENT PB X Y 0 0",
        "FUNCTION",
        "FUNCTION F",
        "FUNCTION F 298",
        "FUNCTION F x 1; 300 N",
        "FUNCTION F 298 1",
        "FUNCTION F 298 ; ;",
        "FUNCTION F 298 1; 300 Y",
        "FUNCTION F 298 1; 300 Y 2; 400 N",
        "FUNCTION F 298 1*; 300 N",
        "FUNCTION F 298 " + "+1" * 50_000 + "; 300 N",
        "FUNCTION F 298 T**999999; 300 N",
        "FUNCTION F 298 " + "9" * 5000 + "; 300 N",
        "FUNCTION F 298 EXP(x*T); 300 N",
        "FUNCTION F nan 1; nan N",
        "FUNCTION F 298 1E999; 300 N",
        "FUNCTION F 298 G#; 300 N",
        "PHASE",
        "PHASE P % x 1",
        "PHASE P % 1",
        "PHASE P % 99999999999999999999 1",
        "PHASE P % -1 1",
        "CONSTITUENT",
        "CONSTITUENT P",
        "PHASE P % 1 1 ! CONSTITUENT P ::::",
        "PARAMETER",
        "PARAMETER G(P,A;0)",
        "PARAMETER G(P,A;0) 298",
        "PARAMETER G(P,A;" + "9" * 5000 + ") 298 1; 300 N",
        "PARAMETER G(P,B,A;0) 298 1; 300 N",
        "!" * DEEP,
        "FUNCTION F 298 " + "T*" * 50_000 + "1; 300 N",
        "FUNCTION F 298 T**" + "9" * 5000 + "; 300 N",
        "FUNCTION F 298 " + "1" * 100_000 + "X; 300 N",
        "PARAMETER G(P," + "A," * 50_000 + "A;0) 298 1; 300 N",
        *(f"FUNCTION F{k} 298 {f'F{k - 1}#+F{k - 1}#' if k else '1'}; {300 + k} Y 1; {5000 + k} N" for k in range(3)),
    ]
    doubling = (
        " !\n".join(f"FUNCTION F{k} 298 {f'F{k - 1}#' if k else '1'}; {300 + k} Y 1; {5000 + k} N" for k in range(1500))
        + " !"
    )
    return [line.encode() + b" !" for line in lines] + [
        doubling.encode(),
        sound + b" PARAMETER G(NONE,PB;0) 298 1; 300 N !",
    ]


def _xlsx(_: str, sound: bytes) -> list[Attack]:
    members = m.unzipped(sound)
    name = next(n for n in members if n.startswith("xl/worksheets/"))
    sheet = members[name]
    laughs = b"".join(b'<!ENTITY a%d "%s">' % (k, b"&a%d;" % (k - 1) * 10 if k else b"ha") for k in range(12))
    dtd = b"<!DOCTYPE worksheet [" + laughs + b"]>"
    start = sheet.index(b"<worksheet")

    def altered(content: bytes) -> bytes:
        return m.zipped(members | {name: content})

    rows = b'<row r="%s"><c r="A%s"><v>1</v></c></row></sheetData>'
    far = [
        altered(sheet.replace(b"</sheetData>", rows % (n, n)))
        for n in (b"1048576", b"1000000000000", b"-5", b"0", b"x", b"9" * 5000)
    ]
    cells = [
        altered(sheet.replace(b"</sheetData>", b'<row r="9"><c r="%s" %s>%s</c></row></sheetData>' % c))
        for c in (
            (b"XFD9", b"", b"<v>1</v>"),
            (b"ZZZZZZZZ9", b"", b"<v>1</v>"),
            (b"A9", b't="s"', b"<v>99999</v>"),
            (b"A9", b't="d"', b"<v>x</v>"),
            (b"A9", b's="999"', b"<v>1</v>"),
            (b"A9", b"", b"<f>1+1</f>"),
            (b"A9", b't="b"', b"<v>7</v>"),
            (b"A9", b"", b"<v>1e999</v>"),
            (b"A9", b"", b"<v>nan</v>"),
            (b"A9", b"", b"<v>" + b"9" * 5000 + b"</v>"),
            (b"A9", b't="inlineStr"', b"<is><t>" + b"a" * 40_000 + b"</t></is>"),
            (b"9", b"", b"<v>1</v>"),
            (b"A9", b't="e"', b"<v>#DIV/0!</v>"),
            (b"A9", b's="1"', b"<v>1e15</v>"),
        )
    ]
    utf16 = (sheet[:start] + dtd + sheet[start:]).decode().replace('encoding="UTF-8"', "").encode("utf-16")
    late = (
        sheet[:start]
        + b"<!--"
        + b" " * 5000
        + b"-->"
        + dtd
        + sheet[start:].replace(b"<sheetData>", b'<sheetData><row r="1"><c r="A1" t="str"><v>&a11;</v></c></row>')
    )
    entities = [altered(sheet[:start] + dtd + sheet[start:]), altered(utf16), altered(late)]
    nested = altered(b"<worksheet><sheetData>" + b"<row>" * DEEP)
    heavy: list[Attack] = [
        lambda: altered(sheet[:start] + b"<!--" + b" " * 150_000_000 + b"-->" + sheet[start:]),
        lambda: _lying_size(altered(b"<x>" + b" " * 40_000_000 + b"</x>")),
        lambda: altered(sheet.replace(b"</sheetData>", b"<row/>" * 3_000_000 + b"</sheetData>")),
        lambda: m.zipped(members | {f"xl/x{k}.xml": b"<x/>" for k in range(5000)}),
    ]
    outside = {n: c.replace(b"worksheets/sheet1.xml", b"../../../../dev/zero") for n, c in members.items()}
    return [*heavy, nested, m.zipped(outside), sound[: len(sound) // 2], *far, *cells, *entities]


def _lying_size(data: bytes) -> bytes:
    """An archive whose directory says that its largest part is small."""
    out, held = bytearray(data), BytesIO(data)
    with zipfile.ZipFile(held) as archive:
        largest = max(archive.infolist(), key=lambda part: part.file_size)
    size = largest.file_size.to_bytes(4, "little")
    for at in range(len(out) - 4):
        if out[at : at + 4] == size:
            out[at : at + 4] = (1000).to_bytes(4, "little")
    return bytes(out)


def _rows(name: str, sound: bytes) -> list[Attack]:
    from kinds import rehashed

    members = m.unzipped(sound)
    head = "manifest.json" if "manifest.json" in members else "schema.json"
    manifest = json.loads(members[head])

    def told(**changes: Any) -> bytes:
        return m.zipped(members | {head: json.dumps(manifest | changes).encode()})

    zero = "../../../../../../../../dev/zero"
    changed = [
        told(**{key: value})
        for key in (*manifest, "attachments")
        for value in (
            None,
            [],
            {},
            "x",
            1,
            ["x"],
            {"x": "x"},
            {zero: 1},
            {"\0": 1},
            {"x" * 300: 1},
            {"lots": None},
            [[]],
        )
    ]
    deep = [
        m.zipped(members | {head: text}) for text in (b"[" * DEEP, b"null", b"[]", b"1", b"{}", b'{"format":' * DEEP)
    ]
    rows = [
        m.zipped(rehashed(members | {f"{table}.jsonl": line}))
        for table in ("lots", "events", "rolls", "movements")
        for line in (
            b"[" * DEEP + b"\n",
            b"null\n",
            b"1\n",
            b"[]\n",
            b"{}\n",
            b'{"id":1}\n',
            b'{"id":' + b"9" * 400 + b"}\n",
            b'{"id":[1]}\n',
            b'{"id":{"a":1}}\n',
            b'{"id":"\\ud800"}\n',
            b"\xff\n",
            b"\n",
            b'{"id":"a","x":1}\n',
            b'{"id":"a"}\n{"id":"a"}\n',
        )
    ]
    heavy: list[Attack] = [lambda: m.zipped(members | {head: b"{" + b" " * 250_000_000 + b"}"})]
    if name == "backup":
        heavy.append(lambda: m.zipped(rehashed(members | {"lots.jsonl": b" " * 300_000_000 + b"\n"})))
    return [*changed, *deep, *rows, *heavy, sound[: len(sound) // 2]]


ATTACKS: dict[str, Callable[[str, bytes], Sequence[Attack]]] = {
    "toml": _toml,
    "csv": _csv,
    "json": _json,
    "tdb": _tdb,
    "xlsx": _xlsx,
    "rows": _rows,
}
