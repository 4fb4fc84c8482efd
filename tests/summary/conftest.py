"""Summaries of the demo's store read back: what they tell in words, and what their tables allow."""

from __future__ import annotations

import itertools
import math
import re
import statistics
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from pypdf import PdfReader

from crosscellar import Network
from crosscellar.contract import load_contract, response_words
from crosscellar.effects.ferments import FERMENT_RULES


@pytest.fixture(scope="session")
def editions(demo_store: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Two summaries of the demo's network: 2025 with names, and 2023 without."""
    folders = {name: tmp_path_factory.mktemp(name) for name in ("named", "hidden")}
    with Network.open(demo_store, read_only=True) as network:
        network.summary(2025, out=folders["named"])
        network.summary(2023, out=folders["hidden"], anonymous=True)
    return folders


@pytest.fixture(scope="session")
def pages_of() -> Callable[[Path], list[str]]:
    """The text of each page of a PDF, read once."""
    return cache(lambda path: [page.extract_text() for page in PdfReader(path).pages])


@pytest.fixture(scope="session")
def read_back() -> Callable[[Path], Edition]:
    return Edition.of


@dataclass(frozen=True)
class Shown:
    """What the exported tables allow to be said of a question: numbers, and numbers that go together."""

    counted: frozenset[tuple[str, str]]
    single: frozenset[str]
    pairs: frozenset[tuple[str, str]]
    triples: frozenset[tuple[str, str, str]]


NUMBER = r"(?<![\w.])[+−]?\d+(?:\.\d+)?(?!\w|\.\d|/)"
PAIR = rf"({NUMBER}) to ({NUMBER})"
#: An estimate with its interval: `+1.6 % (95 % interval −1.2 to +4.5 %)`, `+5.8 (+1.6 to +10.1)`.
TRIPLE = rf"({NUMBER})(?: [^\d()]*)? \(\s*{PAIR}"
#: Levels and shares that are the same in every summary, and no data.
LEVELS = r"(?:95|90) % interval|at 5 %|in 100\b|9 trials in 10|of guessing|it takes 3 of each"
#: A count of what an answer rests on.
COUNTED = rf"({NUMBER}) (effect|site|season)s?\b"


def decimals_of(std_error: float) -> int:
    """Two digits of the standard error: the one rounding rule, from the exponent of its scientific form."""
    return max(0, 1 - int(f"{std_error:.1e}".partition("e")[2]))


def two_digits(value: float) -> str:
    """Two significant digits without an exponent."""
    return f"{value:.{max(0, 1 - math.floor(math.log10(value)))}f}" if value > 0 else "0"


def p_words(p: float) -> str:
    """A p of two digits; the limit below which it is not told."""
    return "0.001" if p < 0.001 else f"{p:.2g}"


class Rounding:
    """How one response's numbers are shown, from the exported estimate and its standard error alone."""

    def __init__(self, measure: str, estimate: float | None, std_error: float | None) -> None:
        self.logs = measure in ("log_ratio", "log_risk_ratio")
        self.share = measure == "discriminators"
        self.factor = 100.0 if self.share or measure == "risk_difference" else 1.0
        centre = math.exp(estimate or 0.0) * 100.0 if self.logs else self.factor
        self.decimals = None if not std_error else decimals_of(centre * std_error)

    def __call__(self, value: float | None) -> str:
        if value is None or not math.isfinite(value):
            return "–"
        shown = 100.0 * (math.exp(value) - 1.0) if self.logs else self.factor * value
        if self.decimals is not None:
            text = f"{shown:.{self.decimals}f}"
        else:
            size = round(abs(shown), 9)
            text = f"{shown:.{max(0, 2 - math.floor(math.log10(size)))}f}" if size else "0"
        if float(text) == 0:
            return text.removeprefix("-")
        return text.replace("-", "−") if text.startswith("-") or self.share else f"+{text}"

    def spread(self, variance: float) -> str:
        # The coefficient of variation of a lognormal quantity (Aitchison and Brown 1957).
        return two_digits(100.0 * math.sqrt(math.exp(variance) - 1.0) if self.logs else math.sqrt(variance))


def rounding_of(answer: dict[str, Any], effects: list[dict[str, Any]]) -> Rounding:
    """How an answer is rounded: by its own standard error, else by the usual one of its effects."""
    measure = answer["measure"] or ""
    if answer["std_error"]:
        return Rounding(measure, answer["estimate"], answer["std_error"])
    alike = [
        row for row in effects if all(row[name] == answer[name] for name in ("response", "stage", "role"))
    ]
    variances = [row["variance"] for row in alike if row["variance"]]
    return Rounding(measure, 0.0, math.sqrt(statistics.median(variances)) if variances else None)


def allowed(tables: dict[str, pl.DataFrame], question: str) -> Shown:
    """What may be said of a question."""
    own = {
        name: table.filter(pl.col("question") == question).to_dicts()
        for name, table in tables.items()
        if "question" in table.columns
    }
    single: set[str] = set()
    triples: set[tuple[str, str, str]] = set()
    pairs: set[tuple[str, str]] = set()

    def count(rows: list[dict[str, Any]], *columns: str, form: str = "d") -> None:
        single.update(
            format(row[name], form).replace("-", "−")
            for row in rows
            for name in columns
            if row.get(name) is not None
        )

    primary = own["answers"][0]
    for row in own["answers"]:
        rounded = rounding_of(row, own["effects"])
        triples.add((rounded(row["estimate"]), rounded(row["low"]), rounded(row["high"])))
        if row is primary:
            for kind in ("prediction", "equivalence"):
                pairs.add((rounded(row[f"{kind}_low"]), rounded(row[f"{kind}_high"])))
    effects = [row for row in own["effects"] if row["role"] == "primary"]
    rounded = rounding_of(primary, effects)
    for row in (*effects, *own["answers_by_season"], *own["answers_without_site"]):
        triples.add((rounded(row["estimate"]), rounded(row["low"]), rounded(row["high"])))
    smallest = primary["smallest_difference"]
    if smallest is not None:
        pairs.add((rounded(-smallest), rounded(smallest)))
    count(own["answers"], "n_effects", "n_sites", "n_seasons", "trials_this_season", "sites_up", "sites_down")
    count(own["answers"], "smallest_asked", "prior_scale", form="g")
    tried = [row for row in own["effects"] if row["correct"] is not None]
    single.update(p_words(row["p_adjusted"]) for row in own["answers"] if row["p_adjusted"] is not None)
    single.update(p_words(row["p_value"]) for row in tried)
    single.update(
        str(round(100 * primary[name]))
        for name in ("chance_above_zero", "chance_above_smallest")
        if primary[name] is not None
    )
    count(own["answers_by_season"], "season", "n_sites")
    count(own["effects"], "season", "n_treatment", "n_control", "prior_trials")
    count(own["effects"], "correct", "tasters", "critical", "assessors")
    count(effects, "level", form="g")
    for row in effects:
        share = 100 * (row["weight"] or 0.0)
        single.add(f"{share:.1f}" if share < 0.95 else f"{share:.0f}")
        if row["prior_variance"] is not None:
            single |= {rounded.spread(row["prior_variance"]), f"{row['prior_df']:.3g}"}
    supposed = Rounding(primary["measure"], None, None)
    for row in own["plans"]:
        half = 100 * math.expm1(row["half_width"]) if supposed.logs else row["half_width"]
        single |= {two_digits(half), f"{100 * row['chance_decided']:.0f}", f"{100 * row['chance_asked']:.0f}"}
        single |= {
            supposed.spread(row[name]) for name in ("between_sites", "between_trials", "vessel_variance")
        }
        single |= {supposed(row["supposed"]), str(row["more_sites"]), str(row["vessels"])}
    arms = itertools.groupby(own["ferments"], key=lambda row: (row["trial"], row["arm"]))
    for _, rows in arms:
        curves = [list(curve) for _, curve in itertools.groupby(rows, key=lambda row: row["curve"])]
        ends = [statistics.fmean(curve[at]["brix"] for curve in curves) for at in (0, -1)]
        first, last = (f"{end:.1f}".replace("-", "−") for end in ends)
        pairs.add((first, last))
        single |= {f"{max(curve[-1]['day'] for curve in curves):.0f}", str(len(curves))}
    if own["ferments"]:
        single.add(f"{FERMENT_RULES.dry_brix:.0f}".replace("-", "−"))
    counted = {
        (str(row[name]), name.removeprefix("n_").removesuffix("s"))
        for row in (*own["answers"], *own["answers_by_season"])
        for name in ("n_effects", "n_sites", "n_seasons")
        if row.get(name) is not None
    }
    counted |= {(str(row[name]), "site") for row in own["answers"] for name in ("sites_up", "sites_down")}
    # Sites whose absence would change the verdict, where they are counted and not named.
    hanging = sum(row["verdict_changes"] for row in own["answers_without_site"])
    single.add(str(hanging))
    counted |= {(str(row["more_sites"]), "site") for row in own["plans"]}
    pairs |= {(low, high) for _, low, high in triples}
    ends = {end for pair in pairs for end in pair}
    single |= ends | {mean for mean, _, _ in triples} | {number for number, _ in counted}
    return Shown(frozenset(counted), frozenset(single), frozenset(pairs), frozenset(triples))


def invented(text: str, shown: Shown) -> list[str]:
    """The numbers of a text, alone or together, that the tables do not have."""
    text = re.sub(LEVELS, " ", " ".join(text.split()))
    found: list[str] = []

    def held_to(known: frozenset[Any], pattern: str, text: str) -> str:
        def check(match: re.Match[str]) -> str:
            numbers = match.groups() if match.re.groups else match[0]
            found.extend([] if numbers in known else [match[0]])
            return " "

        return re.sub(pattern, check, text)

    known: list[tuple[frozenset[Any], str]] = [
        (shown.triples, TRIPLE),
        (shown.pairs, PAIR),
        (shown.counted, COUNTED),
        (shown.single, NUMBER),
    ]
    for numbers, pattern in known:
        text = held_to(numbers, pattern, text)
    return found


class Told(HTMLParser):
    """What a page tells in words: its texts and what stands in for its drawings, by section.

    The first section is what stands before the questions, the last what stands behind them.
    """

    def __init__(self, page: str) -> None:
        super().__init__()
        self.sections: list[list[str]] = [[]]
        self.silent = 0
        self.feed(page)
        self.close()

    @classmethod
    def sections_of(cls, page: str) -> list[list[str]]:
        """The texts by section, without the empty ones between two questions."""
        return [texts for texts in cls(page).sections if texts]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.silent += tag in ("style", "script", "svg")
        if tag == "section":
            self.sections.append([])
        label = dict(attrs).get("aria-label")
        if label and not self.silent:
            self.sections[-1].append(label)

    def handle_endtag(self, tag: str) -> None:
        self.silent -= tag in ("style", "script", "svg")
        if tag == "section":
            self.sections.append([])

    def handle_data(self, data: str) -> None:
        if not self.silent and data.strip():
            self.sections[-1].append(" ".join(data.split()))


def page_of(folder: Path) -> str:
    (page,) = folder.glob("*.html")
    return page.read_text(encoding="utf-8")


@dataclass(frozen=True)
class Edition:
    """One written summary, read back.

    `sections` are the texts of its page: before the questions, of each question, and behind them.
    """

    folder: Path
    tables: dict[str, pl.DataFrame]
    shown: dict[str, Shown]
    words: tuple[str, ...]
    sections: list[list[str]]
    number: str = NUMBER

    @classmethod
    def of(cls, folder: Path) -> Edition:
        tables = {path.stem: pl.read_parquet(path) for path in sorted(folder.glob("*.parquet"))}
        questions = tables["answers"]["question"].unique(maintain_order=True)
        shown = {name: allowed(tables, name) for name in questions}
        contract = load_contract()
        answers = tables["answers"]
        words = {
            *answers["title"],
            *answers["hypothesis"],
            *(response_words(*row, contract) for row in answers.select("response", "stage").iter_rows()),
            *answers["unit"].drop_nulls(),
            *(arm.replace("_", " ") for arm in tables["effects"]["arm"].drop_nulls()),
            *tables["ferments"]["arm"],
            *tables["effects"]["trial"],
            *tables["effects"]["site"],
        }
        # Texts of the register with numbers of their own: shown as they stand.
        told = sorted((word for word in words if re.search(r"\d", word)), key=len, reverse=True)
        return cls(folder, tables, shown, tuple(told), Told.sections_of(page_of(folder)))

    def invented(self, question: str, text: str) -> list[str]:
        """The numbers of a text about a question that no table has."""
        for word in self.words:
            text = text.replace(word, " ")
        return invented(text, self.shown[question])

    def told_of(self, sections: list[list[str]]) -> dict[str, list[str]]:
        """The same for the texts of every question, where there are any."""
        told = zip(self.shown, sections, strict=True)
        return {
            question: found
            for question, texts in told
            if (found := [number for text in texts for number in self.invented(question, text)])
        }

    def usual(self, spread: dict[str, Any]) -> str:
        """How far vessels differ, as shown, from a row of the table of vessels."""
        measure = "log_ratio" if spread["in_logs"] else "difference"
        return Rounding(measure, None, None).spread(spread["prior_variance"])

    @property
    def page(self) -> str:
        return page_of(self.folder)

    @property
    def titles(self) -> dict[str, str]:
        return {row["title"]: row["question"] for row in self.tables["answers"].iter_rows(named=True)}
