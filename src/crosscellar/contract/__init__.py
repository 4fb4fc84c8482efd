"""What is declared, not coded: analytes, units, stages, sheets, rules; and the columns rooms share."""

from crosscellar.contract.contract import Contract, load_contract
from crosscellar.contract.names import name_key
from crosscellar.contract.reading import schema_folder
from crosscellar.contract.records import (
    Analyte,
    Caution,
    Column,
    Family,
    LegalLimit,
    Limits,
    NameMatch,
    Precision,
    RegisterTable,
    Rule,
    SheetKind,
    Source,
    Stage,
    Unit,
    UnitReading,
    Window,
)
from crosscellar.contract.units import UnitTable, convert, unit_key
from crosscellar.contract.wording import inside_sentence, response_words, stage_words

__all__ = [
    "Analyte",
    "Caution",
    "Column",
    "Contract",
    "Family",
    "LegalLimit",
    "Limits",
    "NameMatch",
    "Precision",
    "RegisterTable",
    "Rule",
    "SheetKind",
    "Source",
    "Stage",
    "Unit",
    "UnitReading",
    "UnitTable",
    "Window",
    "convert",
    "inside_sentence",
    "load_contract",
    "name_key",
    "response_words",
    "schema_folder",
    "stage_words",
    "unit_key",
]
