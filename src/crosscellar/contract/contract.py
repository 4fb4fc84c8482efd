"""The one object that answers what a name, a unit, a limit or a rule is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import polars as pl

from crosscellar.contract import reading
from crosscellar.contract.names import NameIndex, name_key
from crosscellar.contract.records import (
    Analyte,
    Caution,
    Family,
    LegalLimit,
    Limits,
    NameMatch,
    RegisterTable,
    Rule,
    SheetKind,
    Source,
    Stage,
    Unit,
    UnitReading,
    Window,
)
from crosscellar.contract.units import UnitTable
from crosscellar.contract.units import convert as convert_values
from crosscellar.errors import UnknownName

if TYPE_CHECKING:
    from crosscellar.contract.schemes import FrameSchema

V = TypeVar("V", pl.Expr, pl.Series)


@dataclass(frozen=True)
class Contract:
    """Everything declared in a folder of schema files; read once, each file when first asked for.

    Attributes
    ----------
    folder
        Where the files are.
    """

    folder: Path

    @cached_property
    def analytes(self) -> Mapping[str, Analyte]:
        """All analytes by id."""
        return reading.read_analytes(self.folder)

    @cached_property
    def stages(self) -> Mapping[str, Stage]:
        """All stages by id, in the order of time."""
        return reading.read_stages(self.folder)

    @cached_property
    def unit_table(self) -> UnitTable:
        """The closed table of units with its indexes."""
        return UnitTable.of(*reading.read_units(self.folder))

    @property
    def units(self) -> Mapping[str, Unit]:
        """All units by id."""
        return self.unit_table.units

    @property
    def families(self) -> Mapping[str, Family]:
        """The families of bases by id."""
        return self.unit_table.families

    @cached_property
    def sheet_kinds(self) -> Mapping[str, SheetKind]:
        """The kinds of returned sheets by id."""
        return reading.read_sheet_kinds(self.folder)

    @cached_property
    def register_tables(self) -> Mapping[str, RegisterTable]:
        """The tables of the trial register by name."""
        return reading.read_register_tables(self.folder)

    @cached_property
    def rules(self) -> Mapping[str, Rule]:
        """The rules of intake by code."""
        return reading.read_rules(self.folder)

    @cached_property
    def seasons(self) -> tuple[Window, ...]:
        """When harvest and ferment happen in each hemisphere."""
        return reading.read_windows(self.folder)

    @cached_property
    def cautions(self) -> Mapping[str, Caution]:
        """Cautions to show where work can hurt someone."""
        return reading.read_cautions(self.folder)

    @cached_property
    def legal_limits(self) -> tuple[LegalLimit, ...]:
        """Legal limits as information; the code of the place decides."""
        return reading.read_legal_limits(self.folder)

    @cached_property
    def sources(self) -> Mapping[str, Source]:
        """Where figures come from."""
        return reading.read_sources(self.folder)

    @cached_property
    def _ambiguous(self) -> Mapping[str, tuple[tuple[str, ...], Mapping[str, str]]]:
        return reading.read_ambiguous(self.folder)

    @cached_property
    def _settled(self) -> Mapping[str, Mapping[str, str]]:
        return {name_key(text): settled for text, (_, settled) in self._ambiguous.items()}

    @cached_property
    def _analyte_names(self) -> NameIndex:
        return NameIndex.of(
            ((analyte.id, analyte.name, analyte.aliases) for analyte in self.analytes.values()),
            ambiguous={text: candidates for text, (candidates, _) in self._ambiguous.items()},
        )

    @cached_property
    def _stage_names(self) -> NameIndex:
        return NameIndex.of((stage.id, stage.name, stage.aliases) for stage in self.stages.values())

    def analyte(self, analyte_id: str) -> Analyte:
        """The analyte of this id; `UnknownName` if there is none."""
        try:
            return self.analytes[analyte_id]
        except KeyError:
            near = self._analyte_names.match(analyte_id).candidates
            raise UnknownName(
                f"analyte {analyte_id!r} is not known",
                where="analytes",
                next_step=f"Did you mean {' or '.join(near)}?" if near else "",
            ) from None

    def limits(self, analyte_id: str, stage_id: str | None) -> Limits:
        """The bounds of an analyte at a stage, else those of the analyte, in its canonical unit."""
        analyte = self.analyte(analyte_id)
        if stage_id is not None and stage_id in analyte.stages:
            return analyte.stages[stage_id]
        return analyte.limits

    def limits_frame(self) -> pl.DataFrame:
        """All bounds as a frame to join on: analyte, stage, four bounds, figures.

        A null stage holds wherever no row names the stage. Bounds are in the canonical unit.
        """
        rows = [
            (
                analyte.id,
                stage,
                bound.refuse_low,
                bound.refuse_high,
                bound.unusual_low,
                bound.unusual_high,
                bound.figures,
            )
            for analyte in self.analytes.values()
            for stage, bound in ((None, analyte.limits), *analyte.stages.items())
        ]
        return pl.DataFrame(
            rows,
            schema={
                "analyte": pl.String,
                "stage": pl.String,
                "refuse_low": pl.Float64,
                "refuse_high": pl.Float64,
                "unusual_low": pl.Float64,
                "unusual_high": pl.Float64,
                "figures": pl.String,
            },
            orient="row",
        )

    def name_analyte(
        self, text: str, extra_aliases: Mapping[str, str] | None = None, *, unit: str | None = None
    ) -> NameMatch:
        """The analyte that `text` names.

        Parameters
        ----------
        text
            As written, without its unit.
        extra_aliases
            The network's own words (written -> analyte); they go before everything else.
        unit
            The unit that stands with it, which settles some names that could mean several things.
        """
        match = self._analyte_names.match(text, extra_aliases=extra_aliases)
        if match.how == "ambiguous" and unit:
            settled = self._settled.get(name_key(text), {})
            meant = {settled[id_] for id_, _ in self.unit_table.parse(unit) if id_ in settled}
            if len(meant) == 1:
                id_ = meant.pop()
                return NameMatch(id_, "alias", (id_,))
        return match

    def name_stage(self, text: str, extra_aliases: Mapping[str, str] | None = None) -> NameMatch:
        """The stage that `text` names."""
        return self._stage_names.match(text, extra_aliases=extra_aliases)

    def name_unit(self, text: str, extra_aliases: Mapping[str, str] | None = None) -> NameMatch:
        """The unit (with its basis) that `text` spells, whatever the analyte."""
        return self.unit_table.name(self._own_unit(text, extra_aliases))

    @staticmethod
    def _own_unit(text: str, extra_aliases: Mapping[str, str] | None) -> str:
        from crosscellar.contract.units import unit_key

        for own, means in (extra_aliases or {}).items():
            if unit_key(own) == unit_key(text):
                return means
        return text

    def read_unit(
        self,
        analyte_id: str,
        written_unit: str | None,
        *,
        declared_unit: str | None = None,
        declared_basis: str | None = None,
        stage: str | None = None,
    ) -> UnitReading:
        """How numbers in `written_unit` become numbers in the canonical unit of the analyte.

        Resolve once for each distinct (analyte, unit, laboratory), then join and `convert`.

        Parameters
        ----------
        analyte_id
            A canonical id; `UnknownName` if it is none.
        written_unit
            As it stands in the sheet; blank or None if nothing stands there.
        declared_unit, declared_basis
            What the laboratory declared it means when its sheets do not say.
        stage
            The stage, if known; only the words depend on it.
        """
        return self.unit_table.read(
            self.analyte(analyte_id),
            written_unit or "",
            declared_unit=declared_unit or None,
            declared_basis=declared_basis or None,
            stage=stage,
        )

    def convert(self, value: V, unit_reading: UnitReading) -> V:
        """The values of an expression or series in the canonical unit."""
        return convert_values(value, unit_reading)

    def frame_schema(self, name: str) -> FrameSchema:
        """The checks of a typed frame: readings, picks, scores, or a register table as `register.TABLE`."""
        from crosscellar.contract.schemes import frame_schema

        return frame_schema(self, name)


@cache
def load_contract(folder: Path | None = None) -> Contract:
    """The contract of this installation, read once; `folder` reads another folder of schema files."""
    return Contract(folder or reading.schema_folder())
