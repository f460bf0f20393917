"""Spoiling files: bytes flipped and cut, parts swapped, numbers blown up, archives and folders that mean harm."""

from __future__ import annotations

import io
import random
import re
import struct
import warnings
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field

__all__ = ["Spoilt", "spoil", "spoil_bytes"]

Files = dict[str, bytes]
_NUMBER = re.compile(rb"(?<![A-Za-z0-9_])-?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")
_WORDS = (
    b"NaN", b"nan", b"Infinity", b"-Infinity", b"inf", b"-inf", b"1e999", b"-1e999", b"1e308", b"-0", b"0", b"-1",
    b"9" * 40, b"1e-320", b"null", b"true", b'"x"', b"[]", b"{}", b"", b"0x1F", b"1_000", b"1,5", "١٢".encode(),
    b"2147483648", b"-2147483649", b"4294967296", b"18446744073709551616", b"=cmd|' /C calc'!A0", b"<b>x</b>",
    b"T", b"1e5 lb", b"999999999999", b"1979-05-27", b"\x00", b"\xff",
)  # fmt: skip
_COUNTS = (0x7FFFFFFF, 0xFFFFFFFF, 0x80000000, 0, 1, 0x10000, 0x0FFFFFFF, 0xFFFF, 0x7FFFFFFE, 1_000_000)
_LARGEST = 32 << 20  # of a spoilt file: it is the small ones that surprise
_BOMB = (
    b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b0 "ha">'
    + b"".join(b'<!ENTITY b%d "%s">' % (n, b"&b%d;" % (n - 1) * 10) for n in range(1, 12))
    + b']><ISO11783_TaskData VersionMajor="4" VersionMinor="3">&b11;</ISO11783_TaskData>'
)
_OUTSIDE = (
    b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/passwd">]>'
    b'<ISO11783_TaskData VersionMajor="4" VersionMinor="3"><TSK A="TSK1" B="&x;"/></ISO11783_TaskData>'
)


@dataclass
class Spoilt:
    """Files to lay out; ``links`` to make, ``folders`` in place of files, ``pipes``; and what was done."""

    files: Files
    said: list[str] = field(default_factory=list)
    links: dict[str, str] = field(default_factory=dict)
    folders: list[str] = field(default_factory=list)
    pipes: list[str] = field(default_factory=list)


# --- of any bytes ----------------------------------------------------------------------------------------------------


def _at(chance: random.Random, data: bytes) -> int:
    """A place, more often near the start, where headers are."""
    if not data:
        return 0
    return chance.randrange(min(len(data), 256)) if chance.random() < 0.5 else chance.randrange(len(data))


def _cut(chance: random.Random, data: bytes) -> bytes:
    return data[: chance.randrange(len(data) + 1)]


def _behead(chance: random.Random, data: bytes) -> bytes:
    return data[chance.randrange(1, 1 + min(200, len(data) or 1)) :]


def _flip(chance: random.Random, data: bytes) -> bytes:
    held = bytearray(data)
    for _ in range(chance.choice((1, 1, 2, 5, 20))):
        if held:
            held[_at(chance, data)] ^= 1 << chance.randrange(8)
    return bytes(held)


def _noise(chance: random.Random, data: bytes) -> bytes:
    at, count = _at(chance, data), chance.randrange(1, 64)
    return data[:at] + chance.randbytes(count) + data[at + count :]


def _zeros(chance: random.Random, data: bytes) -> bytes:
    at, count = _at(chance, data), chance.randrange(1, 200)
    return data[:at] + bytes(len(data[at : at + count])) + data[at + count :]


def _drop(chance: random.Random, data: bytes) -> bytes:
    at = _at(chance, data)
    return data[:at] + data[at + chance.randrange(1, 100) :]


def _double(chance: random.Random, data: bytes) -> bytes:
    at = _at(chance, data)
    piece = data[at : at + chance.randrange(1, 400)]
    return data[:at] + piece * chance.choice((2, 3, 50)) + data[at:]


def _swap(chance: random.Random, data: bytes) -> bytes:
    one, other = sorted((_at(chance, data), _at(chance, data)))
    size = min(chance.randrange(1, 64), other - one)
    return (
        data[:one]
        + data[other : other + size]
        + data[one + size : other]
        + data[one : one + size]
        + data[other + size :]
    )


def _count(chance: random.Random, data: bytes) -> bytes:
    """A huge or senseless whole number where one may stand, in either order of bytes."""
    if len(data) < 8:
        return data
    at, form = _at(chance, data[:-7]), chance.choice(("<I", ">I", "<H", ">H", "<Q"))
    size = struct.calcsize(form)
    value = chance.choice(_COUNTS) & (256**size - 1)
    return data[:at] + struct.pack(form, value) + data[at + size :]


def _float(chance: random.Random, data: bytes) -> bytes:
    """An infinity, no-number or giant where a double may stand."""
    if len(data) < 16:
        return data
    at = _at(chance, data[:-8])
    value = chance.choice((float("inf"), float("-inf"), float("nan"), 1e308, -1e308, 5e-324, 1e30, 1e15))
    return data[:at] + struct.pack(chance.choice("<>") + "d", value) + data[at + 8 :]


def _empty(chance: random.Random, data: bytes) -> bytes:
    return b""


def _garbage(chance: random.Random, data: bytes) -> bytes:
    return chance.randbytes(chance.choice((1, 10, 100, 5000)))


# --- of text ---------------------------------------------------------------------------------------------------------


def _number(chance: random.Random, data: bytes) -> bytes:
    found = list(_NUMBER.finditer(data))
    if not found:
        return _noise(chance, data)
    for _ in range(chance.choice((1, 1, 3))):
        one = chance.choice(found)
        data = data[: one.start()] + chance.choice(_WORDS) + data[one.end() :]
        found = list(_NUMBER.finditer(data)) or found[:1]
    return data


def _all_numbers(chance: random.Random, data: bytes) -> bytes:
    word = chance.choice(_WORDS)
    share = chance.choice((0.1, 0.5, 1.0))
    return _NUMBER.sub(lambda one: word if chance.random() < share else one.group(), data)


def _recode(chance: random.Random, data: bytes) -> bytes:
    text = data.decode("utf-8", "replace")
    code = chance.choice(("utf-16", "utf-16-be", "utf-32", "cp037", "utf-7", "latin-1", "utf-8-sig", "shift_jis"))
    return text.encode(code, "replace")


def _bad_letters(chance: random.Random, data: bytes) -> bytes:
    at = _at(chance, data)
    letters = (b"\xff\xfe", b"\xc3", b"\xed\xa0\x80", b"\0", "\u202e".encode(), b"\x1b[2J", b"\r", b"\x85", b"\xf0\x9f")
    return data[:at] + chance.choice(letters) + data[at:]


def _nest(chance: random.Random, data: bytes) -> bytes:
    deep = chance.choice((200, 2_000, 50_000, 300_000))
    opening, close = chance.choice(((b"[", b"]"), (b'{"a":', b"}"), (b"<a>", b"</a>"), (b"a.", b""), (b"(", b")")))
    found = list(_NUMBER.finditer(data))
    whole = opening * deep + b"1" + close * chance.choice((deep, 0))
    if not found or chance.random() < 0.3:
        return whole
    one = chance.choice(found)
    return data[: one.start()] + whole + data[one.end() :]


def _lines(chance: random.Random, data: bytes) -> bytes:
    lines = data.split(b"\n")
    what = chance.randrange(6)
    if what == 0:
        chance.shuffle(lines)
    elif what == 1:
        lines *= chance.choice((2, 100))
    elif what == 2:
        lines = [line + b"," * chance.randrange(40) for line in lines]
    elif what == 3:
        lines = [lines[0] * 500, *lines[1:]]
    elif what == 4:
        lines = lines[:1]
    else:
        del lines[chance.randrange(len(lines))]
    return b"\n".join(lines)


def _separators(chance: random.Random, data: bytes) -> bytes:
    return data.replace(
        chance.choice((b",", b":", b'"', b"=", b".", b"\n")), chance.choice((b";", b"\t", b'"', b"", b"|"))
    )


def _word(chance: random.Random, data: bytes) -> bytes:
    words = list(re.finditer(rb"[A-Za-z_]{2,}", data))
    if not words:
        return _noise(chance, data)
    one, other = chance.choice(words), chance.choice(words)
    new = chance.choice((other.group(), b"", b"x" * 70_000, one.group() * 2, one.group().upper(), "Löß\u0000".encode()))
    return data[: one.start()] + new + data[one.end() :]


_BYTES: tuple[Callable[[random.Random, bytes], bytes], ...] = (
    _cut, _behead, _flip, _flip, _flip, _noise, _zeros, _drop, _double, _swap, _count, _count, _count, _float, _empty,
    _garbage,
)  # fmt: skip
_TEXT = (_number, _number, _number, _all_numbers, _recode, _bad_letters, _nest, _lines, _separators, _word, _word)


# --- of archives -----------------------------------------------------------------------------------------------------


def _zeros_packed(size: int) -> bytes:
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    block = bytes(1 << 20)
    return b"".join(packer.compress(block) for _ in range(size >> 20)) + packer.flush()


_PACKED: dict[int, bytes] = {}


def _bomb(name: str, size: int, *, claim: int | None = None) -> bytes:
    """A zip of one file of zeros; `claim` is the size it says it has."""
    packed = _PACKED.setdefault(size, _zeros_packed(size))
    said, raw = size if claim is None else claim, name.encode()
    about = struct.pack("<HHHHHIIIHH", 20, 0, 8, 0, 33, 0, len(packed), said, len(raw), 0)
    start = b"PK\3\4" + about + raw
    entry = b"PK\1\2" + struct.pack("<H", 20) + about + struct.pack("<HHHII", 0, 0, 0, 0, 0) + raw
    end = b"PK\5\6" + struct.pack("<HHHHIIH", 0, 0, 1, 1, len(entry), len(start) + len(packed), 0)
    return start + packed + entry + end


def _archive(chance: random.Random, data: bytes) -> tuple[str, bytes]:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = {name: archive.read(name) for name in archive.namelist()}
    except (zipfile.BadZipFile, EOFError, OSError, ValueError, IndexError, RuntimeError, zlib.error):
        return "no archive any more", data
    what = chance.choice(
        ("paths", "twice", "nested", "many", "inside", "inside", "inside", "bomb", "lie", "case", "empty")
    )
    first = next(iter(members), "rx.shp")
    if what == "bomb":
        return what, _bomb(first, chance.choice((64 << 20, 300 << 20)))
    if what == "lie":
        return what, _bomb(first, 64 << 20, claim=chance.choice((0, 100, 0xFFFFFFFF)))
    held = io.BytesIO()
    with (
        warnings.catch_warnings(),
        zipfile.ZipFile(held, "w", chance.choice((zipfile.ZIP_DEFLATED, zipfile.ZIP_STORED))) as archive,
    ):
        warnings.simplefilter("ignore")  # a name twice is meant
        if what == "nested":
            archive.writestr(chance.choice(("rx.zip", first)), data)
        elif what == "many":
            for number in range(20_000):
                archive.writestr(f"{number}.shp", b"")
        elif what == "inside":
            name = chance.choice(list(members) or [first])
            members[name] = spoil_bytes(chance, name, members.get(name, b""))[1]
        for name, content in members.items() if what != "empty" else ():
            if what == "paths":
                up = chance.choice(("../", "../../", "/", "C:\\", "..\\", "\\\\host\\", "a/../../", "/tmp/"))
                name = up + name
            elif what == "case":
                name = name.swapcase()
            archive.writestr(name, content)
            if what == "twice":
                archive.writestr(name, content[: len(content) // 2])
    return what, held.getvalue()


# --- all together ----------------------------------------------------------------------------------------------------


def spoil_bytes(chance: random.Random, name: str, data: bytes) -> tuple[str, bytes]:
    """Spoil one file in one way, as its ending suggests; return how, and what it is now."""
    if name.lower().endswith(".zip") and chance.random() < 0.6:
        return _archive(chance, data)
    if name.lower().endswith(".xml") and chance.random() < 0.06:
        return chance.choice((("entity bomb", _BOMB), ("outside entity", _OUTSIDE)))
    texts = name.lower().endswith((".json", ".geojson", ".toml", ".csv", ".xml", ".prj", ".cpg", ".dbf"))
    how = chance.choice(_TEXT if texts and chance.random() < 0.7 else _BYTES)
    return how.__name__.strip("_"), how(chance, data)


def spoil(chance: random.Random, files: Files, mutable: tuple[str, ...], strangers: list[bytes]) -> Spoilt:
    """Spoil one input in one to three ways; `strangers` are files of other formats, to be put under its names."""
    made = Spoilt(dict(files))
    for _ in range(chance.choice((1, 1, 1, 2, 3))):
        name = chance.choice(mutable)
        if name not in made.files:
            continue
        kind = chance.random()
        if kind < 0.90:
            how, spoilt = spoil_bytes(chance, name, made.files[name])
            made.files[name] = spoilt[:_LARGEST]
        elif kind < 0.93:
            how, made.files[name] = "stranger", chance.choice(strangers)
        elif kind < 0.95 and len(mutable) > 1:
            other = chance.choice([one for one in mutable if one in made.files])
            how = f"swapped with {other}"
            made.files[name], made.files[other] = made.files.get(other, b""), made.files[name]
        else:
            how = chance.choice(("gone", "folder", "loop", "dangling", "pipe"))
            del made.files[name]
            if how == "folder":
                made.folders.append(name)
            elif how == "pipe":
                made.pipes.append(name)
            elif how in ("loop", "dangling"):
                made.links[name] = name.rsplit("/", 1)[-1] if how == "loop" else "nowhere"
        made.said.append(f"{name}: {how}")
    return made
