"""A person is forgotten: in no byte of store or journal, while every count and answer stays as it was."""

from __future__ import annotations

import gzip
import io
import os
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import cycle
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from crosscellar import cli
from crosscellar.errors import CrosscellarError, StoreError, UnknownName
from crosscellar.network import Network
from crosscellar.store import Person, Store, forgetting, journal, swapping
from crosscellar.store.checksum import content_standing

MESSY = Path(__file__).parents[1] / "faults" / "messy"
STORES = Path(__file__).with_name("stores")

#: Invented. The first contact of a site, who is also named in a note and in the reason of a decision.
NAME, ADDRESS = "Ilvane Torrick", "torrick@orrin.example"
CODE, OTHER = "ASR-0417", "ASR-0555"

TRIANGLE = "trial_id,session_id,session_date,assessor_id,serving,picked,preferred,note\n"
SCORES = "trial_id,session_id,session_date,assessor_id,arm_id,attribute,score,scale_low,scale_high\n"
SERVINGS = ("AAB", "ABA", "BAA", "BBA", "BAB", "ABB")


def register_with(folder: Path, contact: str) -> Path:
    """The register of the messy sheets, with a contact for one site."""
    shutil.copytree(MESSY / "register", folder)
    lines = (folder / "sites.csv").read_text("utf-8").splitlines()
    told = [f"{line},{contact if line.startswith('orrin-flat') else ''}" for line in lines[1:]]
    (folder / "sites.csv").write_text("\n".join([f"{lines[0]},contact", *told]) + "\n", "utf-8")
    return folder


def triangle(picked: dict[str, int], *, note: str = "") -> str:
    rows = [
        f"LS24-ORR,LS24-ORR-t1,2024-11-20,{code},{serving},{pick},,{note if number == 1 else ''}\n"
        for number, ((code, pick), serving) in enumerate(zip(picked.items(), cycle(SERVINGS), strict=False))
    ]
    return TRIANGLE + "".join(rows)


def scores(trial: str, arms: tuple[str, str], codes: tuple[str, ...]) -> str:
    rows = [
        f"{trial},{trial}-s1,2024-11-21,{code},{arm},fruit,{5 + number % 3 + place},0,10\n"
        for number, code in enumerate(codes)
        for place, arm in enumerate(arms)
    ]
    return SCORES + "".join(rows)


@pytest.fixture(scope="module")
def lived_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store in whose history a contact and an assessor stand in every way that they can."""
    folder, path = tmp_path_factory.mktemp("sheets"), tmp_path_factory.mktemp("lived") / "network.duckdb"

    def write(name: str, text: str) -> Path:
        (folder / name).write_text(text, "utf-8")
        return folder / name

    hours = iter(range(1000))
    start = datetime(2026, 1, 1, 12, tzinfo=UTC)
    panel = {f"ASR-{number:04d}": 1 + number % 3 for number in range(410, 422)} | {OTHER: 2}
    with Network.open(path, clock=lambda: start + timedelta(hours=next(hours))) as network:
        network.register(register_with(folder / "first", f'"{NAME}, {ADDRESS}"'))
        network.register(register_with(folder / "second", "Bessaly Quint"))
        twice = f"LS24-ORR,LS24-ORR-t1,2024-11-20,{CODE},ABA,2,,\n"
        footnote = f"{CODE} left early\n"
        network.intake(
            [write(f"panel {CODE}.csv", triangle(panel, note=f"seen by {NAME}") + twice + footnote)]
        )
        network.intake(
            [write("again.csv", triangle(panel | {CODE: 3, OTHER: 1}, note=f"seen by {NAME}"))],
            correction=True,
        )
        network.intake([write("later.csv", triangle({CODE: 1}))])
        network.intake([write("scores.csv", scores("LS24-ORR", ("control", "stir_weekly"), (CODE, OTHER)))])
        network.intake([write("other.csv", scores("NT24-TES", ("at_start", "third_drop"), (CODE, OTHER)))])
        for finding in network.findings(open_only=True).findings["finding_id"].to_list():
            network.decide(finding, "refuse", reason=f"{NAME} by telephone; {CODE} was ill")
    return path


@pytest.fixture
def lived(lived_store: Path, tmp_path: Path) -> Iterator[Network]:
    with Network.open(copy_of(lived_store, tmp_path)) as network:
        yield network


def copy_of(store: Path, folder: Path) -> Path:
    for end in ("", ".journal"):
        shutil.copyfile(f"{store}{end}", folder / f"network.duckdb{end}")
    return folder / "network.duckdb"


def tasted(network: Network) -> Any:
    """All that a tasting is read from, but for the codes."""
    store = network._store
    frames = (
        store.picks().drop("assessor_id", "file"),
        store.scores().drop("assessor_id", "file"),
        store.set_aside().drop("proposed", "current", "file"),
    )
    return [frame.drop("note", strict=False).sort(pl.all().exclude("note")).rows() for frame in frames]


def found_in(folder: Path, text: str) -> list[str]:
    """The files of a folder that hold a text in their bytes."""
    return sorted(file.name for file in folder.iterdir() if text.encode() in file.read_bytes())


TRIALS = ("LS24-ORR", "NT24-TES")


def forget_all(network: Network, *, drop_files: bool) -> None:
    """The contact, the name and the code of one person, wherever they stand."""
    network.forget(assessor=CODE, trials=TRIALS, drop_files=drop_files)
    network.forget(contact="orrin-flat", drop_files=drop_files)
    network.forget(text=NAME, drop_files=drop_files)


def test_whoever_is_forgotten_is_in_no_byte_of_store_or_journal(lived_store: Path, tmp_path: Path) -> None:
    path = copy_of(lived_store, tmp_path)
    for text in (NAME, ADDRESS, CODE):
        assert found_in(tmp_path, text) != []
    with Network.open(path) as network:
        forget_all(network, drop_files=True)
        assert network.check().sound
        # While it is open, too: neither a log nor a copy beside it.
        assert [found_in(tmp_path, text) for text in (NAME, ADDRESS, CODE)] == [[], [], []]
    assert [found_in(tmp_path, text) for text in (NAME, ADDRESS, CODE)] == [[], [], []]
    assert found_in(tmp_path, OTHER) != []
    assert sorted(file.name for file in tmp_path.iterdir()) == ["network.duckdb", "network.duckdb.journal"]
    assert path.stat().st_mode & 0o077 == 0


@pytest.mark.long
def test_tastings_count_as_before_and_so_do_answers_of_any_day(lived: Network) -> None:
    store = lived._store
    moments = [step.moment for step in store.history().steps()]

    def seen() -> list[Any]:
        return [
            tasted(lived),
            lived.findings().findings.drop("file", "message", "reason").rows(),
            [
                frame.drop("assessor_id", "file", "note").sort(pl.all()).rows()
                for moment in moments
                for frame in (store.picks(as_of=moment), store.scores(as_of=moment))
            ],
            store.picks()["assessor_id"].n_unique(),
        ]

    before, facts = seen(), store.facts()
    forget_all(lived, drop_files=False)
    assert seen() == before
    assert {name for name, fact in store.facts().items() if fact != facts[name]} == {"snapshot", "last_entry"}
    assert "forgotten-1" in store.picks()["assessor_id"].to_list()


@pytest.mark.long
def test_answers_from_scores_and_picks_stay_as_they_were(demo_store: Path, tmp_path: Path) -> None:
    """To rounding: another code puts the assessors of a panel in another order."""
    with Network.open(copy_of(demo_store, tmp_path)) as network:
        scored = network._store.scores().select("trial_id", "assessor_id").row(0)
        picked = network._store.picks().select("trial_id", "assessor_id").row(0)
        questions = dict(network._register.trials.select("trial_id", "question_id").iter_rows())
        names = sorted({questions[scored[0]], questions[picked[0]]})
        before = [network.effects(name) for name in names]
        for trial, code in (scored, picked):
            network.forget(assessor=code, trials=[trial])
        after = [network.effects(name) for name in names]
    for old, new in zip(before, after, strict=True):
        numbers = [name for name, dtype in old.schema.items() if dtype == pl.Float64]
        assert old.drop(numbers).rows() == new.drop(numbers).rows()
        for name in numbers:
            assert new[name].is_null().to_list() == old[name].is_null().to_list()
            assert new[name].drop_nulls().to_list() == pytest.approx(
                old[name].drop_nulls().to_list(), rel=1e-6, abs=1e-9
            )


def test_checksums_can_be_verified_for_every_entry_and_the_journal_has_them(lived: Network) -> None:
    old = journal.read(lived._store.path)[-1].checksum
    forget_all(lived, drop_files=False)
    session = lived._store._session
    ledger = dict(session.rows("SELECT entry_id, checksum FROM ledger"))
    for entry, checksum in ledger.items():
        assert content_standing(session, until=entry).checksum == checksum
    lines = journal.read(lived._store.path)
    assert {line.entry_id: line.checksum for line in lines} == ledger
    assert [line.kind for line in lines][-3:] == ["forgetting"] * 3
    # An old sum beside the new one would let a short code be found by trying.
    assert old not in ledger.values()


def test_a_dry_run_tells_what_would_go_and_changes_nothing(lived: Network) -> None:
    path = lived._store.path
    before, entries = lived._store.content_checksum(), len(lived._store.history().steps())
    told = lived.forget(assessor=CODE, trials=["LS24-ORR"], dry_run=True)
    assert not told.stored
    assert (lived._store.content_checksum(), len(lived._store.history().steps())) == (before, entries)
    assert found_in(path.parent, CODE) == ["network.duckdb", "network.duckdb.journal"]
    done = lived.forget(assessor=CODE, trials=["LS24-ORR"])
    assert done.stored
    assert (done.places, done.kept_in) == (told.places, told.kept_in)
    assert done.places["picks.assessor_id"] == 1
    assert set(done.kept_in) == {f"panel {CODE}.csv", "again.csv", "later.csv", "scores.csv"}


@pytest.mark.long
def test_a_second_run_changes_nothing(lived: Network) -> None:
    forget_all(lived, drop_files=True)
    entries = [step.entry_id for step in lived._store.history().steps()]
    inode = lived._store.path.stat().st_ino
    for call in (
        {"assessor": CODE},
        {"contact": "orrin-flat"},
        {"text": NAME},
        {"text": NAME, "drop_files": True},
        {"drop_files": True},
    ):
        again = lived.forget(**call)
        assert (again.stored, again.places, again.kept_in, again.given_up) == (False, {}, (), ())
    assert [step.entry_id for step in lived._store.history().steps()] == entries
    assert lived._store.path.stat().st_ino == inode


def test_a_code_that_means_someone_else_in_another_trial_stays_there(lived: Network) -> None:
    with pytest.raises(CrosscellarError, match=r"stands in 2 trials \(LS24-ORR, NT24-TES\)"):
        lived.forget(assessor=CODE)
    others = lived._store.scores(trials=["NT24-TES"]).rows()
    lived.forget(assessor=CODE, trials=["LS24-ORR"])
    assert lived._store.scores(trials=["NT24-TES"]).rows() == others
    assert CODE not in lived._store.scores(trials=["LS24-ORR"])["assessor_id"].to_list()
    lived.forget(assessor=CODE)
    assert "forgotten-2" in lived._store.scores(trials=["NT24-TES"])["assessor_id"].to_list()


@pytest.mark.long
def test_what_is_kept_is_named_and_can_be_given_up_later(lived: Network, tmp_path: Path) -> None:
    told = lived.forget(assessor=CODE, trials=["LS24-ORR"])
    assert any("hold it still" in sentence for sentence in told.left)
    assert lived.rebuild(tmp_path / "again.duckdb").same
    with Network.open(tmp_path / "again.duckdb") as again:
        assert again.check().sound
        assert tasted(again) == tasted(lived)
        codes = [network._store.picks()["assessor_id"].to_list() for network in (again, lived)]
        assert codes[0] == codes[1]
        assert [step.kind for step in again._store.history().steps()][-1] == "forgetting"
    given = lived.forget(drop_files=True)
    assert len(given.given_up) == 4
    assert lived.check().sound
    assert lived.check().facts["given_up"] == 4
    rebuilt = lived.rebuild(tmp_path / "less.duckdb")
    assert not rebuilt.same
    assert "were given up on 20" in " ".join(rebuilt.differences)
    # The same bytes again are known, and bring nothing back.
    sheet = tmp_path / "scores.csv"
    sheet.write_text(scores("LS24-ORR", ("control", "stir_weekly"), (CODE, OTHER)), "utf-8")
    beside = tmp_path / "beside.csv"
    beside.write_text(scores("LS24-ORR", ("control", "stir_weekly"), ("Q91",)), "utf-8")
    before = lived._store.scores().height
    outcome = lived.intake([sheet, beside])
    assert outcome.files.sort("file")["status"].to_list() == ["taken_in", "refused"]
    assert "the code of an assessor who was forgotten" in outcome.findings["message"][0]
    assert lived._store.scores().height == before + 2
    assert CODE not in lived._store.scores(trials=["LS24-ORR"])["assessor_id"].to_list()
    kept = [one.sha256 for one in lived._store.history().steps()[-1].files]
    assert kept.count(None) == 1
    stands = lived._store.content_checksum()
    entries = len(lived._store.history().steps())
    lived.intake([sheet, beside])
    assert lived._store.content_checksum() == stands
    # That it was refused is on record once, however often it comes.
    assert len(lived._store.history().steps()) == entries
    # A sheet with the neutral code in it is that person's.
    sheet.write_text(sheet.read_text("utf-8").replace(CODE, "forgotten-1") + "\n", "utf-8")
    assert lived.intake([sheet]).already == 4


def test_a_store_put_back_from_before_is_told_as_such(lived: Network, lived_store: Path) -> None:
    path = lived._store.path
    lived.forget(contact="orrin-flat")
    lived.forget(assessor=CODE, trials=["LS24-ORR"])
    lived.close()
    shutil.copyfile(lived_store, path)
    with Network.open(path) as network:
        told = " ".join(network.check().problems)
        assert told.count("someone was forgotten") == 2
        assert "forget it again" in told
        network.forget(contact="orrin-flat")
        network.forget(assessor=CODE, trials=["LS24-ORR"])
        assert "someone was forgotten" not in " ".join(network.check().problems)


KILLS = """
import os, shutil, signal, sys
from pathlib import Path
from crosscellar.store import Person, Store
source, folder = Path(sys.argv[1]), Path(sys.argv[2])
person = Person("assessor", (sys.argv[3],))
for step in sys.argv[4:]:
    path = folder / step / "network.duckdb"
    path.parent.mkdir()
    for end in ("", ".journal"):
        shutil.copyfile(f"{source}{end}", f"{path}{end}")
    child = os.fork()
    if child == 0:
        def die(name):
            if name == step:
                os.kill(os.getpid(), signal.SIGKILL)
        Store.open(path, at_step=die).forget(person, drop_files=True)
        os._exit(0)
    print(step, os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
"""
STEPS = ("copied", "changed", "compacted", "journal_ready", "swapped", "journal_swapped")


@pytest.mark.long
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_killed_at_any_step_the_store_is_whole_and_a_second_run_leaves_no_byte(
    lived_store: Path, tmp_path: Path
) -> None:
    done = subprocess.run(
        [sys.executable, "-c", KILLS, str(lived_store), str(tmp_path), CODE, *STEPS],
        capture_output=True,
        text=True,
        timeout=300,
        check=True,
    )
    assert done.stdout.split() == [word for step in STEPS for word in (step, "-9")]
    for step in STEPS:
        path = tmp_path / step / "network.duckdb"
        with Store.open(path, read_only=True) as store:
            assert store.check() == []
            assert (CODE in store.picks()["assessor_id"].to_list()) is not step.endswith("swapped")
        with Store.open(path) as store:
            again = store.forget(Person("assessor", (CODE,)), drop_files=True)
            assert again.nothing is step.endswith("swapped")
            assert store.check() == []
        assert found_in(path.parent, CODE) == []
        assert sorted(file.name for file in path.parent.iterdir()) == [
            "network.duckdb",
            "network.duckdb.journal",
        ]


def test_a_store_that_cannot_be_written_anew_is_as_it_was(
    lived: Network, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Windows refuses to replace a file that is open elsewhere."""
    folder = lived._store.path.parent
    before = lived._store.content_checksum()

    def refuse(*_: object) -> None:
        raise PermissionError(13, "The process cannot access the file")

    monkeypatch.setattr(swapping, "_LET_GO_FIRST", True)
    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", refuse)
        with pytest.raises(StoreError):
            lived.forget(contact="orrin-flat")
    assert lived._store.content_checksum() == before
    assert lived.check().sound
    assert sorted(file.name for file in folder.iterdir()) == ["network.duckdb", "network.duckdb.journal"]
    assert lived.forget(contact="orrin-flat").stored
    assert found_in(folder, ADDRESS) == []
    assert lived.check().sound


def test_every_column_of_text_is_searched_or_holds_only_the_programs_own_words(lived: Network) -> None:
    own = {
        *(f"ledger.{name}" for name in ("kind", "content_sum", "checksum")),
        *(f"files.{name}" for name in ("sha256", "kind", "status")),
        *(f"findings.{name}" for name in ("code", "severity")),
        *(f"set_aside.{name}" for name in ("outcome", "target")),
        *(f"circumstances.{name}" for name in ("settings", "program")),
        *(f"forgotten.{name}" for name in ("kind", "stands_for")),
        *("contents.sha256", "forgotten_in.sha256", "given_up.sha256"),
        *("store_info.application", "migrations.name", "supersessions.target", "answered.how"),
        *("decisions.verdict", "lines.what", "register_rows.register_table"),
        *("readings.time", "readings.qualifier", "picks.serving"),
    }
    found = {
        f"{table}.{column}"
        for table, column in lived._store._session.rows(
            """
            SELECT table_name, column_name FROM information_schema.columns WHERE data_type = 'VARCHAR'
            """
        )
        if column != "cell"
    }
    searched = {
        f"{table}.{column}"
        for table, ways in forgetting.COLUMNS.items()
        for columns in ways.values()
        for column in columns
    }
    assert found == searched | own
    assert searched & own == set()


@pytest.mark.parametrize(
    ("code", "text", "after"),
    [
        ("7", "Assessor 7 gave the same score 7 times.", "Assessor forgotten-1 gave the same score 7 times."),
        ("P7", "7.1 differs from 7, taken in from a.csv P7.", "7.1 differs from 7, taken in from a.csv P7."),
        ("P07", "P07 left; P071 and XP07 stayed (p07)", "forgotten-1 left; P071 and XP07 stayed (p07)"),
        ("a.b", "a.b and aXb", "forgotten-1 and aXb"),
        ("a.b", "assessor a.b-2 came", "assessor a.b-2 came"),
    ],
)
def test_a_code_is_taken_out_of_a_text_only_where_it_means_the_person(
    code: str, text: str, after: str
) -> None:
    assert Person("assessor", (code,)).out_of(text, "forgotten-1") == after


def test_a_name_is_found_in_sheets_of_every_encoding_and_in_workbooks() -> None:
    person = Person("text", ("Ilváne Torrick",))
    text = "note\nseen by ILVÁNE TORRICK, at noon\n"
    for encoding in ("utf-8", "utf-8-sig", "utf-16", "cp1252"):
        assert person.stands_in_file(text.encode(encoding)), encoding
    assert not person.stands_in_file(b"Ilvanet Torricks")
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as workbook:
        workbook.writestr("xl/sharedStrings.xml", "<si><r><t>Ilváne </t></r><r><t>Torrick</t></r></si>")
    assert b"Torrick" not in buffer.getvalue()
    assert person.stands_in_file(buffer.getvalue())
    assert person.stands_in_file(buffer.getvalue()[:60]) is None


@pytest.mark.parametrize(
    ("content", "found"),
    [
        ("seen by Ilvane Torrick".encode("utf-16-be"), True),
        ("seen by Ilvane Torrick".encode("utf-32"), True),
        (("\u6f22\u5b57" * 200).encode("utf-16"), False),
        (b"plain\ttext\r\nof two lines\n", False),
        (b"PK", None),
        (b"PK\x05\x06" + bytes(18), False),
        (gzip.compress(b"seen by Ilvane Torrick", mtime=0), None),
        (b"%PDF-1.7 " + bytes(range(256)) * 9, None),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(range(256)) * 9, None),
        (bytes(range(256)) + b" seen by Ilvane Torrick ", True),
    ],
    ids=lambda given: repr(given)[:24],
)
def test_bytes_that_do_not_lie_open_are_never_told_to_be_free_of_a_person(
    content: bytes, found: bool | None
) -> None:
    assert Person("text", ("Ilvane Torrick",)).stands_in_file(content) is found


def test_a_name_in_marked_up_letters_of_a_workbook_is_found() -> None:
    """XML 1.0, 4.1: a letter may be written as its number."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as workbook:
        workbook.writestr("xl/sharedStrings.xml", "<si><t>Ilv&#225;ne O&apos;Torrick</t></si>")
    assert Person("text", ("Ilváne O'Torrick",)).stands_in_file(buffer.getvalue())


def test_a_kept_workbook_that_cannot_be_unpacked_is_named_and_can_be_given_up(
    lived: Network, tmp_path: Path
) -> None:
    broken = tmp_path / "broken.xlsx"
    broken.write_bytes(b"PK\x03\x04 no workbook")
    lived.intake([broken])
    for call in ({"text": NAME}, {"contact": "orrin-flat"}, {"assessor": CODE, "trials": TRIALS}):
        told = lived.forget(**call, dry_run=True)  # type: ignore[arg-type]
        assert told.unsearched == ("broken.xlsx",)
        assert any("not searched: 1 file (broken.xlsx)" in sentence for sentence in told.left)
    given = lived.forget(assessor=CODE, trials=TRIALS, drop_files=True)
    assert "broken.xlsx" in given.given_up
    assert given.unsearched == ()
    assert lived.check().sound
    assert lived.forget(text=NAME).unsearched == ()
    # Once given up it is not kept again, nor on record again.
    entries = len(lived._store.history().steps())
    assert lived.intake([broken]).findings["code"].to_list() == ["damaged"]
    assert len(lived._store.history().steps()) == entries


def test_a_sheet_of_someone_forgotten_is_on_record_once_however_often_it_comes(
    lived: Network, tmp_path: Path
) -> None:
    sheet = tmp_path / "scores.csv"
    sheet.write_text(scores("LS24-ORR", ("control", "stir_weekly"), (CODE, OTHER)), "utf-8")
    lived.forget(assessor=CODE, trials=TRIALS)
    before = len(lived._store.history().steps())
    for _ in range(3):
        outcome = lived.intake([sheet])
        assert outcome.files["status"].to_list() == ["refused"]
        assert outcome.findings["code"].to_list() == ["forgotten_assessor"]
        assert len(lived._store.history().steps()) == before + 1
    assert lived._store.content_checksum() == lived._store.history().steps()[-1].checksum


@pytest.mark.parametrize(
    ("call", "words"),
    [
        ({}, "it is not said whom to forget"),
        ({"contact": "orrin-flat", "text": NAME}, "it is not said whom to forget"),
        ({"text": "Ann"}, "fewer than 4 characters"),
        ({"assessor": "forgotten-1"}, "is not the code of a person"),
    ],
)
def test_whom_to_forget_must_be_clear(call: dict[str, str], words: str, lived: Network) -> None:
    with pytest.raises(CrosscellarError, match=words):
        lived.forget(**call)  # type: ignore[arg-type]
    with pytest.raises(UnknownName, match="no site 'nowhere'"):
        lived.forget(contact="nowhere")


def test_a_text_that_names_a_thing_is_told_and_left(lived: Network) -> None:
    told = lived.forget(text="LS24-ORR-t1")
    assert told.places == {} or "picks.session_id" not in told.places
    assert told.names["picks.session_id"] == lived._store.picks().height + 1
    assert "Give these things other names" in " ".join(told.left)


def test_an_upgrades_copy_beside_the_store_is_named(lived: Network) -> None:
    older = lived._store.path.with_name("network.duckdb.before-0003")
    older.write_bytes(b"older")
    assert any(older.name in sentence for sentence in lived.forget(contact="orrin-flat").left)


def test_a_contact_of_a_store_of_version_2_can_be_forgotten(tmp_path: Path) -> None:
    path = tmp_path / "network.duckdb"
    path.write_bytes(gzip.decompress((STORES / "version_2.duckdb.gz").read_bytes()))
    path.with_name("network.duckdb.journal").write_bytes((STORES / "version_2.journal.txt").read_bytes())
    with Network.open(path) as network:
        told = network.forget(text="by telephone")
        assert told.places == {"decisions.reason": 1}
        assert network.check().sound
        assert network.rebuild(tmp_path / "again.duckdb").same


def test_a_look_at_an_older_store_leaves_it_as_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Only looking for a person changes no byte: the store's version neither."""
    store = tmp_path / "network.duckdb"
    store.write_bytes(gzip.decompress((STORES / "version_2.duckdb.gz").read_bytes()))
    before = store.read_bytes()
    assert cli.main(["--store", str(store), "forget", "--text", "by telephone", "--dry-run"]) == 0
    assert "Nothing was changed" in capsys.readouterr().out
    assert store.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == [store.name]


def test_the_command_tells_what_goes_and_what_stays(
    lived_store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = str(copy_of(lived_store, tmp_path))
    assert cli.main(["--store", store, "forget", "--contact", "orrin-flat", "--dry-run"]) == 0
    assert "Found in register rows (2)" in capsys.readouterr().out
    assert cli.main(["--store", store, "forget", "--contact", "orrin-flat", "--json"]) == 0
    told = capsys.readouterr().out
    assert '"register_rows.row_json": 2' in told
    assert NAME not in told
    assert ADDRESS not in told
    assert cli.main(["--store", store, "forget", "--assessor", CODE]) == 2
    assert "Name the trials of this person with --trial" in capsys.readouterr().err
