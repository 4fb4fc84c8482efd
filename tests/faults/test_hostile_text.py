"""Hostile text in every field of register and sheets comes out of every output as text, and as no more."""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from html.parser import HTMLParser
from itertools import cycle
from pathlib import Path
from xml.etree import ElementTree
from zipfile import ZipFile

import openpyxl
import pytest
from pypdf import PdfReader

from crosscellar import cli

#: Texts that harm a spreadsheet, a page, a drawing, a typesetter, a database, a path or a terminal.
#: Starts of formulas after OWASP, "CSV Injection"; bidi controls after Unicode TR 36.
HOSTILE = (
    '=HYPERLINK("http://x.example","xevil")',
    "+cmd|' /C calc'!A0 xevil",
    "-2+3+xevil",
    "@SUM(1+9)*xevil",
    "＝1+1 xevil",
    '<xevil onxevil="1">&lt;</td></svg>]]>',
    "\"'><script>xevil()</script><img src=x onerror=xevil()>",
    "{{ 7*7 }}{% raw %}<xevil>",
    '#panic("xevil") #read("/etc/hostname") $ x_evil $ @xevil *b* `c` \\',
    "'; DROP TABLE readings; -- xevil",
    "../../../xevil/%2e%2e/C:\\xevil",
    "\x1b[31mxevil\x1b]0;title\x07\x1b[2J",
    "\u202exevil\u202c\u2066\u200b",
    "xevil\rsecond\x0bthird\x85fourth",
    "[bold red]xevil[/] :skull: [link=http://x.example]",
    "javascript:xevil() http://x.example mailto:x@x.example",
    "xevil " + "long " * 2_000,
)

Say = Callable[[], str]


def write(path: Path, rows: list[list[str]]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    text = io.StringIO()
    csv.writer(text).writerows(rows)
    path.write_bytes(text.getvalue().encode("utf-8"))


def register(folder: Path, say: Say) -> Path:
    sites, trials, arms, vessels, responses = [], [], [], [], []
    for number in (1, 2, 3):
        site, trial = f"s{number}", f"T-{number}"
        sites.append([site, say(), say(), say()])
        trials.append([trial, "2024", site, "q", say(), say(), "white", "running", say()])
        for arm, role in (("control", "control"), ("stirred", "treatment")):
            arms.append([trial, arm, role, say(), say()])
            vessels += [[trial, arm, f"{arm[0]}{number}-{one}", say(), say()] for one in "ab"]
        responses.append([trial, "titratable_acidity", "pre_bottling", "primary"])
        responses.append([trial, "pH", "pre_bottling", "monitored"])
    question = [
        "q",
        say(),
        say(),
        say(),
        "titratable_acidity",
        "pre_bottling",
        "increase",
        "0.3",
        "g/L",
        say(),
    ]
    tables = {
        "sites": ["site_id site_name region contact", *sites],
        "questions": [
            (
                "question_id title hypothesis factor primary_response primary_stage wanted "
                "smallest_difference smallest_difference_unit theme"
            ),
            question,
        ],
        "trials": ["trial_id season site_id question_id lot cultivar colour status status_reason", *trials],
        "arms": ["trial_id arm_id role level_unit description", *arms],
        "vessels": ["trial_id arm_id vessel_id kind block", *vessels],
        "responses": ["trial_id response stage role", *responses],
        "labs": ["lab_id analyte basis method", ["lab_north", "titratable_acidity", "tartaric", say()]],
    }
    for name, (heading, *rows) in tables.items():
        write(folder / f"{name}.csv", [str(heading).split(), *rows])
    return folder


def inbox(folder: Path, say: Say) -> Path:
    heading = "trial_id arm_id vessel_id stage sample_date analyte value unit replicate lab note method time"
    sound = [
        [f"T-{number}", arm, f"{arm[0]}{number}-{one}", "pre_bottling", "2025-03-04", "titratable_acidity",
         f"{6.0 + number / 10 + 0.3 * (arm == 'stirred') + 0.05 * (one == 'b'):.2f}", "g/L", "1", "lab_north",
         say(), say(), ""]
        for number in (1, 2, 3)
        for arm in ("control", "stirred")
        for one in "ab"
    ]  # fmt: skip
    write(folder / "sound.csv", [heading.split(), *sound])
    for column in range(13):
        rows = []
        for _ in HOSTILE:
            row = ["T-1", "control", "c1-a", "pre_bottling", "2025-03-04", "pH", "3.31", "", "1", "lab_north"]
            row += ["", "", ""]
            row[column] = say()
            rows.append(row)
        write(folder / f"column {column}.csv", [heading.split(), *rows])
        headings = heading.split()
        headings[column] = say()
        write(folder / f"heading {column}.csv", [headings, sound[0]])
    for number, text in enumerate(HOSTILE):
        name = re.sub(r"[/\0]", "_", text)[:60]
        write(folder / f"{name}{number}.csv", [heading.split(), *sound[:1]])
    # an old measurement that differs, so that a question waits
    write(folder / "zz later.csv", [heading.split(), [*sound[0][:6], "6.66", *sound[0][7:]]])
    return folder


@dataclass(frozen=True)
class Outputs:
    """The folder of all that was written, and what each command said."""

    folder: Path
    said: dict[str, str]


@pytest.fixture(scope="module")
def outputs(tmp_path_factory: pytest.TempPathFactory) -> Outputs:
    texts = cycle(HOSTILE)
    say: Say = lambda: next(texts)  # noqa: E731
    folder = tmp_path_factory.mktemp("hostile")
    register(folder / "register", say)
    inbox(folder / "inbox", say)
    out = folder / "out"
    commands = {
        "register": (["register", str(folder / "register")], 0),
        "intake": (["intake", str(folder / "inbox"), "--marked-up", str(out / "marked")], 1),
        "findings": (["findings"], 0),
        "outstanding": (["outstanding"], 0),
        "effects": (["effects", "q", "--figure", str(out / "vessels.svg")], 0),
        "effects as text": (["effects", "q"], 0),
        "pool": (["pool", "q"], 0),
        "summary": (["summary", "2024", "--out", str(out / "summary")], 0),
        "export": (["export", "--out", str(out / "export")], 0),
        "sheets": (["sheets", "--out", str(out / "sheets")], 0),
        "check": (["check"], 0),
    }
    said = {}
    for name, (words, status) in commands.items():
        told, errors = io.StringIO(), io.StringIO()
        with redirect_stdout(told), redirect_stderr(errors):
            found = cli.main(["--store", str(folder / "store"), *words])
        assert found == status, (name, errors.getvalue()[-500:])
        said[name] = told.getvalue() + errors.getvalue()
    return Outputs(out, said)


def files(outputs: Outputs, suffix: str, *, least: int) -> list[Path]:
    found = sorted(outputs.folder.rglob(f"*{suffix}"))
    assert len(found) >= least
    return found


def unsafe(text: str) -> set[str]:
    """Characters that steer a terminal or turn the direction of what is read."""
    return {
        f"U+{ord(letter):04X}"
        for letter in set(text) - {"\n", "\t"}
        if unicodedata.category(letter) == "Cc"
        or letter in "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
    }


def test_no_command_writes_what_steers_a_terminal(outputs: Outputs) -> None:
    assert "xevil" in "".join(outputs.said.values())
    assert {name: unsafe(text) for name, text in outputs.said.items() if unsafe(text)} == {}


class Tags(HTMLParser):
    """Every element and attribute of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.names: set[str] = set()
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names |= {tag, *(name for name, _ in attrs)}


def test_a_page_holds_hostile_text_and_no_element_of_its_making(outputs: Outputs) -> None:
    for path in files(outputs, ".html", least=1):
        page = path.read_text("utf-8")
        assert page.count("xevil") > 10
        assert Tags(page).names & {"xevil", "onxevil", "onerror", "img"} == set()


def test_a_drawing_is_sound_xml_and_holds_no_element_of_its_making(outputs: Outputs) -> None:
    for path in files(outputs, ".svg", least=1):
        tags = {str(element.tag).rpartition("}")[2] for element in ElementTree.parse(path).iter()}  # noqa: S314
        assert tags & {"xevil", "script", "img", "a", "foreignObject"} == set()


def test_no_workbook_holds_a_formula_or_a_link(outputs: Outputs) -> None:
    texts = 0
    for path in files(outputs, ".xlsx", least=3):
        with ZipFile(path) as packed:
            assert not [name for name in packed.namelist() if "externalLink" in name]
            for name in packed.namelist():
                part = packed.read(name)
                assert b"<f>" not in part, (path, name)
                assert b"<hyperlink" not in part or b"x.example" not in part, (path, name)
        for sheet in openpyxl.load_workbook(path):
            for row in sheet.iter_rows():
                for cell in row:
                    assert cell.data_type != "f", (path, cell.coordinate)
                    texts += isinstance(cell.value, str) and "xevil" in cell.value
    assert texts > 20


def test_no_text_of_a_csv_is_a_formula_to_a_spreadsheet(outputs: Outputs) -> None:
    marked = 0
    for path in files(outputs, ".csv", least=3):
        with path.open(newline="", encoding="utf-8-sig") as file:
            for row in csv.reader(file):
                for cell in row:
                    marked += cell.startswith("'")
                    if re.match(r"\s*[=+\-@\t\r＝＋－＠]", cell):
                        float(cell)
    assert marked > 5


def test_the_paper_says_typesetting_marks_as_they_are_and_does_nothing(outputs: Outputs) -> None:
    for path in files(outputs, ".pdf", least=1):
        content = path.read_bytes()
        assert not re.search(rb"/JavaScript|/JS\b|/Launch|/EmbeddedFile", content)
        text = "".join(page.extract_text() for page in PdfReader(path).pages)
        assert "xevil" in text


def test_nothing_is_written_outside_the_folders_that_were_named(outputs: Outputs) -> None:
    top = outputs.folder.parent
    assert {path.name.partition(".")[0] for path in top.iterdir()} <= {"register", "inbox", "out", "store"}
    assert not list(top.parent.glob("*xevil*"))
    for reply in files(outputs, ".txt", least=1):
        assert unsafe(reply.read_text("utf-8")) == set()
