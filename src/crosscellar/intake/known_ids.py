"""The identifiers of a register, found by what a wrongly written one has left of them."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Hashable, Iterable
from datetime import date
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

_SAME_SHAPE: Final = str.maketrans({"0": "O", "1": "I", "L": "I", "|": "I", "5": "S", "8": "B", "2": "Z"})
_DAY_MONTH: Final = re.compile(r"(\d{1,2})[-/.](\d{1,2})")
_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_BETWEEN: Final = re.compile(r"[\W_]+")
#: Words before a vessel's number, in several languages, by the sort of vessel (common practice, no source).
_SORTS: Final = {
    word: sort
    for sort, words in (
        ("barrel", "b bl bbl brl barrel barrels cask barrique barrica fass fut fût botte"),
        ("tank", "t tk tank tanque cuve cuba vasca"),
        ("fermenter", "f ferm fermenter fermentor bin v vat"),
        ("plot", "plot parcel row"),
        ("", "vessel no nr n"),
    )
    for word in words.split()
}
_WORD: Final = re.compile(r"[^\W\d_]+|\d+")
#: The least likeness of a name that is asked about (`difflib`), and how many of the likeliest are compared.
_NEAR: Final = 0.6
_COMPARED: Final = 40
#: Letters are told apart by so many numbers; two that share one are only compared more often.
_LETTERS: Final = 64


class KnownIds:
    """Identifiers in their order. What is asked for first is put in order then, once for all that ask."""

    def __init__(self, names: Iterable[str]) -> None:
        self._names = dict.fromkeys(names)

    def __contains__(self, name: str) -> bool:
        return name in self._names

    def of_case(self, name: str) -> list[str]:
        """Those that differ in capitals alone."""
        return self._folded.get(name.casefold(), [])

    def of_shape(self, name: str) -> list[str]:
        """Those whose letters look like these."""
        return self._shapes.get(_shape(name), [])

    def of_letters(self, name: str) -> list[str]:
        """Those of the same letters and digits, whatever stands between them."""
        bare = _bare(name)
        return self._bare.get(bare, []) if bare else []

    def of_number(self, written: str) -> str | None:
        """The only one with the number of, say, `Barrel 12`, unless it is one of another sort."""
        words = _words_of(written)
        if not words or any(word not in _SORTS for word in words[:-1]):
            return None
        sorts = {_SORTS[word] for word in words[:-1]} - {""}
        alike = []
        for name in self._numbered.get(words[-1], []):
            own = {_SORTS.get(word, "") for word in _words_of(name)[:-1]} - {""}
            if not sorts or not own or sorts == own:
                alike.append(name)
        return alike[0] if len(alike) == 1 else None

    def damaged(self, text: str, day: date | None) -> tuple[str, list[str]] | None:
        """Those that a spreadsheet turns into this number or date."""
        number = _as_number(text)
        if number is not None and (numbers := self._numbers.get(number)):
            return "id_became_number", numbers
        month_day = _month_day(text, day)
        if month_day is None:
            return None
        dates = [name for name, either in self._days if either & month_day]
        return ("id_became_date", dates) if dates else None

    def nearest(self, name: str) -> str | None:
        """The one most like this, if any is like it: of a long list the likeliest are compared."""
        return next(iter(difflib.get_close_matches(name, self._likely(name), n=1, cutoff=_NEAR)), None)

    def _likely(self, name: str) -> list[str]:
        if len(self._names) <= _COMPARED or not name:
            return list(self._names)
        names, lengths, signs, counts = self._spelt
        asked = _signs([name], len(signs))
        shared = np.zeros(len(names), dtype=np.int64)
        for letter, count in enumerate(_counted(asked)[:, 0].tolist()):
            if count:
                shared += np.minimum(counts[letter], np.uint8(count))
        begin, same = np.zeros_like(shared), np.full(len(names), True)
        for of_names, of_asked in zip(signs, asked[:, 0], strict=True):
            same &= of_names == of_asked
            begin += same
        # No two texts are more alike than the letters that they share; of these those that begin alike.
        likely = np.flatnonzero(2 * shared >= _NEAR * (lengths + len(name)))
        order = np.argsort(-(shared * (len(signs) + 1) + begin)[likely], kind="stable")
        return [names[at] for at in np.sort(likely[order[:_COMPARED]]).tolist()]

    def _grouped(self, key: Callable[[str], Hashable]) -> dict[Hashable, list[str]]:
        groups: dict[Hashable, list[str]] = {}
        for name in self._names:
            groups.setdefault(key(name), []).append(name)
        return groups

    @cached_property
    def _folded(self) -> dict[Hashable, list[str]]:
        return self._grouped(str.casefold)

    @cached_property
    def _shapes(self) -> dict[Hashable, list[str]]:
        return self._grouped(_shape)

    @cached_property
    def _bare(self) -> dict[Hashable, list[str]]:
        return self._grouped(_bare)

    @cached_property
    def _numbers(self) -> dict[Hashable, list[str]]:
        return self._grouped(_as_number)

    @cached_property
    def _numbered(self) -> dict[Hashable, list[str]]:
        """Those that end in their only number, by that number."""
        return self._grouped(lambda name: words[-1] if (words := _words_of(name)) else None)

    @cached_property
    def _days(self) -> list[tuple[str, set[tuple[int, int]]]]:
        found = ((name, _DAY_MONTH.fullmatch(name)) for name in self._names)
        return [
            (name, {(int(parts[1]), int(parts[2])), (int(parts[2]), int(parts[1]))})
            for name, parts in found
            if parts
        ]

    @cached_property
    def _spelt(self) -> tuple[list[str], NDArray[np.int64], NDArray[np.uint32], NDArray[np.uint8]]:
        """The names, how long they are, and as `_signs` and `_counted` have them."""
        names = list(self._names)
        signs = _signs(names, max(map(len, names)))
        return names, (signs > 0).sum(axis=0), signs, _counted(signs)


def _signs(names: list[str], width: int) -> NDArray[np.uint32]:
    """The letters of names as numbers, a row a place, 0 behind their ends; what is beyond is left out."""
    texts = np.array(names, dtype=f"U{width}")
    return np.ascontiguousarray(texts.view(np.uint32).reshape(len(names), width).T)


def _counted(signs: NDArray[np.uint32]) -> NDArray[np.uint8]:
    """How often each name has each letter, a row a letter."""
    number = signs.shape[1]
    _, names = np.nonzero(signs)
    letters = signs[signs > 0] % _LETTERS
    counts = np.bincount(letters * number + names, minlength=_LETTERS * number)
    return np.minimum(counts, 255).astype(np.uint8).reshape(_LETTERS, number)


def _shape(name: str) -> str:
    """The letters of an identifier with those that look alike made one."""
    return name.replace("l", "I").replace("i", "I").upper().translate(_SAME_SHAPE)


def _bare(name: str) -> str:
    return _BETWEEN.sub("", name.casefold())


def _as_number(name: str) -> float | None:
    return float(name) if _NUMBER.fullmatch(name) else None


def _words_of(name: str) -> list[str]:
    """The words of a name that ends in its only number, and that without leading zeros; else none."""
    words = _WORD.findall(name.casefold().replace("ß", "ss"))
    only = [word.isdecimal() for word in words] == [False] * (len(words) - 1) + [True]
    number = words[-1].lstrip("0") if only else ""
    return [*words[:-1], number] if number else []


def _month_day(text: str, day: date | None) -> set[tuple[int, int]] | None:
    """Month and day (in either order where open) that a text shows, if it shows a date."""
    iso = re.match(r"(\d{4})-(\d{2})-(\d{2})", text)
    if iso:
        return {(int(iso[2]), int(iso[3]))}
    slashed = re.fullmatch(r"(\d{1,2})[-/.](\d{1,2})(?:[-/.]\d{2,4})?", text)
    if slashed:
        return {(int(slashed[1]), int(slashed[2])), (int(slashed[2]), int(slashed[1]))}
    named = re.fullmatch(r"(\d{1,2})[-. ]([A-Za-z]{3,9})\.?|([A-Za-z]{3,9})\.?[-. ](\d{1,2})", text)
    if named:
        word = (named[2] or named[3])[:3].casefold()
        months = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
        if word in months:
            return {(months.index(word) + 1, int(named[1] or named[4]))}
    return {(day.month, day.day)} if day is not None else None
