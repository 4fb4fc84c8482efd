"""The annual summary of a store in every format: the same bytes again, no name where names are hidden.

And no number in words, tables, captions or what stands in for drawings that the exported tables do not have.
"""

from __future__ import annotations

import html
import json
import re
import shutil
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any
from zipfile import ZipFile, is_zipfile

import polars as pl
import pytest
from openpyxl import load_workbook
from pypdf import PdfReader

from crosscellar import Network

ReadBack = Callable[[Path], Any]
PagesOf = Callable[[Path], list[str]]

DEMO = Path(__file__).parents[2] / "data" / "demo"


def letters(path: Path, pages_of: PagesOf) -> str:
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
        text += " ".join(pages_of(path))
    if path.suffix == ".parquet":
        text += pl.read_parquet(path).write_csv()
    return text.casefold()


def test_the_anonymous_edition_holds_no_site_and_no_trial_by_name_in_any_format(
    editions: dict[str, Path], demo_store: Path, pages_of: PagesOf
) -> None:
    with Network.open(demo_store, read_only=True) as network:
        sites, trials = network._register.sites, network._register.trials
    names = {str(name).casefold() for name in (*sites["site_name"].drop_nulls(), *trials["trial_id"])}
    assert len(names) > 20
    read = {
        path: letters(path, pages_of) for name in ("named", "hidden") for path in editions[name].iterdir()
    }
    found = {path: sorted(name for name in names if name in text) for path, text in read.items()}
    shown = {path.suffix for path in read if path.parent == editions["named"] and found[path]}
    assert shown >= {".html", ".pdf", ".xlsx", ".csv", ".parquet"}
    hidden = [path for path in read if path.parent == editions["hidden"]]
    assert {path.suffix for path in hidden} == {".html", ".pdf", ".xlsx", ".csv", ".parquet", ".json"}
    assert {path.name: found[path] for path in hidden if found[path]} == {}


def test_an_anonymous_page_shows_curves_where_a_ferment_response_is_planned_and_the_spread_of_vessels(
    editions: dict[str, Path],
) -> None:
    page = (editions["hidden"] / "summary-2023-anonymous.html").read_text(encoding="utf-8")
    assert 'aria-label="Ferment curves. Site ' in page
    assert "How far vessels of one arm differ" in page


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


#: Invented, and no word of any page. Codes should be given; a name in small letters passes for one.
ASSESSORS = ("torrick", "fenwright", "oakhanger", "maddernly", "quillan", "ilvane")
HEADING = "trial_id,session_id,session_date,assessor_id"


def tasted(folder: Path) -> Path:
    """Scores of six vessels, the last assessor with the scale turned round, and a triangle session."""
    folder.mkdir()
    register = pl.read_csv(DEMO / "register" / "vessels.csv", infer_schema=False)
    vessels = register.filter(pl.col("trial_id") == "LS23-OST").select("arm_id", "vessel_id").rows()
    lines = [
        f"LS23-OST,LS23-OST-s9,2024-07-02,{who},{arm},{vessel},body,"
        f"{9 - 1.5 * at if who == ASSESSORS[-1] else 1.5 + 1.25 * at + 0.25 * (at * place % 3)},0,10\n"
        for place, who in enumerate(ASSESSORS)
        for at, (arm, vessel) in enumerate(vessels)
    ]
    scores = (f"{HEADING},arm_id,vessel_id,attribute,score,scale_low,scale_high\n", *lines)
    (folder / "scores.csv").write_text("".join(scores), encoding="utf-8")
    picks = [
        f"ML23-PEL,ML23-PEL-t9,2024-08-03,{who},{serving},{1 + place % 3},\n"
        for place, (who, serving) in enumerate(
            zip(ASSESSORS, ("AAB", "ABA", "BAA", "BBA", "BAB", "ABB"), strict=True)
        )
    ]
    tests = (f"{HEADING},serving,picked,note\n", *picks)
    (folder / "triangle.csv").write_text("".join(tests), encoding="utf-8")
    return folder


def test_no_assessor_stands_in_any_byte_of_any_format_and_the_same_store_gives_the_same_bytes(
    tmp_path: Path, pages_of: PagesOf
) -> None:
    folders = {name: tmp_path / name for name in ("named", "hidden", "again")}
    with Network.open(tmp_path / "network.duckdb") as network:
        network.register(DEMO / "register")
        outcome = network.intake([tasted(tmp_path / "inbox")])
        # The store knows them, and one is spoken of where the coordinator looks.
        assert set(network._store.picks()["assessor_id"]) == set(ASSESSORS)
        assert any(f"Assessor {ASSESSORS[-1]} scored" in told for told in outcome.findings["message"])
        for name, folder in folders.items():
            network.summary(2023, out=folder, anonymous=name == "hidden")
    files = [path for name in ("named", "hidden") for path in folders[name].iterdir()]
    assert {path.suffix for path in files} == {".html", ".pdf", ".xlsx", ".csv", ".parquet", ".json"}
    read = {path: letters(path, pages_of) for path in files}
    found = {path.name: [name for name in ASSESSORS if name in text] for path, text in read.items()}
    assert {name: told for name, told in found.items() if told} == {}
    told = (folders["named"] / "turned_away.csv").read_text(encoding="utf-8")
    assert "One assessor scored body against the panel" in told
    first, second = (
        {path.name: path.read_bytes() for path in folders[name].iterdir()} for name in ("named", "again")
    )
    assert [name for name in first | second if first.get(name) != second.get(name)] == []


def held_in(folder: Path, pages_of: PagesOf) -> list[dict[str, int]]:
    """What each format of a summary says of readings: the table, the workbook, the page, the paper."""
    table = {row["what"]: row["number"] for row in pl.read_csv(folder / "season.csv").iter_rows(named=True)}
    came = list(table)[list(table).index("came in") :]
    sheet = load_workbook(folder / "summary-2025.xlsx")["Season"]
    book = {
        str(row[1].value): row[2].value
        for row in sheet.iter_rows()
        if row[0].value == "Readings that came in"
    }
    page = (folder / "summary-2025.html").read_text(encoding="utf-8")
    html = {name: re.findall(rf"<dt>{name}</dt><dd>([0-9 ]+)</dd>", page)[0] for name in came}
    text = " ".join(" ".join(pages_of(folder / "summary-2025.pdf")).split())
    paper = {name: re.findall(rf"{name} ([0-9 ]+)", text)[0] for name in came}
    assert list(book) == came
    return [
        {name: table[name] for name in came},
        {name: int(value) for name, value in book.items()},
        {name: int(value.replace(" ", "")) for name, value in html.items()},
        {name: int(value.replace(" ", "")) for name, value in paper.items()},
    ]


def test_only_what_still_waits_is_told_as_held_for_a_decision(
    demo_store: Path, tmp_path: Path, pages_of: PagesOf
) -> None:
    store = tmp_path / "network.duckdb"
    shutil.copy(demo_store, store)
    shutil.copy(f"{demo_store}.journal", f"{store}.journal")
    with Network.open(store) as network:
        ours = pl.col("file").str.starts_with("2025/")
        waiting = network.findings(open_only=True).findings.filter(ours)
        network.summary(2025, out=tmp_path / "before")
        swapped = waiting.filter(pl.col("code") == "free_above_total")["finding_id"].item()
        network.decide(swapped, "refuse", reason="the laboratory sends a new sheet")
        left = network.findings(open_only=True).findings.filter(ours)
        network.summary(2025, out=tmp_path / "after")
    assert left.height == waiting.height - 1
    for folder, open_ones in (("before", waiting), ("after", left)):
        for told in held_in(tmp_path / folder, pages_of):
            assert told["held for a decision"] == open_ones["readings"].sum()
            assert told["held, settled since"] == waiting["readings"].sum() - open_ones["readings"].sum()
            assert told.pop("came in") == sum(told.values())


@pytest.mark.parametrize("name", ["named", "hidden"])
def test_every_number_a_question_is_told_with_stands_in_the_exported_tables(
    editions: dict[str, Path], read_back: ReadBack, name: str
) -> None:
    edition = read_back(editions[name])
    first, *questions, last = edition.sections
    assert edition.told_of(questions) == {}
    # Page one tells the answers in the order of their verdicts.
    titled = {text: question for title, question in edition.titles.items() for text in first if title in text}
    assert set(titled.values()) == set(edition.shown)
    assert {text: found for text, one in titled.items() if (found := edition.invented(one, text))} == {}
    season = {row["what"]: row["number"] for row in edition.tables["season"].iter_rows(named=True)}
    counted = first[first.index("The season in numbers") + 1 : first.index("Questions")]
    counted = [text for text in counted if text != "Readings that came in"]
    values = dict(zip(counted[::2], counted[1::2], strict=False))
    complete = values.pop("planned responses complete")
    assert complete == f"{season.pop('planned responses complete')} of {season.pop('planned responses')}"
    assert {what: int(value.replace(" ", "")) for what, value in values.items()} == season
    for spread in edition.tables["vessels"].iter_rows(named=True):
        (text,) = (text for text in last if text.startswith(f"{spread['response']}: "))
        told = re.findall(edition.number, text.removeprefix(spread["response"]))
        assert told == [edition.usual(spread), str(spread["trials"]), str(spread["in_band"])]
    if name == "named":
        table = last[last.index("State") + 1 : last.index("How the numbers are made")]
        away = edition.tables["turned_away"].drop("severity")
        assert table == [" ".join(cell.split()) for row in away.iter_rows() for cell in row if cell]


def test_a_number_that_no_table_has_would_be_seen(editions: dict[str, Path], read_back: ReadBack) -> None:
    edition = read_back(editions["named"])
    _, *questions, _ = edition.sections
    changed = seen = 0
    for question, texts in zip(edition.shown, questions, strict=True):
        for text in texts:
            for match in list(re.finditer(rf"(?=[+−]){edition.number}", text))[:3]:
                other = match[0][:-1] + str((int(match[0][-1]) + 3) % 10)
                changed += 1
                seen += bool(edition.invented(question, text[: match.start()] + other + text[match.end() :]))
    assert changed > 400
    # A changed number may be another of the same question; hardly ever with the same interval.
    assert seen > 0.9 * changed
    reason = "Over 5 sites the mean effect is +1.6 % (95 % interval −1.2 to +4.5 %)"
    assert edition.invented("lees-stirring", reason) == []
    for right, wrong in (("+1.6", "+1.7"), ("−1.2", "−1.1"), ("+4.5", "+4.4"), ("5 sites", "15 sites")):
        assert edition.invented("lees-stirring", reason.replace(right, wrong)) != []


def alternatives_of(paper: Path) -> list[str]:
    """What stands in for the drawings of a PDF: `/Alt` of its tagged structure (ISO 32000-1, 14.9.3)."""
    found: list[str] = []

    def walk(node: Any) -> None:
        node = node.get_object()
        if isinstance(node, list):
            for child in node:
                walk(child)
        elif isinstance(node, dict):
            if "/Alt" in node:
                found.append(str(node["/Alt"]))
            if "/K" in node:
                walk(node["/K"])

    walk(PdfReader(paper).trailer["/Root"]["/StructTreeRoot"])
    return found


def test_the_paper_tells_no_number_that_no_table_has(
    editions: dict[str, Path], read_back: ReadBack, pages_of: PagesOf
) -> None:
    edition = read_back(editions["named"])
    paper = editions["named"] / "summary-2025.pdf"
    pages = [" ".join(text.split()) for text in pages_of(paper)]
    pages = [re.sub(r"Trials of the \d+ season: annual summary \d+ of \d+", " ", text) for text in pages]
    titles = list(edition.titles)
    starts = [next(at for at, text in enumerate(pages[1:], 1) if text.startswith(title)) for title in titles]
    assert starts == sorted(starts)
    end = next(at for at, text in enumerate(pages) if "What was turned away" in text)
    sections = [pages[start:stop] for start, stop in zip(starts, [*starts[1:], end], strict=True)]
    assert edition.told_of(sections) == {}
    labels = re.findall(r'role="img" aria-label="([^"]*)"', edition.page)
    drawings = [html.unescape(words) for words in labels]
    assert alternatives_of(paper) == drawings
    squeezed = "".join("".join(pages).split())
    first, *_, last = edition.sections
    told = [text for text in (*first, *last) if re.search(r"\d", text) and ": " in text and len(text) > 60]
    told = [text for text in told if text not in drawings]
    assert len(told) > 10
    lacking = [text for text in told if "".join(text.split()) not in squeezed]
    assert lacking == []


def test_the_workbook_has_no_number_that_no_table_has(editions: dict[str, Path], read_back: ReadBack) -> None:
    edition = read_back(editions["named"])
    book = load_workbook(editions["named"] / "summary-2025.xlsx", read_only=True)
    wrong = []
    checked = 0
    for sheet in book:
        for cells in sheet.iter_rows(min_row=4):
            question = edition.titles.get(str(cells[0].value))
            if question is None:
                continue
            for cell in cells[1:]:
                checked += 1
                if isinstance(cell.value, str):
                    found = edition.invented(question, cell.value)
                elif cell.value is not None:
                    digits = len(cell.number_format.split(";")[0].partition(".")[2])
                    text = f"{cell.value:+.{digits}f}".replace("-", "−")
                    known = edition.shown[question].single
                    found = [] if {text, text[1:]} & known else [text]
                else:
                    found = []
                wrong += [(sheet.title, cell.coordinate, number) for number in found]
    assert checked > 1000
    assert wrong == []


@pytest.mark.parametrize("name", ["named", "hidden"])
def test_every_number_of_the_tables_says_what_it_is_and_the_open_standards_checker_takes_them(
    editions: dict[str, Path], name: str
) -> None:
    # frictionless, an implementation of the Data Package standard: descriptor, sizes, hashes, types.
    from frictionless import validate

    described = editions[name] / "datapackage.json"
    package = json.loads(described.read_text(encoding="utf-8"))
    untold = [
        (table["name"], field["name"])
        for table in package["resources"]
        for field in table["schema"]["fields"]
        if field["type"] in ("number", "integer", "boolean") and "description" not in field
    ]
    assert untold == []
    report = validate(str(described))
    assert report.valid, report.flatten(["rowNumber", "fieldName", "type", "note"])
