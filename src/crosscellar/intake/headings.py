"""Headings matched to the fields of the sheet kinds, and to analytes with the unit written beside them."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import polars as pl

from crosscellar.contract import Contract
from crosscellar.contract.names import Spellings
from crosscellar.intake.beside import OnceEach
from crosscellar.intake.dates import PARTS_OF_DAY

_BRACKETED = re.compile(r"^(?P<name>[^(\[]+?)\s*[(\[](?P<unit>[^()\[\]]*(?:\([^()]*\)[^()\[\]]*)*)[)\]]\s*$")
#: `pH 1`, `pH (2)`, `TA rep 1`: a name and the number of a repeat reading.
_REPEATED = re.compile(
    r"^(?P<name>.*?[^\W\d_].*?)[\s_.,-]*[(\[]?\s*(?:rep(?:licate|eat)?s?|dup(?:licate)?|run|no|nr|#)?[\s.#_-]*"
    r"(?P<number>[1-9])\s*[)\]]?$",
    re.IGNORECASE,
)
#: Signs that point to a footnote.
_FOOTNOTE = re.compile(r"(?<=[\w.)\]])\s*[*†‡§¹²³⁴-⁹]+(?=\s*(?:[(\[]|$))")
#: `AM Brix`, `Temp (evening)`: a reading and the part of the day in which it was taken.
_PART = "|".join(PARTS_OF_DAY)
_PART_OF_DAY = re.compile(
    rf"^(?P<first>{_PART})[\s_.:-]+(?P<rest>.+)$|^(?P<before>.+?)[\s_.:-]+[(\[]?(?P<last>{_PART})[)\]]?$",
    re.IGNORECASE,
)
#: Words after a name by which a column numbers or refers to something.
_NUMBERING = frozenset({"no", "nr", "num", "number", "nummer", "numero", "ref", "reference", "id", "code"})
_LONGEST_HEADING = 200
#: Headings of the columns that a correction sheet adds beside the readings; what stands below is not read.
REASON_HEADINGS = ("Was in cell", "What was found", "What to mend")
_NEAR = 0.85
#: Below this number of cells a plain look is quicker than a vectorised one.
SMALL = 5_000
#: So is one at columns of so few rows, however many there are.
_SHORT = 300


@dataclass(frozen=True, slots=True)
class Heading:
    """One heading: a field of the sheet kinds, or (`analyte_value`) an analyte with its unit, or unknown.

    `how` is exact, alias, case, misspelt, ambiguous or unknown; `candidates` are the words it may mean.
    """

    column: int
    text: str
    field: str
    analyte_text: str = ""
    unit_text: str = ""
    how: str = "exact"
    candidates: tuple[str, ...] = ()

    @property
    def known(self) -> bool:
        """Whether the heading names something by itself, without a yes of the coordinator."""
        return bool(self.field) and self.how != "misspelt"


@lru_cache(maxsize=16_384)
def plain(text: str) -> str:
    """A heading without case, spaces, marks and invisible characters: what two spellings share."""
    folded = unicodedata.normalize("NFKC", text).casefold()
    return "".join(mark for mark in folded if mark.isalnum())


class HeadingReader:
    """Matches headings for one batch; each distinct text is looked at once."""

    def __init__(self, contract: Contract, aliases: Mapping[str, str]) -> None:
        self._contract = contract
        self._aliases = dict(aliases)
        self._fields: dict[str, str] = {}
        self._logged: dict[str, str] = {}
        self._of_kind: dict[tuple[str, str], str] = {}
        for kind in contract.sheet_kinds.values():
            for column in kind.columns:
                field = "sample_date" if column.name == "date" else column.name
                # A log's brix or temperature column is an analyte like any other in a wide sheet.
                if kind.target == "readings" and column.type == "number" and field != "value":
                    self._logged.update((plain(written), field) for written in column.aliases)
                    continue
                for written in (column.name, *column.aliases):
                    self._fields.setdefault(plain(written), field)
                    self._of_kind[kind.id, plain(written)] = field
        for written, means in aliases.items():
            if plain(means) in self._fields:
                self._fields[plain(written)] = self._fields[plain(means)]
            for name in contract.sheet_kinds:
                if (name, plain(means)) in self._of_kind:
                    self._of_kind[name, plain(written)] = self._of_kind[name, plain(means)]
        self._spellings = pl.Series(sorted(self._fields), dtype=pl.String)
        self._spelt_like = Spellings(self._fields)
        #: Whether no field goes by a mere number, as an alias of a network might have it.
        self.fields_are_words = not any(word.isdigit() for word in self._fields)
        self._seen: dict[str, Heading] = {}

    def read(self, column: int, text: str) -> Heading:
        """The heading in this column; `field` is empty where nothing fits."""
        known = self._seen.get(text)
        if known is None:
            known = self._match(text)
            self._seen[text] = known
        return Heading(
            column, text, known.field, known.analyte_text, known.unit_text, known.how, known.candidates
        )

    def in_kind(self, heading: Heading, kind: str) -> Heading:
        """A heading as sheets of this kind use its word: `date` is the day of a tasting, or of a sample."""
        field = self._of_kind.get((kind, plain(heading.text)), heading.field)
        return heading if heading.how != "exact" or field == heading.field else replace(heading, field=field)

    def is_field(self, word: str) -> bool:
        """Whether a word, already `plain`, is how a field of the sheet kinds is spelt."""
        return word in self._fields

    def spelt(self, cells: pl.DataFrame, tests: OnceEach) -> pl.Series:
        """How many cells of each row spell a field of the sheet kinds: a quick look before rows are read."""
        if cells.height <= _SHORT or cells.width * cells.height <= SMALL:
            known = [sum(plain(text) in self._fields for text in row if text) for row in cells.rows()]
            return pl.Series(known, dtype=pl.UInt32)

        def is_field(texts: pl.Series) -> pl.Series:
            bare = texts.str.to_lowercase().str.replace_all(r"[^\p{L}\p{N}]", "")
            return bare.is_in(self._spellings.implode())

        total = pl.zeros(cells.height, dtype=pl.UInt32, eager=True)
        for name in cells.columns:
            total += tests.of(name, is_field).cast(pl.UInt32)
        return total

    def is_unit(self, text: str) -> bool:
        """Whether a cell below the headings names a unit."""
        return 0 < len(text.strip()) <= 40 and self._contract.name_unit(text).how in (
            "exact",
            "alias",
            "case",
            "ambiguous",
        )

    def unit_meant(self, heading: Heading, kind: str) -> str:
        """The unit that a heading without one implies: `Brix` names its own, a log's columns have one."""
        analyte = heading.candidates[0] if len(heading.candidates) == 1 else ""
        if heading.unit_text or analyte not in self._contract.analytes:
            return ""
        canonical = self._contract.analytes[analyte].unit
        names_itself = self._contract.name_unit(heading.analyte_text).id == canonical
        return canonical if kind == "ferment_log" or names_itself else ""

    def _match(self, text: str) -> Heading:
        if not text.strip() or len(text) > _LONGEST_HEADING:
            return Heading(0, text, "", how="unknown")
        found = self._named(text)
        if not self._whole(found) and (bare := _FOOTNOTE.sub("", text)) != text:
            without = self._named(bare)
            if self._whole(without):
                return replace(without, text=text)
        parted = part_of_day(text)
        if parted is not None and not self._whole(found):
            without = self._named(parted[1])
            if self._whole(without) and without.analyte_text:
                return replace(without, text=text)
        return found

    def _whole(self, heading: Heading) -> bool:
        """Whether all of a heading is read: what stands beside its analyte is a unit."""
        return heading.known and (not heading.unit_text or self.is_unit(heading.unit_text))

    def _repeated(self, text: str) -> Heading | None:
        """The heading of a column of repeat readings, proposed: `pH 2`, `TA 1 (g/L)`, `TA g/L rep 1`."""
        clean = " ".join(text.split())
        repeat, unit = repeat_of(clean), ""
        if repeat is None and (bracketed := _BRACKETED.match(clean)):
            repeat, unit = repeat_of(bracketed["name"]), bracketed["unit"].strip()
        if repeat is None or self._contract.name_analyte(clean, self._aliases).id is not None:
            return None
        name, number = repeat
        known = self._contract.name_analyte(name, self._aliases, unit=unit or None).id
        if known is None and not unit:
            inner = self._named(name)
            if inner.how in ("exact", "alias", "case") and inner.analyte_text and self._whole(inner):
                name, unit, known = inner.analyte_text, inner.unit_text, inner.candidates[0]
        if known is None:
            return None
        return Heading(0, text, "analyte_value", f"{name} {number}", unit, "misspelt", (known,))

    def _named(self, text: str) -> Heading:
        field = self._fields.get(plain(text))
        if field is not None:
            return Heading(0, text, field)
        repeated = self._repeated(text)
        if repeated is not None:
            return repeated
        # `Lab no` is a laboratory's own number, and counts no lactic acid bacteria
        spellings = [
            (name, unit)
            for name, unit in _split(text)
            if plain(unit) not in _NUMBERING or plain(name) not in self._fields
        ]
        weaker: Heading | None = None
        longest: Heading | None = None
        for name, unit in spellings:
            match = self._contract.name_analyte(name, self._aliases, unit=unit or None)
            if match.id is not None:
                # Of `malic acid g/L` the analyte is not malic, in acid g/L.
                if longest is None or len(name) > len(longest.analyte_text):
                    longest = Heading(0, text, "analyte_value", name, unit, match.how, (match.id,))
            elif match.how in ("ambiguous", "misspelt") and (
                weaker is None
                or match.how == "ambiguous"
                or (unit and not weaker.unit_text and self.is_unit(unit))
            ):
                weaker = Heading(0, text, "analyte_value", name, unit, match.how, match.candidates)
        if longest is not None:
            return longest
        for name, unit in spellings:
            if plain(name) in self._logged:
                named = self._logged[plain(name)]
                known = self._contract.name_analyte(named).id
                return Heading(0, text, "analyte_value", named, unit, "alias", (known,) if known else ())
        near = self._spelt_like.closest(plain(text), _NEAR)
        if near and (weaker is None or weaker.how != "ambiguous"):
            field = self._fields[near]
            return Heading(0, text, field, how="misspelt", candidates=(field,))
        if weaker is not None:
            return weaker
        # A known unit in brackets says that readings stand below, of whatever it is.
        name, unit = spellings[1] if len(spellings) > 1 else ("", "")
        if _BRACKETED.match(" ".join(text.split())) and self.is_unit(unit):
            return Heading(0, text, "analyte_value", name, unit, "unknown")
        return Heading(0, text, "", how="unknown")


def part_of_day(text: str) -> tuple[str, str] | None:
    """The part of the day and what is left of `AM Brix` or `Temp (evening)`; None for any other text."""
    found = _PART_OF_DAY.match(" ".join(text.split()))
    if found is None:
        return None
    return (found["first"] or found["last"], found["rest"] or found["before"])


def repeat_of(text: str) -> tuple[str, str] | None:
    """The name and the number in `pH 1`, `pH (2)` or `TA rep 3`; None for any other text."""
    found = _REPEATED.match(text)
    return (found["name"].strip(), found["number"]) if found else None


def _split(text: str) -> list[tuple[str, str]]:
    """The ways of taking a heading apart into an analyte and a unit, likeliest first."""
    clean = " ".join(text.split())
    ways = [(clean, "")]
    bracketed = _BRACKETED.match(clean)
    if bracketed:
        ways.append((bracketed["name"].strip(), bracketed["unit"].strip()))
    for mark in (",", ";", " in ", " "):
        at = clean.find(mark)
        while at > 0:
            name, unit = clean[:at].strip(), clean[at + len(mark) :].strip()
            if name and unit and any(letter.isalpha() or letter in "%°" for letter in unit):
                ways.append((name, unit))
            at = clean.find(mark, at + 1)
    return ways
