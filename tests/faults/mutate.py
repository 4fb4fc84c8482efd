"""Reads mutated workbooks in a process of its own, with bounded memory and time; prints what became of each.

Run as: python mutate.py FOLDER FIRST COUNT. One JSON line for each mutant.
"""

from __future__ import annotations

import io
import json
import random
import resource
import signal
import sys
import time
import zipfile
from pathlib import Path

from crosscellar.intake.documents import read_document
from crosscellar.intake.grid import Document

SECONDS, ADDRESS_SPACE = 10, 3_000_000_000


def _noise(content: bytes, chance: random.Random) -> bytes:
    changed = bytearray(content)
    for _ in range(chance.choice([1, 1, 3, 20])):
        if not changed:
            break
        at = chance.randrange(len(changed))
        match chance.randrange(5):
            case 0:
                changed[at] ^= 1 << chance.randrange(8)
            case 1:
                changed[at : at + chance.randrange(1, 40)] = b""
            case 2:
                changed[at:at] = bytes(changed[at : at + chance.randrange(1, 400)])
            case 3:
                changed[at : at + 4] = chance.choice([b"\xff\xff\xff\xff", b"\0\0\0\0", b"9999", b"<c/>"])
            case _:
                del changed[at:]
    return bytes(changed)


def mutate(content: bytes, seed: int) -> bytes:
    """The same mutant for the same seed: noise in the archive or in a part, or two parts exchanged."""
    chance = random.Random(seed)
    way = chance.randrange(4)
    if way == 0:
        return _noise(content, chance)
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        parts = {info.filename: archive.read(info) for info in archive.infolist()}
    names = list(parts)
    if way == 1:
        one, other = chance.choice(names), chance.choice(names)
        parts[one], parts[other] = parts[other], parts[one]
    else:
        # the check sums stay right, so that the noise reaches the parsers
        inner = [name for name in names if name.startswith("xl/") and "theme" not in name]
        name = chance.choice(inner)
        parts[name] = _noise(parts[name], chance)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, part in parts.items():
            archive.writestr(name, part)
    return out.getvalue()


def main(folder: Path, first: int, count: int) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_SPACE, ADDRESS_SPACE))
    sources = sorted(
        path for path in folder.glob("*.xlsx") if zipfile.is_zipfile(path) and path.stat().st_size < 50_000
    )
    kept = []
    for path in sources:
        try:
            mutate(path.read_bytes(), 1)
        except (zipfile.BadZipFile, OSError, NotImplementedError):
            continue
        kept.append(path)
    for seed in range(first, first + count):
        source = kept[seed % len(kept)]
        content = mutate(source.read_bytes(), seed)
        signal.alarm(SECONDS)
        began = time.perf_counter()
        record = read_document(source.name, content)
        signal.alarm(0)
        outcome = "read" if isinstance(record, Document) else record.code
        print(json.dumps({"seed": seed, "outcome": outcome, "seconds": time.perf_counter() - began}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
