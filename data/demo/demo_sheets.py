"""The sheets that come back: two laboratories with habits of their own, a bench, the cellars' logs."""

from __future__ import annotations

from dataclasses import dataclass, field

from demo_chemistry import (
    BOTTLING,
    END_MLF,
    END_PRIMARY,
    MUST,
    RED_BOTTLING,
    calendar,
    ferment,
    has_malolactic,
    reading,
    sg_of,
)
from demo_register import STILL_RUNNING, sample_id
from demo_scenario import SITE_BY_CODE, Trial
from demo_tables import Table, Value, csv_bytes, number, xlsx_bytes
from demo_tasting import SCORES, TRIANGLES, score_sheet, triangle_sheet

Contents = dict[tuple[str, str], dict[tuple[str, str], float]]

#: The order of the analytes on a sheet; each trial asks for those that its contents hold.
ORDER = {
    "juice": (*MUST, "turbidity"),
    "end_primary": (*END_PRIMARY, "glycerol"),
    "end_mlf": (*END_MLF, "diacetyl", "acetaldehyde"),
    "pre_bottling": (
        *BOTTLING,
        *RED_BOTTLING,
        "turbidity",
        "dissolved_oxygen",
        "glycerol",
        "heat_test_delta_ntu",
    ),
}

#: analyte -> (as Alder writes it, unit, decimals)
ALDER = {
    "brix": ("Brix", "°Bx", 1),
    "ph": ("pH", "", 2),
    "titratable_acidity": ("Titratable acidity", "g/L", 2),
    "malic_acid": ("Malic acid", "g/L", 2),
    "lactic_acid": ("Lactic acid", "g/L", 2),
    "yan": ("YAN", "mg/L as N", 0),
    "ethanol": ("Ethanol", "% vol", 2),
    "glucose_fructose": ("Glucose + fructose", "g/L", 1),
    "volatile_acidity": ("Volatile acidity", "g/L", 2),
    "glycerol": ("Glycerol", "g/L", 2),
    "diacetyl": ("Diacetyl", "mg/L", 2),
    "acetaldehyde": ("Acetaldehyde", "mg/L", 0),
    "so2_free": ("Free SO2", "mg/L", 0),
    "so2_total": ("Total SO2", "mg/L", 0),
    "anthocyanins": ("Anthocyanins", "mg/L", 0),
    "tannin_mcp": ("Tannin MCP", "g/L", 2),
    "colour_intensity": ("Colour intensity", "AU", 2),
    "hue": ("Hue", "", 2),
    "turbidity": ("Turbidity", "NTU", 2),
    "dissolved_oxygen": ("Dissolved oxygen", "mg/L", 2),
    "heat_test_delta_ntu": ("Heat test", "NTU", 1),
}

#: analyte -> (as Birch writes it, unit, times the canonical value, decimals)
BIRCH = {
    "brix": ("Brix", "°Bx", 1, 1),
    "ph": ("pH", "", 1, 2),
    "titratable_acidity": ("TA", "g/L as H2SO4", 49.04 / 75.04, 2),
    "malic_acid": ("Malic", "g/L", 1, 2),
    "lactic_acid": ("Lactic", "g/L", 1, 2),
    "yan": ("YAN", "mg/L as N", 1, 0),
    "ethanol": ("Alc", "% v/v", 1, 2),
    "glucose_fructose": ("G+F", "g/L", 1, 1),
    "volatile_acidity": ("VA", "mg/L", 1000, 0),
    "glycerol": ("Glycerol", "g/L", 1, 2),
    "diacetyl": ("Diacetyl", "mg/L", 1, 2),
    "acetaldehyde": ("AcH", "mg/L", 1, 0),
    "so2_free": ("FSO2", "ppm", 1, 0),
    "so2_total": ("TSO2", "ppm", 1, 0),
    "anthocyanins": ("Anth", "mg/L", 1, 0),
    "tannin_mcp": ("MCP", "mg/L", 1000, 0),
    "colour_intensity": ("CI", "AU", 1, 2),
    "hue": ("Hue", "", 1, 2),
    "turbidity": ("Turbidity", "NTU", 1, 1),
    "dissolved_oxygen": ("DO", "mg/L", 1, 2),
    "heat_test_delta_ntu": ("Heat test", "NTU", 1, 1),
}
#: What Birch writes in place, by season: volatile acidity in g/100 mL on the 2023 form.
BIRCH_2023 = {**BIRCH, "volatile_acidity": ("VA", "g/100 mL", 0.1, 4)}
BIRCH_STAGE = {
    "juice": "Must",
    "end_primary": "Dry",
    "end_mlf": "ML done",
    "pre_bottling": "Tank ready",
}


@dataclass
class Sheet:
    """A file to be written: its tables and how they go to bytes."""

    path: str
    tables: list[Table]
    notes: list[str] = field(default_factory=list)
    separator: str = ","
    comma: bool = False
    dates: str = "%Y-%m-%d"
    encoding: str = "utf-8"
    newline: str = "\n"

    @property
    def table(self) -> Table:
        return self.tables[0]

    def content(self) -> bytes:
        if self.path.endswith(".xlsx"):
            return xlsx_bytes(self.tables, notes=self.notes)
        return csv_bytes(
            self.table,
            separator=self.separator,
            comma=self.comma,
            dates=self.dates,
            encoding=self.encoding,
            newline=self.newline,
        )


def sheets(trials: tuple[Trial, ...], contents: Contents, effects: dict[str, float]) -> dict[str, Sheet]:
    """Every file of the inbox by its path, before any fault is planted."""
    out: list[Sheet] = []
    for season in sorted({trial.season for trial in trials}):
        mine = [trial for trial in trials if trial.season == season]
        alder = [t for t in mine if t.lab == "lab_alder"]
        birch = [t for t in mine if t.lab == "lab_birch"]
        for stage, word in (
            ("juice", "must"),
            ("end_primary", "dry"),
            ("end_mlf", "malolactic"),
            ("pre_bottling", "bottling"),
        ):
            build = _alder_by_label if (season, stage) == (2025, "end_mlf") else _alder_long
            table = build(_came_back(alder, stage), stage, contents)
            if table.rows:
                out.append(Sheet(f"inbox/{season}/alder_{season}_{word}.csv", [table]))
        out += _birch(season, birch, contents)
        out += _logs(season, mine, effects)
        for trial in mine:
            if trial.trial_id in TRIANGLES:
                form = "xlsx" if trial.lab == "lab_birch" else "csv"
                path = f"inbox/{season}/triangle_{trial.trial_id}.{form}"
                out.append(Sheet(path, [triangle_sheet(trial)]))
            if trial.trial_id in SCORES:
                path = f"inbox/{season}/scores_{trial.trial_id}.csv"
                out.append(Sheet(path, [score_sheet(trial)]))
    out.append(_bench(trials, contents))
    return {sheet.path: sheet for sheet in out}


def _came_back(trials: list[Trial], stage: str) -> list[Trial]:
    """The trials that sent samples at this stage: a lost trial and one still running stop early."""
    return [
        t
        for t in trials
        if (t.status != "lost" or stage == "juice")
        and (stage != "end_mlf" or has_malolactic(t))
        and (t.trial_id not in STILL_RUNNING or stage in ("juice", "end_primary"))
    ]


def _alder_long(trials: list[Trial], stage: str, contents: Contents) -> Table:
    headings = "trial_id arm_id vessel_id stage sample_date analyte value unit replicate lab note"
    table = Table(headings.split())
    for trial in trials:
        for vessel in trial.vessels:
            held = contents[trial.trial_id, vessel.vessel_id]
            for analyte in ORDER[stage]:
                if (stage, analyte) not in held:
                    continue
                name, unit, decimals = ALDER[analyte]
                decimals = 0 if (stage, analyte) == ("juice", "turbidity") else decimals
                repeats = (1, 2) if analyte == "diacetyl" else (1,)
                for replicate in repeats:
                    value = reading(
                        "lab_alder",
                        trial,
                        vessel.vessel_id,
                        stage,
                        analyte,
                        held[stage, analyte],
                        replicate,
                    )
                    low = analyte == "malic_acid" and value < 0.05
                    table.rows.append(
                        [
                            trial.trial_id,
                            vessel.arm_id,
                            vessel.vessel_id,
                            stage,
                            calendar(trial).of(stage),
                            name,
                            "<0.05" if low else number(value, decimals),
                            unit,
                            str(replicate),
                            "lab_alder",
                            "",
                        ]
                    )
    return table


def _alder_by_label(trials: list[Trial], stage: str, contents: Contents) -> Table:
    """The long form with the printed sample label in place of trial, arm, vessel and stage."""
    long = _alder_long(trials, stage, contents)
    label = {
        (trial.trial_id, vessel.vessel_id): sample_id(trial, place)
        for trial in trials
        for place, vessel in enumerate(trial.vessels, 1)
    }
    rows: list[list[Value]] = [[label[str(row[0]), str(row[2])], *row[4:]] for row in long.rows]
    return Table(["sample_id", *long.headings[4:]], rows)


def _birch_wide(
    season: int, trials: list[Trial], stage: str, contents: Contents, *, units_row: bool
) -> Table:
    style = BIRCH_2023 if season == 2023 else BIRCH
    present = [
        analyte
        for analyte in ORDER[stage]
        if any((stage, analyte) in contents[t.trial_id, v.vessel_id] for t in trials for v in t.vessels)
    ]
    fixed = ["Trial ID", "Arm ID", "Vessel ID", "Stage", "Sample date", "Lab"]
    names = [style[analyte][0] for analyte in present]
    units = [style[analyte][1] for analyte in present]
    headings = [
        name if units_row or not unit else f"{name} ({unit})" for name, unit in zip(names, units, strict=True)
    ]
    table = Table([*fixed, *headings], units=[*[""] * len(fixed), *units] if units_row else None)
    for trial in trials:
        for vessel in trial.vessels:
            held = contents[trial.trial_id, vessel.vessel_id]
            row: list[Value] = [trial.trial_id, vessel.arm_id, vessel.vessel_id, BIRCH_STAGE[stage]]
            row += [calendar(trial).of(stage), "lab_birch"]
            for analyte in present:
                if (stage, analyte) not in held:
                    row.append(None)
                    continue
                _, _, factor, decimals = style[analyte]
                value = reading("lab_birch", trial, vessel.vessel_id, stage, analyte, held[stage, analyte])
                row.append(number(value * factor, decimals))
            table.rows.append(row)
    return table


def _birch(season: int, trials: list[Trial], contents: Contents) -> list[Sheet]:
    """Birch's sheets: workbooks with two tabs, but semicolons and decimal commas in 2024."""

    def table(stage: str, tab: str) -> Table:
        made = _birch_wide(season, _came_back(trials, stage), stage, contents, units_row=season == 2023)
        made.name = tab
        return made

    stages = (("juice", "Must"), ("end_primary", "Dry"), ("end_mlf", "ML"), ("pre_bottling", "Tanks"))
    tables = [table(stage, tab) for stage, tab in stages]
    if season == 2024:
        return [
            Sheet(
                f"inbox/2024/birch_2024_{tab.lower()}.csv",
                [made],
                separator=";",
                comma=True,
                dates="%d/%m/%Y",
                encoding="utf-8-sig" if tab == "Must" else "cp1252",
                newline="\r\n",
            )
            for made, (_, tab) in zip(tables, stages, strict=True)
            if made.rows
        ]
    for made in tables:
        if season in (2022, 2023):
            made.above = [["Birch laboratory, results sheet"], [f"Vintage {season}, page {made.name}"], []]
        if season == 2023:
            made.merged = True
    notes = ["Birch laboratory", "Results on the tabs that follow. TA as sulfuric acid."]
    return [
        Sheet(f"inbox/{season}/birch_{season}_ferment.xlsx", tables[:2], notes=notes),
        Sheet(f"inbox/{season}/birch_{season}_finish.xlsx", [t for t in tables[2:] if t.rows]),
    ]


def _logs(season: int, trials: list[Trial], effects: dict[str, float]) -> list[Sheet]:
    """One log a cellar and season: °F at Skelm Ridge, specific gravity at Lunnet Field."""
    out = []
    for code in sorted({trial.site.code for trial in trials}):
        mine = [
            t
            for t in trials
            if t.site.code == code
            and (
                t.question.code in ("NT", "JC")
                or (t.question.code == "WC" and len(t.vessels) == 2)
                or t.status == "lost"
            )
        ]
        if not mine:
            continue
        gravity, fahrenheit = code == "LUN", code == "SKM"
        sugar = "Specific gravity" if gravity else "Brix"
        warmth = "Temperature (°F)" if fahrenheit else "Temperature (°C)"
        table = Table(["Trial ID", "Arm ID", "Vessel ID", "Date", "Time", sugar, warmth, "Note"])
        table.name = "Log"
        for trial in mine:
            for vessel in trial.vessels:
                for day, brix, celsius in ferment(trial, vessel, effects[trial.trial_id]):
                    if trial.status == "lost" and (day - calendar(trial).inoculation).days > 2:
                        break
                    table.rows.append(
                        [
                            trial.trial_id,
                            vessel.arm_id,
                            vessel.vessel_id,
                            day,
                            "08:00",
                            number(sg_of(brix), 4) if gravity else number(brix, 1),
                            number(celsius * 1.8 + 32, 0) if fahrenheit else number(celsius, 1),
                            "",
                        ]
                    )
        form = "xlsx" if code in ("HTH", "MER", "VSH") else "csv"
        name = SITE_BY_CODE[code].name.replace(" ", "_").lower()
        semicolon = code == "LUN"
        out.append(
            Sheet(
                f"inbox/{season}/log_{name}_{season}.{form}",
                [table],
                separator=";" if semicolon else ",",
                comma=semicolon,
                dates="%d/%m/%Y" if code in ("DOR", "LUN") else "%Y-%m-%d",
            )
        )
    return out


def _bench(trials: tuple[Trial, ...], contents: Contents) -> Sheet:
    """A cellar's own bench that titrates to sulfuric acid and never says so."""
    trial = next(t for t in trials if t.trial_id == "JC23-MER")
    headings = ["Trial ID", "Arm ID", "Vessel ID", "Stage", "Sample date", "Lab", "pH", "TA (g/L)"]
    table = Table([*headings, "Malic acid (g/L)", "Note"])
    for vessel in trial.vessels:
        held = contents[trial.trial_id, vessel.vessel_id]
        read = {
            analyte: reading(
                "bench_cedar", trial, vessel.vessel_id, "end_primary", analyte, held["end_primary", analyte]
            )
            for analyte in ("ph", "titratable_acidity", "malic_acid")
        }
        table.rows.append(
            [
                trial.trial_id,
                vessel.arm_id,
                vessel.vessel_id,
                "end_primary",
                calendar(trial).end_primary,
                "bench_cedar",
                number(read["ph"], 2),
                number(read["titratable_acidity"] * 49.04 / 75.04, 1),
                number(read["malic_acid"], 1),
                "",
            ]
        )
    return Sheet("inbox/2023/cedar_bench_2023.csv", [table])
