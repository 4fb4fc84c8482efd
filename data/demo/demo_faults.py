"""The faults planted in a handful of sheets, each with what careful intake makes of it."""

from __future__ import annotations

import copy
from dataclasses import dataclass, field
from datetime import date

from demo_sheets import Sheet
from demo_tables import Formula, Number, Table
from demo_tasting import wrong_picks


@dataclass
class Planter:
    """Changes the inbox's sheets in place and keeps the list of what was done where."""

    inbox: dict[str, Sheet]
    faults: Table = field(
        default_factory=lambda: Table(["file", "sheet", "cell", "what", "expected", "note"])
    )

    def table(self, path: str, tab: str = "") -> Table:
        tables = self.inbox[path].tables
        return next(table for table in tables if table.name == tab) if tab else tables[0]

    def note(self, path: str, tab: str, cell: str, what: str, expected: str, note: str) -> None:
        self.faults.rows.append([path, tab, cell, what, expected, note])

    def put(
        self,
        path: str,
        tab: str,
        where: dict[str, str],
        heading: str,
        value: Number | Formula | date | str,
        *,
        what: str,
        expected: str,
        note: str,
    ) -> None:
        """Overwrite the one cell found by `where`, and write it down."""
        table = self.table(path, tab)
        (index,) = table.where(**where)
        shown = tab if path.endswith(".xlsx") else ""
        self.note(path, shown, table.put(index, heading, value), what, expected, note)

    def was(self, path: str, tab: str, where: dict[str, str], heading: str) -> str:
        table = self.table(path, tab)
        (index,) = table.where(**where)
        return str(table.rows[index][table.column(heading)])


def plant(inbox: dict[str, Sheet]) -> tuple[dict[str, Sheet], Table]:
    """Sheets beyond the inbox, and the list of faults; the inbox's own sheets are changed in place."""
    planter = Planter(inbox)
    _in_long_sheets(planter)
    _in_workbooks(planter)
    _in_semicolon_sheets(planter)
    _in_logs(planter)
    _in_tastings(planter)
    extra = {**_corrections(planter), **_ambiguous_dates(planter)}
    planter.note(
        "inbox/2023/alder_2023_must_copy.csv",
        "",
        "",
        "the same bytes sent a second time",
        "already",
        "a copy made by a mail program",
    )
    planter.faults.rows.sort(key=lambda row: (str(row[0]), str(row[1])))
    return extra, planter.faults


def _in_long_sheets(planter: Planter) -> None:
    """Alder's long sheets and the bench's."""
    path = "inbox/2022/alder_2022_bottling.csv"
    at = {"trial_id": "WC22-TAR", "vessel_id": "F40", "analyte": "pH"}
    slipped = Number(f"{float(planter.was(path, '', at, 'value')) * 10:.1f}")
    planter.put(
        path,
        "",
        at,
        "value",
        slipped,
        what="decimal slip in pH",
        expected="refused",
        note="a tenth of it would fit",
    )
    path = "inbox/2022/alder_2022_malolactic.csv"
    at = {"trial_id": "WC22-TAR", "vessel_id": "F40", "analyte": "Lactic acid"}
    planter.put(
        path,
        "",
        at,
        "vessel_id",
        "F4O",
        what="letter O for zero in a vessel",
        expected="held",
        note="F40 is meant",
    )

    path = "inbox/2023/alder_2023_dry.csv"
    at = {"trial_id": "ML23-TAR", "vessel_id": "T51", "analyte": "Malic acid"}
    milligrams = Number(f"{float(planter.was(path, '', at, 'value')) * 1000:.0f}")
    planter.put(
        path,
        "",
        at,
        "value",
        milligrams,
        what="mg/L typed under g/L",
        expected="refused or held",
        note="a thousandth of it would fit",
    )
    path = "inbox/2023/alder_2023_bottling.csv"
    table = planter.table(path)
    (index,) = table.where(trial_id="LS23-OND", vessel_id="B46", analyte="Total SO2")
    again = list(table.rows[index])
    column = table.column("value")
    again[column] = Number(f"{float(str(again[column])) + 14:.0f}")
    table.rows.append(again)
    for place in (index, len(table.rows) - 1):
        planter.note(
            path,
            "",
            table.cell(place, "value"),
            "one reading typed twice with two values",
            "held",
            "either may be right",
        )

    path = "inbox/2024/alder_2024_must.csv"
    table = planter.table(path)
    rows = table.where(trial_id="CS24-MER", vessel_id="F56")
    for index in rows:
        table.put(index, "vessel_id", "F65")
    cells = f"{table.cell(rows[0], 'vessel_id')}:{table.cell(rows[-1], 'vessel_id')}"
    planter.note(path, "", cells, "a vessel that is not in the register", "refused", "F56 is meant")
    path = "inbox/2024/alder_2024_malolactic.csv"
    at = {"trial_id": "ML24-DOR", "vessel_id": "T45", "analyte": "Lactic acid"}
    planter.put(
        path,
        "",
        at,
        "sample_date",
        date(2014, 12, 20),
        what="a year mistyped",
        expected="refused or held",
        note="ten years before the trial",
    )
    path = "inbox/2024/alder_2024_dry.csv"
    at = {"trial_id": "CS24-PEL", "vessel_id": "F14", "analyte": "Glucose + fructose"}
    starred = planter.was(path, "", at, "value") + "*"
    planter.put(
        path,
        "",
        at,
        "value",
        starred,
        what="a starred value",
        expected="held",
        note="what the star means is not said",
    )

    path = "inbox/2025/alder_2025_dry.csv"
    at = {"trial_id": "CS25-OST", "vessel_id": "F44", "analyte": "pH"}
    comma = planter.was(path, "", at, "value").replace(".", ",")
    planter.put(
        path,
        "",
        at,
        "value",
        comma,
        what="one decimal comma in a sheet of points",
        expected="accepted",
        note="only one reading is possible: remark",
    )
    at = {"trial_id": "CS25-OST", "vessel_id": "F45", "analyte": "Titratable acidity"}
    with_unit = planter.was(path, "", at, "value") + " g/L"
    planter.put(
        path,
        "",
        at,
        "value",
        with_unit,
        what="the unit typed into the value",
        expected="accepted",
        note="it agrees with the unit column: remark",
    )
    at = {"trial_id": "CS25-OST", "vessel_id": "F45", "analyte": "Malic acid"}
    planter.put(
        path,
        "",
        at,
        "value",
        "-",
        what="a dash",
        expected="blank",
        note="not measured",
    )

    path = "inbox/2023/cedar_bench_2023.csv"
    table = planter.table(path)
    cells = f"{table.cell(0, 'TA')}:{table.cell(len(table.rows) - 1, 'TA')}"
    planter.note(
        path, "", cells, "titratable acidity of a bench that never said its basis", "held", "it is sulfuric"
    )


def _in_workbooks(planter: Planter) -> None:
    """Birch's workbooks."""
    path = "inbox/2022/birch_2022_ferment.xlsx"
    table = planter.table(path, "Must")
    means = [sum(float(str(row[c])) for row in table.rows) / len(table.rows) for c in range(6, 11)]
    table.below = [["Mean", *[None] * 5, *[Number(f"{mean:.2f}") for mean in means]]]
    row = table.first_row + len(table.rows)
    planter.note(path, "Must", f"A{row}:K{row}", "a row of means at the bottom", "line", "no reading")

    path = "inbox/2022/birch_2022_finish.xlsx"
    table = planter.table(path, "Tanks")
    (index,) = table.where(Trial_ID="JC22-HTH", Vessel_ID="T26")
    table.hidden_rows.append(index)
    planter.note(
        path, "Tanks", f"A{table.first_row + index}", "a hidden row", "held", "every reading of the row"
    )

    path = "inbox/2023/birch_2023_finish.xlsx"
    planter.put(
        path,
        "ML",
        {"Trial_ID": "WC23-SKM", "Vessel_ID": "F41"},
        "Malic",
        "ND",
        what="ND from a laboratory that states no detection limit",
        expected="held",
        note="the limit is asked for",
    )
    table = planter.table(path, "Tanks")
    table.below = [["* all samples filtered before analysis"]]
    planter.note(path, "Tanks", f"A{table.first_row + len(table.rows)}", "a footnote", "line", "no reading")
    for tab in ("ML", "Tanks"):
        first = planter.table(path, tab).first_row
        planter.note(path, tab, f"G{first - 1}", "units in a row of their own", "line", "no reading")
        planter.note(path, tab, f"A{first}", "trials merged over their vessels", "accepted", "remark, once")

    path = "inbox/2025/birch_2025_ferment.xlsx"
    for vessel, heading, shown in (("T40", "G+F", "#DIV/0!"), ("T41", "Alc", "#N/A")):
        planter.put(
            path,
            "Dry",
            {"Trial_ID": "NT25-HTH", "Vessel_ID": vessel},
            heading,
            Formula(shown),
            what=f"the cell shows {shown}",
            expected="refused",
            note="an error is not a blank",
        )
    path = "inbox/2025/birch_2025_finish.xlsx"
    table = planter.table(path, "Tanks")
    (index,) = table.where(Trial_ID="BF25-LUN", Vessel_ID="T18")
    free, total = table.rows[index][table.column("FSO2")], table.rows[index][table.column("TSO2")]
    cells = [table.put(index, "FSO2", total), table.put(index, "TSO2", free)]
    for cell in cells:
        planter.note(path, "Tanks", cell, "free and total SO2 swapped", "held", "free above total")
    column = table.column("Turbidity")
    table.headings[column] = "Turbidty (NTU)"
    filled = [i for i, line in enumerate(table.rows) if line[column] is not None]
    cells_of = f"{table.cell(filled[0], 'Turbidty')}:{table.cell(filled[-1], 'Turbidty')}"
    planter.note(path, "Tanks", cells_of, "a misspelt heading", "held", "Turbidity is proposed")


def _in_semicolon_sheets(planter: Planter) -> None:
    path = "inbox/2024/birch_2024_must.csv"
    table = planter.table(path)
    for index in range(len(table.rows)):
        table.put(index, "YAN", Number("187"))
    cells = f"{table.cell(0, 'YAN')}:{table.cell(len(table.rows) - 1, 'YAN')}"
    planter.note(path, "", cells, "one value copied down a column", "held or remark", "four lots alike")


def _in_logs(planter: Planter) -> None:
    path = "inbox/2022/log_tarrow_bye_2022.csv"
    table = planter.table(path)
    index = table.where(Vessel_ID="F40")[5]
    celsius = str(table.rows[index][table.column("Temperature")])
    cell = table.put(index, "Temperature", Number(celsius.replace(".", "")))
    planter.note(path, "", cell, "the decimal point of a temperature is missing", "refused", celsius)

    path = "inbox/2022/log_pellam_rise_2022.csv"
    table = planter.table(path)
    index = table.where(Vessel_ID="T29")[-1]
    brix = str(table.rows[index][table.column("Brix")])
    cell = table.put(index, "Brix", brix.replace("-", "\N{MINUS SIGN}"))
    planter.note(path, "", cell, "a typographic minus sign", "accepted", "remark")


def _in_tastings(planter: Planter) -> None:
    path = "inbox/2025/triangle_CS25-PEL.csv"
    table = planter.table(path)
    for index, row in enumerate(table.rows):
        serving = str(row[table.column("serving")])
        table.put(index, "picked", wrong_picks(serving, f"{path}/{index}"))
        table.put(index, "preferred", "")
    cells = f"{table.cell(0, 'picked')}:{table.cell(len(table.rows) - 1, 'picked')}"
    planter.note(path, "", cells, "no pick of the session is right", "held", "was the key swapped?")

    path = "inbox/2024/triangle_ML24-MER.csv"
    table = planter.table(path)
    (index,) = table.where(assessor_id="P07")
    (other,) = table.where(assessor_id="P06")
    table.put(index, "assessor_id", "P06")
    for place in (other, index):
        planter.note(
            path,
            "",
            table.cell(place, "assessor_id"),
            "an assessor twice in one session",
            "held",
            "two picks under one code",
        )

    path = "inbox/2024/scores_WC24-TAR.csv"
    table = planter.table(path)
    cell = table.put(4, "score", Number("11.0"))
    planter.note(path, "", cell, "a score above its scale of 0 to 10", "refused", "1.0 or 10.0 meant?")


def _corrections(planter: Planter) -> dict[str, Sheet]:
    """A sheet that mends two readings of the inbox, sent as CSV and a week later as a workbook.

    The inbox holds the wrong values; both are plausible, so only the correction tells.
    """
    path = "inbox/2024/alder_2024_bottling.csv"
    table = planter.table(path)
    mine = table.where(trial_id="WC24-OND", vessel_id="F17")
    mended = Table(list(table.headings), [copy.copy(table.rows[index]) for index in mine], name="Results")
    column, note = table.column("value"), table.column("note")
    for analyte, factor, decimals in (("Volatile acidity", 1.2, 2), ("Tannin MCP", 0.85, 2)):
        (index,) = table.where(trial_id="WC24-OND", vessel_id="F17", analyte=analyte)
        right = float(str(table.rows[index][column]))
        cell = table.put(index, "value", Number(f"{right * factor:.{decimals}f}"))
        planter.note(path, "", cell, "a wrong value that looks right", "accepted", "mended in corrections/")
        mended.rows[mine.index(index)][note] = "read again"
    first = "corrections/alder_2024_bottling_corrected.csv"
    second = "corrections/alder_2024_bottling_corrected_again.xlsx"
    for analyte in ("Volatile acidity", "Tannin MCP"):
        (index,) = mended.where(analyte=analyte)
        cell = mended.cell(index, "value")
        planter.note(first, "", cell, "a corrected value", "accepted", "held unless taken in as a correction")
        planter.note(second, "Results", cell, "the correction sent a second time", "already", "")
    return {first: Sheet(first, [mended]), second: Sheet(second, [mended])}


def _ambiguous_dates(planter: Planter) -> dict[str, Sheet]:
    """A second look at dissolved oxygen, dated so that day and month cannot be told apart."""
    source = planter.table("inbox/2024/alder_2024_bottling.csv")
    table = Table(list(source.headings))
    for index in source.where(trial_id="WC24-TAR", analyte="Dissolved oxygen"):
        row = list(source.rows[index])
        row[source.column("sample_date")] = "07/06/2025"
        row[source.column("value")] = Number(f"{float(str(row[source.column('value')])) + 0.05:.2f}")
        row[source.column("replicate")] = "2"
        table.rows.append(row)
    path = "inbox/2024/tarrow_bye_oxygen_again.csv"
    cells = f"{table.cell(0, 'sample_date')}:{table.cell(len(table.rows) - 1, 'sample_date')}"
    planter.note(
        path, "", cells, "7 June or 6 July: nothing in the sheet tells", "held", "asked once for the sheet"
    )
    return {path: Sheet(path, [table])}
