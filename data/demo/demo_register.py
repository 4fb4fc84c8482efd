"""The trial register as the coordinator keeps it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from demo_chemistry import calendar
from demo_questions import QUESTIONS
from demo_scenario import SITES, Trial
from demo_tables import Table, Value
from demo_tasting import SCORES, TRIANGLES

#: Tell-tale of a trial that has not come back yet: it stands as running, its last sheet is owed.
STILL_RUNNING = frozenset({"LS25-MER"})

_LAB_ROWS = (
    # analyte, Alder's unit, Birch's unit, basis, method, Alder's detection limit, Birch's
    ("titratable_acidity", "g/L", "g/L", "", "titration to pH 8.2", "", ""),
    ("volatile_acidity", "g/L", "mg/L", "acetic", "steam distillation", "", ""),
    ("malic_acid", "g/L", "g/L", "", "enzymatic", "0.05", ""),
    ("lactic_acid", "g/L", "g/L", "", "enzymatic", "0.05", ""),
    ("glucose_fructose", "g/L", "g/L", "", "enzymatic", "0.1", "0.1"),
    ("brix", "°Bx", "°Bx", "", "densitometer, temperature corrected", "", ""),
    ("yan", "mg/L as N", "mg/L as N", "N", "sum of ammonia and primary amino nitrogen", "", ""),
    ("ethanol", "% vol", "% vol", "", "near infrared, calibrated by distillation", "", ""),
    ("glycerol", "g/L", "g/L", "", "enzymatic", "", ""),
    ("diacetyl", "mg/L", "mg/L", "", "gas chromatography", "0.05", "0.05"),
    ("acetaldehyde", "mg/L", "mg/L", "", "enzymatic, total", "2", "2"),
    ("so2_free", "mg/L", "mg/L", "", "aeration-oxidation", "3", "3"),
    ("so2_total", "mg/L", "mg/L", "", "aeration-oxidation", "5", "5"),
    ("anthocyanins", "mg/L", "mg/L", "malvidin-3-glucoside", "pH shift", "", ""),
    ("tannin_mcp", "g/L", "mg/L", "epicatechin", "methyl cellulose precipitation", "", ""),
    ("colour_intensity", "AU", "AU", "1 cm", "three wavelengths, 1 cm", "", ""),
    ("hue", "1", "1", "", "A420/A520", "", ""),
    ("turbidity", "NTU", "NTU", "", "nephelometer", "", ""),
    ("heat_test_delta_ntu", "NTU", "NTU", "", "80 °C for 2 h, cooled 3 h", "", ""),
    ("dissolved_oxygen", "mg/L", "mg/L", "", "optical", "", ""),
)
_ALIASES = (
    ("Alc", "ethanol"),
    ("G+F", "glucose_fructose"),
    ("FSO2", "so2_free"),
    ("TSO2", "so2_total"),
    ("Anth", "anthocyanins"),
    ("MCP", "tannin_mcp"),
    ("CI", "colour_intensity"),
    ("DO", "dissolved_oxygen"),
    ("AcH", "acetaldehyde"),
    ("TA", "titratable_acidity"),
    ("YAN", "yan"),
    ("Must", "juice"),
    ("Dry", "end_primary"),
    ("ML done", "end_mlf"),
    ("Tank ready", "pre_bottling"),
)
_DUE_DAYS = 28


def sample_id(trial: Trial, number: int) -> str:
    """The label printed on the blank sheets."""
    return f"K{trial.season % 100}-{trial.trial_id[:2]}{trial.site.code}{number:02d}"


def register(trials: tuple[Trial, ...]) -> dict[str, Table]:
    """The tables of the register by name."""
    return {
        "sites": Table(
            ["site_id", "site_name", "region", "hemisphere", "contact"],
            [[s.site_id, s.name, s.district, "north", f"cellar@{s.site_id}.example"] for s in SITES],
        ),
        "questions": Table(
            [
                "question_id",
                "title",
                "hypothesis",
                "factor",
                "primary_response",
                "primary_stage",
                "wanted",
                "smallest_difference",
                "smallest_difference_unit",
                "theme",
            ],
            [
                [
                    q.question_id,
                    q.title,
                    q.hypothesis,
                    q.factor,
                    *q.primary,
                    q.wanted,
                    q.smallest,
                    q.smallest_unit,
                    q.theme,
                ]
                for q in QUESTIONS
            ],
        ),
        "trials": Table(
            [
                "trial_id",
                "season",
                "site_id",
                "question_id",
                "lot",
                "cultivar",
                "colour",
                "status",
                "status_reason",
            ],
            [
                [
                    t.trial_id,
                    str(t.season),
                    t.site.site_id,
                    t.question.question_id,
                    t.lot,
                    t.cultivar,
                    t.colour,
                    "running" if t.trial_id in STILL_RUNNING else t.status,
                    t.status_reason,
                ]
                for t in trials
            ],
        ),
        "arms": Table(
            ["trial_id", "arm_id", "role", "level", "level_unit", "description"],
            [
                [t.trial_id, arm, role, level, t.question.level_unit if level else "", words]
                for t in trials
                for arm, role, level, words in t.arms
            ],
        ),
        "vessels": Table(
            ["trial_id", "arm_id", "vessel_id", "kind", "volume_l", "block"],
            [
                [t.trial_id, v.arm_id, v.vessel_id, v.kind, str(v.volume_l), v.block]
                for t in trials
                for v in t.vessels
            ],
        ),
        "responses": Table(
            ["trial_id", "response", "stage", "role", "planned_readings", "due_date"],
            [row for t in trials for row in _responses(t)],
        ),
        "samples": Table(
            ["sample_id", "trial_id", "arm_id", "vessel_id", "stage"],
            [
                [sample_id(t, number), t.trial_id, v.arm_id, v.vessel_id, "end_mlf"]
                for t in trials
                if t.season == 2025 and t.lab == "lab_alder"
                for number, v in enumerate(t.vessels, 1)
                if t.colour == "red" or t.question.code == "ML"
            ],
        ),
        "labs": Table(
            ["lab_id", "analyte", "unit", "basis", "method", "detection_limit"],
            [*_lab_rows()],
        ),
        "aliases": Table(["written", "means"], [list(pair) for pair in _ALIASES]),
    }


def _lab_rows() -> Iterator[list[Value]]:
    for place, (lab, acid) in enumerate((("lab_alder", "tartaric"), ("lab_birch", "sulfuric"))):
        for analyte, *units, basis, method, limit_alder, limit_birch in _LAB_ROWS:
            stated = acid if analyte == "titratable_acidity" else basis
            yield [lab, analyte, units[place], stated, method, (limit_alder, limit_birch)[place]]


def _responses(trial: Trial) -> list[list[Value]]:
    question, days = trial.question, calendar(trial)
    rows: list[list[Value]] = []
    for (response, stage), role in [
        (question.primary, "primary"),
        *((pair, "monitored") for pair in question.monitored),
    ]:
        when = days.end_primary if stage == "ferment_daily" else days.of(stage)
        due = when + timedelta(days=_DUE_DAYS)
        rows.append([trial.trial_id, response, stage, role, str(len(trial.vessels)), due.isoformat()])
    tasted = (days.tasting + timedelta(days=_DUE_DAYS)).isoformat()
    if trial.trial_id in TRIANGLES:
        panel = str(TRIANGLES[trial.trial_id])
        rows.append([trial.trial_id, "triangle", "sensory", "monitored", panel, tasted])
    if trial.trial_id in SCORES:
        attribute, panel_size = SCORES[trial.trial_id]
        planned = str(panel_size * len(trial.arms))
        rows.append([trial.trial_id, f"score:{attribute}", "sensory", "monitored", planned, tasted])
    return rows
