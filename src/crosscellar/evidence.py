"""What can be asked of a network's store: effects and answers. Nothing here changes it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from crosscellar.answers import (
    Asked,
    Pools,
    dose_words,
    level_units,
    planned_responses,
    pool_question,
    take_prior,
    with_control_levels,
)
from crosscellar.contract import load_contract
from crosscellar.errors import CrosscellarError, NotComputable, UnknownName
from crosscellar.kept import How, KeptEffects
from crosscellar.pooling import Pooled
from crosscellar.register import Register
from crosscellar.results import Answer, EffectsAnswer
from crosscellar.store import Store

if TYPE_CHECKING:
    from crosscellar.results import Written


class Evidence:
    """What each trial showed, and the network's answers."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._contract = load_contract()
        self._kept = KeptEffects(store, self._contract, self._register_as_of, self._register_about)
        self._about: dict[str, Register] = {}

    @cached_property
    def _register(self) -> Register:
        return Register.of_tables(self._store.register_frames(), self._contract)

    def _register_as_of(self, as_of: date | datetime | None) -> Register:
        if as_of is None:
            return self._register
        return Register.of_tables(self._store.register_frames(as_of=as_of), self._contract)

    def _register_about(self, question: str) -> Register:
        """The register; that of a large store, unless it was read before, with the question's trials only."""
        if "_register" in self.__dict__ or not self._kept.is_large:
            return self._register
        if question not in self._about:
            tables = self._store.register_of_question(question)
            self._about[question] = Register.of_tables(tables, self._contract)
        return self._about[question]

    def _forget(self) -> None:
        """What was worked out from the store no longer holds: the store has changed."""
        self.__dict__.pop("_register", None)
        self._about.clear()
        self._kept.forget()

    def effects(
        self,
        question: str | None = None,
        *,
        response: str | None = None,
        stage: str | None = None,
        measure: str | None = None,
        as_of: str | date | datetime | None = None,
        same_laboratory: bool = True,
    ) -> pl.DataFrame:
        """What each trial showed: one row a trial, treatment arm and response, in the columns of EFFECTS.

        Variances lean on every replicated trial of the store (Smyth 2004).

        Parameters
        ----------
        question
            Its identifier in the register; all questions where it is left out.
        response
            An analyte, by any name it goes by, or `triangle`, a ferment's response, a scored attribute; all
            planned ones where it is left out.
        stage
            One stage only.
        measure
            Another measure than the default of the analyte (log_ratio for concentrations, else difference).
        as_of
            As the store stood at the end of that day, `2025-05-14`.
        same_laboratory
            Whether an effect whose arms went to different laboratories is kept from pooling; it is shown.

        Raises
        ------
        UnknownName
            For a question, response, stage or measure that there is not.
        """
        if question is not None:
            self._question(question)
        if response is not None:
            response = self._response(response, None if as_of is not None else question)
        how = How(read_day(as_of), measure, response, same_laboratory)
        found = self._kept.everywhere(how) if question is None else self._kept.of_one(question, how)
        if response is not None:
            found = found.filter(pl.col("response") == response)
        if stage is not None:
            found = found.filter(pl.col("stage") == self._stage(stage))
        return found

    def effects_answer(
        self,
        question: str,
        *,
        response: str | None = None,
        measure: str | None = None,
        as_of: str | date | datetime | None = None,
        same_laboratory: bool = True,
    ) -> EffectsAnswer:
        """`effects` of one question for a person: its title, and what has no effect and why.

        `question`, `response`, `measure`, `as_of`, `same_laboratory` as for `effects`.
        """
        from crosscellar.effects import trials_without_effect

        asked = self._question(question)
        effects = self.effects(
            question, response=response, measure=measure, as_of=as_of, same_laboratory=same_laboratory
        )
        register = self._register_as_of(read_day(as_of))
        without = trials_without_effect(
            effects,
            register.design(),
            planned_responses(register, self._contract),
            question=question,
            response=None if response is None else self._response(response),
        )
        return EffectsAnswer(question, str(asked["title"]), effects, without)

    def effects_figure(
        self,
        question: str,
        path: str | Path,
        *,
        response: str | None = None,
        measure: str | None = None,
        as_of: str | date | datetime | None = None,
        same_laboratory: bool = True,
    ) -> Written:
        """How far vessels of one arm differ in the responses of a question, as a figure: SVG, PNG or PDF.

        Every planned response, or the one that is named; `path` ends in .svg, .png or .pdf. `question`,
        `response`, `measure`, `as_of`, `same_laboratory` as for `effects`.

        Raises
        ------
        CrosscellarError
            When no trial of the question has measured anything, or the name ends otherwise.
        """
        from crosscellar.effects import variance_priors
        from crosscellar.report.variances import draw_variances, vessel_spreads
        from crosscellar.results import Written

        day = read_day(as_of)
        register = self._register_as_of(day)
        spreads = vessel_spreads(
            self.effects(
                question, response=response, measure=measure, as_of=day, same_laboratory=same_laboratory
            ),
            *variance_priors(
                self._store.measured(as_of=day),
                register.design(),
                self._contract,
                responses=planned_responses(register, self._contract),
            ),
            self._contract,
        )
        if not spreads:
            when = "yet" if day is None else f"by {as_of}"
            raise CrosscellarError(
                f"no trial of {question} has measured anything {when}", next_step="Take in its sheets first."
            )
        draw_variances(spreads, Path(path))
        return Written(
            "figure", (str(path),), "\n".join([*(spread.words for spread in spreads), f"Drawn in {path}."])
        )

    def pool(
        self,
        question: str,
        *,
        response: str | None = None,
        measure: str | None = None,
        as_of: str | date | datetime | None = None,
        method: str = "reml",
        interval: str = "auto",
        level: float = 0.95,
        same_laboratory: bool = True,
    ) -> list[Pooled]:
        """The network's answers to a question: the primary response first, then the monitored ones.

        Monitored responses have p-values adjusted together and no verdict. `method`, `interval` and `level`
        as for the function `pool`, the rest as for `effects`; with a `measure` and no `response` the primary
        one is meant.

        Raises
        ------
        UnknownName
            For a name that there is not.
        NotComputable
            When no trial allows the measure, or as for the function `pool`.
        """
        answer = self.answer(
            question,
            response=response,
            measure=measure,
            as_of=as_of,
            method=method,
            interval=interval,
            level=level,
            same_laboratory=same_laboratory,
        )
        return list(answer.pooled)

    def answer(
        self,
        question: str,
        *,
        response: str | None = None,
        measure: str | None = None,
        by: str | None = None,
        as_of: str | date | datetime | None = None,
        method: str = "reml",
        interval: str = "auto",
        level: float = 0.95,
        same_laboratory: bool = True,
    ) -> Answer:
        """`pool` with what stands beside it: the question's title, a moderator, the dose-response, remarks.

        `by` is one of cultivar, colour, season, level, volume_l: a meta-regression of the first answer on it,
        with a permutation p (Higgins & Thompson 2004), and the mean of each category. The rest as for `pool`.

        Raises
        ------
        UnknownName
            For a name that there is not.
        NotComputable
            As for `pool`, or where the effects cannot tell anything about the moderator.
        """
        register = self._register_about(question)
        asked = _question_in(register, question)
        if response is None and measure is not None:
            # Another measure makes sense for one response at a time: the one the hypothesis names.
            response = str(asked["primary_response"])
        if response is not None:
            response = self._response(response, None if as_of is not None else question)
        how = How(read_day(as_of), measure, response, same_laboratory)
        effects = with_control_levels(self._kept.of_one(question, how), register.arms)
        if response is not None:
            effects = effects.filter(pl.col("response") == response)
        if measure is not None and effects.is_empty():
            raise NotComputable(
                f"no trial of {question} allows the measure {measure} for {response}",
                next_step="Leave --measure out for the default.",
            )
        units = level_units(effects, register.arms)
        if len(units) > 1 and (by == "level" or measure == "slope"):
            raise NotComputable(
                f"the trials of {question} give their levels in several units ({', '.join(units)})",
                next_step="Give all levels of the question in one unit in the register.",
            )
        pools = pool_question(
            effects,
            asked,
            self._contract,
            asked=Asked(method, interval, level, by, measure),
            everything=self._kept.alike(question, how, take_prior(effects, interval)),
        )
        return _answer(asked, pools, units, one=response is not None)

    @property
    def questions(self) -> tuple[str, ...]:
        """The identifiers of the register's questions, in its order; `()` before there is a register."""
        return tuple(self._register.questions["question_id"].to_list())

    def _question(self, question: str) -> Mapping[str, Any]:
        return _question_in(self._register, question)

    def _response(self, response: str, question: str | None = None) -> str:
        """What the response is called in the register; one that no trial of the question plans is a fault."""
        register = self._register if question is None else self._register_about(question)
        responses = register.responses
        if question is not None:
            trials = register.trials.filter(pl.col("question_id") == question)
            responses = responses.join(trials, on="trial_id", how="semi")
        known = responses["response"].unique().to_list()
        if response in known:
            return response
        match = self._contract.name_analyte(response, self._aliases)
        if match.id is None or match.id not in known:
            where = "in the register" if question is None else f"in the trials of {question}"
            raise UnknownName(
                f"the response {response!r} is not planned {where}",
                next_step=f"They have: {', '.join(sorted(known))}."
                if known
                else "Enter it in the table responses of the register.",
            )
        return match.id

    def _stage(self, stage: str) -> str:
        match = self._contract.name_stage(stage, self._aliases)
        if match.id is None:
            raise UnknownName(
                f"the stage {stage!r} is not known",
                next_step=f"There are: {', '.join(self._contract.stages)}.",
            )
        return match.id

    @property
    def _aliases(self) -> dict[str, str]:
        return dict(self._register.aliases.select("written", "means").iter_rows())


def _question_in(register: Register, question: str) -> Mapping[str, Any]:
    found = register.questions.filter(pl.col("question_id") == str(question))
    if found.is_empty():
        known = register.questions["question_id"].sort().to_list()
        raise UnknownName(
            f"there is no question {question!r} in the register",
            next_step=f"It has: {', '.join(known)}." if known else "Take in a register first.",
        )
    return found.row(0, named=True)


def _answer(question: Mapping[str, Any], pools: Pools, units: Sequence[str], *, one: bool) -> Answer:
    remarks = [pools.prior_words] if pools.prior_words else []
    dose = pools.dose if len(units) < 2 else None
    if dose is not None:
        remarks.append(dose_words(dose, pools.pooled[0], units[0] if units else ""))
    elif pools.dose is not None:
        remarks.append(
            f"By level: not compared, as trials give their levels in several units ({', '.join(units)}). "
            "Give them in one unit in the register."
        )
    return Answer(
        question=str(question["question_id"]),
        title=str(question["title"]),
        hypothesis=str(question["hypothesis"] or ""),
        pooled=pools.pooled,
        one=one,
        remarks=tuple(remarks),
        dose=dose,
        by=pools.by,
    )


def read_day(as_of: str | date | datetime | None) -> date | datetime | None:
    if not isinstance(as_of, str):
        return as_of
    try:
        return date.fromisoformat(as_of)
    except ValueError as fault:
        raise CrosscellarError(f"{as_of!r} is not a date", next_step="Write it as 2025-05-14.") from fault
