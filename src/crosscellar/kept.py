"""What trials showed, worked out of a store when it is asked for and kept until the store changes."""

from __future__ import annotations

from collections.abc import Callable, Collection
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cache
from typing import NamedTuple

import polars as pl

from crosscellar.answers import effects_in_store, effects_of_one_in_store
from crosscellar.contract import Contract
from crosscellar.lending import LARGE, keep_up
from crosscellar.register import Register
from crosscellar.store import Store


class How(NamedTuple):
    """How effects are asked for.

    `as_of` is a day (None: now); `measure` None the default; `response` counts with a measure only;
    `same_laboratory` tells whether arms must have gone to one.
    """

    as_of: date | datetime | None = None
    measure: str | None = None
    response: str | None = None
    same_laboratory: bool = True

    @property
    def day(self) -> tuple[date | datetime | None, bool]:
        return self.as_of, self.same_laboratory


Key = tuple[date | datetime | None, bool, str | None]


@dataclass(slots=True)
class KeptEffects:
    """The effects of a store, all of them or those that one question needs.

    `register` gives the register as it stood on a day, `about` what it says of one question's trials at
    least. A store of `large` items or more is not read whole for one question.
    """

    store: Store
    contract: Contract
    register: Callable[[date | datetime | None], Register]
    about: Callable[[str], Register]
    large: int = LARGE
    #: By `How.day` and the one question whose responses they are of (None: all).
    _all: dict[Key, pl.DataFrame] = field(default_factory=dict)
    _own: dict[Key, pl.DataFrame] = field(default_factory=dict)

    def forget(self) -> None:
        """Nothing; what was worked out no longer holds, since the store has changed."""
        self._all.clear()
        self._own.clear()

    def follow(self) -> None:
        """Nothing; what lies beside a large store follows the change that was just made to it.

        Who made the change waits anyway; who asks next need not.
        """
        # The change is on the disk by now. Whatever this cannot do, the next question does. (A panic is no
        # Exception.)
        with suppress(Exception, pl.exceptions.PanicException):
            if self.is_large:
                keep_up(self.store, lambda: self.register(None).design(), self.contract)

    def of_one(self, question: str, how: How) -> pl.DataFrame:
        """The effects of one question, without those of the others where they are not known yet.

        Of a large store its own trials alone are read; of a small one, the question's responses in all
        questions, which a prior may ask for next; who asks it about a second question gets everything.
        """
        key = (*how.day, question)
        if how.measure is not None or how.as_of is not None or self._known(how, question) is not None:
            return self.everywhere(how, question).filter(pl.col("question") == question)
        if key not in self._own and self.is_large:
            self._own[key] = effects_of_one_in_store(
                self.store,
                self.about(question),
                self.contract,
                question=question,
                whole=lambda: self.register(None),
                same_laboratory=how.same_laboratory,
            )
        if key in self._own:
            return self._own[key]
        return self.everywhere(how, question).filter(pl.col("question") == question)

    def everywhere(self, how: How, question: str | None = None) -> pl.DataFrame:
        """The network's effects: of `question`'s responses in every question, or of everything.

        Who asks about a second question gets everything, computed once. Where another measure than the
        default is asked for, there are the question's own effects only.
        """
        if how.measure is not None:
            return effects_in_store(
                self.store,
                self.register(how.as_of),
                self.contract,
                alone=question,
                as_of=how.as_of,
                question=question,
                response=how.response,
                measure=how.measure,
                same_laboratory=how.same_laboratory,
            )
        known = self._known(how, question)
        if known is not None:
            return known
        alone = None if self._others_known((*how.day, question)) else question
        found = effects_in_store(
            self.store,
            self.register(how.as_of),
            self.contract,
            alone=alone,
            as_of=how.as_of,
            same_laboratory=how.same_laboratory,
        )
        self._all[(*how.day, alone)] = found
        return found

    def alike(self, question: str, how: How, responses: Collection[str]) -> Callable[[str], pl.DataFrame]:
        """What gives all effects on a response; `responses` are worked out without the others."""

        @cache
        def of_responses() -> pl.DataFrame:
            return effects_in_store(
                self.store,
                self.register(how.as_of),
                self.contract,
                like=responses,
                as_of=how.as_of,
                same_laboratory=how.same_laboratory,
            )

        def given(response: str) -> pl.DataFrame:
            known = self._known(how, question) is not None
            if known or how.measure is not None or response not in responses:
                return self.everywhere(how, question)
            return of_responses()

        return given

    def _known(self, how: How, question: str | None) -> pl.DataFrame | None:
        """What was worked out before that holds all effects on the question's responses."""
        return self._all.get((*how.day, None), self._all.get((*how.day, question)))

    @property
    def is_large(self) -> bool:
        """Whether so much lies in the store that one question does not read all of it."""
        return self.store.snapshot().standing >= self.large

    def _others_known(self, key: Key) -> bool:
        """Whether others were asked about on this day: then all are worked out, but of a large store."""
        others = any(known[:2] == key[:2] and known[2] != key[2] for known in [*self._all, *self._own])
        return others and not self.is_large
