"""The schema files say one thing, in full, and a slip of the hand in them is named."""

from __future__ import annotations

import csv
import re
import string
from collections.abc import Callable
from pathlib import Path

import pytest

from crosscellar.contract import Contract, load_contract, name_key
from crosscellar.contract.units import FUNCTIONS
from crosscellar.errors import CrosscellarError

RULES = Path(__file__).parent.parent / "reference" / "enology" / "rules.csv"
PYTHON_WORDS = re.compile(r"\b(dtype|None|index|null|NaN|float|int|str|column_in_dataframe)\b")


def test_at_least_140_analytes_are_declared(contract: Contract) -> None:
    assert len(contract.analytes) >= 140


def test_bounds_are_ordered_for_every_analyte_and_stage(contract: Contract) -> None:
    for analyte in contract.analytes.values():
        for stage, bound in ((None, analyte.limits), *analyte.stages.items()):
            where = (analyte.id, stage)
            assert bound.refuse_low <= bound.unusual_low, where
            assert bound.unusual_low < bound.unusual_high, where
            assert bound.unusual_high <= bound.refuse_high, where


def test_every_stage_of_a_limit_is_a_known_stage_or_style(contract: Contract) -> None:
    for analyte in contract.analytes.values():
        for stage in analyte.stages:
            assert stage in contract.stages or stage.startswith("style:"), (analyte.id, stage)


def test_every_expected_analyte_of_a_stage_is_known(contract: Contract) -> None:
    for stage in contract.stages.values():
        assert set(stage.expected) <= set(contract.analytes), stage.id


def test_every_accepted_unit_converts_to_the_canonical_one(contract: Contract) -> None:
    for analyte in contract.analytes.values():
        family = contract.unit_table.family_of.get(analyte.id)
        basis = family.canonical if family else None
        for unit in (analyte.unit, *analyte.units):
            reading = contract.read_unit(analyte.id, unit, declared_basis=basis)
            assert reading.usable, (analyte.id, unit, reading)
            assert reading.unit == analyte.unit


def test_the_canonical_unit_written_out_is_the_same_unit(contract: Contract) -> None:
    for analyte in contract.analytes.values():
        reading = contract.read_unit(analyte.id, analyte.unit)
        assert reading.outcome == "same", (analyte.id, reading)
        assert (reading.factor, reading.offset, reading.formula) == (1.0, 0.0, "")


def test_every_alias_names_its_analyte_or_is_asked_about(contract: Contract) -> None:
    for analyte in contract.analytes.values():
        for alias in (analyte.id, analyte.name, *analyte.aliases):
            match = contract.name_analyte(alias)
            if match.how == "ambiguous":
                assert analyte.id in match.candidates, alias
            else:
                assert match.id == analyte.id, (alias, match)


def test_no_analyte_is_reached_only_by_being_asked_about(contract: Contract) -> None:
    for analyte in contract.analytes.values():
        assert contract.name_analyte(analyte.id).id == analyte.id
        assert contract.name_analyte(analyte.name).id == analyte.id


def test_every_alias_of_a_stage_names_it(contract: Contract) -> None:
    for stage in contract.stages.values():
        for alias in (stage.id, stage.name, *stage.aliases):
            assert contract.name_stage(alias).id == stage.id, alias


def test_remembered_figures_do_not_call_themselves_published(contract: Contract) -> None:
    for analyte in contract.analytes.values():
        for bound in (analyte.limits, *analyte.stages.values()):
            if bound.source.strip() in {"from memory", "memory"}:
                assert bound.figures == "memory", analyte.id
        if analyte.precision is not None:
            assert analyte.precision.figures == "memory", analyte.id
    for caution in contract.cautions.values():
        if caution.source == "from memory":
            assert caution.figures == "memory", caution.id


def test_rule_words_are_short_and_in_the_contributors_language(contract: Contract) -> None:
    for rule in contract.rules.values():
        for words in (rule.message, rule.suggestion):
            assert 0 < len(words.split()) <= 25, rule.code
            assert not PYTHON_WORDS.search(re.sub(r"\{\w+\}", "", words)), rule.code
            for _, place, form, conversion in string.Formatter().parse(words):
                assert place is None or place.isidentifier(), rule.code
                assert not form, rule.code
                assert conversion is None, rule.code


def test_rules_know_their_severity_and_their_analytes(contract: Contract) -> None:
    for rule in contract.rules.values():
        assert rule.severity in {"refuse", "hold", "remark"}, rule.code
        assert rule.scope in {"cell", "row", "column", "series", "file"}, rule.code
        assert set(rule.analytes) <= set(contract.analytes), rule.code


def test_every_rule_of_the_reference_list_is_answered_or_named_as_not(contract: Contract) -> None:
    listed = {row["rule_id"] for row in csv.DictReader(RULES.read_text(encoding="utf-8").splitlines())}
    here = {rule.source_id for rule in contract.rules.values() if rule.source_id}
    # Answered by the form of sheet and register, by the bounds, or not at all: see the head of rules.toml.
    elsewhere = {"E019", "E022", "E038", "E068", "E078", "E081", "E085"}
    elsewhere |= {"E100", "E102", "E103", "E110"}
    assert here <= listed
    assert listed - here == elsewhere
    head = (contract.folder / "rules.toml").read_text(encoding="utf-8").partition("\n[")[0]
    assert all(rule in head for rule in elsewhere)


def test_numbers_are_never_given_without_their_unit(contract: Contract) -> None:
    for rule in contract.rules.values():
        if "{analyte} {value}" in rule.message and "{low} to {high}" in rule.message:
            assert "{unit}" in rule.message, rule.code


@pytest.mark.parametrize("topic", ["so2", "co2", "alcohol", "privacy", "legal"])
def test_cautions_speak_of_what_can_hurt(contract: Contract, topic: str) -> None:
    assert any(topic in caution.topic.casefold() for caution in contract.cautions.values())


def test_legal_limits_carry_their_citation_and_decide_nothing(contract: Contract) -> None:
    assert contract.legal_limits
    assert all(limit.citation and limit.figures for limit in contract.legal_limits)
    assert contract.rules["legal_information"].severity == "remark"


def test_the_six_sheet_kinds_and_nine_tables_are_there(contract: Contract) -> None:
    assert set(contract.sheet_kinds) == {
        "lab_long",
        "lab_wide",
        "lab_by_label",
        "ferment_log",
        "triangle",
        "scores",
    }
    assert set(contract.register_tables) == {
        "sites",
        "questions",
        "trials",
        "arms",
        "vessels",
        "responses",
        "samples",
        "labs",
        "aliases",
    }


def test_headings_of_a_sheet_do_not_collide(contract: Contract) -> None:
    for kind in contract.sheet_kinds.values():
        seen: dict[str, str] = {}
        for column in kind.columns:
            for text in {name_key(column.name), *map(name_key, column.aliases)}:
                assert seen.setdefault(text, column.name) == column.name, (kind.id, text)


def test_keys_and_pointers_of_the_register_are_columns(contract: Contract) -> None:
    for table in contract.register_tables.values():
        names = {column.name for column in table.columns}
        assert set(table.key) <= names
        for column, other in table.points_to.items():
            assert column in names
            assert contract.register_tables[other].key == (column,)


def test_both_hemispheres_have_a_harvest_half_a_year_apart(contract: Contract) -> None:
    harvests = {window.hemisphere: window for window in contract.seasons if window.event == "harvest"}
    assert set(harvests) == {"north", "south"}
    months = {hemisphere: int(window.opens[:2]) for hemisphere, window in harvests.items()}
    assert months["north"] - months["south"] == 6
    assert all(re.fullmatch(r"\d\d-\d\d", w.opens) and len(w.closes) == 5 for w in contract.seasons)


def test_every_formula_of_the_table_is_one_of_ours(contract: Contract) -> None:
    assert {formula.function for formula in contract.unit_table.formulas} <= set(FUNCTIONS)


Spoil = Callable[[str], str]


@pytest.mark.parametrize(
    ("file", "spoil", "named"),
    [
        ("analytes.toml", lambda s: s.replace("decimals = 2", "decimal = 2", 1), "ph.decimal"),
        ("analytes.toml", lambda s: s.replace("refuse_low = 2.3\n", "", 1), "ph.refuse_low is missing"),
        (
            "analytes.toml",
            lambda s: s.replace("decimals = 2", 'decimals = "2"', 1),
            "ph.decimals has the wrong type",
        ),
        ("stages.toml", lambda s: s + "\n[extra]\nname = 'x'\n", "extra.aliases is missing"),
        ("units.toml", lambda s: s.replace('"g/L"]', '"g/L"]\nfaktor = 2', 1), "faktor"),
        ("units.toml", lambda s: s + "\n[surplus]\na = 1\n", "surplus"),
        ("units.toml", lambda s: s.replace('"brix_from_sg"', '"brix_from_air"', 1), "brix_from_air"),
        ("rules.toml", lambda s: s.replace("severity = ", "severty = ", 1), "severty"),
        (
            "rules.toml",
            lambda s: s.replace('severity = "hold"', 'severity = "warn"', 1),
            "severity is 'warn'",
        ),
        ("analytes.toml", lambda s: s.replace('scale = "log"', 'scale = "logs"', 1), "ph.scale is 'logs'"),
        ("sheets.toml", lambda s: s.replace("required = true", "requird = true", 1), "requird"),
        ("register.toml", lambda s: s.replace("key = [", "keys = [", 1), "keys"),
        ("seasons.toml", lambda s: s.replace("opens = ", "open = ", 1), "open"),
        ("ambiguous.toml", lambda s: s.replace("candidates = ", "candidate = ", 1), "candidate"),
        ("rules.toml", lambda s: s + "\n[free_above_total]\n", "cannot be read as TOML"),
    ],
)
def test_a_slip_in_a_schema_file_names_file_and_key(
    copied_schemas: Path, file: str, spoil: Spoil, named: str
) -> None:
    path = copied_schemas / file
    before = path.read_text(encoding="utf-8")
    after = spoil(before)
    assert after != before
    path.write_text(after, encoding="utf-8")
    with pytest.raises(CrosscellarError) as caught:
        read_everything(Contract(copied_schemas))
    assert file in str(caught.value)
    assert named in str(caught.value)


def test_an_unspoilt_copy_reads_like_the_original(contract: Contract, copied_schemas: Path) -> None:
    copy = Contract(copied_schemas)
    read_everything(copy)
    assert copy.analytes == contract.analytes
    assert copy.rules == contract.rules


def test_the_contract_is_read_once() -> None:
    assert load_contract() is load_contract()


def read_everything(contract: Contract) -> None:
    _ = (
        dict(contract.analytes),
        contract.stages,
        contract.units,
        contract.rules,
        contract.sheet_kinds,
        contract.register_tables,
        contract.seasons,
        contract.cautions,
        contract.legal_limits,
        contract.sources,
    )
    contract.name_analyte("pH")
