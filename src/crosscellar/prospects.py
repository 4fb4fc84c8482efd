"""What can be asked of a store about next season: plans, vessels, proposals. Nothing here changes it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from crosscellar.errors import CrosscellarError
from crosscellar.evidence import Evidence
from crosscellar.kept import How
from crosscellar.pooling import Pooled
from crosscellar.pooling.verdict import many

if TYPE_CHECKING:
    from crosscellar.plans import Known
    from crosscellar.results import BudgetAnswer, PlanAnswer, PrecisionAnswer, Written


class Prospects(Evidence):
    """What more sites, vessels and trials would buy."""

    def plan(
        self,
        question: str,
        *,
        sites: Sequence[int] | None = None,
        vessels: Sequence[int] | None = None,
        again: Sequence[int] | None = None,
        effect: float | str | None = None,
        prices: str | Path | None = None,
        chance: float = 0.8,
        figure: str | Path | None = None,
        progress: Callable[[int, int], None] | None = None,
    ) -> PlanAnswer:
        """What more sites and vessels would buy for a question, and the cheapest that would decide it.

        Half-widths are in closed form, chances simulated with a fixed seed.

        Parameters
        ----------
        question
            Its identifier in the register.
        sites, vessels
            Numbers of new sites, and of vessels an arm at each, to be combined; some where left out.
        again
            Numbers of the sites there are that try it once more, combined with both, the least sure first.
            Left out, where `sites` has 0: none, and all of them without a new site.
        effect
            The true mean effect supposed, on the scale of the effects (a log for log ratios) or as `"10%"`;
            where it is left out, the smallest difference that matters, or none where no change is wanted.
        prices
            A TOML table: per_sample, per_vessel, per_site, per_assessor, currency.
        chance
            Of a verdict, wanted of the cheapest (0 to 1).
        figure
            Where the plan is drawn: .svg, .png or .pdf.
        progress
            Called with how many combinations are done, and of how many.

        Raises
        ------
        NotComputable
            When no trial of the network tells how far vessels differ on the response.
        """
        from crosscellar.plans import SITES, VESSELS, plan_question, read_prices

        asked, pooled, known = self._known(question)
        answer = plan_question(
            asked,
            pooled,
            known,
            self._contract,
            sites=sites or SITES,
            vessels=vessels or VESSELS,
            again=again,
            effect=effect,
            prices=None if prices is None else read_prices(Path(prices)),
            chance=chance,
            progress=progress,
        )
        if figure is not None:
            from crosscellar.report.plan import draw_plan

            draw_plan(
                answer.plan, Path(figure), log_scale=answer.log_scale, unit=answer.unit, chance=answer.chance
            )
        return answer

    def _known(self, question: str) -> tuple[Mapping[str, Any], Pooled | None, Known]:
        """A question, its primary answer if it has one, and what a plan of it rests on."""
        from crosscellar.effects import variance_priors
        from crosscellar.plans import known_of

        asked = self._question(question)
        response = str(asked["primary_response"])
        responses = self._register.responses
        trials = self._register.trials.filter(pl.col("question_id") == question)["trial_id"]
        its_own = response in responses.filter(pl.col("trial_id").is_in(trials.implode()))["response"]
        # What is planned in its own trials is looked at in every trial: enough where that is its response.
        effects = self._kept.everywhere(How(), question if its_own else None)
        found = self.pool(question, response=response) if its_own else []
        pooled = [one for one in found if one.role == "primary"]

        def priors() -> pl.DataFrame:
            return variance_priors(self._store.measured(), self._register.design(), self._contract)[0]

        primary = pooled[0] if pooled and pooled[0].n_effects else None
        return asked, primary, known_of(asked, primary, effects, self._contract, priors)

    def vessels(self, question: str, half_widths: Sequence[float] = ()) -> PrecisionAnswer:
        """How many vessels the mean of one lot needs, on the primary response of a question.

        `half_widths` are shares of the mean (0.1: to within 10 %). The spread between vessels is the one that
        the effects of `question` lean on.

        Raises
        ------
        NotComputable
            When no trial of the network tells how far vessels differ on the response.
        """
        from crosscellar.plans import PRECISIONS, precision_of

        _, pooled, known = self._known(question)
        mean = pooled.effects["mean_control"].mean() if pooled is not None else None
        return precision_of(
            known, half_widths or PRECISIONS, mean=mean if isinstance(mean, float) else math.nan
        )

    def blank_proposals(self, path: str | Path) -> Written:
        """A CSV table at `path`, to be edited, of trials that could be proposed: questions with new sites.

        Raises
        ------
        CrosscellarError
            When there is a file at `path` already.
        """
        from crosscellar.proposals import blank_proposals
        from crosscellar.results import Written

        if Path(path).exists():
            raise CrosscellarError(
                "there is a file of this name already",
                where=path,
                next_step="Choose another name, or move it away.",
            )
        table = blank_proposals(self._register.questions, self._register.sites, self.effects())
        Path(path).parent.mkdir(parents=True, exist_ok=True)
        table.write_csv(path)
        return Written(
            "proposals",
            (str(path),),
            f"{table.height} trials that could be proposed are in {path}. Delete the lines that nobody "
            "offers; fill in vessels an arm, and the cost where it differs from your prices.",
        )

    def draft(
        self,
        proposals: str | Path,
        out: str | Path,
        *,
        season: int,
        budget: float | None = None,
        prices: str | Path | None = None,
        progress: Callable[[int, int], None] | None = None,
    ) -> Written:
        """The register with proposed trials of a season behind its own, as CSV tables to edit and take in.

        Arms, responses and kinds of vessel are those of the question's latest trial, at the same site where
        there is one; due dates move by whole years. Names of trials are proposals. Vessels that are named are
        dealt to the arms at random; the others are numbered.

        Parameters
        ----------
        proposals
            A CSV table with question_id, site_id and vessels (an arm) or named (the vessels, parted by
            semicolons); `blank_proposals` writes one. A line whose question has a trial at that site in that
            season already is left out.
        out
            A new folder.
        season
            The harvest year.
        budget, prices, progress
            Where a budget is given, only those that `choose` would take.

        Raises
        ------
        CrosscellarError
            When there is something at `out` already, for a table that cannot be read, with the line, where
            fewer vessels are named than there are arms, or where no trial is left to lay out.
        """
        from crosscellar.proposals import read_proposals
        from crosscellar.register.drafts import DRAFTED, draft_trials
        from crosscellar.results import Written

        folder = Path(out)
        if folder.exists():
            raise CrosscellarError(
                "there is something of this name already",
                where=folder,
                next_step="Name a new folder, or move it away.",
            )
        if budget is None:
            proposed = read_proposals(
                Path(proposals),
                prices=None,
                questions=set(self.questions),
                sites=set(self._register.sites["site_id"]),
                costed=False,
            )
        else:
            answer = self.choose(proposals, budget=budget, prices=prices, progress=progress)
            proposed = answer.proposals.filter("chosen")
        drafted = draft_trials(self._register, proposed, season)
        new, left_out = drafted["trials"].height, proposed.height - drafted["trials"].height
        if not new:
            raise CrosscellarError(
                "no trial is left to lay out",
                where=proposals,
                next_step="Each line has a trial of that season already; name another --season."
                if left_out
                else "Propose some, or give a larger --budget.",
            )
        folder.mkdir(parents=True)
        paths = []
        for name, table in self._register.tables.items():
            own = drafted.get(name, table.clear())
            if table.height or own.height:
                paths.append(folder / f"{name}.csv")
                pl.concat([table, own]).write_csv(paths[-1], include_bom=True)
        also = f" {many(left_out, 'line')} had one already." if left_out else ""
        if proposed["named"].list.len().max():
            also += " Vessels that were named were dealt to the arms at random."
        return Written(
            "register",
            tuple(map(str, paths)),
            f"{many(new, 'trial')} of {season} laid out in {folder}, behind the register's own rows in "
            f"{', '.join(DRAFTED)}.{also} Fill in lots and the vessels' own names, look at due dates, and "
            f"take it in with `crosscellar register {folder}`.",
            {"trials": drafted["trials"]["trial_id"].to_list()},
        )

    def choose(
        self,
        proposals: str | Path,
        *,
        budget: float,
        prices: str | Path | None = None,
        progress: Callable[[int, int], None] | None = None,
    ) -> BudgetAnswer:
        """Which proposed trials decide most questions within a budget.

        Parameters
        ----------
        proposals
            A CSV table with question_id, site_id, vessels and cost; `blank_proposals` writes one.
        budget
            What the chosen trials may cost together, in the currency of the prices.
        prices
            As for `plan`; an empty cost is worked out from them.
        progress
            Called with how many questions are done, and of how many.

        Raises
        ------
        CrosscellarError
            For a table that cannot be read, with the line.
        """
        from crosscellar.plans import plan_question, read_prices
        from crosscellar.proposals import Weighed, read_proposals, weigh_proposals

        table = None if prices is None else read_prices(Path(prices))
        proposed = read_proposals(
            Path(proposals),
            prices=table,
            questions=set(self.questions),
            sites=set(self._register.sites["site_id"]),
        )
        of, done = proposed["question"].n_unique(), 0

        def weigh(name: str, most: int, vessels: int) -> Weighed:
            nonlocal done
            asked, pooled, known = self._known(name)
            sites = range(most + 1)
            plan = plan_question(asked, pooled, known, self._contract, sites=sites, vessels=(vessels,)).plan
            done += 1
            if progress is not None:
                progress(done, of)
            return Weighed(str(asked["title"]), pooled, plan)

        return weigh_proposals(proposed, weigh, budget=budget, currency=table.currency if table else "")
