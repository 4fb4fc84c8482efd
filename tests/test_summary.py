"""The annual summary of a store in every format: the same bytes again, no name where names are hidden."""

from __future__ import annotations

import io
import re
import zlib
from pathlib import Path
from zipfile import ZipFile, is_zipfile

import polars as pl
import pytest
from pypdf import PdfReader

from crosscellar import Network


@pytest.fixture(scope="module")
def editions(demo_store: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folders = {name: tmp_path_factory.mktemp(name) for name in ("named", "hidden", "again")}
    with Network.open(demo_store, read_only=True) as network:
        for name, folder in folders.items():
            season = 2025 if name == "named" else 2023
            network.summary(season, out=folder, anonymous=name != "named")
    return folders


def letters(path: Path) -> str:
    """All that a file holds as text: as it lies, unpacked, and as a reader reads it."""
    content = path.read_bytes()
    parts = [content]
    if is_zipfile(path):
        with ZipFile(path) as packed:
            parts += [packed.read(name) for name in packed.namelist()]
    for stream in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", content, flags=re.DOTALL):
        try:
            parts.append(zlib.decompressobj().decompress(stream))
        except zlib.error:
            continue
    text = b"\n".join(parts).replace(b"\0", b"").decode("latin-1")
    if path.suffix == ".pdf":
        text += " ".join(page.extract_text() for page in PdfReader(io.BytesIO(content)).pages)
    if path.suffix == ".parquet":
        text += pl.read_parquet(path).write_csv()
    return text.casefold()


def test_the_anonymous_edition_holds_no_site_and_no_trial_by_name_in_any_format(
    editions: dict[str, Path], demo_store: Path
) -> None:
    with Network.open(demo_store, read_only=True) as network:
        sites, trials = network._register.sites, network._register.trials
    names = {str(name).casefold() for name in (*sites["site_name"].drop_nulls(), *trials["trial_id"])}
    assert len(names) > 20
    read = {path: letters(path) for name in ("named", "hidden") for path in editions[name].iterdir()}
    found = {path: sorted(name for name in names if name in text) for path, text in read.items()}
    shown = {path.suffix for path in read if path.parent == editions["named"] and found[path]}
    assert shown >= {".html", ".pdf", ".xlsx", ".csv", ".parquet"}
    hidden = [path for path in read if path.parent == editions["hidden"]]
    assert {path.suffix for path in hidden} == {".html", ".pdf", ".xlsx", ".csv", ".parquet", ".json"}
    assert {path.name: found[path] for path in hidden if found[path]} == {}


def test_the_same_store_gives_the_same_bytes_in_every_format(editions: dict[str, Path]) -> None:
    first, second = (
        {path.name: path.read_bytes() for path in editions[name].iterdir()} for name in ("hidden", "again")
    )
    assert [name for name in first | second if first.get(name) != second.get(name)] == []


def test_a_question_still_open_says_what_would_decide_it_and_a_settled_one_does_not(
    editions: dict[str, Path],
) -> None:
    page = (editions["named"] / "summary-2025.html").read_text(encoding="utf-8")
    sections = re.findall(r"<section.*?</section>", page, flags=re.DOTALL)
    told = {"What would decide it" in section: section for section in sections}
    assert set(told) == {True, False}
    for section in sections:
        is_open = bool(re.search(r'class="verdict">(Undecided|One site only)', section))
        assert ("What would decide it" in section) == is_open
        assert ("Supposed: a true mean effect of" in section) == is_open
